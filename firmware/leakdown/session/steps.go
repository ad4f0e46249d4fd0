// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/firmware/leakdown/zones"
	"airhold/firmware/readings"
)

const (
	stillNeed = 5 * time.Second   // nothing may have moved the pressures for so long before the watch begins
	quietNeed = 10 * time.Second  // without any other sign, a compressor counts as off once nothing came in for so long
	restNeed  = 180 * time.Second // of a rank, between its last fill and its verdict: fresh bags go on stretching

	ventTo    = 50e3 // Pa gauge: the ranks of the second watch
	ventNear  = 40e3 // Pa above it: air that was let down warms up again, and its pressure rises
	fillNear  = 0.03 // of the pressure to fill to: the machine's own switch need not stop exactly there
	fillFloor = 0.85 // of it, where the machine itself has stopped filling before
)

const (
	yes     = "yes"
	no      = "no"
	notSeen = "not_seen"
)

// goOn does a person's step: a tick, or on to the next step.
func (s *Session) goOn(c Command) string {
	if !s.Active() {
		return "no test is under way; begin one first"
	}
	r := s.run
	switch {
	case c.Args["tick"] != "":
		return s.tick(c)
	case c.Args["next"] == "":
		return "say which line is ticked, or that the next step is meant"
	}
	list := s.conditions()
	if r.step == Watch {
		return "the watch goes on by itself; it ends with the verdict, or stop it"
	}
	if r.step == MakeSafe && s.left() > 0 {
		return fmt.Sprintf("%d lines are still to tick: walk round first", s.left())
	}
	for _, k := range list {
		if k.Met == no && (r.step != Isolate || k.ID == "vented") {
			return k.Text + ": not yet. " + k.Why
		}
	}
	r.touched = s.now
	switch r.step {
	case MakeSafe:
		s.stage("Make safe", fmt.Sprintf("%d of %d lines ticked", len(r.ticks)-s.left(), len(r.ticks)))
		r.step = Fill
	case Fill:
		s.stage("Fill", "to "+kPa(r.asked.now))
		r.step = Isolate
	case Isolate:
		if r.confirmed {
			return "the box waits for the pressures to stand still; it goes on by itself"
		}
		r.confirmed = true
	case Watch, Done:
	}
	s.change()
	if r.step != Isolate || !r.confirmed {
		s.said("test-step", fmt.Sprintf("Leak-down test of the %s: on to %s, by %s.", r.asked.where, stepWords(r.step), who(c.By)))
	}
	return ""
}

// stage notes a step that was done.
func (s *Session) stage(words, note string) {
	r := s.run
	r.stages = append(r.stages, Stage{Words: words, At: stamp(s.utc(s.now)), Note: note})
}

func (s *Session) tick(c Command) string {
	r := s.run
	if r.step != MakeSafe {
		return "the lines of making safe can be ticked only in that step"
	}
	i := slices.IndexFunc(r.ticks, func(t Tick) bool { return t.ID == c.Args["tick"] })
	if i < 0 {
		return fmt.Sprintf("there is no line %q to tick", c.Args["tick"])
	}
	t := &r.ticks[i]
	t.Done = !t.Done
	r.touched = s.now
	word := "ticked"
	if !t.Done {
		word = "unticked"
	}
	s.change()
	s.said("test-step", fmt.Sprintf("%s %s %q.", who(c.By), word, t.Text))
	return ""
}

// left counts the lines not yet ticked.
func (s *Session) left() int {
	n := 0
	for _, t := range s.run.ticks {
		if !t.Done {
			n++
		}
	}
	return n
}

// conditions are what the box checks in the present step.
func (s *Session) conditions() []Condition {
	r := s.run
	switch r.step {
	case MakeSafe:
		return []Condition{s.still(), s.stopped(), s.safe()}
	case Fill:
		return []Condition{s.filled(), s.safe(), s.still()}
	case Isolate:
		list := []Condition{s.off(), s.steady(), s.still(), s.charged()}
		if r.phase > 1 {
			list = append([]Condition{s.vented()}, list...)
		}
		return list
	case Watch:
		return []Condition{s.off(), s.steady(), s.still()}
	case Done:
	}
	return nil
}

