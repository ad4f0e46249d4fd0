// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"fmt"
	"math"
	"strings"
	"time"

	"airhold/firmware/leakdown"
)

// Watch gathers the readings of one watch. One goroutine owns it. It keeps them until Close.
type Watch struct {
	o      Options
	rested map[string]time.Duration
	shut   []string
	kept   map[string][]leakdown.Sample
}

// NewWatch begins a watch; rested and shut as in Recorded.
func NewWatch(o Options, rested map[string]time.Duration, shut []string) *Watch {
	return &Watch{o: o, rested: rested, shut: shut, kept: map[string][]leakdown.Sample{}}
}

// Add takes the next reading of a volume: TankName or a rank's name. Readings of anything else are left out.
func (w *Watch) Add(volume string, s leakdown.Sample) {
	if volume == TankName || w.o.rankNamed(volume) >= 0 {
		w.kept[volume] = append(w.kept[volume], s)
	}
}

const (
	longGap   = 30 * time.Second      // without readings: the watch is cut there
	leastTime = 60 * time.Second      // of readings, to say anything of a volume
	leastU    = 0.05 * litrePerMinute // of a tank's flow: an estimate held above zero says less than its interval does
	restNeed  = 3 * time.Minute       // between a rank's last fill or vent and its flow
)

// Close ends the watch and returns its flows. The tank goes through the leak-down estimator, which takes the cooling
// away; a rank's flow is the slope of its air content.
func (w *Watch) Close() Phase { return w.close(nil) }

// CloseWith ends the watch with the tank's flow from a test that ran beside it, so that the tank is not estimated twice.
func (w *Watch) CloseWith(tank leakdown.Result) Phase { return w.close(&tank) }

func (w *Watch) close(tank *leakdown.Result) Phase {
	p := Phase{Barometer: orElse(w.o.Tank.Barometer, defaultAir), Shut: w.shut}
	list, note := longest(w.kept[TankName])
	p.Notes = append(p.Notes, about("tank", note)...)
	if n := len(list); n > 0 {
		p.Duration = list[n-1].At - list[0].At
	}
	if tank == nil && len(list) > 0 {
		r, err := estimate(w.o.Tank, list)
		if err != nil {
			p.Notes = append(p.Notes, about("tank", err.Error()+".")...)
		} else {
			tank = &r
		}
	}
	switch {
	case tank != nil:
		takeTank(&p, *tank, list)
	case len(list) == 0:
		p.Notes = append(p.Notes, "The tank's pressure was not read.")
	}
	for _, r := range w.o.Ranks {
		w.takeRank(&p, r)
	}
	return p
}

// about makes a list of at most one sentence about a volume.
func about(volume, text string) []string {
	if text == "" {
		return nil
	}
	return []string{upper(volume) + ": " + text}
}

// estimate runs a whole leak-down test over a list.
func estimate(s leakdown.Setup, list []leakdown.Sample) (leakdown.Result, error) {
	s.Where, s.Full = "tank side", true
	t, err := leakdown.New(s)
	if err != nil {
		return leakdown.Result{}, fmt.Errorf("the tank's test cannot begin: %w", err)
	}
	for _, x := range list {
		t.Add(x)
	}
	t.Close()
	return t.Result(), nil
}

// TankFlow makes the tank's flow of a leak-down result: the loss at the start pressure. What the result says of the
// tank's volume is left out, because all watches share it; what it says of the wall is kept apart for the same reason.
// The error says why the result cannot serve.
func TankFlow(r leakdown.Result, barometer float64) (Flow, error) {
	e := r.Estimate // at the verdict; the last one knows more
	if n := len(r.Updates); n > 0 {
		e = r.Updates[n-1]
	}
	u := (e.Leak.High - e.Leak.Low) / (2 * sure)
	if r.Verdict == leakdown.Invalid || !(u > 0) || !finite(e.Leak.Value) {
		return Flow{}, fmt.Errorf("its test does not count: %s", strings.Join(r.Reasons, " "))
	}
	var common, volume float64
	for _, t := range e.Budget {
		switch t.Key {
		case "wall":
			common = t.U
		case "volume":
			volume = t.U
		}
	}
	own := u*u - common*common - volume*volume
	start := r.StartPressure + barometer
	return Flow{
		Volume: TankName, Net: e.Leak.Value, Common: common, U: math.Sqrt(max(own, 0.04*u*u, leastU*leastU)),
		Start: start, Mean: start - (e.Cooling+e.Lost)/2,
	}, nil
}

