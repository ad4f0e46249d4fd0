// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"math"
	"testing"
	"time"

	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// last keeps the newest finding of each key.
type last map[findings.Key]findings.Finding

func (l last) Find(f findings.Finding) { l[f.Key] = f }

func wide() *readings.Table {
	return readings.NewTable([]readings.Info{
		{ID: "tank", Quantity: units.QPressure},
		{ID: "running", Quantity: units.QState},
		{ID: "drive", Quantity: units.QRate},
		{ID: "ignition", Quantity: units.QState},
	})
}

func only(tank, running, drive, ignition readings.Channel) compressor.Options {
	return compressor.Options{Tank: tank, Running: running, Drive: drive, Ignition: ignition}
}

const no = readings.NoChannel

func TestUnseenSaysWhatItNeeds(t *testing.T) {
	for _, tc := range []struct {
		name       string
		o          compressor.Options
		overworked string
		noBuild    string
	}{
		{"nothing", only(no, no, no, no), "a tank pressure channel or a running channel", "a tank pressure channel"},
		{"silent tank", only(0, no, no, no), "a good reading of the tank pressure channel", "a good reading of the tank pressure channel"},
		{"silent running", only(no, 1, no, no), "a good reading of the running channel", "a tank pressure channel"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := last{}
			c := compressor.New(tc.o, wide(), l)
			c.Tick(10 * time.Second)
			for key, want := range map[findings.Key]string{compressor.KeyOverworked: tc.overworked, compressor.KeyNoBuild: tc.noBuild} {
				if f := l[key]; f.Sight != findings.Unseen || f.Needs != want {
					t.Errorf("%s = sight %d, needs %q; want unseen, %q", key, f.Sight, f.Needs, want)
				}
			}
		})
	}
}

func TestSilenceIsNotRest(t *testing.T) {
	l := last{}
	c := compressor.New(only(0, no, no, no), wide(), l)
	for i := range 600 {
		at := time.Duration(i) * 100 * time.Millisecond
		c.Read(readings.Reading{At: at, Channel: 0, Value: 7e5})
	}
	c.Tick(time.Minute)
	if l[compressor.KeyOverworked].Sight != findings.Seen {
		t.Fatal("unseen with a live channel; want seen")
	}
	c.Tick(time.Minute + 6*time.Second)
	if f := l[compressor.KeyOverworked]; f.Sight != findings.Unseen {
		t.Errorf("after 6 s of silence seen with %v; want unseen", f.Value)
	}
	if s, _ := c.State(); s != compressor.Unknown {
		t.Errorf("state = %v; want not known", s)
	}
}

func TestBadReadingsAreNoNumbers(t *testing.T) {
	l := last{}
	c := compressor.New(only(0, no, no, no), wide(), l)
	for i := range 1000 {
		at := time.Duration(i) * time.Second
		v, q := 7e5, readings.Good
		switch i % 4 {
		case 1:
			v = math.NaN()
		case 2:
			v = math.Inf(1)
		case 3:
			v, q = 9e5, readings.Open
		}
		c.Read(readings.Reading{At: at, Channel: 0, Value: v, Quality: q})
		c.Read(readings.Reading{At: at - 5*time.Second, Channel: 0, Value: 3e5}) // from the past
		c.Tick(at)
	}
	if c.OnTime() != 0 {
		t.Errorf("on for %v; want 0", c.OnTime())
	}
	if f := l[compressor.KeyOverworked]; f.Sight != findings.Seen || f.Value.SI != 0 {
		t.Errorf("finding = %+v; want seen, 0", f)
	}
}

func TestRunningChannel(t *testing.T) {
	// 20 s on of every 100 s, told each second; the tank is not measured.
	var runs runList
	o := only(no, 1, no, no)
	o.Runs = &runs
	c := compressor.New(o, wide(), last{})
	for i := range 1001 {
		at := time.Duration(i) * time.Second
		v := 0.0
		if i%100 >= 50 && i%100 < 70 {
			v = 1
		}
		c.Read(readings.Reading{At: at, Channel: 1, Value: v})
		c.Tick(at)
	}
	c.Close()
	if len(runs) != 10 {
		t.Fatalf("runs = %d; want 10", len(runs))
	}
	for i, r := range runs {
		if d := r.Stop - r.Start; d != 20*time.Second || !r.Measured || r.StartUnknown {
			t.Errorf("run %d = %+v; want 20 s, measured, start known", i, r)
		}
	}
	if got := c.Duty(); math.Abs(got-0.2) > 0.02 {
		t.Errorf("Duty() = %v; want 0.2", got)
	}
	if got, _ := c.DutyWhole(); math.Abs(got-0.2) > 0.005 {
		t.Errorf("DutyWhole() = %v; want 0.2", got)
	}
	if got, _ := c.StartsPerHour(); math.Abs(got-36) > 0.5 {
		t.Errorf("StartsPerHour() = %v; want 36", got)
	}
}

