// SPDX-License-Identifier: Apache-2.0

package overnight_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/firmware/supply/overnight"
	"airhold/sensors/units"
)

type values map[readings.Channel]float64

// feed gives each second one reading of each channel named, and ticks, from second from on.
func feed(o *overnight.Overnight, from, n int, v func(i int) values) {
	for i := from; i < from+n; i++ {
		at := time.Duration(i) * time.Second
		for ch, x := range v(i) {
			o.Read(readings.Reading{At: at, Channel: ch, Value: x})
		}
		o.Tick(at)
	}
}

func still(v values) func(int) values { return func(int) values { return v } }

func options() overnight.Options {
	return overnight.Options{
		Volumes: []overnight.Volume{{Name: "tank", Where: "tank", Pressure: tank, Volume: 0.038, Uncertainty: 0.03}},
		Wall:    wall, Ambient: ambient, Barometer: glass, Ignition: key, Drive: drive, Speed: speed,
		UTC: clockFrom(evening()),
	}
}

func withFront(o overnight.Options) overnight.Options {
	o.Volumes = append(o.Volumes,
		overnight.Volume{Name: "front", Where: "front rank", Pressure: front, Volume: 0.0185, Uncertainty: 0.2, Stretch: 5e-7, Holds: true})
	return o
}

const (
	evePa   = 690e3
	eveK    = zeroC + 19
	mornK   = zeroC + 4
	barePa  = 98.3e3
	night10 = 10 * time.Hour
)

// cold is what the evening's pressure becomes by cooling alone: p*T2/T1 of the absolute pressure, by hand.
func cold() float64 { return (evePa+barePa)*mornK/eveK - barePa }

func eveValues() values { return values{tank: evePa, wall: eveK, ambient: eveK, glass: barePa} }

func mornValues(p float64) values {
	return values{tank: p, wall: mornK, ambient: mornK, glass: barePa}
}

// leave plays an evening in which the machine rested for ten minutes, and returns what is kept.
func leave(o overnight.Options, v values) []byte {
	box := overnight.New(o, table())
	feed(box, 1, 600, still(v))
	return box.Save()
}

// wake boots later and plays the first 80 seconds.
func wake(o overnight.Options, saved []byte, later time.Duration, v values) *overnight.Overnight {
	o.Saved, o.UTC = saved, clockFrom(evening().Add(later))
	box := overnight.New(o, table())
	feed(box, 1, 80, still(v))
	return box
}

func only(t *testing.T, o *overnight.Overnight) overnight.Hold {
	t.Helper()
	h := o.Held()
	if len(h) != 1 {
		t.Fatalf("Held() = %+v; want one place", h)
	}
	return h[0]
}

// By hand: 38 L, 690 kPa over 98.3 kPa, 19 to 4 degC. The gas law explains 40.5 kPa; 6.0 kPa more in ten hours are
// 0.038*6000/100e3*293.15/277.15 m3 ANR = 2.41 L, 0.00402 L/min. The vapour that turned to water hides at most 1.4 kPa of it.
func TestColdMorningByHand(t *testing.T) {
	var notes journal
	o := options()
	saved := leave(o, eveValues())
	o.Notes = &notes
	box := wake(o, saved, night10, mornValues(cold()-6000))
	h := only(t, box)
	if !h.Known || h.From.SI != evePa || math.Abs(h.Cooling.SI-41.2e3) > 0.8e3 || math.Abs(h.Hours-10) > 0.2 || h.Warm != "tank wall" {
		t.Errorf("Held() = %+v; want known, about 41 kPa explained in 10 h, by the tank wall", h)
	}
	if math.Abs(h.Leak.SI/litre-0.0040) > 0.0006 || h.Leak.Low > 0.00402*litre || h.Leak.High < 0.00402*litre {
		t.Errorf("leak %v (%v to %v) L/min; want about 0.0040", h.Leak.SI/litre, h.Leak.Low/litre, h.Leak.High/litre)
	}
	if h.Leak.Unit.Code != "L/min" || h.Leak.Reference != units.ANR || h.Cooling.Unit.Code != "kPa" || h.From.Reference != units.Gauge || h.WarmTo.SI != mornK {
		t.Errorf("%+v; want L/min ANR, kPa gauge, and the wall's temperature", h)
	}
	if w, _ := box.State(); w != overnight.Held {
		t.Errorf("State() = %s; want held", w)
	}
	if got, want := box.Words(), "Held overnight: 690 to 644 kPa, cooling explains 41 of 46, leak"; !strings.HasPrefix(got, want) {
		t.Errorf("Words() = %q; want %q...", got, want)
	}
	feed(box, 81, 1200, still(mornValues(cold())))
	if len(notes) != 1 || notes[0] != "overnight-hold: "+box.Words() {
		t.Errorf("notes %q; want one, with the words", notes)
	}
}

