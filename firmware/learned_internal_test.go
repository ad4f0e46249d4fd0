// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
)

// pupil is a check that knows one thing, or nothing.
type pupil struct{ knows []byte }

func (p *pupil) Learned() []findings.Learned { return nil }
func (p *pupil) Save() []byte                { return p.knows }
func (p *pupil) Forget(name string) bool {
	if name != "thing" || p.knows == nil {
		return false
	}
	p.knows = nil
	return true
}

// shelf is a store's learned values.
type shelf map[string][]byte

func (shelf) Finished(*session.Result) {}
func (s shelf) Learned(name string, value []byte) {
	if value == nil {
		delete(s, name)
		return
	}
	s[name] = value
}

// What was forgotten must not be back after the next start, and what is known must be there.
func TestForgottenIsForgottenInTheStoreToo(t *testing.T) {
	t.Parallel()
	kept := shelf{}
	rates := alarms.NewHealth(nil)
	s := &Spine{o: SpineOptions{Memory: kept}, students: []student{{&pupil{[]byte("it")}, "check", nil}}, health: rates, keptHealth: rates.Save()}
	s.keep(30*time.Second, false)
	if len(kept) != 0 {
		t.Errorf("kept %q after half a minute; want once a minute", kept)
	}
	s.keep(time.Minute, false)
	if string(kept["check"]) != "it" {
		t.Errorf("kept %q after a minute", kept)
	}
	if s.forget(2*time.Minute, "other") || !s.forget(2*time.Minute, "thing") {
		t.Error("forgetting answers wrongly")
	}
	if len(kept) != 0 {
		t.Errorf("the store still has %q: it is back after the next start", kept)
	}
}
