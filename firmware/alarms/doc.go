// SPDX-License-Identifier: Apache-2.0

// Package alarms decides what of all that the checks find a person is told, when, and how loudly.
//
// Words: a row is one alarm of the catalogue, with its delays, deadband, priority and the one thing to do; an item is
// one row at one place, the smallest thing that has a state; the raw condition is what a finding says at its instant,
// the condition is the raw one after delays and deadband; a suppressor is a rule that hides rows while it holds (the
// planter is up, the bus is silent); a root is an alarm that explains others; first-out is the earliest onset of a
// group; an announcement is one that sounds.
//
// The state of an item is four fields that never depend on each other: condition, acknowledgement, latch and
// visibility. The name shown outside follows from them (State.Name). The set of states is that of ANSI/ISA-18.2 and
// IEC 62682 (letters A to H from memory); shelving, latching and the idea of announcing again are those of OPC UA
// Part 9. Rates and flood limits are the figures commonly quoted from ISA-18.2 and EEMUA 191 (from memory).
//
// What this package decides, where the standards leave it open:
//   - An Unseen finding freezes the delays and keeps the condition: an active alarm stays active and says that it
//     cannot be seen now. Losing sight is never "returned to normal". A value that is no number counts as unseen.
//   - A stretch without findings longer than two sample periods freezes the delays; it neither counts nor resets. The
//     period is what two consecutive gaps agree on, and Options.Period before there are two.
//   - Shelving says that somebody saw it. What happens on the shelf is not announced; when the shelf time ends, or
//     somebody ends it, an alarm that is active then is unacknowledged again.
//   - Suppression by a rule closes the episode: condition and acknowledgement start anew when it ends, so the on-delay
//     runs in full. A latch stays.
//   - A restart keeps what nobody has acknowledged, what is latched, on the shelf or out of service. The condition
//     itself starts as normal and is found again.
//
// The package never asks for the time, does no I/O, starts no goroutine, and never says "normal" for what it was not
// told. One goroutine owns an Engine.
package alarms