// still: the planter stands.
func (s *Session) still() Condition {
	k := Condition{ID: "still", Text: "planter still", Sees: "not seen", Met: notSeen, Why: "The box does not see its speed: your tick \"" + tickText("park") + "\" stands for it."}
	if v, ok := s.get(s.o.Speed); ok {
		k.Sees, k.Met, k.Why = fmt.Sprintf("%.1f km/h", math.Abs(v)*3.6), yes, ""
		if math.Abs(v) > moving {
			k.Met, k.Why = no, "Stop, and park on level ground."
		}
	}
	return k
}

// stopped: the engine, as far as the compressor's drive tells.
func (s *Session) stopped() Condition {
	k := Condition{ID: "drive", Text: "engine stopped", Sees: "not seen", Met: notSeen, Why: "The box does not see the drive: your tick \"" + tickText("key") + "\" stands for it."}
	if v, ok := s.get(s.o.Drive); ok {
		k.Sees, k.Met, k.Why = fmt.Sprintf("%.0f /min", v*60), yes, ""
		if v > turning {
			k.Met, k.Why = no, "Stop the engine and take the key out; it starts again for the fill only."
		}
	}
	return k
}

// safe: the tank is below its safe working pressure.
func (s *Session) safe() Condition {
	k := Condition{ID: "safe", Text: "tank below its safe pressure", Sees: "not seen", Met: notSeen, Why: "Look at the machine's own gauge."}
	v := s.volumes[0]
	if !v.alive(s.now) {
		return k
	}
	k.Sees, k.Met, k.Why = kPa(v.now), yes, ""
	if p := s.o.Tank.SafeWorking; p > 0 {
		k.Text = "tank below its safe " + kPa(p)
		if v.now > p {
			k.Met, k.Why = no, "Stop what fills the tank and keep away from it and its relief valve; let it come down as the manual says."
		}
	}
	return k
}

// filled: the asked volume has the pressure of the test.
func (s *Session) filled() Condition {
	r := s.run
	v := r.asked
	k := Condition{ID: "pressure", Text: v.place() + " charged", Sees: "not seen", Met: no, Why: "The pressure is not seen: check the sensor and its plug, parked."}
	if !v.alive(s.now) {
		return k
	}
	k.Sees, k.Met, k.Why = kPa(v.now), yes, ""
	least := leastOf(v)
	if r.target > 0 {
		k.Text = fmt.Sprintf("%s charged to %s", v.place(), kPa(r.target))
		least = r.target * (1 - fillNear)
		if idle, known := v.idle(s.now); r.reached || r.rose && known && idle > 20*time.Second {
			least = math.Max(leastOf(v), fillFloor*r.target) // the fill is over: from there hot air cools, and its pressure falls
		}
	} else {
		k.Text = fmt.Sprintf("%s charged, %s or more", v.place(), kPa(least))
	}
	if v.now < least {
		k.Met, k.Why = no, "Let the machine charge it."
	}
	return k
}

// charged: what was filled is still there when the watch begins.
func (s *Session) charged() Condition {
	v := s.run.asked
	k := Condition{ID: "charged", Text: fmt.Sprintf("%s at %s or more", v.place(), kPa(leastOf(v))), Sees: "not seen", Met: no, Why: "The pressure is not seen: check the sensor and its plug, parked."}
	if s.run.phase > 1 { // the ranks are meant to be empty now
		v = s.volumes[0]
		k.Text = fmt.Sprintf("tank at %s or more", kPa(leastOf(v)))
		if v.ch == readings.NoChannel {
			k.Met, k.Why = notSeen, "The tank's pressure is not on this machine."
			return k
		}
	}
	if !v.alive(s.now) {
		return k
	}
	k.Sees, k.Met, k.Why = kPa(v.now), yes, ""
	if v.now < leastOf(v) {
		k.Met, k.Why = no, "There is too little left to judge: stop this test, charge and begin again."
	}
	return k
}

