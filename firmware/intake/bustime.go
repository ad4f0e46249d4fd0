// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"strings"
	"sync"
	"time"

	"airhold/bus/signals"
	"airhold/firmware/clock"
)

// BusTime gathers what the devices of all links say of the time. Any goroutine may use it.
type BusTime struct {
	mu     sync.Mutex
	time   clock.BusTime
	values []signals.Value
}

// Hear looks whether a message says the time: NMEA 2000's system time to a ten thousandth of a second, J1939's time and date
// to a quarter, unless it is only local.
func (t *BusTime) Hear(m *signals.Message) {
	var quality clock.Quality
	switch m.Key {
	case "system_time":
		quality = clock.Good
	case "time_date":
		quality = clock.Coarse
	default:
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.values = m.Signals(t.values[:0])
	var day, second float64
	var haveDay, haveSecond bool
	for i := range t.values {
		v := &t.values[i]
		if v.Status != signals.OK {
			continue
		}
		switch v.Key {
		case "date":
			day, haveDay = v.Written, true
		case "time":
			second, haveSecond = v.Written, true
		case "time_base":
			if !strings.HasPrefix(v.Text, "UTC") {
				return // local time, or nobody knows
			}
		}
	}
	if !haveDay || !haveSecond {
		return
	}
	utc := time.Unix(int64(day)*24*3600, 0).UTC().Add(time.Duration(second * float64(time.Second)))
	source := uint64(m.Link)<<40 | uint64(m.PGN)<<8 | uint64(m.Source)
	t.time.Hear(source, m.At, utc, quality)
}

// Better returns s, or what the bus says of the same moment where that is better known.
func (t *BusTime) Better(s clock.Sample) clock.Sample {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.time.Better(s)
}

// Offset returns UTC minus boot time by the bus, and how good that is; Unset: nobody said.
func (t *BusTime) Offset(boot time.Duration) (time.Duration, clock.Quality) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.time.Offset(boot)
}
