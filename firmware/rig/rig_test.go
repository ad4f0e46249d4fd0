// SPDX-License-Identifier: Apache-2.0

package rig_test

import (
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"airhold/firmware/rig"
)

const litreMinute = 1e-3 / 60

func TestUnknownNamesListWhatThereIs(t *testing.T) {
	_, err := rig.New(rig.Options{Story: "holiday"})
	if err == nil {
		t.Fatal("story \"holiday\" was played")
	}
	names := map[string]bool{}
	for _, s := range rig.Stories() {
		if names[s.Name] || s.Words == "" || s.Starts.IsZero() {
			t.Errorf("story %+v", s)
		}
		names[s.Name] = true
		if !strings.Contains(err.Error(), s.Name) {
			t.Errorf("%q does not name %s", err, s.Name)
		}
	}
	r, err := rig.New(rig.Options{})
	if err != nil || r.Story().Name != rig.DefaultStory || rig.Stories()[0].Name != rig.DefaultStory {
		t.Fatalf("default story = %v, %v", r, err)
	}
	for _, e := range []rig.Event{
		{What: rig.Leak, Where: "roof", Amount: 1},
		{What: rig.Leak, Where: "tank side", Amount: -1},
		{What: rig.Leak, Where: "tank side", Amount: math.NaN()},
		{What: rig.Unplug, Where: "load_9"},
		{What: rig.ChipOff, Where: "0x4c"},
		{What: rig.Slow, Where: "0x48"},
		{What: rig.Rank, Where: "middle"},
		{What: "dance"},
	} {
		if err := r.Do(e); err == nil {
			t.Errorf("Do(%+v) did it", e)
		}
		if _, err := rig.New(rig.Options{Faults: []rig.Event{e}}); err == nil {
			t.Errorf("New with fault %+v did it", e)
		}
	}
	if _, err := rig.New(rig.Options{Skip: -time.Second}); err == nil {
		t.Error("a story began before its start")
	}
	for _, name := range rig.Places() {
		if err := r.SetLeak(name, litreMinute); err != nil {
			t.Error(err)
		}
	}
	for _, name := range rig.Channels() {
		if err := r.Short(name); err != nil {
			t.Error(err)
		}
	}
}

// A place leaks what SetLeak says at its usual pressures, and more or less with the pressure it has (choked flow goes
// with the absolute pressure).
func TestLeaksAreAsLargeAsSaid(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "shop", Skip: 3 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetLeak("tank side", 12*litreMinute); err != nil {
		t.Fatal(err)
	}
	x := r.Truth(time.Second)
	abs := float64(x.Tank) + float64(x.Barometer)
	want := 12 * abs / 800e3 * math.Sqrt(293.15/float64(x.TankAir))
	if got := float64(x.Flow.Leak("tank side")) / litreMinute; math.Abs(got-want) > 0.01*want {
		t.Errorf("leak = %.3f L/min at %.0f Pa; want %.3f", got, x.Tank, want)
	}
	if got := float64(x.LeakSizes[0]) / litreMinute; math.Abs(got-12) > 1e-6 {
		t.Errorf("size = %g L/min; want 12", got)
	}
	if err := r.Mend("tank side"); err != nil {
		t.Fatal(err)
	}
	if got := r.Truth(2 * time.Second).Flow.Leak("tank side"); got != 0 {
		t.Errorf("leak after mending = %g", got)
	}
}

