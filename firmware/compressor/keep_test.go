// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
)

var _ findings.Keeper = (*compressor.Compressor)(nil)

func TestKeepsWhatItLearned(t *testing.T) {
	v := watchDay(rig.DayOptions{Seed: 201, Hours: 3}, sees{}, nil)
	saved := v.c.Save()
	if !bytes.Equal(saved, v.c.Save()) {
		t.Error("two Saves differ")
	}
	c := compressor.New(compressor.Options{Tank: 0, Running: no, Drive: no, Ignition: no, Barometer: no, Saved: saved}, wide(), deaf{})
	if got := c.Save(); !bytes.Equal(got, saved) {
		t.Errorf("saved again:\n%s\nwant\n%s", got, saved)
	}
	if d := c.RunTime() - v.c.RunTime(); d.Abs() > time.Millisecond || c.Starts() != v.c.Starts() || c.Starts() < 10 {
		t.Errorf("run time %v, %d starts; want %v, %d", c.RunTime(), c.Starts(), v.c.RunTime(), v.c.Starts())
	}
	in, out, inKnown, outKnown := c.Switch()
	wantIn, wantOut, _, _ := v.c.Switch()
	if !inKnown || !outKnown || math.Abs(in-wantIn) > 1 || math.Abs(out-wantOut) > 1 {
		t.Errorf("Switch() = %v, %v; want %v, %v", in, out, wantIn, wantOut)
	}
	if left, learning := c.LearningLeft(); learning {
		t.Errorf("LearningLeft() = %v; want none", left)
	}
	for _, name := range []string{compressor.LearnedCutIn, compressor.LearnedCutOut, compressor.LearnedRunHours, compressor.LearnedBaseline} {
		if !c.Forget(name) {
			t.Errorf("Forget(%q) = false", name)
		}
	}
	if c.Forget("nothing-such") {
		t.Error("forgot what it never had")
	}
	if c.RunTime() != 0 || c.Starts() != 0 {
		t.Errorf("after forgetting: %v in %d starts; want 0", c.RunTime(), c.Starts())
	}
	if _, learning := c.LearningLeft(); !learning {
		t.Error("not learning anew after forgetting")
	}
}

func TestLearnedSecondDayBeginsKnowing(t *testing.T) {
	first := rig.NewDay(rig.DayOptions{Seed: 202, Hours: 3})
	v := watchDay(rig.DayOptions{Seed: 202, Hours: 3}, sees{}, nil)
	var s rig.DaySample
	for first.Next(&s) {
		continue
	}
	v2 := watchDay(rig.DayOptions{Seed: 203, Before: first, Hours: 3, Night: rig.NightOptions{}}, sees{}, v.c.Save())
	t.Logf("first day F1 %.4f, second %.4f, duty %+.3f points", v.f1, v2.f1, 100*v2.error)
	if v2.f1 < 0.98 || math.Abs(v2.error) > 0.003 {
		t.Errorf("second day: F1 %.4f, duty %+.2f points; want 0.98, 0.3", v2.f1, 100*v2.error)
	}
	if got, want := v2.c.RunTime(), v.c.RunTime()+v2.c.OnTime(); (got - want).Abs() > time.Millisecond {
		t.Errorf("run time in all %v; want %v", got, want)
	}
}

func TestBadSavedBytesAreIgnored(t *testing.T) {
	for _, saved := range []string{
		"", "x", "{}", "[1]", `{"version":2}`, `{"version":1,"run_time":-5}`, `{"version":1,"run_time":1e300}`,
		`{"version":1,"cut_in":[-1,1e300],"lift":-3}`, `{"version":1,"baseline":{"n":-4,"mean":1e99}}`, strings.Repeat("[", 1000),
	} {
		c := compressor.New(compressor.Options{Tank: 0, Running: no, Drive: no, Ignition: no, Barometer: no, Saved: []byte(saved)}, wide(), deaf{})
		if b := c.Save(); b != nil {
			t.Errorf("from %q: %s; want nothing", saved, b)
		}
	}
}

func TestLearningIsSaidPlainly(t *testing.T) {
	rows, _ := planter{start: 7e5, use: 5 * litre, bursts: 12 * litre}.play(time.Hour, 100*time.Millisecond, 3)
	c := compressor.New(only(0, no, no, no), wide(), deaf{})
	last := time.Duration(math.MaxInt64)
	for i, r := range rows {
		c.Read(readings.Reading{At: r.at, Channel: 0, Value: r.p})
		if i%10 != 0 {
			continue
		}
		c.Tick(r.at)
		left, learning := c.LearningLeft()
		switch words, ok := c.Remark(); {
		case i == 10 && (left != 40*time.Minute || words != "Learning the compressor: 40 minutes to go."):
			t.Errorf("at first %v, %q; want 40 minutes", left, words)
		case learning && (left <= 0 || left > 40*time.Minute):
			t.Fatalf("%v to go at %v", left, r.at)
		case !learning && ok:
			t.Fatalf("%q with all learned at %v", words, r.at)
		}
		if !learning {
			last = min(last, r.at)
		}
	}
	if last > 40*time.Minute {
		t.Errorf("learned after %v; want within 40 minutes", last)
	}
}

func TestLearnedLists(t *testing.T) {
	c := compressor.New(only(0, no, no, no), wide(), deaf{})
	var names []string
	for _, l := range c.Learned() {
		names = append(names, l.Name)
		if l.Words == "" || l.Text == "" {
			t.Errorf("%+v says nothing", l)
		}
	}
	if want := []string{"cut-in", "cut-out", "run-hours", "delivery-baseline"}; !slices.Equal(names, want) {
		t.Errorf("learned %q; want %q", names, want)
	}
	if b := c.Save(); b != nil {
		t.Errorf("Save() = %s before anything; want nothing", b)
	}
}
