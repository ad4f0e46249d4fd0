// SPDX-License-Identifier: Apache-2.0

package trust_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/trust"
	"airhold/sensors/units"
)

type place struct {
	key   findings.Key
	where string
}

type last map[place]findings.Finding

func (l last) Find(f findings.Finding) { l[place{f.Key, f.Where}] = f }

func (l last) bad(key findings.Key, where string) bool {
	f := l[place{key, where}]
	switch f.Sense {
	case findings.Above:
		return f.Sight == findings.Seen && f.Value.SI > f.Limit.SI
	case findings.Below:
		return f.Sight == findings.Seen && f.Value.SI < f.Limit.SI
	default:
		return f.Active
	}
}

// deaf hears nothing, so that only the check's own allocations count.
type deaf struct{}

func (deaf) Find(findings.Finding) {}

const (
	tank = readings.Channel(iota)
	load1
	load2
	load3
	rail
	boxV
	canTank
	base
)

func table() *readings.Table {
	infos := []readings.Info{
		{ID: "tank", Quantity: units.QPressure, Wired: true, Plug: "X3"},
		{ID: "load_1", Quantity: units.QLoad, Wired: true, Source: "adc main input 1"},
		{ID: "load_2", Quantity: units.QLoad, Wired: true},
		{ID: "load_3", Quantity: units.QLoad, Wired: true},
		{ID: "sensor_supply", Quantity: units.QVoltage, Wired: true},
		{ID: "box_v", Quantity: units.QVoltage, Wired: true},
		{ID: "front", Quantity: units.QPressure},
	}
	for _, id := range []string{
		readings.BoxTemperature, readings.BoxUndervoltage, readings.BoxDiskLeft, readings.BoxClock, readings.BoxLost,
		"can0" + readings.LinkFrames, "can0" + readings.LinkErrors, "can0" + readings.LinkDrops, "can0" + readings.LinkUp,
		"can0" + readings.LinkState, "can0" + readings.LinkAlone,
	} {
		infos = append(infos, readings.Info{ID: id})
	}
	return readings.NewTable(infos)
}

func options() trust.Options {
	return trust.Options{
		Pressures: []trust.Sensor{{Channel: tank, Fine: true}, {Channel: canTank, Rank: "front"}},
		Loads:     []trust.Sensor{{Channel: load1, Rank: "front"}, {Channel: load2, Rank: "front"}, {Channel: load3, Rank: "front"}},
		Rails:     []trust.Rail{{Channel: rail}},
		Links:     []string{"can0"}, BoxVoltage: boxV,
	}
}

func TestElectricalFaults(t *testing.T) {
	for q := readings.Open; q <= readings.Frozen; q++ {
		t.Run(q.String(), func(t *testing.T) {
			l := last{}
			w := trust.New(options(), table(), l)
			for i := range 10 {
				at := time.Duration(i) * time.Second
				w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5, Raw: int32(i)})
				w.Tick(at)
			}
			if f := l[place{trust.KeyPressure, "tank"}]; f.Active || f.Sight != findings.Seen {
				t.Fatalf("healthy: %+v; want seen, not active", f)
			}
			w.Read(readings.Reading{At: 10 * time.Second, Channel: tank, Quality: q})
			w.Tick(10 * time.Second)
			f := l[place{trust.KeyPressure, "tank"}]
			if !f.Active || f.Detail == "" {
				t.Errorf("%v: %+v; want active with evidence", q, f)
			}
			if q != readings.Frozen && !strings.Contains(f.Detail, "plug X3") {
				t.Errorf("%v: evidence %q; want the plug named", q, f.Detail)
			}
			if w.Trusted(tank, 10*time.Second) {
				t.Errorf("%v: trusted; want not", q)
			}
			w.Read(readings.Reading{At: 11 * time.Second, Channel: tank, Value: 7e5, Raw: 99})
			w.Tick(11 * time.Second)
			if l.bad(trust.KeyPressure, "tank") {
				t.Errorf("%v: still active after a good reading", q)
			}
		})
	}
}

