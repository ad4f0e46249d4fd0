// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"sync"
	"time"

	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Supplies holds the newest voltage of each voltage channel, so that a ratiometric sensor on one bus can be converted
// against a supply measured on another. Any goroutine may use it.
type Supplies struct {
	mu     sync.Mutex
	newest map[readings.Channel]supply
}

type supply struct {
	volts   units.Volts
	goodTil time.Duration
}

// NewSupplies returns an empty store; the analog buses of one box share one.
func NewSupplies() *Supplies { return &Supplies{newest: make(map[readings.Channel]supply)} }

// put keeps a voltage until boot time goodTil.
func (s *Supplies) put(c readings.Channel, v units.Volts, goodTil time.Duration) {
	s.mu.Lock()
	s.newest[c] = supply{v, goodTil}
	s.mu.Unlock()
}

// get returns the voltage of c at boot time now: zero when it is too old, and seen false when there never was one.
func (s *Supplies) get(c readings.Channel, now time.Duration) (v units.Volts, seen bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, ok := s.newest[c]
	if !ok || now > n.goodTil {
		return 0, ok
	}
	return n.volts, true
}
