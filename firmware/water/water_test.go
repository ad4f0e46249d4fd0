// SPDX-License-Identifier: Apache-2.0

package water_test

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/water"
)

const missing = math.MaxFloat64

// steady is a machine whose air does not change.
type steady struct {
	gauge, wallC, airC, rh, baro float64 // missing: that channel is silent
	share                        float64 // of the time that air is delivered
	wet                          float64
	ignition                     float64
}

func mild() steady {
	return steady{gauge: 7e5, wallC: 30, airC: 25, rh: 0.6, baro: 101325, wet: missing, ignition: 1}
}

// bench plays steady stretches to a watcher.
type bench struct {
	w    *water.Water
	runs *trueRuns
	at   time.Duration
}

func (b *bench) play(s steady, d time.Duration) {
	for end := b.at + d; b.at < end; b.at += time.Second {
		if b.at > 0 {
			b.runs.on = append(b.runs.on, b.runs.on[len(b.runs.on)-1]+s.share)
		}
		for ch, v := range [...]float64{
			chTank: s.gauge, chWall: s.wallC + zeroC, chAmbient: s.airC + zeroC, chHumidity: s.rh, chBarometer: s.baro,
			chWet: s.wet, chIgnition: s.ignition, chDrive: missing,
		} {
			if v < 1e300 {
				b.w.Read(readings.Reading{At: b.at, Value: v, Channel: readings.Channel(ch)})
			}
		}
		b.w.Tick(b.at)
	}
}

func newBench(change func(o *water.Options), sink findings.Sink) *bench {
	runs := &trueRuns{on: []float64{0}}
	o := options(runs)
	runs.lag = 0
	if change != nil {
		change(&o)
	}
	return &bench{w: water.New(o, table(), sink), runs: runs}
}

// hourly is the share of the time that makes a rated 180 L/min a mean delivery of 60, at the likely 0.93 of the rating.
const hourly = 60 / (180 * 0.93)

// TestHourOfMildAir: 60 L/min of 25 degC and 60 % into a tank at 30 degC and 7 bar gauge leave 35.9 g in an hour, and of 30
// degC and 80 % 69.6 g: worked with 9.971 g/m3 and the like, outside this package, from the saturation table of IAPWS (the
// second at 30 degC: 4246.92 Pa both ways).
func TestHourOfMildAir(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		airC, rh, grams float64
	}{{25, 0.6, 35.9}, {30, 0.8, 69.6}} {
		b := newBench(nil, newBook())
		s := mild()
		s.airC, s.rh, s.share = tt.airC, tt.rh, hourly
		if tt.airC == 30 {
			s.wallC = 35 // the same surplus over the air as a working tank has
		}
		b.play(s, 10*time.Minute) // the tank's own air settles
		b.w.Drained(b.at)
		b.play(s, time.Hour)
		got := b.w.State().Liquid.SI * 998e3
		if math.Abs(got-tt.grams) > 0.015*tt.grams {
			t.Errorf("%v degC, %v: %.2f g in an hour; want %.1f", tt.airC, tt.rh, got, tt.grams)
		}
	}
}

// TestColdNightCountsOnlyTheTanksAir: 25 degC and 60 % drop 5.1 g/m3 in a tank at 45 degC and 12.9 in one at 8 degC, worked
// from the IAPWS table. A day at 45 degC and a night at 8 degC must not cost 12.9 for each cubic metre, but 5.1, and some 1
// to 3 g more from the air that is in the tank that night.
func TestColdNightCountsOnlyTheTanksAir(t *testing.T) {
	t.Parallel()
	b := newBench(nil, newBook())
	s := mild()
	s.wallC, s.share = 45, hourly
	b.play(s, 10*time.Minute)
	b.w.Drained(b.at)
	b.play(s, 5*time.Hour) // 18 m3
	day := b.w.State().Liquid.SI * 998e3
	if math.Abs(day-18*5.1) > 0.03*18*5.1 {
		t.Errorf("a day at 45 degC left %.1f g; want %.1f", day, 18*5.1)
	}
	s.share, s.wallC, s.airC, s.gauge = 0, 8, 8, 600e3
	b.play(s, 6*time.Hour)
	if drop := b.w.State().Liquid.SI*998e3 - day; drop < 1 || drop > 4 {
		t.Errorf("the night added %.2f g; want 1 to 4", drop)
	}
}

