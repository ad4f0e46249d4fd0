// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
	"strings"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
	"airhold/firmware/readings"
)

const (
	// Where two watches are asked for, each goes on at least so long: the paths need more than the verdict.
	pathWatch = 180 * time.Second
	pathRest  = restNeed + 2*time.Minute // of a rank, from its last movement to the end of the watch
	longest   = 10 * time.Minute

	supplyPatience = 2 * time.Second
	lostPatience   = 10 * time.Second
	restedWall     = time.Hour // of a compressor: then the tank's wall is as warm as the air, in the shade
	coolWall       = 3.0       // K
	warmWall       = 10.0      // K
)

// beginWatch begins a watch: every volume that is seen gets its test, from the moment its air was shut in.
func (s *Session) beginWatch() {
	r := s.run
	for _, v := range s.volumes {
		v.test = nil
		if v.ch == readings.NoChannel || len(v.kept) == 0 {
			continue
		}
		v.since = v.shutIn()
		v.drop(v.since)
		t, err := leakdown.New(s.setup(v))
		if err != nil {
			if v == r.asked && r.phase == 1 {
				why := strings.TrimPrefix(err.Error(), leakdown.ErrSetup.Error()+": ")
				s.end("invalid", "test-void", "The test cannot be made: "+why+". Correct the machine file.")
				return
			}
			continue
		}
		for _, x := range v.kept {
			t.Add(x)
		}
		v.test = t
	}
	if r.asked.test == nil && r.phase == 1 {
		return // not seen at the moment: wait
	}
	if r.phase == 1 {
		r.shutIn = r.asked.since
		s.stage("Isolate", "air shut in at "+kPa(first(r.asked)))
	} else {
		s.stage("Vent the ranks", s.vented().Sees)
	}
	r.step, r.begun, r.touched = Watch, s.now, s.now
	r.lowered, _ = s.get(s.o.Lowered)
	turns, ok := s.get(s.o.Drive)
	r.turned = ok && turns > turning
	s.change()
	s.said("test-step", fmt.Sprintf("Leak-down test of the %s: watching, from %s back on.", r.asked.where, span(s.now-r.asked.since)))
}

// setup says what the estimator has to know of a volume.
func (s *Session) setup(v *volume) leakdown.Setup {
	r := s.run
	out := leakdown.Setup{
		Where: v.where, Limit: r.limit, Barometer: s.air(), Discharge: s.o.Discharge, Full: true,
		Ambient: s.fresh(s.o.Ambient),
	}
	if sign, ok := s.sign[v.name]; ok {
		out.Signature = &sign
	}
	start := first(v)
	if v.rank >= 0 {
		d := s.o.Ranks[v.rank]
		out.Rank, out.Volume, out.Stretch, out.StretchUncertainty, out.FullScale = true, d.Volume, d.Stretch, d.StretchUncertainty, d.FullScale
		out.VolumeAtStart = true
		out.Needed = 0.9 * start
		if v.hasMove {
			out.SinceFill = max(time.Millisecond, v.since-v.moved)
		}
		return out
	}
	d := s.o.Tank
	out.Volume, out.VolumeUncertainty, out.FullScale, out.SafeWorking = d.Volume, d.Uncertainty, d.FullScale, d.SafeWorking
	out.Needed = s.needed(start)
	out.WallSD = warmWall
	if idle, known := v.idle(s.now); r.shade && known && idle >= restedWall {
		out.WallSD = coolWall
	}
	return out
}

// first is the pressure with which what is watched of a volume begins.
func first(v *volume) float64 {
	for _, x := range v.kept {
		if !x.Bad {
			return x.Pressure
		}
	}
	return v.now
}

func (s *Session) air() float64 {
	if p := s.fresh(s.o.Barometer); p > 0 {
		return p
	}
	return s.o.Air
}

// needed is the pressure down to which the tank's hold time is counted: what its ranks need, else what they have, else
// where the compressor would start.
func (s *Session) needed(start float64) float64 {
	if s.o.Need != nil {
		if p, ok := s.o.Need(); ok && p < start {
			return p
		}
	}
	most := 0.0
	for _, v := range s.volumes[1:] {
		if v.alive(s.now) {
			most = math.Max(most, v.now+s.o.LineDrop)
		}
	}
	if most > 0 && most < start {
		return most
	}
	if s.o.CutIn != nil {
		if p, ok := s.o.CutIn(); ok && p < start {
			return p
		}
	}
	return 0
}

// watch looks for the verdict and for what spoils it.
func (s *Session) watch() {
	r := s.run
	if s.disturbed() {
		return
	}
	t := r.asked.test
	if r.phase == 1 {
		res := t.Result()
		s.change()
		if res.Verdict == leakdown.Invalid {
			s.end("invalid", "test-void", reason(res.Reasons, "The test does not count."))
			return
		}
		if res.Verdict == leakdown.Measuring {
			return
		}
		if r.phases == 1 {
			s.judged()
			return
		}
	}
	s.change()
	if !s.pathsReady() {
		return
	}
	s.endPhase()
	if r.phase < r.phases {
		r.phase++
		r.step, r.confirmed, r.touched = Isolate, false, s.now
		for _, v := range s.volumes {
			v.test = nil
			v.drop(s.now - keepBefore)
		}
		s.said("test-step", "First watch done; now the ranks are to be vented for the second.")
		s.change()
		return
	}
	s.judged()
}

