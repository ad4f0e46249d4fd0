// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"strings"
	"testing"
	"time"

	"airhold/firmware/alarms"
)

// What belongs to another room is carried out by the rules that hold for every command: once an id, by who may, while it
// is fresh.
func TestBesideKeepsTheRulesOfCommands(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		cmd  alarms.Command
		no   string // what the other room says
		done bool
		says string
	}{
		{"care by an operator", alarms.Command{ID: "a", Verb: alarms.CareDone, Role: alarms.Operate}, "", true, ""},
		{"care by service", alarms.Command{ID: "a", Verb: alarms.CareDone, Role: alarms.Service}, "", true, ""},
		{"care by a viewer", alarms.Command{ID: "a", Verb: alarms.CareDone, Role: alarms.View}, "", false, "pair it"},
		{"care by nobody", alarms.Command{ID: "a", Verb: alarms.CareDone}, "", false, "pair it"},
		{"forget by service", alarms.Command{ID: "a", Verb: alarms.Forget, Role: alarms.Service}, "", true, ""},
		{"forget by an operator", alarms.Command{ID: "a", Verb: alarms.Forget, Role: alarms.Operate}, "", false, "only service"},
		{"forget by a viewer", alarms.Command{ID: "a", Verb: alarms.Forget, Role: alarms.View}, "", false, "pair it"},
		{"too old", alarms.Command{ID: "a", Verb: alarms.CareDone, Role: alarms.Operate, Age: 31 * time.Second}, "", false, "31 s ago"},
		{"without an id", alarms.Command{Verb: alarms.CareDone, Role: alarms.Operate}, "", false, "no id"},
		{"refused there", alarms.Command{ID: "a", Verb: alarms.CareDone, Role: alarms.Operate}, "there is no such item", true, "no such item"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, alarms.Options{})
			asked := 0
			do := func() string { asked++; return c.no }
			a := b.Beside(b.now, c.cmd, do)
			if (asked == 1) != c.done || a.OK != (c.done && c.no == "") || !strings.Contains(a.Error, c.says) || a.ID != c.cmd.ID {
				t.Errorf("asked %d times, answer %+v; want done %v and %q", asked, a, c.done, c.says)
			}
			if again := b.Beside(b.now+sec, c.cmd, do); again != a || asked > 1 {
				t.Errorf("a repeat: asked %d times, answer %+v; want the first answer %+v", asked, again, a)
			}
			// 24 h of running time later the id is free again (contract of commands).
			if b.Beside(b.now+25*time.Hour, c.cmd, do); c.done && asked != 2 {
				t.Errorf("asked %d times in all; want 2", asked)
			}
		})
	}
}

// An id is one for both kinds: what was answered as an alarm's is not done as care.
func TestBesideSharesItsIds(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.say("low", true, 3)
	first := b.Command(b.now, alarms.Command{ID: "one", Verb: alarms.CareDone, Key: "low", Role: alarms.Operate})
	if first.OK || !strings.Contains(first.Error, "care list") {
		t.Errorf("care told to the engine as an alarm = %+v; want a word on where it belongs", first)
	}
	if a := b.Beside(b.now, alarms.Command{ID: "one", Verb: alarms.CareDone, Role: alarms.Operate}, func() string { t.Error("done"); return "" }); a != first {
		t.Errorf("the same id as care = %+v; want %+v", a, first)
	}
}