func TestNoLeakIsNone(t *testing.T) {
	for _, dk := range []float64{-25, -15, 0, 12} {
		o := options()
		saved := leave(o, eveValues())
		v := values{tank: (evePa+barePa)*(eveK+dk)/eveK - (barePa + 700), wall: eveK + dk, ambient: eveK + dk, glass: barePa + 700}
		h := only(t, wake(o, saved, night10, v))
		if !h.Known || h.Leak.Low > 0 || h.Leak.High < 0 {
			t.Errorf("%+v K, 7 hPa more, no leak: %+v; want an interval around none", dk, h)
		}
	}
}

// A barometer that falls by 40 hPa overnight raises what a gauge sensor reads by 4 kPa, and is no charge.
func TestWeatherIsTakenOut(t *testing.T) {
	o := options()
	v := values{tank: evePa + 4e3, wall: eveK, ambient: eveK, glass: barePa - 4e3}
	if h := only(t, wake(o, leave(o, eveValues()), night10, v)); !h.Known || math.Abs(h.Leak.SI) > 1e-4*litre || math.Abs(h.Cooling.SI+4e3) > 1 {
		t.Errorf("%+v; want no leak, and a rise of 4 kPa explained", h)
	}
	o.Barometer = none
	wide := only(t, wake(o, leave(o, eveValues()), night10, v))
	// 10 hPa of 38 L in ten hours are 0.0006 L/min, by hand.
	if !wide.Known || wide.Leak.High-wide.Leak.Low < 2*0.0006*litre {
		t.Errorf("without a barometer: %+v; want at least 10 hPa of doubt", wide)
	}
}

func TestWords(t *testing.T) {
	up := func(p float64) values {
		return values{tank: p, wall: eveK + 6, ambient: eveK + 6, glass: barePa}
	}
	full := (evePa+barePa)*(eveK+6)/eveK - barePa // 16 kPa more, by the gas law
	o2 := withFront(options())
	for _, tc := range []struct {
		name  string
		front [2]float64
		morn  values
		word  overnight.Word
		want  string
		also  string
	}{
		{"cold", [2]float64{300e3, 285e3}, mornValues(cold() - 6e3), overnight.Held, "Held overnight: 690 to 644 kPa, cooling explains 41 of 46, leak ", ""},
		{"much lost", [2]float64{300e3, 285e3}, mornValues(250e3), overnight.Lost, "Lost air overnight: 690 to 250 kPa, cooling explains 41 of 440, leak 0.27", ""},
		{"the rank lost", [2]float64{300e3, 100e3}, mornValues(cold()), overnight.Lost, "Held overnight: 690 to 650 kPa, cooling explains 41 of 40, leak at most ", "; front rank lost "},
		{"warm and tight", [2]float64{300e3, 285e3}, up(full), overnight.Held, "Held overnight: 690 to 706 kPa, warming explains 17 of 16, leak at most 0.0", ""},
		{"warm and not tight", [2]float64{300e3, 285e3}, up(evePa - 20e3), overnight.Held, "Held overnight: 690 to 670 kPa, though warming should have added 17, leak 0.02", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			eve := eveValues()
			eve[front], tc.morn[front] = tc.front[0], tc.front[1]
			box := wake(o2, leave(o2, eve), night10, tc.morn)
			if w, why := box.State(); w != tc.word || why != "" {
				t.Errorf("State() = %s, %q; want %s", w, why, tc.word)
			}
			if got := box.Words(); !strings.HasPrefix(got, tc.want) || !strings.Contains(got, tc.also) {
				t.Errorf("Words() = %q; want %q...%q", got, tc.want, tc.also)
			}
			if h := box.Held(); len(h) != 2 || h[1].Where != "front rank" || !h[1].Known || h[1].Warm != "air" {
				t.Errorf("Held() = %+v; want the front rank second, by the air", h)
			}
		})
	}
	v := options()
	v.Wall, v.Barometer = none, none
	box := wake(v, leave(v, eveValues()), 63*time.Hour, mornValues(cold()-6e3))
	if got := box.Words(); !strings.HasPrefix(got, "Held for 63 h: ") || !strings.HasSuffix(got, ", by the temperature of the air alone") {
		t.Errorf("Words() = %q; want the hours and what the temperature is", got)
	}
}

