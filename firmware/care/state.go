// SPDX-License-Identifier: Apache-2.0

package care

import "time"

// none is the index of no record.
const none = -1

// item is one of this machine's care, and how it stood at the last tick.
type item struct {
	what

	hours time.Duration // run time after which it is due; 0: not by run time

	last    int           // its newest record
	told    bool          // its trigger holds
	hushed  bool          // it held when the item was recorded: it must first let go
	heard   time.Duration // run time when it was last heard
	verdict verdict
}

// mark is what the counters stood at when an item was recorded.
type mark struct {
	Days   int           `json:"days"`   // working days begun
	Worked time.Duration `json:"worked"` // time at work
	Run    time.Duration `json:"run"`    // run time of the compressor
}

// entry is a record as it is kept.
type entry struct {
	Item string    `json:"item"`
	At   time.Time `json:"at,omitzero"`
	Mono int64     `json:"mono"` // ms
	By   string    `json:"by,omitempty"`
	Note string    `json:"note,omitempty"`
	Mark mark      `json:"mark"`
}

// season is the one the machine is in, or was in last.
type season struct {
	Number  int               `json:"number"`            // counted by this box; 0: none has begun
	Began   time.Time         `json:"began,omitzero"`    // UTC; zero where the clock was not set
	Days    int               `json:"days"`              // working days begun when it began, its first among them
	Worked  time.Duration     `json:"worked"`            // time at work when it began: what was recorded later counts for it
	Open    []string          `json:"open,omitempty"`    // items whose question has no answer yet
	Answers map[string]Answer `json:"answers,omitempty"` // by item
}

// state is all that outlives a power cut.
type state struct {
	Version int       `json:"version"`
	Since   time.Time `json:"since,omitzero"` // the first moment with a clock: days that nobody recorded count from here

	Days   int           `json:"days"`   // working days begun
	Worked time.Duration `json:"worked"` // time at work
	Run    time.Duration `json:"run"`    // run time of the compressor, as it was said last
	Before time.Duration `json:"before"` // of counts that began anew

	DayBegan time.Time     `json:"day_began,omitzero"` // of the last working day that has a date, UTC
	LastWork time.Time     `json:"last_work,omitzero"` // that has a date, UTC
	Undated  bool          `json:"undated,omitempty"`  // there was work since that has none
	Loose    time.Duration `json:"loose,omitempty"`    // time at work when that began

	Season  season   `json:"season"`
	Hushed  []string `json:"hushed,omitempty"`  // items whose trigger has not let go since they were recorded
	Records []entry  `json:"records,omitempty"` // oldest first
}

const (
	stateVersion = 1
	// mostRecords bounds the history that is kept: some five seasons. The journal keeps them all.
	mostRecords = 400
)
