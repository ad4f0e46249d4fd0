// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// Alarm is the whole state of one alarm: topic airhold/v1/{machine}/alarm/{key}[/{where-slug}], retained, QoS 1.
type Alarm struct {
	Stamp

	Key      findings.Key     `json:"key"`
	Where    string           `json:"where,omitempty"`
	Title    string           `json:"title"`          // "Tank pressure low"
	Kind     string           `json:"kind,omitempty"` // "announced", "note", "reminder"
	State    alarms.StateName `json:"state"`
	Priority alarms.Priority  `json:"priority"`
	Onset    *time.Time       `json:"onset,omitempty"`
	Value    Quantity         `json:"value,omitempty"`
	Limit    Quantity         `json:"limit,omitempty"`
	Group    string           `json:"group,omitempty"`
	FirstOut bool             `json:"firstout"`
	Silent   bool             `json:"silent"`
	Standing bool             `json:"standing,omitempty"` // in a list of its own
	Do       string           `json:"do,omitempty"`
	Cause    string           `json:"cause,omitempty"`
	Then     string           `json:"consequence,omitempty"`
	Caution  string           `json:"caution,omitempty"`
	From     string           `json:"from,omitempty"` // "from the seat" or "parked"
	Detail   string           `json:"detail,omitempty"`
	Until    *time.Time       `json:"until,omitempty"`      // while shelved
	UntilMS  int64            `json:"until_mono,omitempty"` // the same by the clock of mono
	By       string           `json:"by,omitempty"`
	Why      string           `json:"why,omitempty"`
}

// AlarmsSum is topic airhold/v1/{machine}/alarms, retained, QoS 1.
type AlarmsSum struct {
	Stamp

	Unacked  int    `json:"unacked"`
	Active   int    `json:"active"`
	Standing int    `json:"standing"` // not among the active
	Shelved  int    `json:"shelved"`
	Out      int    `json:"out_of_service"`
	Highest  string `json:"highest"` // none, low, medium, high: of what is unacknowledged or active
	FirstOut string `json:"first_out,omitempty"`
	Flood    bool   `json:"flood"`
}

// Online is topic airhold/v1/{machine}/online, retained, QoS 1; its last will says false.
type Online struct {
	Online bool      `json:"online"`
	T      time.Time `json:"t"`
	Boot   string    `json:"boot"`
}

// About is topic airhold/v1/{machine}/about, retained, QoS 1.
type About struct {
	Stamp

	Name      string         `json:"name"`
	Software  string         `json:"software"`
	Simulated bool           `json:"simulated"`
	Story     string         `json:"story,omitempty"`
	Machine   string         `json:"machine_sha256"`
	Catalogue string         `json:"catalogue_sha256"`
	Contract  *AboutContract `json:"contract,omitempty"` // the outlet fills it in
	Signals   []AboutChannel `json:"signals"`
}

// AboutChannel describes a channel to a client.
type AboutChannel struct {
	ID        string `json:"id"`
	Quantity  string `json:"quantity"`
	Unit      string `json:"unit"`
	Reference string `json:"reference,omitempty"`
	Source    string `json:"source"`
}
