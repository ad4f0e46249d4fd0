// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/publish"
)

// healthMemory is the name under which the store keeps how the alarms did.
const healthMemory = "alarm-health"

// today is the spine's day, by the wall clock where one is set. It is written out once a day.
type today struct {
	day  int64 // since 1970, UTC
	date string
}

func (s *Spine) date(at time.Duration) string {
	utc, ok := s.trustedUTC(at)
	if !ok {
		return ""
	}
	const dayS = 24 * 60 * 60
	if day := utc.Unix() / dayS; s.today.date == "" || day != s.today.day {
		s.today = today{day, utc.UTC().Format(time.DateOnly)}
	}
	return s.today.date
}

// tickHealth counts the time that has passed. S5 is the rule that the drive is off.
func (s *Spine) tickHealth(at time.Duration) {
	m := alarms.Moment{Date: s.date(at), Operating: !s.rules[alarms.S5], Sum: s.engine.Sum()}
	s.dayEnded = s.health.Tick(at, m) || s.dayEnded
}

// Health returns how the alarms do.
func (s *Spine) Health() *alarms.Health { return s.health }

// How often screens are told how the alarms do, and whoever sums up of the day.
const (
	tellHealthEvery = 10 * time.Second
	sumDayEvery     = time.Hour
	wholeDayAfter   = 3 * time.Minute // its last minute is closed after one and kept soon after that
	keepShelfEvery  = time.Minute
	tellLostEvery   = time.Hour
)

// healthDesk is what the box says of how the alarms do.
type healthDesk struct {
	text atomic.Pointer[[]byte] // for whoever asks over HTTP
	days chan publish.SumDay    // to the goroutine that may wait for the disk

	told, summed, kept time.Duration
	began              bool
	again              time.Duration // when the day that has ended is said again; 0: it was
	lost               int64         // words for the broker that were dropped, as far as the journal tells of them
	lostAt             time.Duration
}

// tellHealth writes anew how the alarms do, and sums the day up where it is time. The spine's goroutine calls it.
func (b *Box) tellHealth(at time.Duration) {
	d, h := &b.healthy, b.spine.health
	if b.spine.dayEnded {
		b.spine.dayEnded = false
		if day, ok := h.Ended(); ok {
			b.sumDay(at, day)
			d.again = at + wholeDayAfter
		}
	}
	if d.again != 0 && at >= d.again {
		d.again = 0
		if day, ok := h.Ended(); ok {
			b.sumDay(at, day)
		}
	}
	if !d.began || at-d.summed >= sumDayEvery {
		d.summed = at
		b.sumDay(at, h.Today())
	}
	if !d.began || at-d.told >= tellHealthEvery {
		d.told = at
		if text, err := json.Marshal(publish.AlarmHealth{Stamp: b.stamp(at), Days: h.Days()}); err == nil {
			d.text.Store(&text)
		} else {
			b.said(err)
		}
	}
	// Shelf time and how long an alarm stands run while nothing changes: a power cut costs a minute of them.
	if b.keep && at-d.kept >= keepShelfEvery {
		d.kept = at
		if saved := b.spine.engine.Save(); len(saved.Alarms) > 0 {
			b.o.Store.KeepAlarms(saved)
		}
	}
	b.tellLost(at)
	d.began = true
}

// tellLost puts into the journal that words for the broker were dropped because it was away too long.
func (b *Box) tellLost(at time.Duration) {
	d, lost := &b.healthy, b.outlet.LostEvents()
	if !b.keep || lost == d.lost || d.lost > 0 && at-d.lostAt < tellLostEvery {
		return
	}
	b.o.Store.Event(at, "uplink-lost", fmt.Sprintf("The MQTT broker was away so long that %d words for it were dropped, sums first, then events. Alarms stand in this journal"+
		" and are given again by their numbers.", lost-d.lost))
	d.lost, d.lostAt = lost, at
}

// sumDay hands a day's sum on. Where the disk has stalled for so long that many wait, the next hour's says the same and more.
func (b *Box) sumDay(at time.Duration, day alarms.HealthDay) {
	select {
	case b.healthy.days <- publish.SumDay{Stamp: b.stamp(at), Alarms: day}:
	default:
		b.o.Log.Warn("a day's sum is left out: the disk does not answer", slog.String("date", day.Date))
	}
}

// sayDays adds what the minutes came to and the journal's head to the days' sums and says them: both may wait for the disk.
func (b *Box) sayDays(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case s := <-b.healthy.days:
			var err error
			if s.Values, err = b.daySummaries(ctx, s.Alarms.Date); err != nil && ctx.Err() == nil {
				b.o.Log.WarnContext(ctx, "a day's sum goes out without what its minutes came to", slog.Any("error", err))
			}
			if b.keep {
				s.Journal.Records, s.Journal.SHA256 = b.o.Store.Head()
			}
			b.said(b.outlet.SumDay(&s))
		}
	}
}

// alarmHealth answers GET /api/alarm-health.
func (b *Box) alarmHealth() []byte { return stored(&b.healthy.text) }
