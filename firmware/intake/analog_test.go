// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
	"airhold/sensors/transducer"
)

// The channels of the tests' table.
const (
	tank readings.Channel = iota
	front
	supply
	boxV
	loop
)

func table() *readings.Table {
	return readings.NewTable([]readings.Info{
		{ID: "tank", Unit: kPa(), Low: -20e3, High: 900e3, Plug: "P3"},
		{ID: "front", Unit: kPa()},
		{ID: "sensor_supply", Unit: volt(), Plug: "P1"},
		{ID: "box_v", Unit: volt(), Low: 9, High: 16},
		{ID: "loop", Unit: kPa(), Plug: "P7"},
	})
}

// inputs are declared with the supply last: it must be read first all the same.
func inputs() []intake.AnalogInput {
	tenBar := transducer.Options{Kind: transducer.Ratiometric, High: 1000e3}
	return []intake.AnalogInput{
		{Channel: "tank", Board: "main", Input: 0, Transducer: tenBar, Supply: "sensor_supply"},
		{Channel: "front", Board: "main", Input: 1, Transducer: tenBar, Supply: "sensor_supply"},
		{Channel: "loop", Board: "spare", Input: 0, Transducer: transducer.Options{Kind: transducer.FourTwenty, High: 1000e3, Shunt: 100}},
		{Channel: "box_v", Board: "spare", Input: 3, Transducer: transducer.Options{Kind: transducer.Voltage, DividerRatio: 4}},
		{Channel: "sensor_supply", Board: "main", Input: 3, Transducer: transducer.Options{Kind: transducer.Voltage}},
	}
}

func healthy() *fakeBus {
	return &fakeBus{chips: map[uint16]*fakeChip{
		0x48: {volts: [4]float64{3.0, 1.5, 0, 5.0}},
		0x49: {volts: [4]float64{1.28, 0, 0, 3.1}},
	}}
}

func analog(t *testing.T, bus *fakeBus, c clock.Clock, out intake.Out, in []intake.AnalogInput) *intake.AnalogBus {
	t.Helper()
	main := must[intake.Board](t)(intake.NewI2CBoard(intake.I2CBoard{Name: "main"}, bus, c))
	spare := must[intake.Board](t)(intake.NewI2CBoard(intake.I2CBoard{Name: "spare", Address: 0x49}, bus, c))
	return must[*intake.AnalogBus](t)(intake.NewAnalogBus(intake.AnalogOptions{
		Bus: "i2c-1", Clock: c, Table: table(), Out: out, Boards: []intake.Board{main, spare}, Inputs: in,
	}))
}

// bench runs an analog bus in a bubble while play changes what is on it.
func bench(t *testing.T, bus *fakeBus, play func(out *sink)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		out := &sink{}
		a := analog(t, bus, newClock(), out, inputs())
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx) }()
		play(out)
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v; want nil", err)
		}
	})
}

func TestAnalogBusReadsAllInputs(t *testing.T) {
	bench(t, healthy(), func(out *sink) {
		wait(10 * time.Second)
		all := out.take()
		// By hand: (3/5-0.1)/0.8 = 0.625; (1.5/5-0.1)/0.8 = 0.25; (12.8-4)/16 = 0.55; 3.1 V * 4. A code is 187.5 uV.
		for c, want := range map[readings.Channel]float64{tank: 625e3, front: 250e3, loop: 550e3, boxV: 12.4, supply: 5} {
			got := of(all, c)
			if len(got) < 98 || len(got) > 101 {
				t.Errorf("channel %d: %d readings in 10 s; want 100", c, len(got))
			}
			for i, r := range got {
				if r.Quality != readings.Good || math.Abs(r.Value-want) > 2e-4*math.Abs(want) {
					t.Fatalf("channel %d: %+v; want %v", c, r, want)
				}
				if i > 0 && r.At <= got[i-1].At {
					t.Fatalf("channel %d: times %v, %v do not rise", c, got[i-1].At, r.At)
				}
			}
		}
		first := of(all, tank)[0]
		if first.Raw != 16000 || math.Abs(first.Volts-3) > 2e-4 {
			t.Errorf("tank: raw %d, %v V; want 16000 (3 V / 187.5 uV), 3 V", first.Raw, first.Volts)
		}
		// The time is that of the end of the conversion, 1/860 s after its start at the earliest.
		if s := of(all, supply)[0]; s.At < time.Second/860 || first.At <= s.At {
			t.Errorf("supply at %v, tank at %v; want the supply first, and not before its conversion", s.At, first.At)
		}
	})
}

