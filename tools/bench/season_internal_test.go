// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/rig"
)

// Garwood's interval of a Poisson expectation at 95 %: none seen 0 to 3.689, ten seen 4.795 to 18.39, 23 seen 14.58 to 34.51
// (textbook table, from memory).
func TestPoisson(t *testing.T) {
	for _, c := range []struct {
		k         int
		low, high float64
	}{{0, 0, 3.689}, {1, 0.0253, 5.572}, {10, 4.795, 18.39}, {23, 14.58, 34.51}} {
		if low, high := poisson(c.k, 0.95); !nearly(low, c.low, 0.006) || !nearly(high, c.high, 0.006) {
			t.Errorf("poisson(%d) = %.4f, %.4f; want %.4f, %.4f", c.k, low, high, c.low, c.high)
		}
	}
}

// Shares of days are kept over the machines, whatever the share.
func TestEveryKeepsItsShare(t *testing.T) {
	for _, share := range []float64{0, 0.2, 0.7, 1, 2, 2.5} {
		for kind := range 12 {
			n := 0
			for i := range 100 {
				k := every(share, i, kind)
				if k < int(share) || k > int(share)+1 {
					t.Fatalf("machine %d has %d days of kind %d; want about %g", i, k, kind, share)
				}
				n += k
			}
			if !nearly(float64(n), 100*share, 1) {
				t.Errorf("kind %d: %d days of 100 machines; want %g", kind, n, 100*share)
			}
		}
	}
}

// The machine files of many machines are accepted and tell the machine as its owner knows it.
func TestSeasonFileKnowsTheMachine(t *testing.T) {
	given := 0
	for i := range 60 {
		b := rig.DrawBuild(uint64(i))
		m, err := seasonFile(&b, roll(3, "file", i), i%2 == 0)
		if err != nil {
			t.Fatal(err)
		}
		if v := float64(m.Tank.Volume); math.Abs(v/b.Tank-1) > 0.031 {
			t.Errorf("machine %d: the file says %.2f L, it has %.2f", i, v/litre, b.Tank/litre)
		}
		if m.Tank.Wall == "" == (i%2 == 0) {
			t.Errorf("machine %d: wall sensor %q", i, m.Tank.Wall)
		}
		if c := m.Compressors[0]; c.CutIn > 0 {
			given++
			if math.Abs(float64(c.CutIn)-b.CutIn) > 11e3 {
				t.Errorf("machine %d: cut-in %.0f Pa in the file, %.0f on the machine", i, c.CutIn, b.CutIn)
			}
		}
	}
	if given < 15 || given > 45 {
		t.Errorf("%d of 60 files give the cut-in; want about half", given)
	}
}

// A needle calls once for a fall, and again only after ten quiet minutes.
func TestNeedleCallsOnce(t *testing.T) {
	var g needle
	tank := 700e3
	s := rig.DaySample{}
	for at := time.Duration(0); at < 80*time.Minute; at += time.Second {
		switch {
		case at >= 20*time.Minute && at < 22*time.Minute, at >= 25*time.Minute && at < 26*time.Minute, at >= 60*time.Minute && at < 61*time.Minute:
			tank -= 500 // 30 kPa a minute
		case at == 40*time.Minute:
			tank = 700e3
		}
		s.At, s.Tank = at, tank
		g.read(&s)
	}
	for i := range needleSteps {
		want := 0
		if needleFall(i) < 29.5e3 {
			want = 2
		}
		if f := needleFall(i); f > 29e3 && f < 31e3 {
			continue
		}
		if g.calls[i] != want {
			t.Errorf("threshold %.1f kPa: %d calls; want %d", needleFall(i)/1e3, g.calls[i], want)
		}
	}
	if at, ok := g.first(0, 30*time.Minute); !ok || at < 60*time.Minute || at > 61*time.Minute {
		t.Errorf("first call after half an hour: %s, %v", at, ok)
	}
}

// One machine, one day, twice: the same; and the checks have seen it.
func TestSeasonIsRepeatable(t *testing.T) {
	plan := &seasonPlan{seed: 11, machines: 1, sound: 1}
	play := func() machineOutcome {
		o, err := runMachine(context.Background(), plan, 0)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	a, b := play(), play()
	if d := cmp.Diff(a, b, cmp.AllowUnexported(machineOutcome{}, dayOutcome{}, raising{}, needle{})); d != "" {
		t.Errorf("one seed, two seasons:\n%s", d)
	}
	d := &a.sound[0]
	if !nearly(d.hours, 10, 0.01) || d.judged < 359000 || d.duty() < 0.03 || d.f1() < 0.5 {
		t.Errorf("a day of %.2f h, %d tenths judged, duty %.3f, F1 %.3f", d.hours, d.judged, d.duty(), d.f1())
	}
	if len(d.refused) > 0 {
		t.Errorf("care was refused: %v", d.refused)
	}
	if n := len(d.planted); n != 601 || d.planted[600] < 5 || d.planted[600] > 9.5 {
		t.Errorf("planted %.1f h by the end, %d minutes; want most of ten hours", d.planted[len(d.planted)-1], n)
	}
}

// Size, place and delay are read from what was said, and nothing that was said too early counts.
func TestLeaksAreReadFromWhatWasSaid(t *testing.T) {
	m := machineOutcome{}
	for _, c := range []struct {
		at    time.Duration
		where string
	}{{3*time.Hour + 2*time.Minute, tankSide}, {3*time.Hour + 4*time.Minute, "front rank"}, {0, ""}, {2 * time.Hour, tankSide}} {
		o := leakOutcome{kind: leakCases()[1], where: tankSide, onset: 3 * time.Hour, ends: 8 * time.Hour}
		if c.where != "" {
			o.raised = []raising{{at: c.at, key: "air-leak", where: c.where}}
		}
		m.leaks = append(m.leaks, o)
	}
	s := seasonSheet{all: []machineOutcome{m}, level: 0.95}
	s.delays()
	var text bytes.Buffer
	for i := range s.figures {
		s.figures[i].print(&text)
	}
	if f := s.figures[0]; !nearly(f.value, (2+4+300)/3.0, 1e-9) || !strings.Contains(f.words, "3; 1 missed, 1 spoilt") {
		t.Errorf("delays:\n%s", text.String())
	}
	if !strings.Contains(text.String(), "place right when raised (1 of 2)") {
		t.Errorf("places:\n%s", text.String())
	}
}

func TestSeasonArgs(t *testing.T) {
	for _, args := range [][]string{{"-n", "0"}, {"-sets", "nothing"}, {"more"}, {"-days", "0"}} {
		if _, _, err := seasonArgs(args); err == nil {
			t.Errorf("season %v was accepted", args)
		}
	}
	o, p, err := seasonArgs([]string{"-sets", "night", "-seed", "4"})
	if err != nil || o.seed != 4 || p.leaks != 0 || p.nights == 0 || p.odd != 0 {
		t.Errorf("-sets night: %+v, %+v, %v", o, p, err)
	}
}
