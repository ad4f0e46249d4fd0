// SPDX-License-Identifier: Apache-2.0

package clock

import "time"

// BusTime estimates the offset of UTC to the boot clock from the times that devices say on a bus. The zero value has heard
// nothing. One goroutine owns it.
//
// A message says the time at which it was made, and is heard later, never earlier; a time that is rounded down says less
// than it was. So each offset is too small by its delay, and the largest of a minute is the best.
type BusTime struct {
	source   uint64 // whom it follows: one device and one kind of message
	quality  Quality
	last     time.Duration // when the source was heard last
	first    time.Duration // when it was heard first
	heard    int
	astray   int                     // times in a row that do not fit
	best     [busSlots]time.Duration // the largest offset of each part of the last minute
	when     [busSlots]int64         // which part, counted from the boot, plus one; 0: none
	offset   time.Duration           // the estimate
	made     time.Duration           // when
	estimate Quality
}

const (
	busWindow  = time.Minute
	busSlots   = 12
	busLeast   = 3                // messages, and
	busSettle  = 5 * time.Second  // of hearing a source before it counts
	busSilent  = 15 * time.Second // a source that says nothing for so long may be followed by another
	busAstray  = 5                // times in a row, off by more than StepThreshold, after which the source has set its clock
	busStale   = time.Hour        // after which a good offset is a coarse one: a crystal may be off by 0.1 s by then
	latestYear = 2200
)

// Hear takes what a source said: boot is when the message was received. A time of no plausible year is left out, and so is
// another source of no better quality while the present one speaks. It reports whether the time was taken.
func (b *BusTime) Hear(source uint64, boot time.Duration, utc time.Time, q Quality) bool {
	if y := utc.Year(); y < firstPlausibleYear || y > latestYear || q == Unset || boot < b.last {
		return false
	}
	if b.heard == 0 || source != b.source {
		if b.heard > 0 && q <= b.quality && boot-b.last <= busSilent {
			return false
		}
		b.follow(source, boot, q)
	}
	off := time.Duration(utc.UnixNano()) - boot
	if now, ok := b.window(boot); ok && (off-now > StepThreshold || now-off > busWindow/busSlots) {
		b.last = boot
		if b.astray++; b.astray < busAstray {
			return false
		}
		b.follow(source, boot, q)
	}
	b.astray = 0
	b.last = boot
	b.heard++
	part := int64(boot / (busWindow / busSlots))
	i := part % busSlots
	if b.when[i] != part+1 || off > b.best[i] {
		b.when[i], b.best[i] = part+1, off
	}
	if b.heard >= busLeast && boot-b.first >= busSettle {
		b.offset, _ = b.window(boot)
		b.made, b.estimate = boot, q
	}
	return true
}

func (b *BusTime) follow(source uint64, boot time.Duration, q Quality) {
	b.source, b.quality, b.first, b.heard, b.astray = source, q, boot, 0, 0
	b.when = [busSlots]int64{}
}

// window is the largest offset of the last minute.
func (b *BusTime) window(boot time.Duration) (off time.Duration, ok bool) {
	part := int64(boot/(busWindow/busSlots)) + 1
	for i := range b.when {
		if b.when[i] == 0 || part-b.when[i] >= busSlots {
			continue
		}
		if !ok || b.best[i] > off {
			off, ok = b.best[i], true
		}
	}
	return off, ok
}

// Offset returns UTC minus boot time and how good that is; Unset before a source has been heard for some seconds. What
// was learned is kept while the sources are silent, and is coarse after an hour of that.
func (b *BusTime) Offset(boot time.Duration) (time.Duration, Quality) {
	q := b.estimate
	if q == Good && boot-b.made > busStale {
		q = Coarse
	}
	return b.offset, q
}

// Better returns s, or what the bus says of the same moment where that is better known.
func (b *BusTime) Better(s Sample) Sample {
	off, q := b.Offset(s.Boot)
	if q <= s.Quality {
		return s
	}
	return Sample{Boot: s.Boot, UTC: time.Unix(0, int64(s.Boot+off)).UTC(), Quality: q}
}
