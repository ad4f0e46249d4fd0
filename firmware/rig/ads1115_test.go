// SPDX-License-Identifier: Apache-2.0

package rig_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"airhold/firmware/rig"
)

// Expectations on the converter: TI SBAS444E, table of the config register (read in a public copy: reset values, OS,
// MUX) and the code table (7FFFh at positive full scale, 8000h at negative; also TI SBAA565 section 4.2).

// board is a rig with a hand-turned clock.
type board struct {
	rig *rig.Rig
	bus i2c.Bus
	now time.Duration
}

func newBoard(tb testing.TB, o rig.Options) *board {
	tb.Helper()
	r, err := rig.New(o)
	if err != nil {
		tb.Fatal(err)
	}
	b := &board{rig: r}
	b.bus = r.I2C(func() time.Duration { return b.now })
	return b
}

func (b *board) read(tb testing.TB, addr uint16, reg byte) uint16 {
	tb.Helper()
	var in [2]byte
	if err := b.bus.Tx(addr, []byte{reg}, in[:]); err != nil {
		tb.Fatalf("read %#x of %#x: %v", reg, addr, err)
	}
	return uint16(in[0])<<8 | uint16(in[1])
}

func (b *board) write(tb testing.TB, addr uint16, reg byte, word uint16) {
	tb.Helper()
	if err := b.bus.Tx(addr, []byte{reg, byte(word >> 8), byte(word)}, nil); err != nil {
		tb.Fatalf("write %#x of %#x: %v", reg, addr, err)
	}
}

const (
	start  = 0x8000
	single = 0x0100
	rate8  = 0 << 5
	rate   = 7 << 5 // 860 a second
	ain0   = 4 << 12
	ain1   = 5 << 12
	ain2   = 6 << 12
	ain3   = 7 << 12
)

// volts makes one conversion in the 6.144 V range.
func (b *board) volts(tb testing.TB, addr, mux uint16) float64 {
	tb.Helper()
	b.write(tb, addr, 1, start|mux|single|rate)
	b.now += 2 * time.Millisecond
	return float64(int16(b.read(tb, addr, 0))) * 6.144 / 32768
}

func TestPowerUpRegisters(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet"})
	for addr := uint16(0x48); addr <= 0x4b; addr++ {
		for reg, want := range []uint16{0x0000, 0x8583, 0x8000, 0x7fff} {
			if got := b.read(t, addr, byte(reg)); got != want {
				t.Errorf("register %d of %#x = %#04x; want %#04x", reg, addr, got, want)
			}
		}
	}
	b.write(t, 0x49, 2, 0x1234)
	b.write(t, 0x49, 1, 0x8583&^start|ain1)
	b.write(t, 0x49, 0, 0x5555) // read only
	for reg, want := range []uint16{0x0000, 0x8583 | ain1, 0x1234, 0x7fff} {
		if got := b.read(t, 0x49, byte(reg)); got != want {
			t.Errorf("register %d = %#04x; want %#04x", reg, got, want)
		}
	}
	if err := b.bus.Tx(0x00, []byte{0x06}, nil); err != nil {
		t.Fatal(err)
	}
	if got := b.read(t, 0x49, 1); got != 0x8583 {
		t.Errorf("config after a general-call reset = %#04x; want 0x8583", got)
	}
}

func TestSingleShotTakesItsTime(t *testing.T) {
	for bits, perSecond := range []float64{8, 16, 32, 64, 128, 250, 475, 860} {
		b := newBoard(t, rig.Options{Story: "quiet", Seed: uint64(bits)})
		config := uint16(ain3 | single | bits<<5)
		b.write(t, 0x48, 1, start|config)
		took := time.Duration(0)
		for b.read(t, 0x48, 1)&start == 0 {
			if got := b.read(t, 0x48, 0); got != 0 {
				t.Fatalf("conversion register = %#04x before the first conversion is over", got)
			}
			b.now += 10 * time.Microsecond
			took = b.now
			if took > time.Second {
				t.Fatalf("rate %g: never ready", perSecond)
			}
		}
		nominal := time.Duration(float64(time.Second) / perSecond)
		if took < nominal*89/100 || took > nominal*112/100 {
			t.Errorf("rate %g: ready after %s; want %s within 10 %%", perSecond, took, nominal)
		}
		if got := b.read(t, 0x48, 1); got != start|config {
			t.Errorf("config when ready = %#04x; want %#04x", got, start|config)
		}
		if v := float64(int16(b.read(t, 0x48, 0))) * 6.144 / 32768; math.Abs(v-5.02) > 0.005 {
			t.Errorf("supply = %.4f V; want 5.02", v)
		}
	}
}