// TestNeverAssumed: without a humidity sensor the water is not known, and the finding says what is needed; with a climate it
// is reckoned and both say so; with neither temperature nor climate likewise. Nothing is ever taken for dry.
func TestNeverAssumed(t *testing.T) {
	t.Parallel()
	climate := &water.Climate{Temperature: 25 + zeroC, Humidity: 0.6, Uncertainty: 0.3}
	noHumidity := func(o *water.Options) { o.Humidity = readings.NoChannel }
	noAmbient := func(o *water.Options) { o.Ambient = readings.NoChannel }
	for _, tt := range []struct {
		name   string
		change func(o *water.Options)
		spoil  func(s *steady)
		known  bool
		says   string // part of Source or of Needs
	}{
		{"measured", nil, nil, true, "measured: humidity adc air input 0, temperature adc air input 1"},
		{"no humidity channel", noHumidity, nil, false, "a humidity and an ambient temperature channel, or a climate"},
		{"no ambient channel", noAmbient, nil, false, "a humidity and an ambient temperature channel, or a climate"},
		{"humidity dead from the start", nil, func(s *steady) { s.rh = missing }, false, "a good reading of the humidity channel"},
		{"humidity that is no number", nil, func(s *steady) { s.rh = math.NaN() }, false, "a good reading of the humidity channel"},
		{"humidity in per cent", nil, func(s *steady) { s.rh = 60 }, false, "a good reading of the humidity channel"},
		{"ambient dead", nil, func(s *steady) { s.airC = missing }, false, "a good reading of the ambient temperature channel"},
		{"climate", func(o *water.Options) { noHumidity(o); o.Climate = climate }, nil, true, "the machine file's climate, not measured"},
		{"climate behind a dead sensor", func(o *water.Options) { o.Climate = climate }, func(s *steady) { s.rh = missing }, true, "the machine file's climate, not measured"},
		{"no delivery", func(o *water.Options) { o.Delivery = 0 }, nil, false, "the compressor's rated delivery"},
		{"no volume", func(o *water.Options) { o.Volume = math.NaN() }, nil, false, "the tank's volume"},
		{"no compressor", func(o *water.Options) { o.Compressor = nil }, nil, false, "a compressor whose runs can be seen"},
		{"no tank channel", func(o *water.Options) { o.Tank = 77 }, nil, false, "a tank pressure channel"},
		{"tank dead", nil, func(s *steady) { s.gauge = missing }, false, "a good reading of the tank pressure channel"},
	} {
		got := newBook()
		b := newBench(tt.change, got)
		s := mild()
		s.share = 0.3
		if tt.spoil != nil {
			tt.spoil(&s)
		}
		b.play(s, 20*time.Minute)
		st, f := b.w.State(), got.last[water.KeyWater]
		due, words := b.w.DrainDue()
		if st.Known != tt.known || due {
			t.Errorf("%s: known %v (%s), due %v (%s)", tt.name, st.Known, st.Why, due, words)
		}
		switch {
		case tt.known && (f.Sight != findings.Seen || !strings.Contains(st.Source, tt.says) || st.Liquid.SI <= 0):
			t.Errorf("%s: source %q, finding %+v", tt.name, st.Source, f)
		case !tt.known && (f.Sight != findings.Unseen || !strings.Contains(f.Needs, tt.says) || !strings.Contains(st.Why, tt.says) || !st.Liquid.IsZero()):
			t.Errorf("%s: %q, why %q, finding %+v; want %q", tt.name, st.Source, st.Why, f, tt.says)
		}
	}
}