// A rank that stretches holds V*(1 + s*p): 300 to 250 kPa over 98.3 kPa at one temperature, 18.5 L and 5 % a bar, are
// 18.5*(398.3*1.15 - 348.3*1.125)/100 = 12.25 L at the pressure p0 and the place's temperature, by hand.
func TestRankStretches(t *testing.T) {
	o := withFront(options())
	eve, morn := eveValues(), eveValues()
	eve[front], morn[front] = 300e3, 250e3
	h := wake(o, leave(o, eve), night10, morn).Held()
	want := 12.25e-3 * 293.15 / eveK / (h[1].Hours * 3600)
	if !h[1].Known || math.Abs(h[1].Leak.SI/want-1) > 0.01 {
		t.Errorf("leak %v L/min; want %v: %+v", h[1].Leak.SI/litre, want/litre, h[1])
	}
}

func TestVentedRankIsLeftOut(t *testing.T) {
	o := withFront(options())
	o.Volumes[1].Holds = false
	eve := eveValues()
	eve[front] = 300e3
	if h := wake(o, leave(o, eve), night10, mornValues(cold())).Held(); len(h) != 1 {
		t.Errorf("Held() = %+v; want the tank alone", h)
	}
}

// Each reason why a night is not known.
func TestNotKnown(t *testing.T) {
	rising := func(i int) values {
		v := mornValues(500e3 + 5e3*float64(i))
		return v
	}
	play := func(o overnight.Options, saved []byte, n int, v func(int) values) *overnight.Overnight {
		o.Saved, o.UTC = saved, clockFrom(evening().Add(night10))
		box := overnight.New(o, table())
		feed(box, 1, n, v)
		return box
	}
	for _, tc := range []struct {
		name string
		why  string
		box  func() *overnight.Overnight
	}{
		{"nothing kept", "no reading was kept", func() *overnight.Overnight {
			return wake(options(), nil, night10, mornValues(cold()))
		}},
		{"not readable", "could not be read", func() *overnight.Overnight {
			return wake(options(), []byte("rubbish"), night10, mornValues(cold()))
		}},
		{"clock in the evening", "clock was not right in the evening", func() *overnight.Overnight {
			o := options()
			o.UTC = func(at time.Duration) (time.Time, bool) { return evening().Add(at), false }
			return wake(options(), leave(o, eveValues()), night10, mornValues(cold()))
		}},
		{"clock in the morning", "clock is not right this morning", func() *overnight.Overnight {
			o := options()
			o.Saved = leave(o, eveValues())
			o.UTC = nil
			box := overnight.New(o, table())
			feed(box, 1, 80, still(mornValues(cold())))
			return box
		}},
		{"clock backwards", "clock went backwards", func() *overnight.Overnight {
			return wake(options(), leave(options(), eveValues()), -night10, mornValues(cold()))
		}},
		{"too short", "lie between", func() *overnight.Overnight {
			return wake(options(), leave(options(), eveValues()), 3*time.Hour, mornValues(cold()))
		}},
		{"no temperature in the evening", "in the evening", func() *overnight.Overnight {
			return wake(options(), leave(options(), values{tank: evePa}), night10, mornValues(cold()))
		}},
		{"no temperature in the morning", "in the morning", func() *overnight.Overnight {
			return wake(options(), leave(options(), eveValues()), night10, values{tank: evePa})
		}},
		{"charged", "someone charged it", func() *overnight.Overnight {
			return wake(options(), leave(options(), eveValues()), night10, mornValues(cold()+40e3))
		}},
		{"emptied", "is empty: drained, or leaked out", func() *overnight.Overnight {
			return wake(options(), leave(options(), eveValues()), night10, mornValues(3e3))
		}},
		{"left empty", "left without pressure", func() *overnight.Overnight {
			v := eveValues()
			v[tank] = 4e3
			return wake(options(), leave(options(), v), night10, mornValues(4e3))
		}},
		{"another sensor", "sensor of the tank or its calibration was changed", func() *overnight.Overnight {
			a, b := options(), options()
			a.Volumes[0].Sensor, b.Volumes[0].Sensor = "adc main 0, 1 MPa", "adc main 0, 1 MPa, offset 3 kPa"
			return wake(b, leave(a, eveValues()), night10, mornValues(cold()))
		}},
		{"ran in between", "ran in between", func() *overnight.Overnight {
			between := options()
			between.Saved, between.UTC = leave(options(), eveValues()), clockFrom(evening().Add(2*time.Hour))
			box := overnight.New(between, table())
			feed(box, 1, 40, rising)
			return wake(options(), box.Save(), night10, mornValues(cold()))
		}},
		{"at work when the power went", "still at work", func() *overnight.Overnight {
			box := overnight.New(options(), table())
			feed(box, 1, 600, still(eveValues()))
			feed(box, 601, 10, func(i int) values {
				v := eveValues()
				v[tank] += 5e3 * float64(i-600)
				return v
			})
			return wake(options(), box.Save(), night10, mornValues(cold()))
		}},
		{"worked at once", "worked before", func() *overnight.Overnight {
			return play(options(), leave(options(), eveValues()), 60, rising)
		}},
		{"drove off at once", "worked before", func() *overnight.Overnight {
			v := mornValues(cold())
			v[speed] = 2
			return play(options(), leave(options(), eveValues()), 60, still(v))
		}},
		{"no reading in the morning", "no good reading", func() *overnight.Overnight {
			return play(options(), leave(options(), eveValues()), 700, still(values{wall: mornK}))
		}},
		{"no volume", "volume of the tank", func() *overnight.Overnight {
			o := options()
			o.Volumes[0].Volume = 0
			return wake(o, leave(options(), eveValues()), night10, mornValues(cold()))
		}},
		{"no channel", "pressure channel of the tank", func() *overnight.Overnight {
			o := options()
			o.Volumes[0].Pressure = none
			return play(o, leave(options(), eveValues()), 700, still(values{wall: mornK}))
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			h := only(t, tc.box())
			if h.Known || !strings.Contains(h.Why, tc.why) {
				t.Errorf("known %v, why %q; want not known, ...%q...", h.Known, h.Why, tc.why)
			}
			if h.Leak.SI != 0 || !h.Leak.IsZero() {
				t.Errorf("a leak of %+v is told all the same", h.Leak)
			}
		})
	}
}