func TestNotAvailableIsUnseenNotFaulty(t *testing.T) {
	l := last{}
	w := trust.New(options(), table(), l)
	w.Read(readings.Reading{At: time.Second, Channel: canTank, Quality: readings.NotAvailable})
	w.Tick(time.Second)
	if f := l[place{trust.KeyPressure, "front"}]; f.Sight != findings.Unseen || f.Active || !strings.Contains(f.Needs, "front") {
		t.Errorf("front = %+v; want unseen", f)
	}
	if f := l[place{trust.KeyLoad, "load_1"}]; f.Sight != findings.Unseen {
		t.Errorf("load_1 never heard: %+v; want unseen", f)
	}
	l = last{}
	w = trust.New(trust.Options{BoxVoltage: readings.NoChannel}, table(), l)
	w.Tick(time.Second)
	if f := l[place{trust.KeyPressure, ""}]; f.Sight != findings.Unseen || f.Needs != "a pressure channel" {
		t.Errorf("no pressure declared: %+v; want unseen", f)
	}
}

func TestWireThatFallsSilent(t *testing.T) {
	l := last{}
	w := trust.New(options(), table(), l)
	for i := range 100 {
		at := time.Duration(i) * 100 * time.Millisecond
		w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5, Raw: int32(i)})
	}
	w.Tick(14 * time.Second)
	if l.bad(trust.KeyPressure, "tank") {
		t.Error("faulty after 4 s; want 5 s of patience")
	}
	w.Tick(16 * time.Second)
	if !l.bad(trust.KeyPressure, "tank") {
		t.Error("not faulty after 6 s of silence")
	}
}

func TestStuck(t *testing.T) {
	// 16 bit: fifty identical codes mean stuck, forty-nine do not, and a channel that is not fine is not judged.
	for _, tc := range []struct {
		codes int
		fine  bool
		want  bool
	}{{49, true, false}, {50, true, true}, {200, true, true}, {200, false, false}} {
		l := last{}
		o := options()
		o.Pressures[0].Fine = tc.fine
		w := trust.New(o, table(), l)
		at := time.Duration(0)
		for range tc.codes {
			at += 100 * time.Millisecond
			w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5, Raw: 1234})
		}
		w.Tick(at)
		if got := l.bad(trust.KeyPressure, "tank"); got != tc.want {
			t.Errorf("%d codes, fine %v: stuck = %v; want %v", tc.codes, tc.fine, got, tc.want)
		}
	}
}

func TestEffectOnTheRank(t *testing.T) {
	w := trust.New(options(), table(), last{})
	at := time.Second
	for ch, v := range map[readings.Channel]float64{load1: 900, load2: 1100, load3: 1600} {
		w.Read(readings.Reading{At: at, Channel: ch, Value: v})
	}
	w.Tick(at)
	if a, ok := w.Average("front", at); !ok || a.Mean != 1200 || a.Trusted != 3 || a.All != 3 {
		t.Errorf("Average = %+v, %v; want 1200 of 3", a, ok)
	}
	if e, ok := w.Effect(load3, at); !ok || e.Shift != 200 || e.AsZero { // 1200 with, 1000 without
		t.Errorf("Effect = %+v, %v; want 200", e, ok)
	}
	if e, _ := w.Effect(load3, at); e.Rest != 1000 || e.Lean != 600 {
		t.Errorf("Effect = %+v; want the others at 1000 and this one 600 above them", e)
	}
	// A step to the others' own value is followed by two thirds within a minute: 1 - 1/e.
	for range 60 {
		at += time.Second
		for ch, v := range map[readings.Channel]float64{load1: 900, load2: 1100, load3: 1000} {
			w.Read(readings.Reading{At: at, Channel: ch, Value: v})
		}
		w.Tick(at)
	}
	if e, _ := w.Effect(load3, at); math.Abs(e.Lean-600/math.E) > 10 || e.Shift != 0 {
		t.Errorf("Effect a minute after the step = %+v; want 600/e and no shift", e)
	}
	if words, stuck := w.Fault(load3, at); words != "" || stuck || w.Rank(load3) != "front" || w.Rank(tank) != "" {
		t.Errorf("Fault = %q, %v; Rank = %q, %q", words, stuck, w.Rank(load3), w.Rank(tank))
	}
	at += time.Second
	w.Read(readings.Reading{At: at, Channel: load3, Quality: readings.Open})
	if words, stuck := w.Fault(load3, at); !strings.Contains(words, "open") || stuck {
		t.Errorf("Fault of an open line = %q, %v", words, stuck)
	}
	if e, ok := w.Effect(load3, at); !ok || math.Abs(e.Shift+1000.0/3) > 1e-9 || !e.AsZero { // 2000/3 with, 1000 without
		t.Errorf("Effect of an open line = %+v, %v; want -333.3 as zero", e, ok)
	}
	if a, _ := w.Average("front", at); a.Mean != 1000 || a.Trusted != 2 {
		t.Errorf("Average without it = %+v; want 1000 of 2", a)
	}
	if _, ok := w.Effect(tank, at); ok {
		t.Error("a tank sensor has no rank to move")
	}
}