func TestPointerStays(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet"})
	b.read(t, 0x48, 3)
	var in [2]byte
	if err := b.bus.Tx(0x48, nil, in[:]); err != nil || in != [2]byte{0x7f, 0xff} {
		t.Errorf("read without pointer = % x, %v; want the high threshold again", in, err)
	}
}

// A start while a conversion runs has no effect: the running one ends in its time with its own input.
func TestStartWhileConvertingHasNoEffect(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet", Quiet: true})
	b.write(t, 0x48, 1, start|ain3|single|rate8)
	b.now = 50 * time.Millisecond
	b.write(t, 0x48, 1, start|ain0|single|rate8)
	b.now = 140 * time.Millisecond
	if b.read(t, 0x48, 1)&start == 0 {
		t.Fatal("not ready when the first conversion must be over")
	}
	if v := float64(int16(b.read(t, 0x48, 0))) * 6.144 / 32768; math.Abs(v-5.02) > 0.001 {
		t.Errorf("result = %.4f V; want the supply, 5.02", v)
	}
}

func TestRangesAndInputs(t *testing.T) {
	tests := []struct {
		name   string
		config uint16
		want   func(front, supply float64) float64 // V
		full   float64
	}{
		{"6.144 V", ain3 | 0<<9, func(_, s float64) float64 { return s }, 6.144},
		{"4.096 V saturates", ain3 | 1<<9, func(_, s float64) float64 { return s }, 4.096},
		{"2.048 V holds the front rank", ain1 | 2<<9, func(f, _ float64) float64 { return f }, 2.048},
		{"1.024 V saturates", ain1 | 3<<9, func(f, _ float64) float64 { return f }, 1.024},
		{"0.512 V saturates", ain1 | 4<<9, func(f, _ float64) float64 { return f }, 0.512},
		{"0.256 V saturates", ain1 | 7<<9, func(f, _ float64) float64 { return f }, 0.256},
		{"AIN1 - AIN3", 2<<12 | 0<<9, func(f, s float64) float64 { return f - s }, 6.144},
		{"AIN1 - AIN3 saturates below", 2<<12 | 2<<9, func(f, s float64) float64 { return f - s }, 2.048},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBoard(t, rig.Options{Story: "quiet", Quiet: true})
			front := b.volts(t, 0x48, ain1)
			supply := b.volts(t, 0x48, ain3)
			b.write(t, 0x48, 1, start|tt.config|single|rate)
			b.now += 2 * time.Millisecond
			got := int16(b.read(t, 0x48, 0))
			want := math.Max(-32768, math.Min(32767, math.Round(tt.want(front, supply)/tt.full*32768)))
			if math.Abs(float64(got)-want) > 12 { // the soil moves the rank by some codes in 2 ms
				t.Errorf("code = %d; want %.0f", got, want)
			}
			if (want == 32767 || want == -32768) && float64(got) != want {
				t.Errorf("code = %d; want it exactly at the stop %.0f", got, want)
			}
		})
	}
}

func TestContinuousModeKeepsConverting(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet", Quiet: true})
	b.write(t, 0x48, 1, ain3|rate)
	b.now = 5 * time.Millisecond
	if v := float64(int16(b.read(t, 0x48, 0))) * 6.144 / 32768; math.Abs(v-5.02) > 0.001 {
		t.Fatalf("first = %.4f V; want 5.02", v)
	}
	b.rig.SupplyOff(true)
	b.now = 20 * time.Millisecond
	b.read(t, 0x48, 0)
	b.now = 25 * time.Millisecond
	if got := b.read(t, 0x48, 0); got != 0 {
		t.Errorf("code with the supply off = %d; want 0", got)
	}
}

