// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"encoding/json"
	"strings"
	"sync/atomic"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/publish"
	"airhold/firmware/tablet"
)

// testedMemory is the name under which the store keeps when the last leak-down test was judged; the care list asks for it.
const testedMemory = "tested"

// careInputs is what the other checks say to the care list.
func (s *Spine) careInputs(at time.Duration) care.Inputs {
	in := care.Inputs{RunTime: s.comp.RunTime(), Working: s.working, TestedAt: s.tested}
	in.RunSeen, _, _ = s.comp.Works()
	_, down := s.value(s.lowered, at)
	_, moves := s.value(s.speed, at)
	in.WorkSeen = down && moves
	in.WaterDue = s.water.Full()
	if d, ok := s.comp.Delivery(); ok && !s.leaked(at) {
		in.DeliveryLow = d.High < careDelivery
	}
	return in
}

// careDelivery is the share of its baseline under which a compressor's intake filter is suspected (common practice, no
// source).
const careDelivery = 0.85

// careCommand records an item of the care list, or forgets what was learned.
func (s *Spine) careCommand(at time.Duration, c *alarms.Command) alarms.Answer {
	a := s.engine.Beside(at, *c, func() string {
		if c.Verb == alarms.Forget {
			if !s.forget(at, c.Where) {
				return "nothing was learned under the name " + c.Where + "; airhold learned lists the names"
			}
			s.Note(at, "forgot", "What was kept as "+c.Where+" is forgotten, by "+c.By+".")
			return ""
		}
		if err := s.care.Tell(at, c.Where, c.Args["answer"], c.By, c.Why); err != nil {
			return err.Error()
		}
		s.keep(at, true) // what a person did must not be lost with the power
		return ""
	})
	if !a.OK {
		s.Note(at, "refused", string(c.Verb)+" "+c.Where+" by "+c.By+": "+a.Error+".")
	}
	return a
}

// judged notes when a leak-down test was last judged.
func (s *Spine) judged(verdict string, at time.Time) {
	if at.IsZero() || verdict != "pass" && verdict != "fail" {
		return
	}
	s.tested = at
	if s.o.Memory != nil {
		s.o.Memory.Learned(testedMemory, []byte(at.UTC().Format(time.RFC3339)))
	}
}

// lastJudged reads what judged wrote; zero where nothing can be read.
func lastJudged(kept []byte) time.Time {
	t, err := time.Parse(time.RFC3339, string(kept))
	if err != nil {
		return time.Time{}
	}
	return t
}

// nowCare tells what is due and what stands in the tank.
func (s *Spine) nowCare(n *publish.Now) {
	n.Tonight = strings.TrimPrefix(s.care.Tonight(), "Tonight: ")
	for _, it := range s.care.List() {
		if it.Due {
			n.Care = append(n.Care, publish.CareNow{Item: it.Name, Words: it.Words, Why: it.Why, Caution: it.Caution, Due: true})
		}
	}
	w := s.water.State()
	now := &publish.WaterNow{DewPoint: measure(w.DewPoint), Words: w.Why}
	if w.Known {
		now.Liquid = measure(w.Liquid)
		if w.Source != "" {
			now.Words = "from the intake's humidity, " + w.Source
		}
	}
	if w.Probe != "" {
		now.Words += "; " + w.Probe
	}
	due, words := s.water.DrainDue()
	switch {
	case due:
		now.Drain = words
	case w.DrainInKnown && w.DrainIn > 0:
		now.Drain = hoursTo(w.DrainIn, "the drain")
		n.Facts = append(n.Facts, drainFact(w.DrainIn))
	}
	n.Water = now
}

// papers are the care list and what was learned, as the page and the terminal ask for them.
type papers struct{ care, learned atomic.Pointer[[]byte] }

// tellCare writes both anew. The spine's goroutine calls it.
func (b *Box) tellCare() {
	if text, err := json.Marshal(b.spine.care.Sheet()); err == nil {
		b.papers.care.Store(&text)
	} else {
		b.said(err)
	}
	if text, err := tablet.LearnedJSON(b.spine.Learned()); err == nil {
		b.papers.learned.Store(&text)
	} else {
		b.said(err)
	}
}

// Care implements tablet.Care.
func (b *Box) Care() []byte { return stored(&b.papers.care) }

// Learned implements tablet.Care.
func (b *Box) Learned() []byte { return stored(&b.papers.learned) }

func stored(p *atomic.Pointer[[]byte]) []byte {
	if text := p.Load(); text != nil {
		return *text
	}
	return nil
}
