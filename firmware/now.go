// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/firmware/supply"
	"airhold/sensors/units"
)

// fallUnit is kilopascals a minute.
func fallUnit() units.Unit {
	return units.Unit{Code: "kPa/min", Dim: units.None, Factor: 1000.0 / 60}
}

func gauge(pa float64) publish.Quantity {
	return &findings.Measure{SI: pa, Unit: units.Preferred(units.Pressure), Reference: units.Gauge}
}

func flow(si float64) publish.Quantity {
	return &findings.Measure{SI: si, Unit: units.Preferred(units.FlowRate), Reference: units.ANR}
}

func percent(ratio float64) publish.Quantity {
	return &findings.Measure{SI: ratio, Unit: units.Preferred(units.Ratio)}
}

// Now tells screens what the spine knows; the caller adds the stamp.
func (s *Spine) Now() *publish.Now {
	n := &publish.Now{Rate: 1, Ranks: []publish.RankNow{}, Facts: []publish.FactNow{}, Care: []publish.CareNow{}}
	n.Top = gauge(scaleTop(s.o.Machine))
	s.nowTank(n)
	s.nowRanks(n)
	s.nowCompressor(n)
	s.nowWords(n)
	s.nowBudget(n)
	s.nowCare(n)
	s.nowMorning(n)
	s.nowLearning(n)
	s.nowValues(n)
	if v, ok := s.value(s.lowered, s.now); ok {
		down := v > 0.5
		n.Lowered = &down
	}
	v, ok := s.value(s.speed, s.now)
	n.Moving = ok && v > slowSpeed
	return n
}

// scaleTop is the top of the pressure scale: the highest pressure that is normal plus 5 %, rounded up to 100 kPa, and
// fixed for the machine.
func scaleTop(m *config.Machine) float64 {
	top := float64(m.Tank.ReliefSetting)
	for _, c := range m.Compressors {
		if c.CutOut > 0 {
			top = float64(c.CutOut)
		}
	}
	const step = 100e3
	return math.Ceil(top*1.05/step) * step
}

func (s *Spine) nowTank(n *publish.Now) {
	p := s.supply.Tank()
	n.Tank = publish.TankNow{Age: p.Age.Milliseconds(), Quality: p.Quality.String()}
	if p.Alive {
		n.Tank.Pressure = gauge(p.Value)
	}
	if in, ok := s.comp.CutIn(); ok {
		n.Tank.CutIn = gauge(in)
	}
	if out, ok := s.comp.CutOut(); ok {
		n.Tank.CutOut = gauge(out)
	}
	if fall, ok := s.supply.Fall(); ok {
		n.Tank.FallPerMin = &findings.Measure{SI: fall, Unit: fallUnit()}
	}
}

// inLine is how far below its need a rank still counts as in line with it: within the sensor's own doubt and the
// control's band. Common practice, no source.
const inLine = 0.03

func (s *Spine) nowRanks(n *publish.Now) {
	lowered, seen := s.value(s.lowered, s.now)
	for i := range s.supply.Ranks() {
		r := s.supply.Rank(i)
		out := publish.RankNow{
			Name: r.Name, Age: r.Pressure.Age.Milliseconds(), Quality: r.Pressure.Quality.String(),
			Assumed: r.Assumed, Raised: seen && lowered < 0.5,
		}
		if r.Pressure.Alive {
			out.Pressure = gauge(r.Pressure.Value)
		}
		if r.Known {
			out.Need = gauge(r.Need)
		}
		if r.Short > inLine*r.Need && !out.Raised {
			out.Short = gauge(r.Short)
		}
		n.Ranks = append(n.Ranks, out)
	}
	if left, ok := s.supply.Reserve(); ok {
		_, assumed, _ := s.supply.Need()
		n.Left = &publish.LeftNow{Minutes: findings.Round(left.Minutes()), About: assumed}
	}
}