// TestFromTheBus: a channel that the bus feeds is called so.
func TestFromTheBus(t *testing.T) {
	t.Parallel()
	runs := &trueRuns{on: []float64{0}}
	tab := readings.NewTable([]readings.Info{{ID: "tank"}, {ID: "wall"}, {ID: "ambient", Source: "can ambient.air_temperature"}, {ID: "humidity", Source: "can ambient.humidity"}})
	o := options(runs, chBarometer, chIgnition, chDrive)
	b := &bench{w: water.New(o, tab, newBook()), runs: runs}
	b.play(mild(), time.Minute)
	if got := b.w.State().Source; !strings.HasPrefix(got, "from the bus: ") {
		t.Errorf("source %q", got)
	}
}

// TestClimateIsWide: a climate of 30 % has an interval at least that wide and says so in the finding.
func TestClimateIsWide(t *testing.T) {
	t.Parallel()
	got := newBook()
	b := newBench(func(o *water.Options) {
		o.Humidity = readings.NoChannel
		o.Climate = &water.Climate{Temperature: 25 + zeroC, Humidity: 0.6, Uncertainty: 0.3}
	}, got)
	s := mild()
	s.share = hourly
	b.play(s, 2*time.Hour)
	l := b.w.State().Liquid
	if l.Low > 0.7*l.SI || l.High < 1.3*l.SI {
		t.Errorf("%.4f L (%.4f to %.4f)", l.SI*1e3, l.Low*1e3, l.High*1e3)
	}
	if f := got.last[water.KeyWater]; f.Detail != water.FromClimate {
		t.Errorf("detail %q", f.Detail)
	}
}

// TestRunsHidden: where it cannot be seen whether the compressor delivers, the balance is withheld once that is more than a
// tenth of the air; while the drive stands it is known that it does not.
func TestRunsHidden(t *testing.T) {
	t.Parallel()
	got := newBook()
	b := newBench(nil, got)
	s := mild()
	s.share = 0.3
	b.play(s, time.Hour)
	b.runs.hidden = true
	before := b.w.State().Liquid
	b.play(s, 2*time.Minute)
	after := b.w.State()
	if !after.Known || after.Liquid.High-after.Liquid.Low <= before.High-before.Low || !strings.Contains(after.Why, "upper end") {
		t.Errorf("after two hidden minutes: %+v; before %+v", after, before)
	}
	b.play(s, 30*time.Minute)
	if st := b.w.State(); st.Known || got.last[water.KeyWater].Sight != findings.Unseen || !strings.Contains(st.Why, "recorded drain") {
		t.Errorf("after half a hidden hour: %+v", st)
	}
	b.w.Drained(b.at)
	s.ignition = 0
	b.play(s, time.Hour)
	if st := b.w.State(); !st.Known {
		t.Errorf("hidden behind a machine that is switched off: %s", st.Why)
	}
}

// TestClimateAlone: a tank's pressure, its compressor and a climate are enough: 25 degC and 60 % in a tank taken to be 5 K
// warmer leave the 35.9 g an hour of TestHourOfMildAir, and less or more by far in the interval.
func TestClimateAlone(t *testing.T) {
	t.Parallel()
	b := newBench(func(o *water.Options) {
		o.Wall, o.Ambient, o.Humidity, o.Barometer = readings.NoChannel, readings.NoChannel, readings.NoChannel, readings.NoChannel
		o.Climate = &water.Climate{Temperature: 25 + zeroC, Humidity: 0.6, Uncertainty: 0.3}
	}, newBook())
	s := mild()
	s.share = hourly
	b.play(s, 10*time.Minute)
	b.w.Drained(b.at)
	b.play(s, time.Hour)
	st := b.w.State()
	if g := st.Liquid.SI * 998e3; !st.Known || math.Abs(g-35.9) > 0.6 || st.Liquid.Low > 0.6*st.Liquid.SI || st.Liquid.High < 1.4*st.Liquid.SI {
		t.Errorf("%.2f g: %+v", g, st)
	}
	if f := st.Freeze; f.Risk != water.RiskUnknown || !strings.Contains(st.Why, "without a wall sensor") {
		t.Errorf("freeze %+v, why %q", f, st.Why)
	}
}

