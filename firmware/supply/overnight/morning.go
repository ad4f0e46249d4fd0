// SPDX-License-Identifier: Apache-2.0

package overnight

import "time"

// morning is the mean of the first still minute.
type morning struct {
	has              bool
	at               time.Duration
	p                float64
	wall, air, glass float64
}

// readMorning closes the morning of a place once it was still for a minute.
func (o *Overnight) readMorning(p *place) {
	if p.settled || !p.rest.ripe() || p.rest.till-p.rest.from < morningSpan {
		return
	}
	o.closeMorning(p)
}

// endMorning closes it earlier, because the rest is over: with what there is, or not at all where something worked on the
// place before it was read.
func (o *Overnight) endMorning(p *place, worked bool) {
	switch {
	case p.settled:
	case p.rest.ripe():
		o.closeMorning(p)
	case worked && !p.worked:
		// The controls fill the ranks as soon as they have power: then the first seconds have to do.
		if pa, at, ok := p.rest.first(); ok {
			o.readAt(p, pa, at, at)
			return
		}
		fallthrough
	case worked:
		p.settled, p.why = true, "the machine worked before the "+p.Where+" had been read in the morning"
	}
}

func (o *Overnight) closeMorning(p *place) {
	const powerUp = 2 // s after the first reading that a sensor may need
	var sum, t, n float64
	for i := range p.rest.n {
		b := &p.rest.block[i]
		if b.t < powerUp && p.rest.n > 1 {
			continue
		}
		w := float64(b.n)
		n += w
		sum += w * (b.p - sum) / n
		t += w * (b.t - t) / n
	}
	if n == 0 {
		return
	}
	at := p.rest.from + time.Duration(t*float64(time.Second))
	o.readAt(p, sum, at, p.rest.till)
}

func (o *Overnight) readAt(p *place, pa float64, at, now time.Duration) {
	p.morn = morning{has: true, at: at, p: pa, wall: o.wall.value(now, warmAge), air: o.air.value(now, warmAge), glass: o.glass.value(now, glassAge)}
	p.settled = true
}

// judge works the night out once the morning is read, and again while it waits for the clock.
func (o *Overnight) judge() {
	if len(o.places) == 0 || (o.held != nil && !o.waits) {
		return
	}
	late := o.now-o.start >= giveUp
	if !o.places[0].settled && !late {
		return
	}
	if o.held == nil {
		if o.tankAt <= o.start {
			o.tankAt = o.now
		}
		for i := range o.places {
			if p := &o.places[i]; !p.settled && !late && o.now-o.tankAt < othersWait {
				return
			}
		}
		for i := range o.places {
			p := &o.places[i]
			if p.settled {
				continue
			}
			p.settled, p.why = true, "no still reading of the "+p.Where+" in the morning"
			if !p.sense.seen {
				p.why = "no good reading of the pressure channel of the " + p.Where
			}
		}
	} else if o.now-o.asked < askClock {
		return
	}
	o.asked = o.now
	o.reckonAll()
	o.note(late)
}

// reckonAll works out every place.
func (o *Overnight) reckonAll() {
	o.waits = false
	held := make([]Hold, 0, len(o.places))
	for i := range o.places {
		held = append(held, o.reckon(&o.places[i]))
	}
	o.held = held
	if o.places[0].short && o.sameMorning() {
		o.held = o.last
	}
	o.words = o.say()
}

// sameMorning reports whether the answer of the boot before is still this morning's: the power only blinked.
func (o *Overnight) sameMorning() bool {
	if len(o.last) == 0 || !o.last[0].Known || o.o.UTC == nil {
		return false
	}
	now, ok := o.o.UTC(o.now)
	d := now.Sub(o.last[0].ToAt)
	return ok && d >= 0 && d < showAgain
}

// note tells the journal once a morning, and waits for the clock before it says that nothing is known.
func (o *Overnight) note(late bool) {
	if o.noted || o.o.Notes == nil || (o.waits && !late) {
		return
	}
	o.noted = true
	text := o.words
	if text == "" {
		text = notKnownWords + o.held[0].Why
	}
	o.o.Notes.Note(o.now, noteKind, text)
}
