// SPDX-License-Identifier: Apache-2.0

package intake

import "context"

// Step reads the next input, for the allocation budget.
func (b *AnalogBus) Step(ctx context.Context) error { return b.step(ctx) }
