// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"errors"
	"io"
)

// window is a sliding view of a stream: peek looks ahead, skip moves on. bufio.Reader does not fit, because its size
// is fixed and a pcapng block may be long.
type window struct {
	src io.Reader
	buf []byte
	lo  int   // first byte not yet skipped
	hi  int   // end of what was read
	pos int64 // offset of lo in the stream
	err error // why src gave no more
}

const windowSize = 1 << 16

func newWindow(src io.Reader) *window { return &window{src: src, buf: make([]byte, windowSize)} }

// peek returns the next n bytes, or what is left together with the source's error.
func (w *window) peek(n int) ([]byte, error) {
	if w.hi-w.lo >= n {
		return w.buf[w.lo : w.lo+n], nil
	}
	w.fill(n)
	if w.hi-w.lo < n {
		return w.buf[w.lo:w.hi], w.err
	}
	return w.buf[w.lo : w.lo+n], nil
}

// more reads at least one further byte behind what is buffered, when there is one.
func (w *window) more() error {
	had := w.hi - w.lo
	w.fill(had + 1)
	if w.hi-w.lo == had {
		return w.err
	}
	return nil
}

func (w *window) fill(n int) {
	if w.err != nil {
		return
	}
	if w.lo+n > len(w.buf) {
		to := w.buf
		if 2*n > len(w.buf) {
			to = make([]byte, 2*n) // so that moving down costs little even when every byte asks for n more
		}
		copy(to, w.buf[w.lo:w.hi])
		w.hi -= w.lo
		w.lo = 0
		w.buf = to
	}
	for idle := 0; w.hi-w.lo < n && w.err == nil; {
		k, err := w.src.Read(w.buf[w.hi:])
		w.hi += k
		if err != nil {
			w.err = err
			if errors.Is(err, io.EOF) {
				w.err = io.EOF
			}
			return
		}
		if idle++; k > 0 {
			idle = 0
		} else if idle > 100 {
			w.err = io.ErrNoProgress
		}
	}
}

// buffered is what was read and not yet skipped.
func (w *window) buffered() []byte { return w.buf[w.lo:w.hi] }

func (w *window) skip(n int) {
	w.lo += n
	w.pos += int64(n)
}