func (s *Spine) nowCompressor(n *publish.Now) {
	state, _ := s.comp.State()
	n.Compressor = publish.CompressorNow{Word: "not_seen", Runs: s.comp.RunCount()}
	switch state {
	case compressor.On:
		n.Compressor.Word = "running"
	case compressor.Off:
		n.Compressor.Word = "resting"
	case compressor.Unknown:
	}
	if s.active("comp-overworked") {
		n.Compressor.Word = "no_rest"
	}
	window := 10 * time.Minute
	if cs := s.o.Machine.Compressors; len(cs) > 0 && cs[0].DutyWindow > 0 {
		window = cs[0].DutyWindow
	}
	if covered := s.comp.Covered(); covered >= window {
		n.Compressor.Duty = percent(s.comp.Duty())
		n.Compressor.Window = fmt.Sprintf("%.0f min", window.Minutes())
	}
	if starts, ok := s.comp.StartsPerHour(); ok {
		n.Compressor.StartsPerHour = &findings.Measure{SI: starts / 3600, Unit: units.Unit{Code: "/h", Dim: units.Rate, Factor: 1.0 / 3600}}
	}
}

func (s *Spine) active(key findings.Key) bool {
	for _, st := range s.engine.States(nil) {
		if st.Key == key && st.Active && st.Visibility == alarms.Shown {
			return true
		}
	}
	return false
}

func (s *Spine) nowBudget(n *publish.Now) {
	b := s.supply.Budget()
	if b.GivesKnown {
		n.Budget.Gives, n.Budget.Rated = flow(b.Gives), b.Rated
		n.Budget.Gives.Low, n.Budget.Gives.High = b.GivesLow, b.GivesHigh
	}
	if b.UseKnown {
		n.Budget.Use = flow(b.Use)
		n.Budget.Use.Low, n.Budget.Use.High = b.UseLow, b.UseHigh
	}
	if b.Split {
		n.Budget.Bags, n.Budget.Leak = measure(b.Bags), measure(b.Leak)
	}
	n.Budget.Drains = measure(b.Drains)
	switch {
	case !b.GivesKnown && !b.UseKnown:
		n.Budget.Words = "what the compressor can give is not known yet; use: watching, 10 min of work needed"
	case !b.GivesKnown:
		n.Budget.Words = "what the compressor can give is not known yet"
	case !b.UseKnown:
		n.Budget.Words = "use: watching, 10 min of work needed"
	default:
		n.Budget.Words = b.Words()
	}
	switch {
	case !b.OverhangUnknown && b.Overhang > 0 && n.State != string(supply.Holds):
		n.Budget.Short = flow(b.Overhang)
	case b.Short > 0:
		n.Budget.Short = flow(b.Short)
	case b.GivesKnown && b.UseKnown && n.State == string(supply.Holds): // the mean use lags: a low tank has none to spare
		n.Budget.Spare = flow(b.Spare)
	}
}

