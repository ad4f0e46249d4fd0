// SPDX-License-Identifier: Apache-2.0

// Package results is what the program in the emulated box and the command on the host say to each other: JSON, one
// message a line, from the box to the host only.
//
// A line may be torn, when the box's power is cut in mid-word, and is then no message. The package never waits and
// opens nothing.
package results

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Kind is what a message is about.
type Kind string

// The kinds.
const (
	Started Kind = "started" // a test began
	Passed  Kind = "passed"  // a test ended well; Text says what was counted
	Failed  Kind = "failed"  // a test ended badly; Text says what was wrong
	Note    Kind = "note"    // something for the person who reads a failure
	Mark    Kind = "mark"    // Count frames were sent by the time At
	Found   Kind = "found"   // Count frames of the recording before survived; Text says more
	File    Kind = "file"    // a piece of the file Name, in order
	Ended   Kind = "ended"   // the last message; without it the box died
)

// Message is one line.
type Message struct {
	Kind  Kind   `json:"kind"`
	Test  string `json:"test,omitempty"`
	Text  string `json:"text,omitempty"`
	Name  string `json:"name,omitempty"`
	Count uint64 `json:"count,omitempty"`
	At    int64  `json:"at,omitempty"` // nanoseconds of the box's monotonic clock
	Data  []byte `json:"data,omitempty"`
}

// Piece is the most data of a file in one message, in bytes.
const Piece = 48 << 10

// maxLine bounds a line: a piece in base64 and what stands around it.
const maxLine = 128 << 10

// Write writes one message as one line.
func Write(w io.Writer, m Message) error {
	line, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("message to the host: %w", err)
	}
	if _, err := w.Write(append(line, '\n')); err != nil {
		return fmt.Errorf("message to the host: %w", err)
	}
	return nil
}

// Read calls each for every whole message until r ends, which is no error, or cannot be read. What is no message goes
// to other, a line at a time; the last line may lack its end.
func Read(r io.Reader, each func(Message), other func(line string)) error {
	in := bufio.NewReaderSize(r, maxLine)
	for {
		line, err := in.ReadSlice('\n')
		var m Message
		switch {
		case len(line) == 0:
		case err == nil && json.Unmarshal(line, &m) == nil && m.known():
			each(m)
		default:
			other(string(line))
		}
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil && !errors.Is(err, bufio.ErrBufferFull):
			return fmt.Errorf("listen to the box: %w", err)
		}
	}
}

func (m Message) known() bool {
	switch m.Kind {
	case Started, Passed, Failed, Note, Mark, Found, File, Ended:
		return true
	}
	return false
}