func TestBoxAndBus(t *testing.T) {
	tb := table()
	type set map[string]float64
	good := set{
		readings.BoxTemperature: 320, readings.BoxUndervoltage: 0, readings.BoxDiskLeft: 90 * 3600, readings.BoxClock: 2,
		readings.BoxLost: 0, "can0.frames": 800, "can0.errors": 0, "can0.drops": 0, "can0.up": 1,
		"can0.state": 1, "can0.alone": 0,
		"sensor_supply": 5, "box_v": 13.6,
	}
	for _, tc := range []struct {
		name  string
		turn  set
		key   findings.Key
		where string
		bad   bool
	}{
		{"hot", set{readings.BoxTemperature: 349}, trust.KeyHot, "", true},
		{"warm", set{readings.BoxTemperature: 347}, trust.KeyHot, "", false},
		{"flag", set{readings.BoxUndervoltage: 1}, trust.KeyUndervoltage, "", true},
		{"10.9 V", set{"box_v": 10.9}, trust.KeyUndervoltage, "", true},
		{"11.1 V", set{"box_v": 11.1}, trust.KeyUndervoltage, "", false},
		{"disk", set{readings.BoxDiskLeft: 23 * 3600}, trust.KeyDisk, "", true},
		{"disk enough", set{readings.BoxDiskLeft: 25 * 3600}, trust.KeyDisk, "", false},
		{"clock", set{readings.BoxClock: 0}, trust.KeyClock, "", true},
		{"clock coarse", set{readings.BoxClock: 1}, trust.KeyClock, "", false},
		{"lost", set{readings.BoxLost: 3}, trust.KeyLost, "", true},
		{"dropped", set{"can0.drops": 3}, trust.KeyLost, "", true},
		{"silent", set{"can0.frames": 0}, trust.KeySilent, "can0", true},
		{"down", set{"can0.up": 0}, trust.KeySilent, "can0", true},
		{"60 errors a minute", set{"can0.errors": 1}, trust.KeyErrors, "can0", true},
		{"40 errors a minute", set{"can0.errors": 40.0 / 60}, trust.KeyErrors, "can0", false},
		{"bus off", set{"can0.state": 4}, trust.KeyErrors, "can0", true},
		{"passive, few errors", set{"can0.state": 3}, trust.KeyErrors, "can0", false},
		{"one device alone", set{"can0.alone": 1, "can0.frames": 3144}, trust.KeyUnanswered, "can0", true},
		{"many devices at the same rate", set{"can0.frames": 3144}, trust.KeyUnanswered, "can0", false},
		{"rail low", set{"sensor_supply": 4.7}, trust.KeyRail, "sensor_supply", true},
		{"rail high", set{"sensor_supply": 5.3}, trust.KeyRail, "sensor_supply", true},
		{"rail within 5 %", set{"sensor_supply": 4.8}, trust.KeyRail, "sensor_supply", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := last{}
			w := trust.New(options(), tb, l)
			tell := func(at time.Duration, s set) {
				for id, v := range s {
					w.Read(readings.Reading{At: at, Channel: tb.Find(id), Value: v})
				}
			}
			tell(time.Second, good)
			w.Tick(time.Second)
			for p, f := range l {
				if f.Sight == findings.Seen && l.bad(p.key, p.where) {
					t.Errorf("healthy box: %v is bad: %+v", p, f)
				}
			}
			tell(2*time.Second, tc.turn)
			w.Tick(2 * time.Second)
			if got := l.bad(tc.key, tc.where); got != tc.bad {
				t.Errorf("%s bad = %v; want %v: %+v", tc.key, got, tc.bad, l[place{tc.key, tc.where}])
			}
		})
	}
}

