// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"encoding/json"
	"fmt"
)

// TestTopic is where the state of a leak-down test stands below the machine's prefix: retained, QoS 1. Its curve is one
// level below, not retained, QoS 0.
func TestTopic(run string) string { return "test/" + Slug(run) }

// CurveTopic is where the curve of a leak-down test is said.
func CurveTopic(run string) string { return TestTopic(run) + "/curve" }

// Test leaves the whole state of a leak-down test.
func (o *Outlet) Test(run string, state any) error { return o.retain(TestTopic(run), state) }

// ForgetTest takes a test's retained state away, at the broker too.
func (o *Outlet) ForgetTest(run string) { o.leave(TestTopic(run), []byte{}) }

// Curve leaves the newest curve of a test; an older one that was not yet sent is dropped.
func (o *Outlet) Curve(run string, curve any) error {
	b, err := json.Marshal(curve)
	if err != nil {
		return fmt.Errorf("write the curve of test %s: %w", run, err)
	}
	o.mu.Lock()
	o.curve, o.curves = word{payload: b, dirty: true}, CurveTopic(run)
	o.mu.Unlock()
	o.ring()
	return nil
}
