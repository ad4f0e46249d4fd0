// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package clock

import (
	"context"
	"time"
)

// Live is the clock of a development machine: boot time counts from 1970 by the wall clock, so it is no proof of
// anything. The box runs Linux.
type Live struct{}

// Boot returns the wall clock's time since 1970.
func (Live) Boot() time.Duration { return time.Duration(time.Now().UnixNano()) }

// Sample pairs boot and wall time.
func (l Live) Sample() Sample { return Sample{Boot: l.Boot(), UTC: time.Now().UTC(), Quality: Coarse} }

// Sleep waits for d.
func (Live) Sleep(ctx context.Context, d time.Duration) error { return sleep(ctx, d) }
