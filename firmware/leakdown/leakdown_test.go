// SPDX-License-Identifier: Apache-2.0

package leakdown_test

import (
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/leakdown"
)

// The recordings of these tests are made by closed forms (see fall in bench_test.go): a choked leak takes ln p down along a
// straight line, an even conductance lets the excess temperature go exponentially. Neither is the model's own code.

const lpm = 1e-3 / 60 // m3/s

func run(t *testing.T, s leakdown.Setup, samples []leakdown.Sample) leakdown.Result {
	t.Helper()
	x := start(t, s)
	for _, p := range samples {
		x.Add(p)
	}
	x.Close()
	return x.Result()
}

func start(t *testing.T, s leakdown.Setup) *leakdown.Test {
	t.Helper()
	if s.Volume == 0 {
		s.Volume = 40e-3
	}
	if s.Ambient == 0 {
		s.Ambient = 293.15
	}
	x, err := leakdown.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func TestVerdicts(t *testing.T) {
	tests := []struct {
		name      string
		leak, hot float64 // L/min, K
		setup     leakdown.Setup
		want      leakdown.Verdict
		by        time.Duration
	}{
		{"tight and cooling", 0, 25, leakdown.Setup{}, leakdown.Pass, 5 * time.Minute},
		{"small leak", 1, 20, leakdown.Setup{}, leakdown.Pass, 5 * time.Minute},
		{"large leak", 10, 20, leakdown.Setup{}, leakdown.Fail, 2 * time.Minute},
		{"gross leak", 120, 10, leakdown.Setup{}, leakdown.Fail, time.Minute},
		{"at the limit", 3, 15, leakdown.Setup{}, leakdown.Undecided, 10 * time.Minute},
		{"strict limit", 1, 5, leakdown.Setup{Limit: 0.2 * lpm, WallSD: 3}, leakdown.Fail, 10 * time.Minute},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			r := run(t, tc.setup, fall(7, tc.leak*lpm, tc.hot, 35))
			if r.Verdict != tc.want || r.DecidedAt > tc.by {
				t.Fatalf("verdict %s after %s (%v); want %s within %s", r.Verdict, r.DecidedAt, r.Reasons, tc.want, tc.by)
			}
			if len(r.Reasons) == 0 || !strings.HasSuffix(r.Reasons[0], ".") {
				t.Errorf("reasons %q; want sentences", r.Reasons)
			}
			l := r.Estimate.Leak
			if q := tc.leak * lpm; q < l.Low || q > l.High || l.Value < l.Low || l.Value > l.High {
				t.Errorf("leak %.3f (%.3f to %.3f) L/min does not hold the true %.3f", l.Value/lpm, l.Low/lpm, l.High/lpm, tc.leak)
			}
		})
	}
}

func TestUpdatesComeAtTheirTimes(t *testing.T) {
	r := run(t, leakdown.Setup{Full: true}, fall(3, lpm, 10, 30))
	var got []int
	for _, e := range r.Updates {
		got = append(got, int(e.At.Seconds()))
	}
	want := []int{15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 70, 80, 90, 100, 110, 120}
	for s := 140; s <= 600; s += 20 {
		want = append(want, s)
	}
	if !slices.Equal(got, want) {
		t.Errorf("estimates at %v; want %v", got, want)
	}
}

