// SPDX-License-Identifier: Apache-2.0

package clock

import (
	"context"
	"time"
)

// firstPlausibleYear is the year before which a wall clock was certainly never set.
const firstPlausibleYear = 2025

func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
