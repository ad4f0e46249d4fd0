// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
	"airhold/firmware/readings"
	"airhold/firmware/store"
)

// deaf takes what a spine says and keeps nothing.
type deaf struct{ transitions, runs int }

func (d *deaf) Transition(alarms.Transition) { d.transitions++ }
func (d *deaf) Estimate(firmware.Estimate)   {}
func (d *deaf) Run(compressor.Run)           { d.runs++ }
func (d *deaf) Event(firmware.Event)         {}

// shop is the example machine at work with nothing wrong: every declared channel at 10 Hz, the box's and the link's own
// once a second, a compressor that cycles. It is no physics: the numbers only have to be such that no alarm rings.
type shop struct {
	table *readings.Table
	spine *firmware.Spine
	now   time.Duration
	e     store.Entry
	code  int32
}

func newShop(tb testing.TB, out firmware.Outputs) *shop {
	tb.Helper()
	m := config.ExampleMachine()
	s := &shop{table: firmware.NewTable(m)}
	var err error
	if s.spine, err = firmware.NewSpine(firmware.SpineOptions{Machine: m, Table: s.table, Out: out}); err != nil {
		tb.Fatal(err)
	}
	return s
}

// value is what a channel shows at a time, SI; a small wobble keeps it from standing still.
func (s *shop) value(id string, at time.Duration) float64 {
	const cycle, rise = 600.0, 60.0 // s
	t := at.Seconds()
	wobble := math.Sin(t * 7.3)
	switch id {
	case "tank":
		p := math.Mod(t, cycle)
		if p < rise {
			return 650e3 + 100e3*p/rise + 200*wobble
		}
		return 750e3 - 100e3*(p-rise)/(cycle-rise) + 200*wobble
	case "front", "rear", "front_target", "rear_target":
		return 300e3 + 200*wobble
	case "barometer":
		return 98e3
	case "ambient", "wall", readings.BoxTemperature:
		return 293.15 + 0.05*wobble
	case "sensor_supply":
		return 5 + 0.001*wobble
	case "box_v":
		return 13.8 + 0.01*wobble
	case "speed":
		return 2.5
	case "lowered", "can0" + readings.LinkUp:
		return 1
	case "drive":
		return 35 + 0.1*wobble
	case "humidity", "moisture":
		return 0.5 + 0.001*wobble
	case readings.BoxDiskLeft:
		return 1e7
	case readings.BoxClock:
		return 2
	case "can0" + readings.LinkFrames:
		return 90
	case readings.BoxUndervoltage, readings.BoxLost, "can0" + readings.LinkErrors, "can0" + readings.LinkDrops:
		return 0
	default: // loads
		return 800 + 5*wobble
	}
}

// second feeds a second of readings, and its tick unless the caller times readings alone.
func (s *shop) second(tick bool) {
	for i := range 10 {
		at := s.now + time.Duration(i)*100*time.Millisecond
		for c := range readings.Channel(s.table.Len()) {
			in := s.table.Info(c)
			if i > 0 && (in.Source == "the box" || in.Source == "link can0") {
				continue
			}
			s.code++
			s.e.Kind, s.e.At = store.IsReading, at
			s.e.Reading = readings.Reading{At: at, Channel: c, Value: s.value(in.ID, at), Volts: 1, Raw: s.code % 8000}
			s.spine.Apply(&s.e)
		}
	}
	s.now += time.Second
	if tick {
		s.e.Kind, s.e.At = store.IsTick, s.now
		s.spine.Apply(&s.e)
	}
}

// A box runs for months on a small heap: a reading, and the tick that follows ten rows of them, allocate nothing.
func TestSpineAllocatesNothing(t *testing.T) {
	out := &deaf{}
	s := newShop(t, out)
	for range 30 * 60 {
		s.second(true)
	}
	settled := out.transitions
	// What an earlier test's goroutines still do is counted, too; an allocation of the spine's own is there every time.
	allocs := func() float64 {
		return testing.AllocsPerRun(1, func() {
			for range 600 {
				s.second(true)
			}
		})
	}
	if n := min(allocs(), allocs(), allocs()); n != 0 {
		t.Errorf("%v allocations in ten minutes of readings and ticks; want 0", n)
	}
	if n := testing.AllocsPerRun(100, func() { s.second(false) }); n != 0 {
		t.Errorf("%v allocations in a second of readings; want 0", n)
	}
	if out.transitions != settled {
		t.Errorf("%d alarm transitions while nothing was wrong; this test wants a quiet machine", out.transitions-settled)
	}
	if out.runs == 0 {
		t.Error("no compressor run; this test wants a machine at work")
	}
}

// A longer table costs no more memory than a shorter one: opening allocates, rows do not.
func TestReplayAllocatesNothingARow(t *testing.T) {
	if testing.Short() {
		t.Skip("counted whole among the long tests, without the race detector: under it sync.Pool throws things away at random")
	}
	allocs := func(rows int) float64 {
		var b bytes.Buffer
		s := shop{}
		ids := []string{"tank", "front", "rear", "sensor_supply", "load_1", "load_2", "load_3", "load_4", "load_5", "speed", "lowered", "drive"}
		b.WriteString("time")
		for _, id := range ids {
			b.WriteString("," + id)
		}
		for i := range rows {
			at := time.Duration(i) * 100 * time.Millisecond
			fmt.Fprintf(&b, "\n%.1f", at.Seconds())
			for _, id := range ids {
				v := s.value(id, at)
				switch id {
				case "tank", "front", "rear":
					v /= 1e3 // kPa
				case "drive":
					v *= 60 // a minute
				}
				fmt.Fprintf(&b, ",%.3f", v)
			}
		}
		b.WriteByte('\n')
		path := filepath.Join(t.TempDir(), "table.csv")
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		m := config.ExampleMachine()
		return testing.AllocsPerRun(1, func() {
			r, err := firmware.OpenReplay(firmware.ReplayOptions{Machine: m, Readings: path, Out: &deaf{}})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if err := r.Run(); err != nil {
				t.Fatal(err)
			}
			if _, _, n := r.Spine().Span(); n != int64(rows*len(ids)) {
				t.Fatalf("%d readings; want %d", n, rows*len(ids))
			}
		})
	}
	const short, long = 12000, 24000
	// The runtime allocates too while others work: the least of three counts.
	least := func(rows int) float64 { return min(allocs(rows), allocs(rows), allocs(rows)) }
	a, b := least(short), least(long)
	if each := (b - a) / (long - short); each > 0.001 {
		t.Errorf("%v allocations a row (%v for %d rows, %v for %d); want none", each, a, short, b, long)
	}
}