// pathsReady says whether a watch of two has gone on long enough for the paths.
func (s *Session) pathsReady() bool {
	r := s.run
	if s.now-r.begun >= longest {
		return true
	}
	ready := true
	for _, v := range s.volumes {
		switch {
		case v.test == nil:
		case s.now-v.since < pathWatch:
			ready = false
		case v.rank >= 0 && v.hasMove && s.now-v.moved < pathRest:
			ready = false
		}
	}
	return ready
}

// disturbed ends the watch where something spoils it.
func (s *Session) disturbed() bool {
	r := s.run
	for _, v := range s.volumes {
		if v.test != nil && v.supply >= 0 && s.now-v.supply >= supplyPatience {
			s.void(leakdown.SupplyOff)
			return true
		}
	}
	if v, ok := s.get(s.o.Running); ok && v > 0.5 {
		s.void(leakdown.CompressorStarted)
		return true
	}
	if v, ok := s.get(s.o.Drive); ok && v > turning && !r.turned {
		s.void("the engine was started, and with it the compressor's drive")
		return true
	}
	if v, ok := s.get(s.o.Lowered); ok && (v > 0.5) != (r.lowered > 0.5) {
		s.void(leakdown.PlanterMoved)
		return true
	}
	if v := r.asked; r.phase == 1 && s.now-v.goodAt > lostPatience {
		s.void(leakdown.SensorLost)
		return true
	}
	for _, v := range s.volumes {
		if v.test == nil || !v.hasMove || v.moved <= r.begun+blockTime {
			continue
		}
		switch {
		case v.rises():
			s.void(leakdown.CompressorStarted + " (the tank's pressure rises)")
		default:
			s.void(leakdown.Disturbance(fmt.Sprintf("%s (the pressure of the %s changed in one step)", leakdown.ValveMoved, v.place())))
		}
		return true
	}
	return false
}

// void ends the test as invalid; a verdict that stands already from the first watch is kept.
func (s *Session) void(d leakdown.Disturbance) {
	r := s.run
	for _, v := range s.volumes {
		if v.test != nil {
			v.test.Disturb(d)
		}
	}
	if r.first != nil {
		s.said("test-void", fmt.Sprintf("The second watch is void: %s. The verdict of the first stands.", string(d)))
		s.judged()
		return
	}
	s.end("invalid", "test-void", "The test is void: "+string(d)+".")
}

// stop ends the test because a person, or the box for want of one, stopped it.
func (s *Session) stop(why string) {
	if s.run.first != nil {
		s.said("test-stop", why+" The verdict of the first watch stands.")
		s.judged()
		return
	}
	s.end("stopped", "test-stop", why)
}

// endPhase keeps what a watch of two has shown.
func (s *Session) endPhase() {
	r := s.run
	if r.phase == 1 && r.asked.test != nil {
		res := r.asked.test.Result()
		r.first, r.firstCurve = &res, s.curveOf(r.asked, resultPoints, 0)
	}
	r.phasesDone = append(r.phasesDone, s.phaseOf())
	s.stage("Watch", fmt.Sprintf("%.0f s", (s.now-r.begun).Seconds()))
}

// phaseOf turns the watch into flows.
func (s *Session) phaseOf() zones.Phase {
	rested := map[string]time.Duration{}
	var shut []string
	for _, v := range s.volumes[1:] {
		if v.test != nil && v.hasMove {
			rested[v.name] = max(0, v.since-v.moved)
		}
		if s.o.Ranks[v.rank].ShutOff == zones.ByHand {
			shut = append(shut, v.name)
		}
	}
	w := zones.NewWatch(s.zoneOptions(), rested, shut)
	for _, v := range s.volumes {
		if v.test == nil {
			continue
		}
		for _, x := range v.kept {
			w.Add(v.name, x)
		}
	}
	var p zones.Phase
	if t := s.volumes[0].test; t != nil {
		res := t.Result()
		if n := len(res.Updates); n > 0 {
			res.Estimate = res.Updates[n-1] // the paths are judged by all that was watched, not by the early verdict
		}
		p = w.CloseWith(res)
	} else {
		p = w.Close()
	}
	p.Name = [...]string{"everything closed", "ranks vented"}[min(len(s.run.phasesDone), 1)]
	return p
}

// workAt is the gauge pressure with which a rank's first watch begins: there its declared volume holds.
func (s *Session) workAt(rank int) float64 {
	v := s.volumes[1+rank]
	if len(s.run.phasesDone) > 0 {
		for _, f := range s.run.phasesDone[0].Flows {
			if f.Volume == v.name {
				return max(0, f.Start-s.air())
			}
		}
	}
	return max(0, first(v))
}

func (s *Session) zoneOptions() zones.Options {
	t := s.o.Tank
	o := zones.Options{Tank: leakdown.Setup{
		Volume: t.Volume, VolumeUncertainty: t.Uncertainty, Barometer: s.air(), FullScale: t.FullScale, SafeWorking: t.SafeWorking,
		Limit: s.run.limit, Discharge: s.o.Discharge,
	}}
	for i, r := range s.o.Ranks {
		if s.volumes[1+i].ch == readings.NoChannel {
			continue
		}
		o.Ranks = append(o.Ranks, zones.Rank{
			Name: r.Name, Volume: r.Volume, VolumeAt: s.workAt(i), Stretch: r.Stretch, StretchUncertainty: r.StretchUncertainty,
			PowerOff: r.PowerOff, ShutOff: r.ShutOff,
		})
	}
	return o
}