// off: the compressor brings no air.
func (s *Session) off() Condition {
	k := Condition{ID: "off", Text: "compressor off", Met: yes}
	if v, ok := s.get(s.o.Running); ok {
		k.Sees = "resting"
		if v > 0.5 {
			k.Sees, k.Met, k.Why = "running", no, "Engine off, key out: then the compressor cannot start."
		}
		return k
	}
	if v, ok := s.get(s.o.Drive); ok {
		k.Sees = fmt.Sprintf("%.0f /min", v*60)
		if v > turning {
			k.Met, k.Why = no, "Engine off, key out: then the compressor cannot start."
		}
		return k
	}
	t := s.volumes[0]
	if !t.alive(s.now) {
		return Condition{ID: "off", Text: "compressor off", Sees: "not seen", Met: notSeen, Why: "Your tick \"" + tickText("key") + "\" stands for it."}
	}
	k.Sees = "tank not rising"
	if idle, known := t.idle(s.now); known && idle < quietNeed {
		k.Sees, k.Met, k.Why = "tank rising", no, "Engine off, key out: then the compressor cannot start."
	}
	return k
}

// steady: nothing moves the pressures as only a valve or a compressor can.
func (s *Session) steady() Condition {
	k := Condition{ID: "steady", Text: "valves still", Met: yes}
	least, which := time.Duration(math.MaxInt64), (*volume)(nil)
	for _, v := range s.volumes {
		if !v.alive(s.now) {
			continue
		}
		if d, known := v.stillFor(s.now); known && d < least {
			least, which = d, v
		}
	}
	switch {
	case which == nil:
		k.Sees = "no pressure moves"
	case least < stillNeed:
		k.Sees, k.Met, k.Why = which.where+" moves", no, "Touch nothing; the box waits until the pressures go by themselves."
	default:
		k.Sees = "for " + span(least)
	}
	return k
}

// vented: the ranks of the second watch.
func (s *Session) vented() Condition {
	k := Condition{ID: "vented", Text: "ranks vented to " + kPa(ventTo), Met: yes}
	var sees []string
	for _, v := range s.volumes[1:] {
		if v.ch == readings.NoChannel || !v.alive(s.now) {
			continue
		}
		sees = append(sees, fmt.Sprintf("%s %s", v.name, kPa(v.now)))
		if v.now > ventTo+ventNear {
			k.Met, k.Why = no, "Vent with the machine's own control, as its manual says; nobody at the row units."
		} else if k.Met == yes && v.falling() > fastRank/2 {
			k.Met, k.Why = no, "Air still leaves the "+v.where+": wait until it is done."
		}
	}
	k.Sees = strings.Join(sees, ", ")
	if len(sees) == 0 {
		k.Sees, k.Met, k.Why = "not seen", no, "No rank's pressure is seen: check sensors and plugs, parked."
	}
	return k
}

// byHand lists the ranks that a hand valve closes off.
func (s *Session) byHand() []string {
	var out []string
	for _, r := range s.o.Ranks {
		if r.ShutOff == zones.ByHand {
			out = append(out, r.Name)
		}
	}
	return out
}

// isolated begins the watch once everything stands still.
func (s *Session) isolated() {
	r := s.run
	if !r.confirmed && (len(s.byHand()) > 0 && r.phase == 1 || r.phase > 1) {
		return // something is to be done by hand first
	}
	for _, k := range s.conditions() {
		if k.Met == no {
			return
		}
	}
	s.beginWatch()
}

// idle is how long no air came in, and whether any ever did.
func (v *volume) idle(now time.Duration) (time.Duration, bool) {
	if !v.hasRise {
		return now, false
	}
	return now - v.rose, true
}

// place is the volume in the words of a step: the tank, the front rank.
func (v *volume) place() string {
	if v.rank < 0 {
		return "tank"
	}
	return v.where
}
