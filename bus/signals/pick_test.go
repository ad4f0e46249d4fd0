// SPDX-License-Identifier: Apache-2.0

package signals_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/signals"
)

func TestPickReadsSI(t *testing.T) {
	for name, c := range map[string]struct {
		frame  string
		want   float64
		status signals.Status
		ok     bool
	}{
		"wheel_speed.speed":                  {"0CFE4846#A00F6EBC0E00C855", 4, signals.OK, true},
		"engine.speed":                       {"0CF00400#F39191AA1800F3FF", 789.25 / 60, signals.OK, true},
		"cruise.speed":                       {"18FEF120#FF00509FFFFF1FFF", 80 / 3.6, signals.OK, true},
		"ambient.barometer":                  {"18FEF500#C8FFFFC0243C00FE", 100e3, signals.OK, true},
		"ambient.air":                        {"18FEF500#C8FFFFC0243C00FE", 294.15, signals.OK, true},
		"ambient.cab":                        {"18FEF500#C8FFFFC0243C00FE", 0, signals.NotAvailable, true},
		"engine_hours.hours":                 {"18FEE500#E8030000FFFFFFFF", 180000, signals.OK, true},
		"position.latitude":                  {"09F80196#20945F1F44ED0303", 52.6357536 * math.Pi / 180, signals.OK, true},
		"ground_speed.speed":                 {"0CFE4846#A00F6EBC0E00C855", 0, signals.Absent, false},
		"rear_hitch.position":                {"0CFE4520#7DFFFFFFFFFFFFFF", .5, signals.OK, true},
		"dm1.red_stop_lamp":                  {"18FECA00#D0FF000000000000", 1, signals.OK, true},
		"process_data.area":                  {"10CB26F7#2300740010270000", 10000, signals.OK, true},
		"system_time.date":                   {"0DF01024#10F0F13A21470F16", 15089 * 86400, signals.OK, true},
		"process_data.section_2":             {"10CB26F7#2300A200E4FFFFFF", 0, signals.Absent, false}, // another group of sections
		"actual_pressure.pressure[source=3]": {"15FD0A34#FF000300C2EB0BFF", 2e7, signals.OK, true},
		"actual_pressure.pressure[source=0]": {"15FD0A34#FF000300C2EB0BFF", 0, signals.Absent, false},
		"actual_pressure.pressure[source=3, instance=0x0]": {"15FD0A34#FF000300C2EB0BFF", 2e7, signals.OK, true},
	} {
		p, err := signals.Compile(name)
		if err != nil {
			t.Errorf("Compile(%s) = %v", name, err)
			continue
		}
		decode(t, func(m *signals.Message) {
			si, st, ok := p.From(m)
			if math.Abs(si-c.want) > 1e-9*max(1, c.want) || st != c.status || ok != c.ok {
				t.Errorf("%s From(%s) = %v, %s, %v; want %v, %s, %v", name, c.frame, si, st, ok, c.want, c.status, c.ok)
			}
		}, c.frame)
	}
}

func TestPickOfOneSender(t *testing.T) {
	p, err := signals.Compile("engine.speed")
	if err != nil {
		t.Fatal(err)
	}
	decode(t, func(m *signals.Message) {
		if _, _, ok := p.WithSource(0).From(m); !ok {
			t.Error("the sender asked for was not heard")
		}
		if _, _, ok := p.WithSource(1).From(m); ok {
			t.Error("another sender was heard")
		}
		if _, _, ok := p.WithSource(1).WithSource(-1).From(m); !ok {
			t.Error("any sender was not heard")
		}
	}, "0CF00400#F39191AA1800F3FF")
	var zero signals.Pick
	decode(t, func(m *signals.Message) {
		if _, _, ok := zero.From(m); ok {
			t.Error("the zero Pick matched a message")
		}
	}, "0CF00400#F39191AA1800F3FF")
}

func TestCompileNamesTheNearest(t *testing.T) {
	for name, want := range map[string]string{
		"wheel_sped.speed": "wheel_speed.speed", "engine.sped": "engine.speed", "": "dm1.", "engine": "engine.speed",
	} {
		_, err := signals.Compile(name)
		if !errors.Is(err, signals.ErrUnknown) || !strings.Contains(err.Error(), want) && name != "" {
			t.Errorf("Compile(%q) = %v; want %v that names %s", name, err, signals.ErrUnknown, want)
		}
	}
	for _, name := range []string{"engine.speed[", "engine.speed[x=1]", "engine.speed[torque_mode]", "engine.speed[torque_mode=a]"} {
		if _, err := signals.Compile(name); !errors.Is(err, signals.ErrCondition) {
			t.Errorf("Compile(%q) = %v; want %v", name, err, signals.ErrCondition)
		}
	}
}

func TestNoAllocation(t *testing.T) {
	p, err := signals.Compile("wheel_speed.speed")
	if err != nil {
		t.Fatal(err)
	}
	var f can.Frame
	if err := f.UnmarshalString("0CFE4846#A00F6EBC0E00C855"); err != nil {
		t.Fatal(err)
	}
	d := signals.NewDecoder()
	sum := 0.0
	var values []signals.Value
	emit := func(m *signals.Message) {
		si, _, _ := p.From(m)
		values = m.Signals(values[:0])
		sum += si
	}
	d.Frame(bus.Frame{Frame: f}, emit)
	if got := testing.AllocsPerRun(1000, func() { d.Frame(bus.Frame{Frame: f}, emit) }); got != 0 {
		t.Errorf("a single frame with its signals allocates %v times; want 0", got)
	}
	if sum < 4000 {
		t.Errorf("sum of speeds = %v; the frames were not read", sum)
	}
}

func BenchmarkFrameAndPick(b *testing.B) {
	p, err := signals.Compile("engine.speed")
	if err != nil {
		b.Fatal(err)
	}
	var f can.Frame
	if err := f.UnmarshalString("0CF00400#F39191AA1800F3FF"); err != nil {
		b.Fatal(err)
	}
	d := signals.NewDecoder()
	sum := 0.0
	emit := func(m *signals.Message) { si, _, _ := p.From(m); sum += si }
	b.ReportAllocs()
	for b.Loop() {
		d.Frame(bus.Frame{Frame: f}, emit)
	}
}
