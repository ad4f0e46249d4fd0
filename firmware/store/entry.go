// SPDX-License-Identifier: Apache-2.0

// Package store keeps everything that must survive: the log of what entered the spine, raw frames, the alarm journal
// and what the box has learned; and it reads them back for replay.
//
// Words: an entry is one thing that entered the spine, in the order in which it entered (a reading, a tick, a
// command, a clock sample, a machine fault); a boot is one run of the box and one SQLite file of entries; the journal
// is the hash-chained list of what the alarms did and what people told them.
package store

import (
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
)

// Kind tells what an entry is.
type Kind uint8

// The kinds of entry.
const (
	IsReading Kind = iota
	IsTick
	IsCommand
	IsClock
	IsFault
)

// Entry is one thing that entered the spine. Which field means something, Kind says; At always does.
type Entry struct {
	Kind    Kind
	At      time.Duration
	Reading readings.Reading
	Command *alarms.Command
	Clock   clock.Sample
	Fault   readings.MachineFault
}