// What must not be judged is invalid with the reason, and never a pass.
func TestInvalid(t *testing.T) {
	at := func(s []leakdown.Sample, from float64, change func(*leakdown.Sample)) []leakdown.Sample {
		out := slices.Clone(s)
		for i := range out {
			if out[i].At.Seconds() >= from {
				change(&out[i])
			}
		}
		return out
	}
	base := fall(11, 2.5*lpm, 25, 60)
	tests := []struct {
		name    string
		samples []leakdown.Sample
		says    string
	}{
		{"starts too low", at(base, 0, func(s *leakdown.Sample) { s.Pressure *= 0.2 }), "too low|below the 200 kPa"},
		{"bar in a column of kPa", at(base, 0, func(s *leakdown.Sample) { s.Pressure /= 100 }), "bar"},
		{"psi in a column of kPa", at(base, 0, func(s *leakdown.Sample) { s.Pressure /= 6.895 }), "psi"},
		{"kPa in a column of psi", at(base, 0, func(s *leakdown.Sample) { s.Pressure *= 6.895 }), "unit"},
		{"compressor starts", at(base, 20, func(s *leakdown.Sample) { s.Pressure += (s.At.Seconds() - 20) * 7e3 }), "compressor"},
		{"knocked sensor", at(base, 22, func(s *leakdown.Sample) { s.Pressure += 15e3 }), "knocked"},
		{"valve opens for a moment", at(base, 22, func(s *leakdown.Sample) { s.Pressure -= 60e3 }), "valve moved"},
		{"rises slowly", at(base, 0, func(s *leakdown.Sample) { s.Pressure = 700e3 + 120*s.At.Seconds() }), "rises"},
		{"twenty minutes without a reading", at(base, 12, func(s *leakdown.Sample) { s.At += 20 * time.Minute }), "gap of 20 min"},
		{"sensor lost", at(base, 10, func(s *leakdown.Sample) { s.Bad = true }), "no value"},
		{"no value at all", at(base, 0, func(s *leakdown.Sample) { s.Bad = true }), "no value"},
		{"ten seconds only", base[:100], "15 s at least"},
		{"nothing", nil, "no usable reading"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			r := run(t, leakdown.Setup{}, tc.samples)
			if r.Verdict != leakdown.Invalid {
				t.Fatalf("verdict %s (%v); want invalid", r.Verdict, r.Reasons)
			}
			reason := strings.Join(r.Reasons, " ")
			if !slices.ContainsFunc(strings.Split(tc.says, "|"), func(w string) bool { return strings.Contains(reason, w) }) {
				t.Errorf("reason %q; want it to say %q", reason, tc.says)
			}
		})
	}
}