// Story planting-day, told by the truth.
func TestPlantingDayHappensAsTold(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: a day of one goroutine")
	}
	r, err := rig.New(rig.Options{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	at := func(hour, minute int) time.Duration {
		return time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute - (5*time.Hour + 10*time.Minute)
	}
	x := r.Truth(0)
	if x.Local.Format("2006-01-02 15:04 -07:00") != "2026-04-28 05:10 +01:00" || !x.Key || x.Engine {
		t.Fatalf("at the start: %s, key %v, engine %v", x.Local, x.Key, x.Engine)
	}
	// Overnight: q = V/p0*T0*(p1/T1 - p2/T2)/dt (EN 1779, pressure change) must give the small leak of the night back.
	o, ok := r.Overnight()
	if !ok {
		t.Fatal("no evening before")
	}
	t1, t2 := float64(o.Wall), float64(x.TankAir)
	lost := 0.038 / 100e3 * 293.15 * ((float64(o.Tank)+float64(o.Barometer))/t1 - (float64(x.Tank)+float64(x.Barometer))/t2) * 1000
	if got := lost / x.Local.Sub(o.KeyOff).Minutes(); math.Abs(got-0.03) > 0.005 {
		t.Errorf("overnight leak = %.4f L/min; the story says 0.03", got)
	}

	x = r.Truth(at(5, 25))
	if x.Starts != 1 || x.CompressorOn || x.Tank < 660e3 {
		t.Errorf("after the first charge: %d starts, on %v, %.0f Pa", x.Starts, x.CompressorOn, x.Tank)
	}
	if x = r.Truth(at(5, 41)); !x.Lowered || !x.Planting || !x.ControlOn {
		t.Errorf("at 05:41 the planter is not planting: %+v", x)
	}
	if x = r.Truth(at(8, 30)); x.Humidity < 0.9 {
		t.Errorf("humidity at 08:30 = %.2f; want a damp morning", x.Humidity)
	}
	if x = r.Truth(at(9, 39)); x.LeakSizes[1] > 0.1*litreMinute {
		t.Errorf("front rank leaks %.2f L/min before 09:40", float64(x.LeakSizes[1])/litreMinute)
	}
	caught := x.WaterCaught
	if caught < 0.02 {
		t.Errorf("water caught by 09:39 = %.3f kg; want some", caught)
	}
	if x = r.Truth(at(9, 45)); math.Abs(float64(x.LeakSizes[1])/litreMinute-8) > 0.01 {
		t.Errorf("front rank leaks %.2f L/min at 09:45; want 8", float64(x.LeakSizes[1])/litreMinute)
	}
	if len(x.Faults) != 1 || x.Faults[0] != "load_2 drifting" {
		t.Errorf("faults = %q; want the drifting load sensor", x.Faults)
	}
	lowest := x.Tank
	for m := 25; m < 44; m++ {
		x = r.Truth(at(10, m))
		lowest = min(lowest, x.Tank)
	}
	if lowest > 450e3 || x.LeakSizes[1] < 150*litreMinute {
		t.Errorf("towards 10:44: lowest tank %.0f Pa, leak %.0f L/min; want too little air", lowest, float64(x.LeakSizes[1])/litreMinute)
	}
	if x = r.Truth(at(11, 8)); x.LeakSizes[1] != 0 || x.Tank < 640e3 {
		t.Errorf("at 11:08: leak %g, tank %.0f Pa; want it mended and charged", x.LeakSizes[1], x.Tank)
	}
	wall := r.Truth(at(12, 16)).TankWall
	if x = r.Truth(at(12, 45)); x.TankWall < wall+3 || x.Engine || x.Sun < 100 {
		t.Errorf("lunch: wall from %.1f to %.1f K, engine %v, sun %.0f W/m2", wall, x.TankWall, x.Engine, x.Sun)
	}
}

func TestShortRunsOutOfAir(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "short"})
	if err != nil {
		t.Fatal(err)
	}
	below := time.Duration(0)
	for at := time.Duration(0); at < 10*time.Minute && below == 0; at += time.Second {
		if x := r.Truth(at); x.Tank < 310e3 {
			below = at
		}
	}
	if below < time.Minute {
		t.Errorf("tank below need after %s; want some minutes", below)
	}
}

func TestShopRests(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "shop", Seed: 2})
	if err != nil {
		t.Fatal(err)
	}
	at := func(m float64) rig.Truth { return r.Truth(time.Duration(m * float64(time.Minute))) }
	a, b, c, d := at(2), at(12), at(15.5), at(19)
	if a.Engine || a.CompressorOn || a.Tank < 650e3 || a.TankAir < a.TankWall+5 {
		t.Errorf("minute 2: engine %v, tank %.0f Pa, air %.1f K over a wall of %.1f", a.Engine, a.Tank, a.TankAir, a.TankWall)
	}
	for k, want := range []float64{310e3, 260e3} {
		if got := float64(b.Ranks[k].Pressure); got < want-40e3 || got > want+5e3 {
			t.Errorf("rank %d rests at %.0f Pa", k, got)
		}
		if got := float64(d.Ranks[k].Pressure); got < 45e3 || got > 70e3 {
			t.Errorf("rank %d vented to %.0f Pa; want about 50 kPa", k, got)
		}
	}
	// Minutes 12 to 15.5 with the air settled: the pressure falls by what leaks (tank side and both fill valves).
	q := 0.038 / 100e3 * 293.15 *
		((float64(b.Tank)+float64(b.Barometer))/float64(b.TankAir) - (float64(c.Tank)+float64(c.Barometer))/float64(c.TankAir)) /
		(c.At - b.At).Seconds()
	leak := 0.0
	for _, p := range []int{0, 3, 4} {
		leak += float64(c.Sum.Leaks[p]-b.Sum.Leaks[p]) / (c.At - b.At).Seconds()
	}
	if math.Abs(q-leak) > 0.002*litreMinute || leak < 0.3*litreMinute {
		t.Errorf("settled decay is %.4f L/min; the leaks sum to %.4f", q/litreMinute, leak/litreMinute)
	}
}