func TestEveryInputReadsWhatIsTrue(t *testing.T) {
	b := newBoard(t, rig.Options{Seed: 4, Story: "quiet"})
	b.now = 100 * time.Second
	supply := b.volts(t, 0x48, ain3)
	ratio := func(addr, mux uint16, full float64) float64 { return (b.volts(t, addr, mux)/supply - 0.1) / 0.8 * full }
	thermistor := func() float64 {
		x := b.volts(t, 0x49, ain3) / supply
		return 1/(math.Log(x/(1-x))/3950+1/298.15) - 273.15
	}
	got := map[string]float64{
		"tank": ratio(0x48, ain0, 1000e3), "front": ratio(0x48, ain1, 1000e3), "rear": ratio(0x48, ain2, 1000e3),
		"wall": thermistor(), "moisture": b.volts(t, 0x4a, ain2) / 5, "box_v": b.volts(t, 0x4a, ain3) * 4,
		"humidity": b.volts(t, 0x4b, ain0) / 5, "ambient": b.volts(t, 0x4b, ain1)/5*100 - 40,
	}
	x := b.rig.Truth(b.now)
	want := map[string][2]float64{ // value and how far a sensor of this machine may be off (0.15 % built, 0.05 % noise at 4 sigma)
		"tank": {float64(x.Tank), 4.5e3}, "front": {float64(x.Ranks[0].Pressure), 4.5e3}, "rear": {float64(x.Ranks[1].Pressure), 4.5e3},
		"wall": {float64(x.TankWall) - 273.15, 1.5}, "moisture": {x.Moisture, 0.005}, "box_v": {float64(x.MachineVolts), 0.02},
		"humidity": {x.Humidity, 0.005}, "ambient": {float64(x.Ambient) - 273.15, 0.5},
	}
	for name, w := range want {
		if g := got[name]; math.Abs(g-w[0]) > w[1] {
			t.Errorf("%s reads %.5g; true is %.5g", name, g, w[0])
		}
	}
	for i, at := range [][2]uint16{{0x49, ain0}, {0x49, ain1}, {0x49, ain2}, {0x4a, ain0}, {0x4a, ain1}} {
		sum, truth := 0.0, 0.0
		for range 2000 {
			b.now += 10 * time.Millisecond
			sum += ratio(at[0], at[1], 2000)
			truth += float64(b.rig.Truth(b.now).Rows[i].Load)
		}
		if math.Abs(sum-truth)/2000 > 12 {
			t.Errorf("load_%d reads %.1f N in the mean; true is %.1f", i+1, sum/2000, truth/2000)
		}
	}
}

func TestWireFaults(t *testing.T) {
	const supply = 5.02
	tests := []struct {
		name      string
		act       rig.Action
		channel   string
		addr, mux uint16
		want      float64
	}{
		{"pressure unplugged", rig.Unplug, "tank", 0x48, ain0, 0.02},
		{"pressure shorted", rig.Short, "tank", 0x48, ain0, supply},
		{"load unplugged", rig.Unplug, "load_2", 0x49, ain1, 0.02},
		{"thermistor unplugged", rig.Unplug, "wall", 0x49, ain3, supply},
		{"thermistor shorted", rig.Short, "wall", 0x49, ain3, 0},
		{"humidity unplugged", rig.Unplug, "humidity", 0x4b, ain0, 0.02},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBoard(t, rig.Options{Story: "quiet"})
			b.now = 10 * time.Second
			if got := b.volts(t, tt.addr, tt.mux); math.Abs(got-tt.want) < 0.1 {
				t.Fatalf("sound wire reads %.4f V, like the fault", got)
			}
			if err := b.rig.Do(rig.Event{What: tt.act, Where: tt.channel}); err != nil {
				t.Fatal(err)
			}
			if got := b.volts(t, tt.addr, tt.mux); math.Abs(got-tt.want) > 0.0002 {
				t.Errorf("reads %.4f V; want %.4f", got, tt.want)
			}
			b.now += 200 * time.Millisecond
			if f := b.rig.Truth(b.now).Faults; len(f) != 1 {
				t.Errorf("faults = %q; want one", f)
			}
			if err := b.rig.Plug(tt.channel); err != nil {
				t.Fatal(err)
			}
			if got := b.volts(t, tt.addr, tt.mux); math.Abs(got-tt.want) < 0.1 {
				t.Errorf("plugged in again: still %.4f V", got)
			}
			b.now += 200 * time.Millisecond
			if f := b.rig.Truth(b.now).Faults; len(f) != 0 {
				t.Errorf("faults = %q; want none", f)
			}
		})
	}
}

func TestStuckAndDriftingWires(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet"})
	must := func(e rig.Event) {
		t.Helper()
		if err := b.rig.Do(e); err != nil {
			t.Fatal(err)
		}
	}
	must(rig.Event{What: rig.Stick, Where: "front"})
	first := b.volts(t, 0x48, ain1)
	for range 60 {
		b.now += time.Second
		if got := b.volts(t, 0x48, ain1); got != first {
			t.Fatalf("stuck input went from %.4f to %.4f V", first, got)
		}
	}
	before := b.volts(t, 0x4b, ain1)
	must(rig.Event{What: rig.Drift, Where: "ambient", Amount: 10, Over: time.Minute})
	b.now += 61 * time.Second
	if got := b.volts(t, 0x4b, ain1) - before; math.Abs(got-0.5) > 0.03 {
		t.Errorf("10 K of drift is %.3f V; want 0.5", got)
	}
}

