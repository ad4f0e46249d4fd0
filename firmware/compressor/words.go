// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"strconv"
	"time"
)

// Remark says in a sentence what is unusual about how the compressor works or is watched; false where nothing is.
func (c *Compressor) Remark() (string, bool) {
	switch {
	case c.o.Control == ReliefHeld:
		return "It delivers all the time, into a relief valve: starts, duty, cut-in and cut-out mean nothing here.", true
	case c.o.Control == Proportional:
		return "It follows the pressure: starts, duty, cut-in and cut-out mean nothing here.", true
	case c.stuck.on:
		return "The tank's sensor says the same to the last digit: whether it runs is not known.", true
	case c.ledger.isOpen && c.ledger.excused:
		return "It charges an empty tank.", true
	}
	if run := c.ledger.openLength(); run > endless && run > 2*c.ledger.usual() {
		return "It has run for " + strconv.Itoa(int(run.Minutes())) + " minutes without getting to its cut-out.", true
	}
	if left, ok := c.LearningLeft(); ok {
		return "Learning the compressor: " + strconv.Itoa(int(left.Minutes())) + " minutes to go.", true
	}
	return "", false
}

// endless is a run that looks as if it would not end: the duty window of IEC 60034-1 S3, from memory.
const endless = 10 * time.Minute

// usual is the mean length of the runs that ended.
func (l *ledger) usual() time.Duration {
	n := l.runs
	if l.isOpen {
		n--
	}
	if n <= 0 {
		return 0
	}
	return l.sum / time.Duration(n)
}