// A silent bus is told with what its controller knows of it.
func TestWhyABusIsSilent(t *testing.T) {
	tb := table()
	for want, turn := range map[string]map[string]float64{
		"no frame in the last second":                                    {"can0.state": 1},
		"the controller has left the bus (bus off)":                      {"can0.state": 4},
		"only errors are heard: the bitrate may be wrong, or a wire off": {"can0.state": 3, "can0.errors": 5},
		"the interface is down":                                          {"can0.up": 0},
	} {
		l := last{}
		w := trust.New(options(), tb, l)
		for id, v := range map[string]float64{"can0.frames": 0, "can0.up": 1} {
			if _, other := turn[id]; !other {
				turn[id] = v
			}
		}
		for id, v := range turn {
			w.Read(readings.Reading{At: time.Second, Channel: tb.Find(id), Value: v})
		}
		w.Tick(time.Second)
		if got := l[place{trust.KeySilent, "can0"}]; !got.Active || got.Detail != want {
			t.Errorf("%v: %v, %q; want %q", turn, got.Active, got.Detail, want)
		}
	}
}

func TestTwentyFourVolts(t *testing.T) {
	l := last{}
	w := trust.New(options(), table(), l)
	for i, v := range []float64{27, 21.5} {
		at := time.Duration(i+1) * time.Second
		w.Read(readings.Reading{At: at, Channel: boxV, Value: v})
		w.Tick(at)
	}
	if !l.bad(trust.KeyUndervoltage, "") {
		t.Error("21.5 V on a 24 V machine is weak")
	}
}

func TestLogGap(t *testing.T) {
	l := last{}
	w := trust.New(options(), table(), l)
	at := time.Duration(0)
	for i := range 40 {
		at += 100 * time.Millisecond
		w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5, Raw: int32(i)})
	}
	w.Tick(at)
	if l.bad(trust.KeyGap, "") {
		t.Error("a gap without a gap")
	}
	at += 1500 * time.Millisecond
	w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5})
	w.Tick(at)
	if !l.bad(trust.KeyGap, "") {
		t.Error("1.5 s without a sample of a 10 Hz channel; want a gap")
	}
	w.Tick(at + time.Second)
	if l.bad(trust.KeyGap, "") {
		t.Error("a gap is told once; it latches in the engine")
	}
}

func TestAllocatesNothing(t *testing.T) {
	w := trust.New(options(), table(), deaf{})
	f := trust.NewFrozen(trust.FrozenOptions{}, table())
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		at += 100 * time.Millisecond
		for ch := range base {
			w.Read(f.Read(readings.Reading{At: at, Channel: ch, Value: float64(at)}))
		}
		w.Read(f.Read(readings.Reading{At: at, Channel: tank, Quality: readings.Open}))
		w.Tick(at)
	}); n != 0 {
		t.Errorf("Read and Tick allocate %v times; want 0", n)
	}
}

func TestFrozen(t *testing.T) {
	one := readings.NewTable([]readings.Info{{ID: "tank", Quantity: units.QPressure}})
	three := readings.NewTable([]readings.Info{
		{ID: "tank", Quantity: units.QPressure},
		{ID: "front", Quantity: units.QPressure},
		{ID: "load_1", Quantity: units.QLoad},
		{ID: "lowered", Quantity: units.QState},
	})
	g := rand.New(rand.NewPCG(1, 2))
	for _, tc := range []struct {
		name   string
		table  *readings.Table
		period time.Duration
		length time.Duration
		value  func(ch, i int) float64
		want   bool
	}{
		{"all stand still", three, 10 * time.Second, 5 * time.Minute, func(ch, _ int) float64 { return float64(ch) }, true},
		{"all stand still, not long enough", three, 10 * time.Second, 3 * time.Minute, func(ch, _ int) float64 { return float64(ch) }, false},
		{"all stand still at 10 Hz", three, 100 * time.Millisecond, 70 * time.Second, func(ch, _ int) float64 { return float64(ch) }, true},
		{"one of three moves", three, 10 * time.Second, time.Hour, func(ch, i int) float64 { return float64(ch * (i % 2)) }, false},
		{"one alone stands still", one, 10 * time.Second, 9 * time.Minute, func(int, int) float64 { return 8.248e5 }, true},
		{"one alone, not long enough", one, 10 * time.Second, 8 * time.Minute, func(int, int) float64 { return 8.248e5 }, false},
		{"one alone at 10 Hz for 4 min", one, 100 * time.Millisecond, 4 * time.Minute, func(int, int) float64 { return 8.248e5 }, false},
		{"one alone, moving in its last digit", one, 10 * time.Second, 10 * time.Hour, func(int, int) float64 {
			return 8.248e5 + 200*float64(g.IntN(2))
		}, false},
		{"one alone, a last digit every forty rows", one, 10 * time.Second, 20 * time.Hour, func(_, i int) float64 {
			return 8.248e5 - 200*math.Floor(float64(i)/40)
		}, false},
		{"noise", three, time.Second, time.Hour, func(int, int) float64 { return g.NormFloat64() }, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			f := trust.NewFrozen(trust.FrozenOptions{}, tc.table)
			got := false
			for i := 0; time.Duration(i)*tc.period <= tc.length; i++ {
				for ch := range tc.table.Len() {
					r := f.Read(readings.Reading{At: time.Duration(i) * tc.period, Channel: readings.Channel(ch), Value: tc.value(ch, i)})
					if r.Quality == readings.Frozen {
						got = true
						if tc.table.Info(r.Channel).Quantity == units.QState {
							t.Fatal("a state is marked frozen")
						}
					}
				}
			}
			if got != tc.want {
				t.Errorf("frozen = %v; want %v", got, tc.want)
			}
		})
	}
}

