// SPDX-License-Identifier: Apache-2.0

package zones_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
	"airhold/firmware/rig"
)

// bag is a rank without cooling whose air content changes by a flow that follows ISO 6358: mass balance of an ideal gas at
// 20 degC. in comes from a tank at 800 kPa absolute, out goes to the air around; both at the start, in L/min ANR.
type bag struct {
	rank    zones.Rank
	gauge   float64
	in, out float64
}

func (b bag) series(seconds, rate, noise float64) []leakdown.Sample {
	dice := rand.New(rand.NewPCG(1, 11))
	gauge := func(content float64) float64 { // p*V0*(1+s*(p-air))/100 kPa = content
		s, v := b.rank.Stretch, b.rank.Volume
		if s == 0 {
			return content*100e3/v - air
		}
		half := (1 - s*air) / (2 * s)
		return math.Sqrt(half*half+content*100e3/(v*s)) - half - air
	}
	content := (b.gauge + air) * b.rank.Volume * (1 + b.rank.Stretch*b.gauge) / 100e3
	p0 := b.gauge + air
	const step = 0.1
	list := []leakdown.Sample{}
	for i := range int(seconds/step) + 1 {
		t := float64(i) * step
		p := gauge(content) + air
		if every := 1 / rate / step; math.Abs(math.Mod(float64(i)+1e-9, every)) < 1e-6 {
			list = append(list, leakdown.Sample{At: time.Duration(t * float64(time.Second)), Pressure: p - air + noise*dice.NormFloat64()})
		}
		in := b.in * lpm * iso(p/800e3, 0.35) / iso(p0/800e3, 0.35)
		out := b.out * lpm * p * iso(air/p, 0.35) / (p0 * iso(air/p0, 0.35))
		content += (in - out) * step
	}
	return list
}

func frontOf(p zones.Phase) (zones.Flow, bool) {
	i := slices.IndexFunc(p.Flows, func(f zones.Flow) bool { return f.Volume == "front" })
	if i < 0 {
		return zones.Flow{}, false
	}
	return p.Flows[i], true
}

// watch runs one rank through a Watch; the tank is left out.
func watch(o zones.Options, list []leakdown.Sample, rested map[string]time.Duration) zones.Phase {
	w := zones.NewWatch(o, rested, nil)
	for _, s := range list {
		w.Add("front", s)
	}
	return w.Close()
}

func rested(d time.Duration) map[string]time.Duration { return map[string]time.Duration{"front": d} }

func TestRankFlowIsTheMassBalance(t *testing.T) {
	o := parked()
	for _, c := range []struct {
		name    string
		stretch float64
		gauge   float64
		in, out float64
	}{
		{"tight", 5e-7, 300e3, 0, 0},
		{"leaks 2 L/min", 5e-7, 300e3, 0, 2},
		{"leaks 2 L/min, no stretch", 0, 300e3, 0, 2},
		{"leaks 2 L/min, soft bags", 10e-7, 300e3, 0, 2},
		{"leaks 10 L/min", 5e-7, 300e3, 0, 10},
		{"fills by 2 L/min", 5e-7, 300e3, 2, 0},
		{"fills by 2 L/min, vented", 5e-7, 50e3, 2, 0},
		{"in and out balance", 5e-7, 300e3, 2, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := bag{zones.Rank{Name: "front", Volume: 0.0185, Stretch: c.stretch}, c.gauge, c.in, c.out}
			o.Ranks[0].Stretch = c.stretch
			const span = 180.0
			f, ok := frontOf(watch(o, b.series(span, 10, 500), rested(4*time.Minute)))
			if !ok {
				t.Fatal("no flow")
			}
			// The truth in the mean over the watch, from the same balance.
			clean := b.series(span, 10, 0)
			content := func(g float64) float64 { return (g + air) * 0.0185 * (1 + c.stretch*g) / 100e3 }
			want := (content(clean[0].Pressure) - content(clean[len(clean)-1].Pressure)) / span
			if d := math.Abs(f.Net - want); d > 2.6*f.U || d > 0.12*lpm+0.05*math.Abs(want) {
				t.Errorf("net flow = %.3f +- %.3f L/min; want %.3f", f.Net/lpm, f.U/lpm, want/lpm)
			}
			if f.U > 0.2*lpm+0.1*math.Abs(want) {
				t.Errorf("standard uncertainty = %.3f L/min; want it small", f.U/lpm)
			}
		})
	}
}

