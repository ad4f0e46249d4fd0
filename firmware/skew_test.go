// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"context"
	"database/sql"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"airhold/bus"
	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/rig"
)

// witness notes when the simulated converters sample and when simulated frames are due: the truth about time.
type witness struct {
	mu      sync.Mutex
	sampled []time.Duration // conversions that were begun
	heard   map[uint32][]time.Duration
}

type witnessedBus struct {
	i2c.BusCloser

	w   *witness
	now func() time.Duration
}

// Tx sees a write of the config register (pointer 1) with its start bit: SBAS444, the input is sampled from then on.
func (b witnessedBus) Tx(addr uint16, w, r []byte) error {
	if len(w) == 3 && w[0] == 1 && w[1]&0x80 != 0 {
		b.w.mu.Lock()
		b.w.sampled = append(b.w.sampled, b.now())
		b.w.mu.Unlock()
	}
	return b.BusCloser.Tx(addr, w, r)
}

type witnessedLink struct {
	intake.FrameSource

	w *witness
}

func (l witnessedLink) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	n, err := l.FrameSource.Next(ctx, buf)
	l.w.mu.Lock()
	for i := range buf[:n] {
		l.w.heard[buf[i].ID] = append(l.w.heard[buf[i].ID], buf[i].Boot)
	}
	l.w.mu.Unlock()
	return n, err
}

// TestTimesOfBusAndAnalogAgree measures the skew between the two kinds of time in a log. A frame has the moment it was
// received. An analog reading has the moment its conversion was complete, which is later than its sampling by one
// conversion: 1/860 s, and a tenth more on a slow chip (SBAS444). So the two differ by less than two milliseconds.
func TestTimesOfBusAndAnalogAgree(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: minutes of a box; others run under the detector")
	}
	w := &witness{heard: map[uint32][]time.Duration{}}
	var s *stand
	s = newStand(t, standOptions{
		story: rig.DefaultStory, skip: 4 * time.Hour, whole: true,
		wires: func(o firmware.Wires) firmware.Wires {
			i2cBus, link := o.I2C, o.Link
			o.I2C = func(name string) (i2c.BusCloser, error) {
				b, err := i2cBus(name)
				return witnessedBus{b, w, func() time.Duration { return s.clock.Boot() }}, err
			}
			o.Link = func(ctx context.Context, index int, l config.Link) (intake.FrameSource, error) {
				f, err := link(ctx, index, l)
				return witnessedLink{f, w}, err
			}
			return o
		},
	})
	s.start(cue{at: 30 * time.Second, do: func(*stand) {}})
	s.wait(2 * time.Minute)

	db, err := sql.Open("sqlite", filepath.Join(s.dir, "boot-test.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	times := func(source string) (out []time.Duration) {
		rows, err := db.QueryContext(t.Context(),
			`SELECT r.at FROM readings r JOIN channels c ON c.channel = r.channel WHERE c.source LIKE ? || ' %' AND r.quality = 0 ORDER BY r.at`, source)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var at time.Duration
			if err := rows.Scan(&at); err != nil {
				t.Fatal(err)
			}
			out = append(out, at)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
		return out
	}
	analog, frames := times("board"), times("bus")
	if len(analog) < 1000 || len(frames) < 100 {
		t.Fatalf("%d analog readings and %d from the bus in half a minute", len(analog), len(frames))
	}
	var without, rows int
	err = db.QueryRowContext(t.Context(), `SELECT count(*), (SELECT count(*) FROM readings r JOIN channels c USING (channel) WHERE c.wired AND r.calibration_id IS NULL)
		FROM calibration k JOIN channels c USING (channel) WHERE c.wired AND json_extract(k.coefficients, '$.kind') IS NOT NULL`).Scan(&rows, &without)
	if err != nil || rows < 10 || without > 0 {
		t.Errorf("%d calibrations of wired channels, %d of their readings name none, %v", rows, without, err)
	}
	var late []time.Duration
	for _, at := range analog {
		i, _ := slices.BinarySearch(w.sampled, at)
		if i == 0 {
			t.Fatalf("a reading at %s, before anything was sampled", at)
		}
		late = append(late, at-w.sampled[i-1])
	}
	slices.Sort(late)
	if least, most := late[0], late[len(late)-1]; least <= 0 || most > 2*time.Millisecond {
		t.Errorf("analog readings are dated %s to %s after their sampling; a conversion lasts at most 1.29 ms", least, most)
	}
	var heard []time.Duration
	for _, at := range w.heard {
		heard = append(heard, at...)
	}
	slices.Sort(heard)
	for _, at := range frames {
		if _, ok := slices.BinarySearch(heard, at); !ok {
			t.Fatalf("a reading from the bus at %s, when no frame came", at)
		}
	}
	t.Logf("analog: %s to %s, median %s, after the sampling, N %d; bus: the frame's own time, N %d", late[0], late[len(late)-1], late[len(late)/2], len(late), len(frames))
}

// TestBusSetsTheTime has a box whose clock nobody set hear a tractor's GNSS: from then on its log has UTC, and what was
// recorded before is dated by it too.
func TestBusSetsTheTime(t *testing.T) {
	t.Parallel()
	s := play(t, standOptions{story: rig.DefaultStory, skip: 4 * time.Hour, unset: true, whole: true, script: []cue{
		{at: 40 * time.Second, do: func(*stand) {}},
	}})
	db, err := sql.Open("sqlite", filepath.Join(s.dir, "boot-test.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var boot, second, nano int64
	var quality clock.Quality
	err = db.QueryRowContext(t.Context(), `SELECT boot, utc_s, utc_ns, quality FROM clock ORDER BY seq DESC LIMIT 1`).Scan(&boot, &second, &nano, &quality)
	if err != nil {
		t.Fatal(err)
	}
	want := s.rig.Clock(time.Duration(boot))
	if got := time.Unix(second, nano); quality != clock.Good || got.Sub(want).Abs() > 50*time.Millisecond {
		t.Errorf("the log's clock says %s, %s; want %s, good", got.UTC(), quality, want)
	}
	var first clock.Quality
	if err := db.QueryRowContext(t.Context(), `SELECT quality FROM clock ORDER BY seq LIMIT 1`).Scan(&first); err != nil || first != clock.Unset {
		t.Errorf("the first sample is %s, %v; want unset", first, err)
	}
}