// TestNeverSettled: a compressor of which nothing is ever settled makes the balance not known, and says what is needed.
func TestNeverSettled(t *testing.T) {
	t.Parallel()
	got := newBook()
	b := newBench(nil, got)
	b.runs.lag = 1000 * time.Hour
	b.play(mild(), 2*time.Hour)
	if st := b.w.State(); st.Known || !strings.Contains(got.last[water.KeyWater].Needs, "a compressor whose runs can be seen") {
		t.Errorf("%+v, needs %q", st, got.last[water.KeyWater].Needs)
	}
}

// TestProbe: what the probe says and what the balance says stand side by side, whichever is right.
func TestProbe(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		hours  float64
		change func(o *water.Options)
		wet    float64
		rings  bool
		says   string
		detail string
		note   bool
	}{
		{"both dry", 0.2, nil, 0, false, water.ProbeDry, water.FromBalance, false},
		{"both wet", 14, nil, 1, true, water.ProbeWet, water.ProbeWet, false},
		{"probe wet, balance none", 0.2, nil, 1, true, water.ProbeWetOnly, water.ProbeWetOnly, true},
		{"probe dry, balance over", 40, nil, 0, true, "though the balance says", water.ProbeDryBalance, true},
		{"probe silent", 0.2, nil, missing, false, "does not answer", water.FromBalance, false},
		{"wet behind a dryer", 0.2, func(o *water.Options) { o.Dryer = true }, 1, true, water.ProbeWetDryer, water.ProbeWetDryer, true},
		{"dry behind a dryer", 0.2, func(o *water.Options) { o.Dryer = true }, 0, false, water.ProbeDry, water.DryerDeclared, false},
		{"wet, humidity not known", 0.2, func(o *water.Options) { o.Humidity = readings.NoChannel }, 1, true, water.ProbeWet, water.ProbeWet, false},
		{"dry, humidity not known", 0.2, func(o *water.Options) { o.Humidity = readings.NoChannel }, 0, false, water.ProbeDry, water.ProbeDry, false},
	} {
		got, notes := newBook(), &diary{}
		b := newBench(func(o *water.Options) {
			o.Wet, o.Notes = chWet, notes
			if tt.change != nil {
				tt.change(o)
			}
		}, got)
		s := mild()
		s.share, s.wet = hourly, tt.wet
		if tt.hours > 10 && tt.wet == 1 {
			s.wet = 0 // it gets wet in the last hour
			b.play(s, time.Duration((tt.hours-1)*float64(time.Hour)))
			s.wet, tt.hours = 1, 1
		}
		b.play(s, time.Duration(tt.hours*float64(time.Hour)))
		f := got.last[water.KeyWater]
		rings := f.Sight == findings.Seen && (f.Sense == findings.Flag && f.Active || f.Sense == findings.Above && f.Value.SI > f.Limit.SI)
		if p := b.w.State().Probe; rings != tt.rings || !strings.Contains(p, tt.says) || f.Detail != tt.detail || notes.has("water-probe") != tt.note {
			t.Errorf("%s: probe %q, rings %v, notes %v, finding %+v", tt.name, p, rings, notes.kinds, f)
		}
		if due, words := b.w.DrainDue(); tt.wet == 1 && (!due || words != tt.says) {
			t.Errorf("%s: due %v, %q", tt.name, due, words)
		}
	}
}