func TestRankFlowDoesNotDependOn(t *testing.T) {
	o := parked()
	b := bag{o.Ranks[0], 300e3, 0, 3}
	base, _ := frontOf(watch(o, b.series(180, 10, 0), rested(4*time.Minute)))
	near := func(t *testing.T, f zones.Flow, ok bool) {
		t.Helper()
		if !ok || math.Abs(f.Net-base.Net) > 0.03*lpm {
			t.Errorf("net flow = %.4f L/min; want %.4f", f.Net/lpm, base.Net/lpm)
		}
	}
	t.Run("sampling rate", func(t *testing.T) {
		for _, rate := range []float64{0.2, 1, 5} {
			f, ok := frontOf(watch(o, b.series(180, rate, 0), rested(4*time.Minute)))
			near(t, f, ok)
		}
	})
	t.Run("time shift", func(t *testing.T) {
		list := b.series(180, 10, 0)
		for i := range list {
			list[i].At += time.Hour + 370*time.Millisecond
		}
		f, ok := frontOf(watch(o, list, rested(4*time.Minute)))
		near(t, f, ok)
	})
	t.Run("spikes", func(t *testing.T) {
		list := b.series(180, 10, 0)
		for i := 37; i < len(list); i += 211 {
			list[i].Pressure += 80e3
		}
		f, ok := frontOf(watch(o, list, rested(4*time.Minute)))
		near(t, f, ok)
	})
	t.Run("readings without a value", func(t *testing.T) {
		list := b.series(180, 10, 0)
		for i := 3; i < len(list); i += 7 {
			list[i].Pressure, list[i].Bad = math.NaN(), true
		}
		f, ok := frontOf(watch(o, list, rested(4*time.Minute)))
		near(t, f, ok)
	})
}

func TestWatchSaysWhatLowersTrust(t *testing.T) {
	o := parked()
	b := bag{o.Ranks[0], 300e3, 0, 2}
	quiet, _ := frontOf(watch(o, b.series(180, 10, 0), rested(4*time.Minute)))
	for _, c := range []struct {
		name   string
		list   []leakdown.Sample
		rested map[string]time.Duration
		want   string
		flow   bool
		remark bool
		wider  bool // its uncertainty is larger than after four minutes of rest
	}{
		{name: "short rest", list: b.series(100, 10, 0), rested: rested(45 * time.Second), want: "had rested for 45 s only", flow: true, wider: true},
		{name: "rest not known", list: b.series(180, 10, 0), want: "is not known", flow: true, remark: true},
		{name: "a gap of twenty minutes", list: gap(b.series(300, 10, 0), 200, 20*time.Minute), rested: rested(4 * time.Minute), want: "no readings for 20 min", flow: true},
		{name: "filled in the watch", list: filled(b.series(180, 10, 0), 60), rested: rested(4 * time.Minute), want: "was filled or vented during the watch", flow: true, wider: true},
		{name: "too short", list: b.series(20, 10, 0), rested: rested(4 * time.Minute), want: "s are needed"},
		{name: "no sensor", want: "its pressure was not read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := watch(o, c.list, c.rested)
			notes := p.Notes
			if c.remark {
				notes = p.Remarks
			}
			if !strings.Contains(strings.Join(notes, "\n"), c.want) {
				t.Errorf("said %q, %q; want %q", p.Notes, p.Remarks, c.want)
			}
			f, ok := frontOf(p)
			if ok != c.flow {
				t.Fatalf("flow given = %t; want %t", ok, c.flow)
			}
			if c.wider && f.U <= quiet.U {
				t.Errorf("standard uncertainty = %.3f L/min; want more than %.3f", f.U/lpm, quiet.U/lpm)
			}
		})
	}
}

// gap moves everything from second at on back by d.
func gap(list []leakdown.Sample, at float64, d time.Duration) []leakdown.Sample {
	for i := range list {
		if list[i].At.Seconds() >= at {
			list[i].At += d
		}
	}
	return list
}

// filled puts a step of 20 kPa over two seconds into a list.
func filled(list []leakdown.Sample, at float64) []leakdown.Sample {
	for i := range list {
		list[i].Pressure += 20e3 * math.Max(0, math.Min(1, (list[i].At.Seconds()-at)/2))
	}
	return list
}

// The whole way, on the rig's own physics: readings of two watches in, places out. Sizes by the rig's truth.
func TestAnalyseOnTheRig(t *testing.T) {
	type truth map[string]float64
	for _, c := range []struct {
		name  string
		leaks truth
	}{
		{"nothing", truth{}},
		{"tank side", truth{"tank side": 3}},
		{"front rank", truth{"front rank": 3}},
		{"rear fill valve", truth{"rear fill valve": 3}},
		{"hidden pair", truth{"front fill valve": 3, "front rank": 3}},
	} {
		t.Run(c.name, func(t *testing.T) {
			o, watches := simulate(t, c.leaks)
			out := zones.Analyse(o, watches)
			if len(c.leaks) == 0 {
				if out.Answer != zones.Nothing {
					t.Errorf("answer = %s %v; want nothing", out.Answer, out.Paths)
				}
				return
			}
			want := []string{}
			for w := range c.leaks {
				want = append(want, w)
			}
			if !named(out, want...) {
				t.Fatalf("answer = %s %v; want %v\n%s", out.Answer, out.Sets, want, strings.Join(out.Sentences, "\n"))
			}
			for _, p := range out.Paths {
				// 4 L/min stands a little wider than the interval: one draw in twenty may fall outside.
				half := p.Leak.High - p.Leak.Value
				if q := c.leaks[p.Where] * lpm; math.Abs(q-p.Leak.Value) > 1.5*half {
					t.Errorf("%s = %.2f (%.2f to %.2f) L/min; want %g", p.Where, p.Leak.Value/lpm, p.Leak.Low/lpm, p.Leak.High/lpm, q/lpm)
				}
			}
			if out.Trust != zones.FullTrust {
				t.Errorf("trust = %s; want full: %v", out.Trust, out.Sentences)
			}
		})
	}
}