// nowWords fills the three answers: how is the air, what to do now, what tonight.
func (s *Spine) nowWords(n *publish.Now) {
	word, why := s.supply.State()
	n.State, n.Why = string(word), why
	switch {
	case s.active("tank-short"), s.active("rank-off-target") && slices.ContainsFunc(n.Ranks, func(r publish.RankNow) bool { return r.Short != nil }):
		n.State = string(supply.Short)
	case word == supply.Short:
		n.State = string(supply.Low) // not long enough to ring
	}
	n.Do = nothingToDo
	var first *alarms.State
	states := s.engine.States(nil)
	for i := range states {
		st := &states[i]
		row, ok := s.engine.Row(st.Key)
		if !ok || row.Kind != alarms.Announced || st.Visibility != alarms.Shown || !st.Active {
			continue
		}
		if first == nil || st.Priority > first.Priority || (st.Priority == first.Priority && st.Onset < first.Onset) {
			first = st
		}
	}
	if first != nil {
		row, _ := s.engine.Row(first.Key)
		n.Do = lowerFirst(row.Do)
		if row.Where == alarms.Parked {
			n.Do, n.Then = "carry on", lowerFirst(row.Do)
		}
	}
	if words := s.test.Words(); words != "" {
		n.Do, n.Then = words, ""
	}
	slices.SortStableFunc(states, func(a, b alarms.State) int { return strings.Compare(string(a.Key), string(b.Key)) })
	n.Unseen = []publish.UnseenNow{}
	for _, st := range states {
		if st.Sight == findings.Unseen && st.Needs != "" {
			n.Unseen = append(n.Unseen, publish.UnseenNow{Key: string(st.Key), Where: st.Where, Needs: st.Needs})
		}
	}
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

func (s *Spine) nowValues(n *publish.Now) {
	n.Values = make([]publish.ChannelValue, 0, len(s.last))
	for i := range s.last {
		l := &s.last[i]
		info := s.table.Info(readings.Channel(i))
		v := publish.ChannelValue{ID: info.ID, Quality: l.quality.String()}
		if !l.heard {
			v.Quality = readings.NotAvailable.String()
		}
		if l.good {
			v.Value = &findings.Measure{SI: l.value, Unit: info.Unit, Reference: info.Reference}
			v.Age = (s.now - l.goodAt).Milliseconds()
		}
		n.Values = append(n.Values, v)
	}
	if l := s.table.Find(readings.BoxDiskLeft); l != readings.NoChannel && s.last[l].good {
		n.Facts = append(n.Facts, diskFact(s.last[l].value))
	}
	if starts := n.Compressor; starts.Duty != nil {
		n.Facts = append(n.Facts, publish.FactNow{
			Value: strconv.FormatFloat(starts.Duty.Unit.From(starts.Duty.SI), 'f', 0, 64),
			Words: "% duty, " + starts.Window,
		})
	}
}

// drainFact is how long the tank may go until it is drained.
func drainFact(left time.Duration) publish.FactNow {
	return publish.FactNow{Value: strconv.Itoa(int(left.Hours())), Words: "h to the drain"}
}

// hoursTo is a time in words.
func hoursTo(left time.Duration, what string) string {
	return fmt.Sprintf("%d h to %s", int(left.Hours()), what)
}

func diskFact(seconds float64) publish.FactNow {
	const day, hour = 86400, 3600
	switch {
	case seconds >= 999*day:
		return publish.FactNow{Value: "999", Words: "days of log space or more"}
	case seconds >= 2*day:
		return publish.FactNow{Value: strconv.FormatFloat(math.Floor(seconds/day), 'f', 0, 64), Words: "days of log space"}
	default:
		return publish.FactNow{Value: strconv.FormatFloat(math.Max(0, math.Floor(seconds/hour)), 'f', 0, 64), Words: "h of log space"}
	}
}

// nowMorning tells what the night has left, until the day's work begins.
func (s *Spine) nowMorning(n *publish.Now) {
	word, why := s.night.State()
	if s.worked || word == "" {
		return
	}
	m := &publish.MorningNow{State: string(word), Words: s.night.Words(), Why: why, Places: []string{}}
	for i, h := range s.night.Held() {
		if h.Known {
			m.Places = append(m.Places, h.Where)
		}
		if i > 0 || !h.Known {
			continue
		}
		m.From, m.To, m.Cooling, m.Lost, m.Leak = measure(h.From), measure(h.To), measure(h.Cooling), measure(h.Lost), measure(h.Leak)
		m.WarmFrom, m.WarmTo, m.Warm = measure(h.WarmFrom), measure(h.WarmTo), h.Warm
		m.FromAt, m.ToAt = known(h.FromAt), known(h.ToAt)
	}
	n.Morning = m
	turns, seen := s.value(s.drive, s.now)
	due := func(c publish.CareNow) bool { return c.Item == "drain" }
	if n.Do == nothingToDo && (!seen || turns < stillDrive) && slices.ContainsFunc(n.Care, due) {
		n.Do = "drain the tank before the engine starts"
	}
}

// nothingToDo is the Now line of a quiet moment.
const nothingToDo = "nothing to do"

// known is a time for screens; nil where no clock said it.
func known(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// nowLearning says plainly what is not known yet because the machine is new.
func (s *Spine) nowLearning(n *publish.Now) {
	if left, ok := s.comp.LearningLeft(); ok {
		n.Compressor.Learning = "learning the compressor: " + minutesToGo(left)
	} else if words, ok := s.comp.Remark(); ok {
		n.Compressor.Learning = words
	}
	if left, ok := s.leaks.LearningLeft(); ok {
		n.Learning = "leak watch learning: " + minutesToGo(left)
	}
}

func minutesToGo(left time.Duration) string {
	m := int(math.Ceil(left.Minutes()))
	if m == 1 {
		return "1 minute to go"
	}
	return fmt.Sprintf("%d minutes to go", m)
}