// TestDrain: the reminder comes at 0.3 L, the alarm's limit is 0.5 L; a drain empties the balance, also of what was taken in
// before it and is settled after it.
func TestDrain(t *testing.T) {
	t.Parallel()
	got, notes := newBook(), &diary{}
	b := newBench(func(o *water.Options) {
		o.Notes = notes
		o.UTC = func(at time.Duration) (time.Time, bool) { return time.Unix(1_777_000_000, 0).Add(at), true }
	}, got)
	b.runs.lag = 5 * time.Minute
	s := mild()
	s.share = hourly
	dueAt, overAt := time.Duration(0), time.Duration(0)
	for b.at < 16*time.Hour {
		b.play(s, time.Minute)
		if due, words := b.w.DrainDue(); due && dueAt == 0 {
			dueAt = b.at
			if l := b.w.State().Liquid.SI; l < 0.3e-3 || l > 0.31e-3 || !strings.Contains(words, "0.30 L") {
				t.Errorf("due at %.3f L: %s", l*1e3, words)
			}
			if st := b.w.State(); !st.DrainInKnown || math.Abs(st.DrainIn.Hours()-0.2/0.0359) > 0.5 {
				t.Errorf("the drain volume in %v; want 5.6 h", st.DrainIn)
			}
		}
		if f := got.last[water.KeyWater]; f.Value.SI > f.Limit.SI && overAt == 0 {
			overAt = b.at
		}
	}
	// 35.9 g/h: 0.3 L after 8.3 h, 0.5 L after 13.9 h
	if math.Abs(dueAt.Hours()-8.4) > 0.3 || math.Abs(overAt.Hours()-14) > 0.4 {
		t.Errorf("due after %v, over after %v", dueAt, overAt)
	}
	b.w.Drained(b.at)
	s.share = 0
	b.play(s, 6*time.Minute)
	st := b.w.State()
	if !st.Emptied || st.Liquid.High > 0.001e-3 || !notes.has("drained") || !strings.Contains(strings.Join(notes.texts, " "), "0.5") {
		t.Errorf("after the drain %.4f L at most; notes %q", st.Liquid.High*1e3, notes.texts)
	}
	l := b.w.Learned()
	if len(l) != 1 || l[0].Name != "water" || !strings.Contains(l[0].Text, "since the drain of 2026-04-2") {
		t.Errorf("learned %+v", l)
	}
}

// TestPowerCut: what is saved comes back, gives equal bytes, and goes on; bytes that say something impossible do not.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	b := newBench(nil, newBook())
	s := mild()
	s.share = hourly
	if b.w.Save() != nil || b.w.Learned() != nil || b.w.Forget("water") {
		t.Error("something was kept of nothing")
	}
	b.play(s, 3*time.Hour)
	saved := b.w.Save()
	again := newBench(func(o *water.Options) { o.Saved = saved }, newBook())
	if !bytes.Equal(again.w.Save(), saved) {
		t.Errorf("came back as\n%s\nfrom\n%s", again.w.Save(), saved)
	}
	before := b.w.State().Liquid
	again.play(s, time.Hour)
	if d := (again.w.State().Liquid.SI - before.SI) * 998e3; math.Abs(d-35.9) > 0.6 {
		t.Errorf("the hour after the cut added %.2f g; want 35.9", d)
	}
	// Overnight the tank cooled: its air drops what it cannot hold any more, once.
	cold := newBench(func(o *water.Options) { o.Saved = saved }, newBook())
	s.share, s.wallC, s.gauge = 0, 5, 600e3
	cold.play(s, time.Minute)
	if d := (cold.w.State().Liquid.SI - before.SI) * 998e3; d < 0.4 || d > 2 {
		t.Errorf("the night added %.2f g; want 0.4 to 2", d)
	}
	if b.w.Forget("cut-in") || !b.w.Forget("water") || b.w.State().Liquid.SI != 0 || b.w.Save() != nil {
		t.Error("forgetting does not forget")
	}
	for _, bad := range []string{"", "{", "[]", `{"version":2}`, strings.Replace(string(saved), `"liquid":`, `"liquid":-`, 1), strings.Replace(string(saved), `"air":`, `"air":1e300,"x":`, 1)} {
		notes := &diary{}
		w := newBench(func(o *water.Options) { o.Saved, o.Notes = []byte(bad), notes }, newBook()).w
		if w.Save() != nil || (bad != "") != notes.has("water-forgotten") {
			t.Errorf("saved %q was believed, or refused without a note", bad)
		}
	}
}

