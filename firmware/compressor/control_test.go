// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
)

func TestControlWithoutRuns(t *testing.T) {
	for _, control := range []compressor.Control{compressor.Proportional, compressor.ReliefHeld} {
		l := last{}
		o := only(0, no, 2, no)
		o.Control, o.CutIn, o.CutOut, o.Volume, o.Delivery = control, 6.5e5, 7.5e5, 0.038, 0.003
		c := compressor.New(o, wide(), l)
		for i := range 6000 {
			at := time.Duration(i) * 100 * time.Millisecond
			c.Read(readings.Reading{At: at, Channel: 0, Value: 7.4e5 + 1e4*math.Sin(float64(i)/50)})
			c.Read(readings.Reading{At: at, Channel: 2, Value: 20})
			if i%10 == 0 {
				c.Tick(at)
			}
		}
		for _, key := range []findings.Key{compressor.KeyOverworked, compressor.KeyShortCycle, compressor.KeyDelivery} {
			if f := l[key]; f.Sight != findings.Unseen || f.Needs != "a compressor that starts and stops, or loads and unloads" {
				t.Errorf("control %d: %s = %+v; want unseen, and why", control, key, f)
			}
		}
		if _, ok := c.StartsPerHour(); ok {
			t.Error("starts an hour of a compressor without starts")
		}
		if _, ok := c.DutyWhole(); ok {
			t.Error("a duty of a compressor without rests")
		}
		if _, _, in, out := c.Switch(); in || out {
			t.Error("switch points of a compressor without a switch")
		}
		if words, ok := c.Remark(); !ok || words == "" {
			t.Error("nothing is said of why")
		}
		if _, known := c.OnShare(time.Minute, 2*time.Minute); known {
			t.Error("a known share of running")
		}
		if _, learning := c.LearningLeft(); learning {
			t.Error("learning what it has not")
		}
		if got := c.RunTime(); (got - 10*time.Minute).Abs() > 10*time.Second {
			t.Errorf("run time %v; want the 10 minutes that the drive turned", got)
		}
	}
}

func TestUnloaderIsLikeASwitch(t *testing.T) {
	m := planter{start: 7e5, use: 5 * litre, bursts: 22 * litre}
	rows, tr := m.play(time.Hour, 100*time.Millisecond, 2)
	res := play(rows, compressor.Options{Control: compressor.Unloader})
	if d, ok := res.c.DutyWhole(); !ok || math.Abs(d-tr.on.Seconds()/3600) > 0.005 {
		t.Errorf("loaded %v of the time; want %v", d, tr.on.Seconds()/3600)
	}
}

func TestNeverGetsToItsCutOut(t *testing.T) {
	rows, _ := planter{start: 6.6e5, running: true, leak: 160 * litre, bursts: 25 * litre}.play(30*time.Minute, 100*time.Millisecond, 9)
	c := compressor.New(only(0, no, no, no), wide(), deaf{})
	for i, r := range rows {
		c.Read(readings.Reading{At: r.at, Channel: 0, Value: r.p})
		if i%10 == 0 {
			c.Tick(r.at)
		}
	}
	if words, ok := c.Remark(); !ok || !strings.HasSuffix(words, " minutes without getting to its cut-out.") {
		t.Errorf("Remark() = %q, %v; want that it does not get to its cut-out", words, ok)
	}
}

func TestShortCycles(t *testing.T) {
	// A switch of 6.5 and 7.5 bar; the plate says the gap is that, or 2.5 bar.
	rows, _ := planter{start: 7e5, use: 5 * litre, bursts: 12 * litre}.play(time.Hour, 100*time.Millisecond, 5)
	for _, tc := range []struct {
		o     compressor.Options
		sight findings.Sight
		share float64
	}{
		{compressor.Options{CutIn: 6.5e5, CutOut: 7.5e5, Volume: 0.038}, findings.Seen, 1},
		{compressor.Options{CutIn: 5.5e5, CutOut: 7.5e5, Volume: 0.038}, findings.Seen, 0.5},
		{compressor.Options{CutIn: 6.5e5, CutOut: 7.5e5}, findings.Unseen, 0},
		{compressor.Options{Volume: 0.038}, findings.Unseen, 0},
	} {
		l := last{}
		o := only(0, no, no, no)
		o.CutIn, o.CutOut, o.Volume = tc.o.CutIn, tc.o.CutOut, tc.o.Volume
		c := compressor.New(o, wide(), l)
		for i, r := range rows {
			c.Read(readings.Reading{At: r.at, Channel: 0, Value: r.p})
			if i%10 == 0 {
				c.Tick(r.at)
			}
		}
		f := l[compressor.KeyShortCycle]
		if f.Sight != tc.sight || f.Sight == findings.Seen && math.Abs(f.Value.SI-tc.share) > 0.1 {
			t.Errorf("%+v: %+v; want sight %d, share %v", tc.o, f, tc.sight, tc.share)
		}
		if f.Sight == findings.Unseen && f.Needs == "" {
			t.Errorf("%+v: unseen without a word", tc.o)
		}
	}
}

func TestOnShareOfARunningChannel(t *testing.T) {
	// 20 s on of every 100 s, told each second.
	c := compressor.New(only(no, 1, no, no), wide(), deaf{})
	for i := range 1001 {
		at := time.Duration(i) * time.Second
		v := 0.0
		if i%100 >= 50 && i%100 < 70 {
			v = 1
		}
		c.Read(readings.Reading{At: at, Channel: 1, Value: v})
		c.Tick(at)
	}
	if got := c.Settled(); got != 1000*time.Second {
		t.Errorf("Settled() = %v; want the newest reading", got)
	}
	for _, tc := range []struct {
		from, to time.Duration
		want     float64
		known    bool
	}{
		{100 * time.Second, 200 * time.Second, 0.2, true},
		{140 * time.Second, 160 * time.Second, 0.525, true}, // the edge lies half way between 149 and 150 s
		{152 * time.Second, 168 * time.Second, 1, true},
		{100 * time.Second, 140 * time.Second, 0, true},
		{990 * time.Second, 1001 * time.Second, 0, false},
		{50 * time.Second, 50 * time.Second, 0, false},
		{-time.Second, 5 * time.Second, 0, false},
	} {
		if share, known := c.OnShare(tc.from, tc.to); known != tc.known || math.Abs(share-tc.want) > 1e-9 {
			t.Errorf("OnShare(%v, %v) = %v, %v; want %v, %v", tc.from, tc.to, share, known, tc.want, tc.known)
		}
	}
}