func TestElectricalFaultsAreQualities(t *testing.T) {
	tests := []struct {
		name    string
		main    [4]float64
		spare   [4]float64
		channel readings.Channel
		want    readings.Quality
	}{
		{"unplugged", [4]float64{0.02, 1.5, 0, 5}, [4]float64{}, tank, readings.Open},
		{"shorted to supply", [4]float64{4.97, 1.5, 0, 5}, [4]float64{}, tank, readings.ShortSupply},
		{"below the band", [4]float64{0.3, 1.5, 0, 5}, [4]float64{}, tank, readings.OutOfBand},
		{"supply sags", [4]float64{3, 1.5, 0, 4.5}, [4]float64{}, tank, readings.BadSupply},
		{"no supply", [4]float64{0, 0, 0, 0}, [4]float64{}, front, readings.BadSupply},
		{"outside the declared range", [4]float64{4.4, 1.5, 0, 5}, [4]float64{}, tank, readings.Implausible},
		{"no declared range", [4]float64{3, 4.4, 0, 5}, [4]float64{}, front, readings.Good},
		{"loop open", [4]float64{}, [4]float64{0, 0, 0, 3}, loop, readings.Open},
		{"loop at its end", [4]float64{}, [4]float64{2.07, 0, 0, 3}, loop, readings.Saturated},
		{"converter at its end", [4]float64{}, [4]float64{1, 0, 0, 7}, boxV, readings.Saturated},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bus := healthy()
			bus.chips[0x48].volts, bus.chips[0x49].volts = tt.main, tt.spare
			bench(t, bus, func(out *sink) {
				wait(5 * time.Second)
				got := of(out.take(), tt.channel)
				if n := counts(got)[tt.want]; n != len(got) || n < 40 {
					t.Errorf("qualities = %v; want only %v", counts(got), tt.want)
				}
				for _, r := range got {
					if r.Quality != readings.Good && r.Value != 0 {
						t.Fatalf("%+v has a value; want none", r)
					}
				}
			})
		})
	}
}

// One chip leaves the bus and comes back; the other is not disturbed.
func TestDeadChipDegradesAndRecovers(t *testing.T) {
	bus := healthy()
	bench(t, bus, func(out *sink) {
		wait(3 * time.Second)
		out.take()
		bus.set(func() { bus.chips[0x48].gone = true })
		wait(60 * time.Second)
		all := out.take()
		got := of(all, tank)
		if n := counts(got)[readings.NoAnswer]; n < 55 || n > 66 || n < len(got)-1 {
			t.Errorf("dead for 60 s: %v of %d readings; want about one NoAnswer a second", counts(got), len(got))
		}
		if n := counts(of(all, loop))[readings.Good]; n < 590 {
			t.Errorf("the other chip gave %d good readings in 60 s; want 600", n)
		}
		bus.set(func() { bus.calls = 0; bus.chips[0x49].gone = true })
		wait(60 * time.Second)
		bus.set(func() {
			if bus.calls > 60 {
				t.Errorf("%d transactions in a minute with two dead chips; want a few retries", bus.calls)
			}
			bus.chips[0x48].gone, bus.chips[0x49].gone = false, false
		})
		out.take()
		wait(10 * time.Second)
		if got := of(out.take(), tank); counts(got)[readings.Good] < 40 || got[len(got)-1].Quality != readings.Good {
			t.Errorf("10 s after its return: %v; want good readings after 5 to 6 s", counts(got))
		}
	})
}