// takeTank adds the tank's flow.
func takeTank(p *Phase, r leakdown.Result, list []leakdown.Sample) {
	f, err := TankFlow(r, p.Barometer)
	if err != nil {
		p.Notes = append(p.Notes, about("tank", err.Error())...)
		return
	}
	if len(list) > 0 {
		f.Mean = meanPressure(list) + p.Barometer
	}
	p.Flows = append(p.Flows, f)
}

func meanPressure(list []leakdown.Sample) float64 {
	sum := 0.0
	for _, s := range list {
		sum += s.Pressure
	}
	return sum / float64(len(list))
}

// longest leaves out readings without a value and returns the longest stretch without a long gap, with a sentence about
// what was left out.
func longest(all []leakdown.Sample) (list []leakdown.Sample, note string) {
	good := make([]leakdown.Sample, 0, len(all))
	for _, s := range all {
		if !s.Bad && finite(s.Pressure) && (len(good) == 0 || s.At >= good[len(good)-1].At) {
			good = append(good, s)
		}
	}
	from, bestFrom, bestTo := 0, 0, 0
	var gap, gapAt time.Duration
	for i := range good {
		if i > 0 {
			if d := good[i].At - good[i-1].At; d > longGap {
				from = i
				if d > gap {
					gap, gapAt = d, good[i-1].At-good[0].At
				}
			}
		}
		if i == 0 || good[i].At-good[from].At > good[bestTo].At-good[bestFrom].At {
			bestFrom, bestTo = from, i
		}
	}
	if len(good) == 0 {
		return nil, ""
	}
	list = good[bestFrom : bestTo+1]
	if gap > 0 {
		note = fmt.Sprintf("no readings for %s from %s on; only the %s without a gap were used.",
			span(gap), span(gapAt), span(list[len(list)-1].At-list[0].At))
	}
	return list, note
}

func span(d time.Duration) string {
	if d >= 2*time.Minute {
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// takeRank adds a rank's flow, or the sentence why there is none.
func (w *Watch) takeRank(p *Phase, r Rank) {
	list, note := longest(w.kept[r.Name])
	name := r.Name + " rank"
	p.Notes = append(p.Notes, about(name, note)...)
	if len(list) == 0 {
		if r.separable() {
			p.Notes = append(p.Notes, about(name, "its pressure was not read.")...)
		}
		return
	}
	begin := w.kept[r.Name][0].At
	rested, known := w.rested[r.Name]
	s := series(list, begin, rested, known)
	s.cut()
	if s.short() {
		p.Notes = append(p.Notes, about(name, fmt.Sprintf("only %.0f s of readings can be used; %.0f s are needed.", s.length(), leastTime.Seconds()))...)
		return
	}
	switch first := math.Floor(s.rest + s.at[0]); {
	case s.moved:
		p.Notes = append(p.Notes, about(name, fmt.Sprintf("it was filled or vented during the watch, %.0f s before what could be used; three minutes of rest are needed, because bags go on stretching.", first))...)
	case !known:
		p.Remarks = append(p.Remarks, fmt.Sprintf("How long the %s had rested is not known; three minutes are assumed.", name))
	case first < restNeed.Seconds()-0.5:
		p.Notes = append(p.Notes, about(name, fmt.Sprintf("it had rested for %.0f s only since it was filled or vented; three minutes are needed, because bags go on stretching.", first))...)
	}
	tank := math.NaN()
	for _, f := range p.Flows {
		if f.Volume == TankName {
			tank = f.Mean
		}
	}
	f := s.flow(r, p.Barometer, tank)
	warm := anrKelvin / w.kelvin(list)
	f.Net, f.U = f.Net*warm, f.U*warm
	p.Flows = append(p.Flows, f)
}

// kelvin is the temperature of a rank's air: that of the air around, which the readings or the options tell, else 20 degC.
func (w *Watch) kelvin(list []leakdown.Sample) float64 {
	sum, n := 0.0, 0.0
	for _, s := range list {
		if s.Ambient > 0 {
			sum += s.Ambient
			n++
		}
	}
	if n > 0 {
		return sum / n
	}
	return orElse(w.o.Tank.Ambient, anrKelvin)
}