// TestBadInput: no number, leaps of time, frozen and impossible readings change nothing and never give a figure that is none.
func TestBadInput(t *testing.T) {
	t.Parallel()
	got, notes := newBook(), &diary{}
	b := newBench(func(o *water.Options) { o.Notes = notes }, got)
	s := mild()
	s.share = hourly
	b.play(s, time.Hour)
	before := b.w.State().Liquid.SI
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e9, 1e9} {
		for ch := readings.Channel(-2); ch < 20; ch++ {
			b.w.Read(readings.Reading{At: b.at, Value: v, Channel: ch})
			b.w.Read(readings.Reading{At: b.at - time.Hour, Value: v, Channel: ch})
		}
	}
	b.w.Tick(b.at - time.Hour) // backwards
	b.w.Tick(-time.Hour)
	if l := b.w.State().Liquid.SI; l != before {
		t.Errorf("%v after bad readings; want %v", l, before)
	}
	b.at += 30 * 24 * time.Hour // a leap of the clock counts as not watched
	for len(b.runs.on) < int(b.at/time.Second) {
		b.runs.on = append(b.runs.on, b.runs.on[len(b.runs.on)-1])
	}
	b.play(s, 10*time.Second)
	st := b.w.State()
	if d := st.Liquid.SI - before; !(math.Abs(d) < 5e-6) || !notes.has("water-unwatched") || !strings.Contains(st.Why, "nobody watched") {
		t.Errorf("a leap of a month added %v L: %q, notes %v", d*1e3, st.Why, notes.kinds)
	}
	for range 1200 {
		b.at += time.Second
		for ch := chTank; ch <= chDrive; ch++ {
			b.w.Read(readings.Reading{At: b.at, Value: 1, Channel: ch, Quality: readings.Frozen})
		}
		b.w.Tick(b.at)
	}
	if st := b.w.State(); st.Known || got.last[water.KeyWater].Sight != findings.Unseen || got.last[water.KeyFreeze].Sight != findings.Unseen {
		t.Errorf("frozen acquisition: %+v", st)
	}
}

// TestFreeze: what is announced at shutdown, and what is not.
func TestFreeze(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name     string
		wallC    float64
		airC     float64
		rh       float64
		ignition float64
		change   func(o *water.Options)
		wet      float64
		risk     water.Risk
	}{
		{"cold evening, left", 20, 7, 0.5, 0, nil, missing, water.RiskTonight},
		{"cold evening, working", 20, 7, 0.5, 1, nil, missing, water.NoRisk},
		{"warm evening, left", 25, 18, 0.5, 0, nil, missing, water.NoRisk},
		{"cold now, working", 1, 1, 0.8, 1, nil, missing, water.RiskNow},
		{"fog keeps it above", 12, 11, 1, 0, nil, missing, water.NoRisk},
		{"cold and left, behind a dryer", 20, 7, 0.5, 0, func(o *water.Options) { o.Dryer = true }, missing, water.NoRisk},
		{"behind a dryer, probe wet", 20, 7, 0.5, 0, func(o *water.Options) { o.Dryer = true }, 1, water.RiskTonight},
		{"cold, humidity not known", 20, 7, 0.5, 0, func(o *water.Options) { o.Humidity = readings.NoChannel }, missing, water.RiskUnknown},
		{"warm, humidity not known", 25, 18, 0.5, 0, func(o *water.Options) { o.Humidity = readings.NoChannel }, missing, water.NoRisk},
		{"cold, not known, probe wet", 20, 7, 0.5, 0, func(o *water.Options) { o.Humidity = readings.NoChannel }, 1, water.RiskTonight},
		{"no temperature", missing, missing, 0.5, 0, nil, missing, water.RiskUnknown},
	} {
		got := newBook()
		b := newBench(func(o *water.Options) {
			o.Wet = chWet
			if tt.change != nil {
				tt.change(o)
			}
		}, got)
		s := steady{gauge: 7e5, wallC: tt.wallC, airC: tt.airC, rh: tt.rh, baro: 101325, share: 0.3, wet: tt.wet, ignition: 1}
		b.play(s, time.Hour)
		s.ignition, s.share = tt.ignition, 0
		b.play(s, time.Minute)
		st, f := b.w.State(), got.last[water.KeyFreeze]
		if st.Freeze.Risk != tt.risk || st.Freeze.Words == "" {
			t.Errorf("%s: %s, %q; want %s", tt.name, st.Freeze.Risk, st.Freeze.Words, tt.risk)
		}
		rings := f.Sight == findings.Seen && f.Sense == findings.Below && f.Value.SI <= f.Limit.SI
		if rings != (tt.risk == water.RiskTonight || tt.risk == water.RiskNow) || (f.Sight == findings.Unseen) != (tt.risk == water.RiskUnknown) || f.Sight == findings.Unseen && f.Needs == "" {
			t.Errorf("%s: finding %+v", tt.name, f)
		}
	}
}

