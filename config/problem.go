// SPDX-License-Identifier: Apache-2.0

package config

import "fmt"

// Severity of a problem.
type Severity string

// The severities.
const (
	SevError   Severity = "error"
	SevWarning Severity = "warning"
)

// Problem is one thing wrong in a machine file.
type Problem struct {
	File       string   `json:"file"`
	Line       int      `json:"line"`
	Column     int      `json:"column"`
	Severity   Severity `json:"severity"`
	Message    string   `json:"message"`
	Allowed    string   `json:"allowed"`
	Suggestion string   `json:"suggestion"`
	Snippet    string   `json:"-"` // the line of the file, for a caret below it
}

// String writes a problem as a compiler does: place, what, allowed, try.
func (p Problem) String() string {
	s := fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Message)
	if p.Allowed != "" {
		s += "; allowed: " + p.Allowed
	}
	if p.Suggestion != "" {
		s += fmt.Sprintf(". Did you mean %q?", p.Suggestion)
	}
	return s
}
