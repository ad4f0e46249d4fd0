// SPDX-License-Identifier: Apache-2.0

package main

import "context"

// guest makes lines that stand in the leak-down table but are not about one closed volume. It gets the run's seed, how many
// tests to make, how many cores to use, and the level of the intervals that the lines should carry.
type guest struct {
	words string
	rows  func(ctx context.Context, seed uint64, n, cores int, level float64) ([]figure, error)
}

func guests() []guest { return []guest{zoneGuest()} }
