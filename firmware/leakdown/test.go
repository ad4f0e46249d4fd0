// SPDX-License-Identifier: Apache-2.0

package leakdown

// Test is one leak-down test under way. One goroutine owns it.
type Test struct{ s Setup }

// New begins a test. The error names a setup that cannot be (no volume, limit or volume out of range).
func New(s Setup) (*Test, error) { return &Test{s: s}, nil }

// Add takes the next sample. Estimates are made at 15, 20 .. 60, 70 .. 120, 140 .. 600 s; whether one was made is returned.
func (t *Test) Add(Sample) bool { return false }

// Disturb ends the test as invalid (unless it is decided already).
func (t *Test) Disturb(Disturbance) {}

// Close says that no more samples come. A test that is not decided becomes undecided, or invalid where it was too short.
func (t *Test) Close() {}

// Done reports whether the test is decided (and Full is not set), or closed.
func (t *Test) Done() bool { return false }

// Estimate returns the newest estimate; false while there is none.
func (t *Test) Estimate() (Estimate, bool) { return Estimate{}, false }

// Result returns the outcome so far.
func (t *Test) Result() Result { return Result{} }

// Curve returns what is drawn, with at most n points a line; ahead is how far the fit is carried on.
func (t *Test) Curve(n int, ahead float64) Curve { return Curve{} }
