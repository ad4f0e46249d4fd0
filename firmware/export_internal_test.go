// SPDX-License-Identifier: Apache-2.0

package firmware

import "airhold/firmware/publish"

// Broker lets a test take the box's broker away and give it back.
func (b *Box) Broker() publish.Broker { return b.broker }