// Whatever comes in, nothing breaks and nothing is made up.
func TestRubbishIn(t *testing.T) {
	o := withFront(options())
	o.Saved = leave(o, eveValues())
	o.UTC = clockFrom(evening().Add(night10))
	box := overnight.New(o, table())
	bad := []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e12, 1e12, 0}
	for i := range 2000 {
		at := time.Duration(i) * time.Second
		if i%97 == 0 {
			at = -at
		}
		for ch := readings.Channel(-2); ch < 12; ch++ {
			box.Read(readings.Reading{At: at, Channel: ch, Value: bad[(i+int(ch)+2)%len(bad)], Quality: readings.Quality(i % 3)})
		}
		box.Tick(at)
	}
	for _, h := range box.Held() {
		if h.Known {
			t.Errorf("known after rubbish: %+v", h)
		}
	}
	box.Save()
	overnight.New(overnight.Options{}, readings.NewTable(nil)).Tick(1)
}

func TestReadAllocatesNothing(t *testing.T) {
	o := options()
	o.Saved = leave(o, eveValues())
	o.UTC = clockFrom(evening().Add(night10))
	box := overnight.New(o, table())
	feed(box, 1, 100, still(mornValues(cold())))
	at := 100 * time.Second
	i := 0
	if n := testing.AllocsPerRun(5000, func() {
		at += 100 * time.Millisecond
		i++
		p := 650e3 + 4e3*float64(i%400) // runs and draws as on a working day
		box.Read(readings.Reading{At: at, Channel: tank, Value: p})
		box.Read(readings.Reading{At: at, Channel: wall, Value: mornK})
		if i%10 == 0 {
			box.Tick(at)
		}
	}); n != 0 {
		t.Errorf("Read and Tick allocate %v times; want 0", n)
	}
}

// BenchmarkDay is ten hours at ten readings a second, with a Save a minute.
func BenchmarkDay(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		box := overnight.New(options(), table())
		for i := range 360000 {
			at := time.Duration(i) * 100 * time.Millisecond
			p := 650e3 + 100e3*math.Abs(float64(i%3000)/1500-1)
			box.Read(readings.Reading{At: at, Channel: tank, Value: p})
			if i%10 == 0 {
				box.Read(readings.Reading{At: at, Channel: wall, Value: mornK})
				box.Tick(at)
			}
			if i%600 == 0 {
				box.Save()
			}
		}
	}
}