// TestLeft: a machine without an ignition channel is left when its drive has stood for ten minutes; without either, when the
// evening has cooled by 2 K and goes on cooling.
func TestLeft(t *testing.T) {
	t.Parallel()
	cool := func(b *bench, s steady, drive float64, d time.Duration, perHour float64) {
		for end := b.at + d; b.at < end; {
			if drive < 1e300 {
				b.w.Read(readings.Reading{At: b.at, Value: drive, Channel: chDrive})
			}
			s.airC -= perHour / 60
			b.play(s, time.Minute)
		}
	}
	drive := newBench(func(o *water.Options) { o.Ignition = readings.NoChannel }, newBook())
	s := steady{gauge: 7e5, wallC: 20, airC: 7, rh: 0.5, baro: 101325, share: 0.3, wet: missing, ignition: missing}
	cool(drive, s, 30, time.Hour, 0)
	if r := drive.w.State().Freeze.Risk; r != water.NoRisk {
		t.Errorf("driving: %s", r)
	}
	cool(drive, s, 0, 8*time.Minute, 0)
	if r := drive.w.State().Freeze.Risk; r != water.NoRisk {
		t.Errorf("stood for 8 min: %s", r)
	}
	cool(drive, s, 0, 4*time.Minute, 0)
	if r := drive.w.State().Freeze.Risk; r != water.RiskTonight {
		t.Errorf("stood for 12 min: %s", r)
	}
	neither := newBench(func(o *water.Options) { o.Ignition, o.Drive = readings.NoChannel, readings.NoChannel }, newBook())
	s.airC = 12
	cool(neither, s, missing, 3*time.Hour, 0)
	if r := neither.w.State().Freeze.Risk; r != water.NoRisk {
		t.Errorf("in the afternoon: %s", r)
	}
	cool(neither, s, missing, 3*time.Hour, 2)
	if f := neither.w.State().Freeze; f.Risk != water.RiskTonight {
		t.Errorf("in the evening: %+v", f)
	}
}

// TestLikelyLiesBetween: whatever comes in, the balance lies within its interval, none of it is negative or no number, and
// more humid air never gives less.
func TestLikelyLiesBetween(t *testing.T) {
	t.Parallel()
	for seed := uint64(1); seed <= 20; seed++ {
		dice := rand.New(rand.NewPCG(seed, 3))
		dry, damp := newBench(nil, newBook()), newBench(nil, newBook())
		for range 40 {
			s := steady{
				gauge: 1e6 * dice.Float64(), wallC: -10 + 60*dice.Float64(), airC: -10 + 45*dice.Float64(), rh: 0.9 * dice.Float64(),
				baro: 80e3 + 25e3*dice.Float64(), share: dice.Float64(), wet: missing, ignition: 1,
			}
			d := time.Duration(dice.IntN(600)) * time.Second
			dry.play(s, d)
			s.rh += 0.1
			damp.play(s, d)
			a, b := dry.w.State(), damp.w.State()
			for _, st := range []water.State{a, b} {
				l := st.Liquid
				if st.Known && !(l.Low >= 0 && l.Low <= l.SI && l.SI <= l.High && l.High <= volume && st.PastTank.SI >= 0) {
					t.Fatalf("seed %d: %+v", seed, st)
				}
			}
			if a.Known && b.Known && a.Liquid.SI > b.Liquid.SI*(1+1e-9) {
				t.Fatalf("seed %d: %v L from dry air, %v from damp", seed, a.Liquid.SI, b.Liquid.SI)
			}
		}
	}
}