// Spikes, short gaps, single bad readings and coarse steps change nothing.
func TestRobust(t *testing.T) {
	base := fall(5, lpm, 20, 35)
	tests := map[string]func(i int, s *leakdown.Sample) (keep bool){
		"spikes":      func(i int, s *leakdown.Sample) bool { s.Pressure += 200e3 * float64(b2i(i%97 == 13)); return true },
		"gap of 20 s": func(_ int, s *leakdown.Sample) bool { return s.At.Seconds() < 25 || s.At.Seconds() > 45 },
		"bad ones":    func(i int, s *leakdown.Sample) bool { s.Bad = i%10 == 0; return true },
		"12 bit":      func(_ int, s *leakdown.Sample) bool { s.Pressure = math.Round(s.Pressure/305) * 305; return true },
		"NaN":         func(i int, s *leakdown.Sample) bool { s.Pressure /= float64(b2i(i%50 != 0)); return true },
		"one a second": func(i int, _ *leakdown.Sample) bool {
			return i%10 == 0
		},
		"hand on the sensor": func(i int, s *leakdown.Sample) bool {
			s.Pressure += 3e3 * float64(b2i(i >= 300 && i < 306))
			return true
		},
	}
	for name, change := range tests {
		t.Run(name, func(t *testing.T) {
			var out []leakdown.Sample
			for i, s := range base {
				if change(i, &s) {
					out = append(out, s)
				}
			}
			r := run(t, leakdown.Setup{}, out)
			l := r.Estimate.Leak
			if r.Verdict != leakdown.Pass || l.Low > lpm || l.High < lpm {
				t.Errorf("verdict %s, %.2f to %.2f L/min (%v); want pass around 1", r.Verdict, l.Low/lpm, l.High/lpm, r.Reasons)
			}
		})
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// A recording that begins while the supply still holds the pressure is judged from the moment it is shut in.
func TestShutInLater(t *testing.T) {
	base := fall(9, 40*lpm, 10, 30)
	var out []leakdown.Sample
	for i := range 120 {
		out = append(out, leakdown.Sample{At: time.Duration(i) * 100 * time.Millisecond, Pressure: 700e3 + 300*math.Sin(float64(i)*2.1)})
	}
	for _, s := range base {
		s.At += 12 * time.Second
		out = append(out, s)
	}
	r := run(t, leakdown.Setup{Full: true}, out)
	l := r.Estimate.Leak
	if r.Verdict != leakdown.Fail || l.Low > 40*lpm || l.High < 40*lpm {
		t.Errorf("verdict %s, %.1f to %.1f L/min (%v); want fail around 40", r.Verdict, l.Low/lpm, l.High/lpm, r.Reasons)
	}
}

func width(i leakdown.Interval) float64 { return i.High - i.Low }

// What is known beforehand narrows the band, what is not known widens it.
func TestKnowledgeNarrows(t *testing.T) {
	samples := fall(4, 2*lpm, 20, 35)
	at := func(s leakdown.Setup, seconds int) float64 {
		s.Full = true
		r := run(t, s, samples)
		for _, e := range r.Updates {
			if int(e.At.Seconds()) == seconds {
				return width(e.Leak) / lpm
			}
		}
		t.Fatalf("no estimate at %d s", seconds)
		return 0
	}
	plain := at(leakdown.Setup{WallSD: 3}, 60)
	learned := run(t, leakdown.Setup{Full: true}, fall(8, 0, 20, 35)).Signature
	if learned == nil || learned.Tests != 1 {
		t.Fatalf("signature %+v; want one from a clean test", learned)
	}
	if got := math.Exp(learned.LogTau); got < 25 || got > 50 {
		t.Errorf("learned a time constant of %.0f s; the air cooled in 35", got)
	}
	if with := at(leakdown.Setup{WallSD: 3, Signature: learned}, 60); with >= plain {
		t.Errorf("band at 60 s is %.2f with a signature, %.2f without; want narrower (the benchmark says by how much)", with, plain)
	}
	still, sunlit := at(leakdown.Setup{WallSD: 3}, 600), at(leakdown.Setup{WallSD: 10}, 600)
	if sunlit < 1.5*still {
		t.Errorf("band at 600 s is %.2f with a wall that may be 10 K off, %.2f with 3 K; want a wider floor", sunlit, still)
	}
	rough := at(leakdown.Setup{WallSD: 3, VolumeUncertainty: 0.5}, 600)
	if rough < 1.5*still {
		t.Errorf("band at 600 s is %.2f with a volume known to 50 %%, %.2f with 3 %%; want wider", rough, still)
	}
	wall := slices.Clone(samples)
	for i := range wall {
		wall[i].Wall = 293.15
	}
	r := run(t, leakdown.Setup{Full: true, WallSD: 10}, wall)
	if got := width(r.Estimate.Leak) / lpm; got > 0.6*sunlit {
		t.Errorf("band at 600 s is %.2f with a sensor on the wall, %.2f without; want much narrower", got, sunlit)
	}
}

// The budget adds up to the interval (JCGM 100: root of the sum of squares, 1.96 for 95 % of a normal distribution), and
// its first term is the largest.
func TestBudgetAddsUp(t *testing.T) {
	r := run(t, leakdown.Setup{Full: true}, fall(2, 6*lpm, 20, 35))
	sum := 0.0
	for i, term := range r.Estimate.Budget {
		sum += term.U * term.U
		if i > 0 && term.U > r.Estimate.Budget[i-1].U {
			t.Errorf("term %q stands below a smaller one", term.Key)
		}
		if term.Words == "" || term.Help == "" {
			t.Errorf("term %q says not what it is or what helps", term.Key)
		}
	}
	if got, want := width(r.Estimate.Leak)/2, 1.96*math.Sqrt(sum); math.Abs(got-want) > 0.05*want {
		t.Errorf("half the interval is %.3f L/min, 1.96 times the budget's sum %.3f", got/lpm, want/lpm)
	}
	if r.Dominant.Key != r.Estimate.Budget[0].Key {
		t.Errorf("dominant %q; want the first of the budget", r.Dominant.Key)
	}
}

// Numbers of the answer against closed forms: 5 L/min ANR from 40 L at 801.325 kPa is k = 2.604e-4/s and 12.5 kPa/min; the
// hole of that leak is 0.3301 mm with a coefficient of 0.61 (gas dynamics, computed by hand); a choked volume holds for
// ln(p1/p2)/k.
func TestNumbersOfTheAnswer(t *testing.T) {
	const q = 5 * lpm
	r := run(t, leakdown.Setup{Full: true, Needed: 400e3, WallSD: 3}, fall(6, q, 3, 20))
	near := func(what string, got, want, share float64) {
		t.Helper()
		if math.Abs(got-want) > share*want {
			t.Errorf("%s %.5g; want %.5g within %.0f %%", what, got, want, 100*share)
		}
	}
	scale := r.Estimate.Leak.Value / q // the estimate's own error is judged elsewhere
	k := 100e3 * q / (40e-3 * 801325)
	near("leak", r.Estimate.Leak.Value, q, 0.06)
	near("drop", r.Estimate.Drop.Value*60, k*801325*60*scale, 0.01)
	near("hole", r.Hole.Value, 0.3301e-3*math.Sqrt(scale), 0.01)
	near("hold time", r.Hold.Value.Seconds(), math.Log(801325/501325.0)/k/scale, 0.01)
	if !r.Hold.Known || r.Hold.AtLeast || r.Hold.Low > r.Hold.Value || r.Hold.Value > r.Hold.High {
		t.Errorf("hold time %+v; want a closed interval around it", r.Hold)
	}
	near("first minute's drop", r.NaiveDrop*60, 801325*(1-math.Exp(-k*60)*(1+3/293.15*math.Exp(-3))/(1+3/293.15)), 0.05)
}

// Bags stretch: the same loss of air takes less pressure, and the answer is the leak all the same. The recording follows
// p*V(p) = m*R*T with V = V0*(1 + S*p).
func TestRankThatStretches(t *testing.T) {
	const volume, stretch, start0, q = 18e-3, 0.05e-5, 310e3, 4 * lpm
	air := (start0 + 101325) * volume * (1 + stretch*start0) // p*V
	var out []leakdown.Sample
	for i := range 3001 {
		at := float64(i) / 10
		// Choked all the way: the loss goes with the absolute pressure.
		k := q * 100e3 / (volume * (1 + stretch*start0) * (start0 + 101325))
		gauge := 0.0
		lo, hi := 0.0, start0
		for range 50 {
			gauge = (lo + hi) / 2
			if (gauge+101325)*volume*(1+stretch*gauge) > air {
				hi = gauge
			} else {
				lo = gauge
			}
		}
		out = append(out, leakdown.Sample{At: time.Duration(at * float64(time.Second)), Pressure: gauge + 100*math.Sin(float64(i)*1.7)})
		air -= air * k * 0.1 * (gauge + 101325) / (start0 + 101325) * (1 + stretch*start0) / (1 + stretch*gauge) * (start0 + 101325) / (gauge + 101325)
	}
	r := run(t, leakdown.Setup{Rank: true, Volume: volume, Stretch: stretch, SinceFill: 4 * time.Minute, Full: true}, out)
	l := r.Estimate.Leak
	if r.Verdict != leakdown.Fail || math.Abs(l.Value-q) > 0.08*q {
		t.Errorf("verdict %s, leak %.2f (%.2f to %.2f) L/min; want fail, 4 within 8 %%", r.Verdict, l.Value/lpm, l.Low/lpm, l.High/lpm)
	}
}

func TestRankRestsFirst(t *testing.T) {
	s := leakdown.Setup{Rank: true, SinceFill: 30 * time.Second}
	r := run(t, s, fall(3, 0, 0, 30))
	if r.Verdict == leakdown.Measuring || r.DecidedAt < 150*time.Second {
		t.Errorf("verdict %s after %s; want none before three minutes after the fill", r.Verdict, r.DecidedAt)
	}
}

func TestDisturbanceVoids(t *testing.T) {
	x := start(t, leakdown.Setup{})
	for _, s := range fall(1, lpm, 20, 30)[:200] {
		x.Add(s)
	}
	x.Disturb(leakdown.ValveMoved)
	if r := x.Result(); r.Verdict != leakdown.Invalid || !strings.Contains(r.Reasons[0], "valve moved") || !x.Done() {
		t.Errorf("verdict %s (%v); want invalid because a valve moved", r.Verdict, r.Reasons)
	}
}

func TestCurveShowsCoolingAndLeak(t *testing.T) {
	x := start(t, leakdown.Setup{Full: true})
	for _, s := range fall(1, 8*lpm, 20, 30)[:1300] {
		x.Add(s)
	}
	c := x.Curve(50, time.Minute)
	if len(c.Measured) == 0 || len(c.Fit) == 0 || len(c.Ahead) == 0 || len(c.Cooling) == 0 || len(c.Limit) == 0 {
		t.Fatalf("curve has %d measured, %d fit, %d ahead, %d cooling, %d limit points", len(c.Measured), len(c.Fit), len(c.Ahead), len(c.Cooling), len(c.Limit))
	}
	last := len(c.Fit) - 1
	if end, dry, edge := c.Fit[last].Value, c.Cooling[last].Pressure, c.Limit[last].Pressure; !(end < edge && edge < dry) {
		t.Errorf("after two minutes the fit ends at %.0f, the limit's edge at %.0f, cooling alone at %.0f Pa; want them in this order", end, edge, dry)
	}
	for _, b := range c.Fit {
		if b.Low > b.Value || b.Value > b.Up {
			t.Fatalf("band %+v is inside out", b)
		}
	}
	if c.Ahead[len(c.Ahead)-1].At < c.Fit[last].At+59*time.Second {
		t.Errorf("fit is carried on to %s only", c.Ahead[len(c.Ahead)-1].At)
	}
	if e, _ := x.Estimate(); e.Cooling <= 0 || e.Lost <= 0 {
		t.Errorf("cooling took %.0f Pa, the leak %.0f; want both", e.Cooling, e.Lost)
	}
}

func TestRefusesWhatCannotBe(t *testing.T) {
	tests := map[string]leakdown.Setup{
		"no volume":             {},
		"volume of a thimble":   {Volume: 0.1e-3},
		"volume of a house":     {Volume: 400},
		"uncertainty of 95 %":   {Volume: 40e-3, VolumeUncertainty: 0.95},
		"limit below nothing":   {Volume: 40e-3, Limit: -1},
		"barometer of the Moon": {Volume: 40e-3, Barometer: 3},
		"stretch of a balloon":  {Volume: 40e-3, Stretch: 1},
		"air on fire":           {Volume: 40e-3, Ambient: 900},
	}
	for name, s := range tests {
		if _, err := leakdown.New(s); !errors.Is(err, leakdown.ErrSetup) {
			t.Errorf("%s: error %v; want ErrSetup", name, err)
		}
	}
}

// The seeds of the fuzz target are committed; a target that lost them tests nothing.
func TestFuzzSeedsAreThere(t *testing.T) {
	seeds, err := os.ReadDir("testdata/fuzz/FuzzAdd")
	if err != nil || len(seeds) < 4 {
		t.Fatalf("seeds of FuzzAdd: %d (%v); want 4 or more", len(seeds), err)
	}
}

// FuzzAdd feeds arbitrary samples: nothing may panic, and an interval stays an interval.
func FuzzAdd(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 200, 100, 50, 25})
	f.Add([]byte("steady pressure that falls a little and then a little more"))
	f.Fuzz(func(t *testing.T, data []byte) {
		x := start(t, leakdown.Setup{Rank: len(data)%2 == 1, Full: len(data)%3 == 1})
		var at time.Duration
		p := 700e3
		for i := 0; i+1 < len(data) && i < 1000; i += 2 {
			at += time.Duration(data[i]) * 20 * time.Millisecond
			p += (float64(data[i+1]) - 130) * 40
			x.Add(leakdown.Sample{At: at, Pressure: p, Bad: data[i] == 7})
		}
		x.Close()
		r := x.Result()
		for _, e := range r.Updates {
			if !(e.Leak.Low <= e.Leak.Value && e.Leak.Value <= e.Leak.High) || e.Leak.Low < 0 {
				t.Fatalf("interval %+v", e.Leak)
			}
			if s := e.PassChance + e.FailChance; math.Abs(s-1) > 1e-9 {
				t.Fatalf("chances add up to %g", s)
			}
		}
		_ = x.Curve(20, time.Minute)
	})
}

// A clock that leaps by centuries is a gap like any other, and costs no work.
func TestLeapOfTime(t *testing.T) {
	x := start(t, leakdown.Setup{})
	for _, s := range fall(1, lpm, 20, 30)[:200] {
		x.Add(s)
	}
	x.Add(leakdown.Sample{At: math.MaxInt64, Pressure: 600e3})
	if r := x.Result(); r.Verdict != leakdown.Invalid {
		t.Errorf("verdict %s; want invalid", r.Verdict)
	}
}

// A valve that is still closing in the first second does not become the start pressure.
func TestStartWhileAValveCloses(t *testing.T) {
	s := fall(12, lpm, 5, 20)
	for i := range 8 {
		s[i].Pressure -= 40e3
	}
	r := run(t, leakdown.Setup{}, s)
	if math.Abs(r.StartPressure-700e3) > 5e3 || r.NaiveDrop < 0 {
		t.Errorf("start %.0f Pa, first minute's drop %.0f Pa/s; want 700000 and a fall", r.StartPressure, r.NaiveDrop)
	}
}
