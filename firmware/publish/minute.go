// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"encoding/json"
	"fmt"
	"time"

	"airhold/sensors/units"
)

// Minute is the summary of one minute: topic airhold/v1/{machine}/sum/1m, not retained. Its stamp is the minute's end.
type Minute struct {
	Stamp

	From   *time.Time `json:"from"` // UTC of its begin; null while nobody knows the time
	Late   int64      `json:"late"` // readings since the summary before that came too late for theirs
	Values []Summary  `json:"values"`
}

// Summary is what one series did in a stretch of time.
type Summary struct {
	ID        string          `json:"id"`
	Unit      string          `json:"unit"`
	Reference units.Reference `json:"reference,omitempty"`
	Min       *float64        `json:"min"` // null without a good reading
	Mean      *float64        `json:"mean"`
	Max       *float64        `json:"max"`
	Count     uint32          `json:"count"` // good readings
	Bad       uint32          `json:"bad"`   // others
}

// Minute says the summary of a minute once.
func (o *Outlet) Minute(m Minute) error {
	b, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("write sum/1m: %w", err)
	}
	o.once(saying{topic: "sum/1m", payload: b, class: ofSums})
	return nil
}