func TestRunningChannelThatNeverRests(t *testing.T) {
	b := overworked()
	c := compressor.New(only(no, 1, no, no), wide(), b)
	for i := range 900 {
		at := time.Duration(i) * time.Second
		c.Read(readings.Reading{At: at, Channel: 1, Value: 1})
		c.Tick(at)
	}
	if len(b.rang) != 1 || b.rang[0] < 6*time.Minute || b.rang[0] > 8*time.Minute {
		t.Errorf("rang at %v; want once, 6 min of running and the 60 s delay later", b.rang)
	}
}

func TestChargeFromEmptyTank(t *testing.T) {
	// V dp / (p0 Q): 38 L by 7.5 bar with 20 L/min needs 14.25 min; twice that is 28.5 min.
	charge := func(slow float64) []sample {
		var rows []sample
		for i := range 3600 {
			p := 7.5e5 * float64(i) / 855 / slow
			if p > 7.5e5 {
				p = 7.5e5 - 50*(float64(i)-855*slow)
			}
			rows = append(rows, sample{time.Duration(i) * time.Second, p + 50*float64(i%3)})
		}
		return rows
	}
	plate := compressor.Options{CutIn: 6.5e5, CutOut: 7.5e5, Volume: 0.038, Delivery: 20 * litre}
	if res := play(charge(1), plate); len(res.bell.rang) != 0 {
		t.Errorf("a first charge rang at %v; want never", res.bell.rang)
	}
	res := play(charge(3), plate)
	if len(res.bell.rang) == 0 || res.bell.rang[0] < 28*time.Minute || res.bell.rang[0] > 31*time.Minute {
		t.Errorf("a charge three times too slow rang at %v; want at 28.5 min and the delay", res.bell.rang)
	}
	if res := play(charge(1), compressor.Options{CutIn: 6.5e5, CutOut: 7.5e5}); len(res.bell.rang) == 0 {
		t.Error("without a rated delivery nothing tells how long a charge takes; want the alarm")
	}
}

func TestNoBuild(t *testing.T) {
	for _, tc := range []struct {
		name  string
		o     compressor.Options
		drive float64 // 1/s
		ign   float64
		slope float64 // Pa/s
		p     float64
		want  bool
		words string
		after int // s; 0: 80
	}{
		{"driven for 7 min, nothing comes", only(0, no, 2, no), 9, 0, 0, 5e5, true, compressor.NoBuildDriven, 420},
		{"engine on, compressor not yet", only(0, no, 2, no), 9, 0, 0, 5e5, false, compressor.NoBuildDriven, 240},
		{"driven, a fifth comes", only(0, no, 2, no), 9, 0, 1579, 5e5, true, compressor.NoBuildDriven, 0}, // 36 of 180 L/min
		{"driven, half comes", only(0, no, 2, no), 9, 0, 3947, 5e5, false, compressor.NoBuildDriven, 0},
		{"not driven", only(0, no, 2, no), 0, 0, 0, 5e5, false, compressor.NoBuildDriven, 0},
		{"driven, above cut-in", only(0, no, 2, no), 9, 0, -100, 6.8e5, false, compressor.NoBuildDriven, 0},
		{"engine runs, falling", only(0, no, no, 3), 0, 1, -100, 5e5, true, compressor.NoBuildUnseen, 0},
		{"engine runs, rising", only(0, no, no, 3), 0, 1, 500, 5e5, false, compressor.NoBuildUnseen, 0},
		{"engine off", only(0, no, no, 3), 0, 0, -100, 5e5, false, compressor.NoBuildUnseen, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := last{}
			o := tc.o
			o.CutIn, o.CutOut, o.Volume, o.Delivery = 6.5e5, 7.5e5, 0.038, 0.003
			c := compressor.New(o, wide(), l)
			if tc.after == 0 {
				tc.after = 80
			}
			for i := range tc.after {
				at := time.Duration(i) * time.Second
				c.Read(readings.Reading{At: at, Channel: 0, Value: tc.p + tc.slope*float64(i-tc.after+1)})
				c.Read(readings.Reading{At: at, Channel: 2, Value: tc.drive})
				c.Read(readings.Reading{At: at, Channel: 3, Value: tc.ign})
				c.Tick(at)
			}
			f := l[compressor.KeyNoBuild]
			bad := f.Active || f.Sense == findings.Below && f.Value.SI < f.Limit.SI
			if f.Sight != findings.Seen || bad != tc.want || f.Detail != tc.words {
				t.Errorf("finding = %+v (bad %v); want bad %v, %q", f, bad, tc.want, tc.words)
			}
		})
	}
	t.Run("delivered, then nothing comes", func(t *testing.T) {
		l := last{}
		o := only(0, no, 2, no)
		o.CutIn, o.CutOut, o.Volume, o.Delivery = 6.5e5, 7.5e5, 0.038, 0.003
		c := compressor.New(o, wide(), l)
		p := 4e5
		for i := range 110 {
			at := time.Duration(i) * time.Second
			if i < 30 {
				p += 4000
			}
			c.Read(readings.Reading{At: at, Channel: 0, Value: p})
			c.Read(readings.Reading{At: at, Channel: 2, Value: 9})
			c.Tick(at)
		}
		if f := l[compressor.KeyNoBuild]; f.Sense != findings.Below || f.Value.SI >= f.Limit.SI {
			t.Errorf("finding = %+v; want a delivery below the limit", f)
		}
	})
	l := last{}
	c := compressor.New(only(0, no, no, no), wide(), l)
	c.Read(readings.Reading{Channel: 0, Value: 5e5})
	c.Tick(time.Second)
	if f := l[compressor.KeyNoBuild]; f.Sight != findings.Unseen || f.Needs != "a drive, running or ignition channel" {
		t.Errorf("without a drive: %+v; want unseen", f)
	}
}