func TestChipMissingAtStart(t *testing.T) {
	bus := healthy()
	delete(bus.chips, 0x48)
	bench(t, bus, func(out *sink) {
		wait(20 * time.Second)
		all := out.take()
		if n := counts(of(all, tank)); n[readings.NoAnswer] < 19 || n[readings.NoAnswer] > 22 || len(n) != 1 {
			t.Errorf("qualities = %v; want NoAnswer once a second", n)
		}
		if n := counts(of(all, loop))[readings.Good]; n < 195 {
			t.Errorf("the other chip gave %d good readings in 20 s; want 200", n)
		}
	})
}

func TestLateChipIsLate(t *testing.T) {
	bus := healthy()
	bus.chips[0x48].late = true
	bench(t, bus, func(out *sink) {
		wait(20 * time.Second)
		got := counts(of(out.take(), tank))
		if got[readings.Late] < 15 || got[readings.Good] != 0 {
			t.Errorf("qualities = %v; want Late and nothing good", got)
		}
	})
}

func TestGarbageIsNoAnswer(t *testing.T) {
	bus := healthy()
	bench(t, bus, func(out *sink) {
		wait(time.Second)
		out.take()
		bus.set(func() { bus.chips[0x48].garbage = true })
		wait(5 * time.Second)
		if got := of(out.take(), tank)[1:]; counts(got)[readings.NoAnswer] != len(got) || len(got) < 4 {
			t.Errorf("qualities = %v; want NoAnswer", counts(got))
		}
	})
}

// A single NACK costs one reading and no more; a plug that bounces for a fifth of a second costs that time.
func TestOneNACKIsOneReading(t *testing.T) {
	bus := healthy()
	bench(t, bus, func(out *sink) {
		wait(1050 * time.Millisecond)
		out.take()
		bus.set(func() { bus.nack = 1 })
		wait(2 * time.Second)
		if got := counts(out.take()); got[readings.NoAnswer] != 1 || got[readings.Good] < 98 {
			t.Errorf("after one NACK: %v; want one NoAnswer of 100", got)
		}
		bus.set(func() { bus.chips[0x48].gone = true })
		wait(200 * time.Millisecond)
		bus.set(func() { bus.chips[0x48].gone = false })
		wait(2 * time.Second)
		all := out.take()
		for _, c := range []readings.Channel{tank, front, supply} {
			if got := counts(of(all, c)); got[readings.NoAnswer] > 3 || got[readings.Good] < 19 {
				t.Errorf("channel %d: %v; want two NoAnswer, then good again", c, got)
			}
		}
	})
}

func TestStalledBusIsToldAndRecovers(t *testing.T) {
	bus := healthy()
	bench(t, bus, func(out *sink) {
		wait(2 * time.Second)
		hang := make(chan struct{})
		bus.set(func() { bus.hang = hang })
		wait(time.Second)
		out.take()
		wait(29 * time.Second)
		all := out.take()
		for _, c := range []readings.Channel{tank, front, supply, boxV, loop} {
			if got := counts(of(all, c)); got[readings.NoAnswer] < 26 || got[readings.NoAnswer] > 30 || len(got) != 1 {
				t.Errorf("channel %d while the bus hangs for 29 s: %v; want NoAnswer once a second", c, got)
			}
		}
		bus.set(func() { bus.hang = nil })
		close(hang)
		wait(3 * time.Second)
		got := of(out.take(), tank)
		if n := counts(got)[readings.Good]; n < 28 || n > 33 || got[len(got)-1].Quality != readings.Good {
			t.Errorf("3 s after the bus moved: %v; want 30 good ones and no burst", counts(got))
		}
	})
}

// A bus that is asked for more than it can give serves all inputs alike.
func TestOverloadedBusIsFair(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, out := healthy(), &sink{}
		in := inputs()
		for i := range in {
			in[i].Rate = 800
		}
		a := analog(t, bus, newClock(), out, in)
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		if err := a.Run(ctx); err != nil {
			t.Fatal(err)
		}
		all := out.take()
		var n []int
		for c := range readings.Channel(5) {
			n = append(n, len(of(all, c)))
		}
		// 860 conversions a second for five inputs: 172 each.
		if least, most := slices.Min(n), slices.Max(n); least < 1600 || most > 1730 {
			t.Errorf("readings in 10 s = %v; want about 1720 each", n)
		}
	})
}

