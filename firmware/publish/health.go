// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"encoding/json"
	"fmt"

	"airhold/firmware/alarms"
)

// AlarmHealth answers GET /api/alarm-health.
type AlarmHealth struct {
	Stamp

	Days []alarms.HealthDay `json:"days"` // newest first; the first one goes on
}

// SumDay is topic airhold/v1/{machine}/sum/day, not retained, QoS 1: when a day has ended and again three minutes later,
// when all its minutes are summed up; and of the one that goes on at the start and each hour.
type SumDay struct {
	Stamp

	Alarms  alarms.HealthDay `json:"alarms"`
	Values  []Summary        `json:"values"` // over all boots of the day, as far as its minutes are kept
	Journal JournalHead      `json:"journal"`
}

// JournalHead is the end of the journal's chain of hashes. Whoever keeps it can tell later that the end was cut off.
type JournalHead struct {
	Records int64  `json:"records"`
	SHA256  string `json:"sha256"`
}

// SumDay leaves the sum of a day.
func (o *Outlet) SumDay(s *SumDay) error {
	b, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("write sum/day: %w", err)
	}
	o.once(saying{topic: "sum/day", payload: b, class: ofSums})
	return nil
}