func TestVerdictDoesNotDependOnTheClock(t *testing.T) {
	rows, _ := planter{start: 7e5, use: 5 * litre, bursts: 22 * litre}.play(time.Hour, 100*time.Millisecond, 4)
	a := play(rows, compressor.Options{})
	moved := make([]sample, len(rows))
	for i, r := range rows {
		moved[i] = sample{r.at + 50*24*time.Hour, r.p}
	}
	b := play(moved, compressor.Options{})
	if len(a.runs) != len(b.runs) {
		t.Fatalf("runs = %d, %d an age later; want the same", len(a.runs), len(b.runs))
	}
	for i := range a.runs {
		if d := b.runs[i].Start - a.runs[i].Start - 50*24*time.Hour; d.Abs() > time.Microsecond {
			t.Errorf("run %d starts %v off", i, d)
		}
	}
}

func TestVerdictDoesNotDependOnTheSampling(t *testing.T) {
	// Real rows drawn out to one a second, and every row doubled half a period later: verdicts must stay.
	stretch := func(rows []sample) []sample {
		var out []sample
		for i := 1; i < len(rows); i++ {
			a, b := rows[i-1], rows[i]
			for t := a.at; t < b.at; t += time.Second {
				out = append(out, sample{t, a.p + (b.p-a.p)*float64(t-a.at)/float64(b.at-a.at)})
			}
		}
		return out
	}
	res := play(stretch(healthy(t, "TP3")), compressor.Options{})
	if d, _ := res.c.DutyWhole(); d < 0.045 || d > 0.055 || res.c.RunCount() < 5 || res.c.RunCount() > 6 || len(res.bell.rang) != 0 {
		t.Errorf("healthy day at 1 Hz: duty %.4f, %d runs, rang %v; want 4.5-5.5 %%, 5 or 6, never", d, res.c.RunCount(), res.bell.rang)
	}
	for _, seg := range []string{"L1", "L3a", "L3b", "L3c"} {
		rows := leak(t, seg, "TP3")
		if seg == "L1" {
			rows = rows[91:]
		}
		rows = rows[:200]
		res := play(stretch(rows), compressor.Options{})
		if len(res.bell.rang) == 0 || res.bell.rang[0]-rows[0].at > 10*time.Minute {
			t.Errorf("%s at 1 Hz rang at %v; want within 10 min", seg, res.bell.rang)
		}
	}
}

func TestFrozenRowsAreNoData(t *testing.T) {
	rows := leak(t, "L1", "TP3")
	live := rows[91].at
	rows = rows[:151] // ten minutes of live rows
	res := play(rows, compressor.Options{})
	if got, want := res.c.Covered(), rows[150].at-live; (got - want).Abs() > 30*time.Second {
		t.Errorf("covered %v; want %v: rows 0-90 are frozen", got, want)
	}
	for _, r := range res.runs {
		if r.Start < rows[89].at {
			t.Errorf("a run starts at %v, in frozen rows", r.Start)
		}
	}
}

func TestAllocatesNothing(t *testing.T) {
	c := compressor.New(only(0, 1, 2, 3), wide(), deaf{})
	at := time.Duration(0)
	i := 0
	if n := testing.AllocsPerRun(5000, func() {
		at += 100 * time.Millisecond
		i++
		c.Read(readings.Reading{At: at, Channel: 0, Value: 7e5 + 1e4*float64(i%100)})
		c.Read(readings.Reading{At: at, Channel: 2, Value: 9})
		c.Tick(at)
	}); n != 0 {
		t.Errorf("Read and Tick allocate %v times; want 0", n)
	}
}