func TestAbsentAndLateChips(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet"})
	if err := b.bus.Tx(0x4c, []byte{0}, make([]byte, 2)); !errors.Is(err, rig.ErrNoAck) {
		t.Errorf("absent address: %v; want no acknowledge", err)
	}
	if err := b.bus.Tx(0x48, []byte{9}, nil); !errors.Is(err, rig.ErrNoAck) {
		t.Errorf("absent register: %v; want no acknowledge", err)
	}
	if err := b.rig.Do(rig.Event{What: rig.ChipOff, Where: "0x4a"}); err != nil {
		t.Fatal(err)
	}
	if err := b.bus.Tx(0x4a, []byte{0}, make([]byte, 2)); !errors.Is(err, rig.ErrNoAck) {
		t.Errorf("unplugged converter: %v; want no acknowledge", err)
	}
	for _, e := range []rig.Event{{What: rig.ChipOn, Where: "0x4a"}, {What: rig.Slow, Where: "0x48", Amount: 10}} {
		if err := b.rig.Do(e); err != nil {
			t.Fatal(err)
		}
	}
	if got := b.read(t, 0x4a, 1); got != 0x8583 {
		t.Errorf("config of the converter plugged in again = %#04x; want 0x8583", got)
	}
	b.write(t, 0x48, 1, start|ain3|single|rate)
	b.now += 5 * time.Millisecond
	if b.read(t, 0x48, 1)&start != 0 {
		t.Error("ready after 5 ms; want ten times the usual 1.2 ms")
	}
	b.now += 10 * time.Millisecond
	if b.read(t, 0x48, 1)&start == 0 {
		t.Error("not ready after 15 ms")
	}
	if err := b.bus.SetSpeed(400 * physic.KiloHertz); err != nil {
		t.Error(err)
	}
	if err := b.bus.SetSpeed(5 * physic.MegaHertz); err == nil {
		t.Error("5 MHz accepted")
	}
}

func TestStalledBusBlocksUntilFreed(t *testing.T) {
	frees := map[string]func(b *board){
		"freed":         func(b *board) { b.rig.StallBus(false) },
		"story goes on": func(b *board) { b.rig.Due(10*time.Minute, nil) },
		"closed":        func(b *board) { _ = b.rig.Close() },
	}
	for name, free := range frees {
		t.Run(name, func(t *testing.T) {
			b := newBoard(t, rig.Options{
				Story: "quiet", Faults: []rig.Event{{What: rig.Stall, Amount: 1}, {At: time.Minute, What: rig.Stall}},
			})
			done := make(chan error, 1)
			var wg sync.WaitGroup
			wg.Go(func() { done <- b.bus.Tx(0x48, []byte{1}, make([]byte, 2)) })
			if f := b.rig.Truth(0).Faults; len(f) != 1 || f[0] != "i2c bus stalled" {
				t.Errorf("faults = %q; want the stalled bus", f)
			}
			select {
			case err := <-done:
				t.Fatalf("transfer on a stalled bus ended with %v", err)
			default:
			}
			free(b)
			wg.Wait()
			if err := <-done; (name == "closed") != errors.Is(err, rig.ErrClosed) {
				t.Errorf("transfer ended with %v", err)
			}
		})
	}
}

func TestStalledBusMayTimeOut(t *testing.T) {
	b := newBoard(t, rig.Options{Story: "quiet", StallTimesOut: true})
	b.rig.StallBus(true)
	if err := b.bus.Tx(0x48, []byte{1}, make([]byte, 2)); !errors.Is(err, rig.ErrTimeout) {
		t.Errorf("transfer = %v; want a time-out", err)
	}
	b.rig.StallBus(false)
	if err := b.bus.Tx(0x48, []byte{1}, make([]byte, 2)); err != nil {
		t.Errorf("transfer on the freed bus = %v", err)
	}
}

func TestFuzzSeedsAreThere(t *testing.T) {
	seeds, err := filepath.Glob("testdata/fuzz/FuzzTransfer/*")
	if err != nil || len(seeds) == 0 {
		t.Fatalf("no seeds for FuzzTransfer in testdata (%v)", err)
	}
	for _, s := range seeds {
		if b, err := os.ReadFile(s); err != nil || len(b) == 0 {
			t.Errorf("seed %s: %v, %d bytes", s, err, len(b))
		}
	}
}

func FuzzTransfer(f *testing.F) {
	f.Add(uint16(0x48), []byte{1, 0xc3, 0xe3}, uint8(2))
	f.Fuzz(func(t *testing.T, addr uint16, w []byte, n uint8) {
		r, err := rig.New(rig.Options{Story: "quiet"})
		if err != nil {
			t.Fatal(err)
		}
		bus := r.I2C(func() time.Duration { return time.Millisecond })
		in := make([]byte, n)
		err = bus.Tx(addr, w, in)
		there := addr >= 0x48 && addr <= 0x4b || addr == 0 && len(w) == 1 && w[0] == 6
		if err == nil && !there {
			t.Errorf("address %#x answered", addr)
		}
		if err != nil && !errors.Is(err, rig.ErrNoAck) {
			t.Errorf("unexpected error %v", err)
		}
		var config [2]byte
		if err := bus.Tx(0x48, []byte{1}, config[:]); err != nil {
			t.Errorf("the bus is lost after % x: %v", w, err)
		}
	})
}
