// Package newroom is a room of bus that nobody has told the check of: the strictest rule holds.
package newroom

import "golang.org/x/sys/unix" // want: imports golang.org/x/sys/unix

var _ = unix.AF_CAN