// TestDryTankDoesNotFreeze: a tank that was run with air too dry to leave water, let down to where its dew point is far under the
// coming night, freezes nothing.
func TestDryTankDoesNotFreeze(t *testing.T) {
	t.Parallel()
	b := newBench(nil, newBook())
	s := mild()
	s.airC, s.rh, s.wallC, s.share = 5, 0.08, 20, 0.3
	b.play(s, 3*time.Hour)
	b.w.Drained(b.at)
	s.ignition, s.share, s.gauge = 0, 0, 2e5
	b.play(s, time.Hour)
	st := b.w.State()
	if st.Freeze.Risk != water.NoRisk || st.Freeze.Wet || st.DewPoint.IsZero() || st.DewPoint.SI > zeroC-5 {
		t.Errorf("%+v, dew point %.1f degC", st.Freeze, st.DewPoint.SI-zeroC)
	}
}

// TestDewPointAtThePressure: 20 degC and 50 % at 101.325 kPa pressed to 801.325 kPa has its dew point at 44.29 degC (worked
// outside this package from the IAPWS table); in a tank at 60 degC, where nothing falls out, it is that, in one at 30 degC
// the air is full: 30 degC.
func TestDewPointAtThePressure(t *testing.T) {
	t.Parallel()
	for wallC, want := range map[float64]float64{60: 44.29, 30: 30} {
		b := newBench(nil, newBook())
		s := steady{gauge: 7e5, wallC: wallC, airC: 20, rh: 0.5, baro: 101325, share: 1, wet: missing, ignition: 1}
		b.play(s, 90*time.Minute)
		d := b.w.State().DewPoint
		if math.Abs(d.SI-zeroC-want) > 0.1 || d.Low > d.SI || d.High < d.SI {
			t.Errorf("wall %v degC: dew point %.2f (%.2f to %.2f); want %.2f", wallC, d.SI-zeroC, d.Low-zeroC, d.High-zeroC, want)
		}
	}
}

// TestIcing: exhausts are spoken of in cold humid weather only.
func TestIcing(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		airC, wallC float64
		says        bool
	}{{3, 10, true}, {20, 30, false}} {
		b := newBench(nil, newBook())
		s := steady{gauge: 7e5, wallC: tt.wallC, airC: tt.airC, rh: 0.8, baro: 101325, share: 0.3, wet: missing, ignition: 1}
		b.play(s, time.Hour)
		if got := b.w.State().Freeze.Icing; (got != "") != tt.says {
			t.Errorf("%v degC: %q", tt.airC, got)
		}
	}
}

// TestAllocatesNothing: readings and ticks allocate nothing.
func TestAllocatesNothing(t *testing.T) {
	b := newBench(func(o *water.Options) { o.Wet = chWet }, deaf{})
	s := mild()
	s.share, s.wet = 0.3, 0
	b.runs.on = make([]float64, 1, 20000)
	b.play(s, time.Hour)
	if n := testing.AllocsPerRun(100, func() { b.play(s, 30*time.Second) }); n != 0 {
		t.Errorf("%v allocations in half a minute", n)
	}
}

type deaf struct{}

func (deaf) Find(findings.Finding) {}

// BenchmarkSecond is one second of a working machine: ten readings of the tank, one of every other channel, and a tick.
func BenchmarkSecond(b *testing.B) {
	w := newBench(func(o *water.Options) { o.Wet = chWet }, deaf{})
	s := mild()
	s.share, s.wet = 0.3, 0
	w.runs.on = make([]float64, 1, 1<<20)
	b.ReportAllocs()
	for b.Loop() {
		for range 9 {
			w.w.Read(readings.Reading{At: w.at, Value: s.gauge, Channel: chTank})
		}
		w.play(s, time.Second)
	}
}
