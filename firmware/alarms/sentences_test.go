// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"strconv"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/tools/golden"
)

// refusals are what the alarms say to presses that they do not take.
func refusals(t *testing.T) []string {
	t.Helper()
	b := newBench(t, alarms.Options{})
	b.say("root", true, 5)
	b.say("low", true, 5)
	b.say("latch", true, 5)
	var all []string
	press := func(c alarms.Command) {
		t.Helper()
		c.ID = "id" + strconv.Itoa(len(all))
		a := b.Command(b.now, c)
		if a.OK {
			t.Errorf("%s of %q was done; want a refusal", c.Verb, c.Key)
		}
		all = append(all, a.Error)
	}
	operate := func(v alarms.Verb, key string) alarms.Command {
		return alarms.Command{Verb: v, Key: findings.Key(key), Role: alarms.Operate, For: time.Minute}
	}
	service := func(v alarms.Verb, key string) alarms.Command {
		c := operate(v, key)
		c.Role = alarms.Service
		return c
	}
	all = append(all, b.Command(b.now, alarms.Command{Verb: alarms.Ack, Key: "root", Role: alarms.Operate}).Error)
	press(operate("fly", "root"))
	press(operate(alarms.Ack, "none"))
	press(alarms.Command{Verb: alarms.Ack, Key: "low", Where: "front rank", Role: alarms.Operate})
	press(operate(alarms.Ack, "kid"))
	press(alarms.Command{Verb: alarms.Ack, Key: "root", Role: alarms.View})
	press(alarms.Command{Verb: alarms.Ack, Key: "root", Role: alarms.Operate, Age: 45 * time.Second})
	press(operate(alarms.Unshelve, "low"))
	press(operate(alarms.Note, "low"))
	press(operate(alarms.Reset, "latch"))
	press(operate(alarms.TestStart, "low"))
	press(operate(alarms.CareDone, "low"))
	press(operate(alarms.Shelve, "root"))
	press(alarms.Command{Verb: alarms.Shelve, Key: "low", Role: alarms.Operate})
	press(alarms.Command{Verb: alarms.Shelve, Key: "low", Role: alarms.Operate, For: time.Hour})
	press(alarms.Command{Verb: alarms.Shelve, Key: "low", Role: alarms.Service, For: 13 * time.Hour})
	press(service(alarms.Reset, "latch"))
	press(service(alarms.Reset, "low"))
	press(service(alarms.PutBack, "low"))
	b.must(alarms.TakeOut, "low", alarms.Service, 0)
	press(service(alarms.TakeOut, "low"))
	press(operate(alarms.Ack, "low"))
	press(operate(alarms.Shelve, "low"))
	all = append(all, b.Beside(b.now, alarms.Command{ID: "forget", Verb: alarms.Forget, Role: alarms.Operate}, func() string { return "" }).Error)
	return all
}

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheAlarmsIsListed(t *testing.T) {
	t.Parallel()
	all := refusals(t)
	for _, r := range alarms.Catalogue() {
		all = append(all, r.Title, r.Do, r.Cause, r.Consequence, r.Caution)
	}
	golden.Sentences(t, all)
}