func TestFrozenThaws(t *testing.T) {
	one := readings.NewTable([]readings.Info{{ID: "tank", Quantity: units.QPressure}})
	f := trust.NewFrozen(trust.FrozenOptions{}, one)
	for i := range 90 {
		f.Read(readings.Reading{At: time.Duration(i) * 10 * time.Second, Channel: 0, Value: 5})
	}
	if since, on := f.Since(); !on || since != 0 {
		t.Errorf("Since() = %v, %v; want from the first row", since, on)
	}
	if r := f.Read(readings.Reading{At: 900 * time.Second, Channel: 0, Value: 5.1}); r.Quality != readings.Good {
		t.Errorf("first live row is %v; want ok", r.Quality)
	}
}

// A recorded table has values and no codes: nothing in it can be stuck, however long.
func TestRecordedTableHasNoCodes(t *testing.T) {
	l := last{}
	w := trust.New(options(), table(), l)
	for i := range 500 {
		at := time.Duration(i) * 100 * time.Millisecond
		w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5 + float64(i%7)})
		w.Tick(at)
	}
	if f := l[place{trust.KeyPressure, "tank"}]; f.Active || f.Sight != findings.Seen {
		t.Errorf("recorded values without codes: %+v; want seen, not active", f)
	}
}

// An alarm's delay runs on raw times (hmi: active when the condition is true for the whole delay), so a fault is told with the
// reading that shows it, not with the tick after it; that it is over is told at ticks.
func TestFaultIsToldWithItsReading(t *testing.T) {
	l := last{}
	w := trust.New(options(), table(), l)
	for i := range 10 {
		at := time.Duration(i) * 100 * time.Millisecond
		w.Read(readings.Reading{At: at, Channel: tank, Value: 7e5, Raw: int32(i)})
		w.Read(readings.Reading{At: at, Channel: rail, Value: 5})
	}
	w.Tick(time.Second)
	const when = 1370 * time.Millisecond
	w.Read(readings.Reading{At: when, Channel: tank, Quality: readings.Open})
	w.Read(readings.Reading{At: when, Channel: rail, Value: 0.2})
	if f := l[place{trust.KeyPressure, "tank"}]; !f.Active || f.At != when || !strings.Contains(f.Detail, "plug X3") {
		t.Errorf("tank before the next tick: %+v; want it faulty at %v, with its plug", f, when)
	}
	if f := l[place{trust.KeyRail, "sensor_supply"}]; !l.bad(trust.KeyRail, "sensor_supply") || f.At != when {
		t.Errorf("supply before the next tick: %+v; want it off at %v", f, when)
	}
	w.Read(readings.Reading{At: when + 100*time.Millisecond, Channel: tank, Value: 7e5, Raw: 99})
	if !l.bad(trust.KeyPressure, "tank") {
		t.Error("one good reading between two ticks took the fault back")
	}
	w.Read(readings.Reading{At: when - time.Second, Channel: tank, Quality: readings.Open}) // late: older than what is known
	w.Tick(2 * time.Second)
	if l.bad(trust.KeyPressure, "tank") {
		t.Error("still faulty at the tick after a good reading")
	}
}