func simulate(t *testing.T, leaks map[string]float64) (zones.Options, []zones.Recorded) {
	t.Helper()
	o := parked()
	o.Tank.WallSD = 3
	hole := func(where string) rig.HoldLeak { return rig.HoldLeak{Flow: leaks[where] * lpm, B: 0.3} }
	m := rig.PlumbingOptions{
		Rest: 200,
		Tank: rig.HoldOptions{
			Volume: 0.038, Start: 720e3, Air: rig.HoldAir{Hot: 15, Tau: 35, Power: 0.25, Slow: 0.08},
			Wall: rig.HoldWall{Excess: 1, Loss: 1500}, Leak: hole("tank side"),
		},
	}
	for _, r := range o.Ranks {
		m.Ranks = append(m.Ranks, rig.PlumbingRank{
			Bags: rig.HoldOptions{
				Volume: r.Volume, Stretch: r.Volume * r.Stretch, Start: 300e3, Creep: 0.003, CreepAfter: 5,
				Air: rig.HoldAir{Hot: 8, Tau: 10}, Leak: hole(r.Name + " rank"),
			},
			Valve: hole(r.Name + " fill valve"),
		})
	}
	p, err := rig.NewPlumbing(m)
	if err != nil {
		t.Fatal(err)
	}
	gauges := []rig.HoldGauge{{Noise: 0.0005, Bits: 16}, {Noise: 0.0005, Bits: 16}, {Noise: 0.0005, Bits: 16}}
	names := []string{zones.TankName, "front", "rear"}
	watches := []zones.Recorded{}
	for i := range 2 {
		if i > 0 {
			if err := p.Vent(50e3, 10, rig.HoldAir{Tau: 10}); err != nil {
				t.Fatal(err)
			}
			p.Advance(180 + 190)
		}
		r := zones.Recorded{Readings: map[string][]leakdown.Sample{}, Rested: map[string]time.Duration{"front": 190 * time.Second, "rear": 190 * time.Second}}
		for k, list := range p.Watch(gauges, 180, uint64(40+i)) {
			for _, v := range list {
				r.Readings[names[k]] = append(r.Readings[names[k]], leakdown.Sample{At: time.Duration(v.At * float64(time.Second)), Pressure: v.Pressure})
			}
		}
		watches = append(watches, r)
	}
	return o, watches
}

// A gap of twenty minutes in the tank's readings: the longer stretch is used, and the trust is lower.
func TestAnalyseWithAGap(t *testing.T) {
	o, watches := simulate(t, map[string]float64{"front rank": 3})
	for name, list := range watches[0].Readings {
		watches[0].Readings[name] = gap(list, 120, 20*time.Minute)
	}
	out := zones.Analyse(o, watches)
	if out.Answer == zones.NotJudged {
		t.Fatalf("answer = %s; want one from the stretch before the gap: %v", out.Answer, out.Sentences)
	}
	if out.Trust != zones.LowerTrust || !strings.Contains(strings.Join(out.Sentences, "\n"), "no readings for 20 min") {
		t.Errorf("trust %s, sentences %v; want lower, and the gap named", out.Trust, out.Sentences)
	}
}

// Whatever is read, no answer is a panic.
func TestAnalyseSurvivesRubbish(t *testing.T) {
	o := parked()
	for _, list := range [][]leakdown.Sample{
		nil,
		{{}},
		{{Pressure: math.NaN()}, {At: time.Hour, Pressure: math.Inf(1)}},
		{{At: time.Hour, Pressure: 1}, {At: 0, Pressure: 2}},
		slices.Repeat([]leakdown.Sample{{At: time.Minute, Pressure: 3e5}}, 100),
	} {
		out := zones.Analyse(o, []zones.Recorded{{Readings: map[string][]leakdown.Sample{"tank": list, "front": list, "other": list}}})
		if out.Answer != zones.NotJudged || len(out.Sentences) == 0 {
			t.Errorf("%v: answer = %s; want not judged, with a sentence", list, out.Answer)
		}
	}
}