// joins tells when a goroutine takes part in the simulated clock.
type joins struct {
	*clock.Virtual

	joined chan struct{}
}

func (j joins) Join() func() {
	defer func() { j.joined <- struct{}{} }()
	return j.Virtual.Join()
}

// The simulated clock waits for whoever joined: ten minutes pass in no time and without a lost sample.
func TestSimulatedClock(t *testing.T) {
	c := joins{clock.NewVirtual(time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC), 0), make(chan struct{}, 10)}
	out := &sink{}
	a := analog(t, healthy(), c, out, inputs())
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	leave := c.Virtual.Join()
	go func() { done <- a.Run(ctx) }()
	<-c.joined // the poller
	<-c.joined // its watchdog
	if err := c.Sleep(ctx, 10*time.Minute); err != nil {
		t.Fatal(err)
	}
	cancel()
	leave()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	got := of(out.take(), tank)
	if n := counts(got)[readings.Good]; n < 5990 || n > 6001 || n != len(got) {
		t.Errorf("%v good readings in 10 simulated minutes; want 6000", counts(got))
	}
}

func TestProbeSaysWhatIsWrongAndWhere(t *testing.T) {
	bus := healthy()
	bus.chips[0x48].volts[0] = 0.02
	delete(bus.chips, 0x49)
	c := clock.NewVirtual(time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC), 0)
	got := analog(t, bus, c, &sink{}, inputs()).Probe(t.Context())
	want := []struct{ id, has string }{
		{"tank", "line open, or shorted to ground: reads 0.02 V, a healthy one 0.45 V to 4.55 V. Engine off and key out, then check plug P3"},
		{"front", "250 kPa, 1.50 V"},
		{"loop", "board spare on i2c-1 does not answer"},
		{"box_v", "board spare on i2c-1 does not answer"},
		{"sensor_supply", "5 V, 5.00 V"},
	}
	if len(got) != len(want) {
		t.Fatalf("Probe found %d; want %d", len(got), len(want))
	}
	for i, w := range want {
		if got[i].ID != w.id || !strings.Contains(got[i].Sentence, w.has) || !strings.HasPrefix(got[i].Sentence, w.id+": ") {
			t.Errorf("Probe()[%d] = %s: %q; want %s: ...%q", i, got[i].ID, got[i].Sentence, w.id, w.has)
		}
	}
}

func TestProbeEndsOnAHangingBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := healthy()
		bus.hang = make(chan struct{})
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		for _, p := range analog(t, bus, newClock(), &sink{}, inputs()).Probe(ctx) {
			if p.Reading.Quality != readings.NoAnswer || !strings.Contains(p.Sentence, "hangs") {
				t.Errorf("Probe on a hanging bus = %v, %q; want NoAnswer and that it hangs", p.Reading.Quality, p.Sentence)
			}
		}
		close(bus.hang)
		synctest.Wait()
	})
}

func TestNewAnalogBusReportsEveryProblem(t *testing.T) {
	board := intake.Board{Name: "main", Inputs: 4}
	ok := transducer.Options{Kind: transducer.Voltage}
	_, err := intake.NewAnalogBus(intake.AnalogOptions{
		Bus: "i2c-1", Table: table(), Boards: []intake.Board{board, board},
		Inputs: []intake.AnalogInput{
			{Channel: "tank", Board: "mian", Transducer: ok},
			{Channel: "tank", Board: "main", Input: 4, Transducer: ok},
			{Channel: "tank", Board: "main", Rate: math.Inf(1), Transducer: ok},
			{Channel: "tank", Board: "main"},
			{Channel: "nobody", Board: "main", Transducer: ok},
			{Channel: "tank", Board: "main", Transducer: ok, Supply: "nothing"},
		},
	})
	if !errors.Is(err, intake.ErrAnalog) || !errors.Is(err, transducer.ErrOptions) {
		t.Fatalf("NewAnalogBus = %v; want %v and %v", err, intake.ErrAnalog, transducer.ErrOptions)
	}
	for _, part := range []string{"declared twice", `"mian"`, "no input 4", "+Inf Hz", `"nobody"`, `"nothing"`} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("NewAnalogBus = %v; want %q in it", err, part)
		}
	}
}
