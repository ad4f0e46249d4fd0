// SPDX-License-Identifier: Apache-2.0

package results

import "time"

// Where the host puts things in the box's first file system.
const (
	PlanFile = "/plan.json"
	Agent    = "/init"
	Airhold  = "/usr/bin/airhold"
	Modules  = "/modules"
)

// Port is the name of the serial port that carries messages.
const Port = "airhold.results"

// Plan is what the host asks of one start of the box.
type Plan struct {
	Modules []string      `json:"modules"` // files below Modules in the order to load them
	Tests   []string      `json:"tests"`
	Load    time.Duration `json:"load"` // how long a full bus lasts
	Disk    bool          `json:"disk"` // there is an ext4 disk to mount at /data

	// Of a box whose power will be cut, or was: how many were before it on the same disk; whether it is the last, which is
	// left in peace; and whether airhold's syncs shall do nothing.
	Cycle  uint64 `json:"cycle,omitempty"`
	Last   bool   `json:"last,omitempty"`
	NoSync bool   `json:"no_sync,omitempty"`
}
