// SPDX-License-Identifier: Apache-2.0

// Package firmware wires the rooms together: it builds intake, checks, alarms, store and outlets for one machine file,
// owns the one goroutine that holds their state, and runs the same spine over recorded data.
//
// Words: the spine is the pure core that turns entries into findings and alarms; the mailbox carries entries from
// intake to the spine's goroutine; wires are what differs between a real machine and the simulated one; the box is
// all of it, running.
//
// Goroutines of a box: one an analog bus (and its watchdog), two a link, one for the box itself, one ticker, one for
// the spine, one for the store, one for the MQTT outlet, those of the broker and of the HTTP server. Only the spine's
// touches checks and alarms.
package firmware
