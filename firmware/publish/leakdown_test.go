// SPDX-License-Identifier: Apache-2.0

package publish_test

import (
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A test's state is retained and its curve is not; a test that is forgotten is gone for whoever comes later.
func TestLeakDownTopics(t *testing.T) {
	b := embeddedBench(t)
	out, _ := startOutlet(t, b.broker)
	plain := func(id string) *screen {
		return newScreen(t, id, func(*screen) *paho.ClientOptions { return paho.NewClientOptions().AddBroker("tcp://" + b.addr) })
	}
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	first := plain("first")
	check(out.Test("run-1", map[string]any{"step": "watch"}))
	first.await(t, prefix+"test/run-1", 5*time.Second, is("step", "watch"))
	check(out.Curve("run-1", map[string]any{"run": "run-1"}))
	first.await(t, prefix+"test/run-1/curve", 5*time.Second, is("run", "run-1"))

	late := plain("late")
	late.await(t, prefix+"test/run-1", 5*time.Second, is("step", "watch"))
	late.mu.Lock()
	if _, ok := late.last[prefix+"test/run-1/curve"]; ok {
		t.Error("a late screen was given an old curve")
	}
	late.mu.Unlock()

	out.ForgetTest("run-1")
	check(out.Test("run-2", map[string]any{"step": "fill"})) // said after it, on the same connection
	first.await(t, prefix+"test/run-2", 5*time.Second, is("step", "fill"))
	last := plain("last")
	last.await(t, prefix+"test/run-2", 5*time.Second, is("step", "fill"))
	last.mu.Lock()
	defer last.mu.Unlock()
	if got, ok := last.last[prefix+"test/run-1"]; ok && len(got) > 0 {
		t.Errorf("a forgotten test is still told: %s", got)
	}
}