func TestFaultsHappenAsTold(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "faults", StallTimesOut: true})
	if err != nil {
		t.Fatal(err)
	}
	frames := 0
	for _, w := range []struct {
		at    time.Duration
		fault string
	}{
		{2 * time.Minute, ""},
		{4 * time.Minute, "tank unplugged"},
		{6 * time.Minute, ""},
		{7*time.Minute + 20*time.Second, "i2c bus stalled"},
		{10 * time.Minute, "can bus silent"},
		{13 * time.Minute, "sensor supply off"},
		{14 * time.Minute, ""},
	} {
		frames += len(r.Due(w.at, nil))
		if got := strings.Join(r.Truth(w.at).Faults, ", "); got != w.fault {
			t.Errorf("at %s: faults %q; want %q", w.at, got, w.fault)
		}
	}
	a, b := r.Truth(16*time.Minute), r.Truth(21*time.Minute)
	if duty := (b.OnTime - a.OnTime).Seconds() / (b.At - a.At).Seconds(); duty < 0.85 {
		t.Errorf("duty from minute 16 to 21 = %.2f; want hardly any rest", duty)
	}
	if x := r.Truth(23 * time.Minute); x.Tank > 310e3 {
		t.Errorf("tank at minute 23 = %.0f Pa; want it low", x.Tank)
	}
	if x := r.Truth(30 * time.Minute); x.Tank < 600e3 || x.LeakSizes[0] != 0 {
		t.Errorf("at the end: %.0f Pa, leak %g", x.Tank, x.LeakSizes[0])
	}
}

func TestTruthRemembersAMinute(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "quiet", Skip: 5 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[time.Duration]rig.Truth{}
	for at := time.Duration(0); at <= 2*time.Minute; at += time.Second {
		seen[at] = r.Truth(at)
	}
	for back := time.Duration(0); back <= 59*time.Second; back += 7 * time.Second {
		at := 2*time.Minute - back
		x := r.Truth(at + 30*time.Millisecond)
		if x.At != at || x.Tank != seen[at].Tank || !x.Local.Equal(r.Clock(at)) {
			t.Errorf("Truth(%s) is of %s with %.0f Pa; want %.0f", at, x.At, x.Tank, seen[at].Tank)
		}
	}
	if x := r.Truth(10 * time.Second); x.At < 59*time.Second || x.At > 61*time.Second {
		t.Errorf("long past gives %s; want the oldest, a minute ago", x.At)
	}
	if got := r.Clock(0).Format("15:04"); got != "09:05" {
		t.Errorf("clock at zero with five minutes skipped = %s; want 09:05", got)
	}
}

// Frames and transfers come from different goroutines (run with -race).
func TestGoroutinesMayShareARig(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "quiet"})
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for i := range 3 {
		now := time.Duration(0)
		bus := r.I2C(func() time.Duration { return now })
		wg.Go(func() {
			for range 500 {
				now += 3 * time.Millisecond
				if err := bus.Tx(0x48+uint16(i), []byte{1, 0xc3, 0xe3}, make([]byte, 2)); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Go(func() {
		for at := time.Duration(0); at < 2*time.Second; at += 10 * time.Millisecond {
			r.Due(at, nil)
			r.Truth(at)
		}
	})
	wg.Go(func() {
		for range 50 {
			_ = r.Unplug("tank")
			_ = r.Plug("tank")
			r.SilenceBus(false)
		}
	})
	wg.Wait()
}

// BenchmarkPlanting reports how many seconds of planting, with all its frames, one core simulates in a second.
func BenchmarkPlanting(b *testing.B) {
	r, err := rig.New(rig.Options{Story: "quiet"})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	now := time.Duration(0)
	buf := r.Due(0, nil)
	for b.Loop() {
		now += time.Second
		buf = r.Due(now, buf[:0])
	}
	b.ReportMetric(now.Seconds()/b.Elapsed().Seconds(), "simulated-s/s")
}
