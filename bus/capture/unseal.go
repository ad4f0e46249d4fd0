// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"
)

const (
	// smallFrame is the longest content of a Zstandard frame that is unpacked by itself; Seal makes far shorter ones.
	smallFrame = 1 << 20
	// scar is how many bytes of 0xff stand in place of a damaged frame. They are longer than any block or line of a
	// recording, so that no half of one before the damage can be taken together with a half behind it.
	scar = 4096

	blockRLE = 1 // RFC 8878 section 3.1.1.2.2: one byte stands for the whole block
)

// unsealer unpacks Zstandard. A capture of short frames, as Seal makes it, loses only those that are damaged; any other
// is one stream.
type unsealer struct {
	owner  *Reader
	in     *window
	dec    *zstd.Decoder
	out    []byte // unpacked and not handed out yet
	buf    []byte
	done   int64 // bytes unpacked so far
	stream bool
}

// Read answers io.EOF after the last frame.
func (u *unsealer) Read(p []byte) (int, error) {
	for len(u.out) == 0 {
		if u.stream {
			return u.dec.Read(p) //nolint:wrapcheck // the caller tells the errors of a stream apart
		}
		if err := u.next(); err != nil {
			return 0, err
		}
	}
	n := copy(p, u.out)
	u.out = u.out[n:]
	return n, nil
}

// next unpacks one frame, or turns to the stream.
func (u *unsealer) next() error {
	if head, err := u.in.peek(1); len(head) == 0 {
		return err //nolint:wrapcheck // io.EOF, or the source's error
	}
	n, ok := u.frameLength()
	var packed []byte
	if ok {
		packed, _ = u.in.peek(n)
	}
	if !ok || len(packed) < n {
		// Long frames, or the last one, cut short: a stream gives what there is.
		u.stream = true
		return u.dec.Reset(u.in) //nolint:wrapcheck // as above
	}
	out, err := u.dec.DecodeAll(packed, u.buf[:0])
	if err != nil {
		return u.skip(err)
	}
	u.in.skip(n)
	u.buf, u.out = out, out
	u.done += int64(len(out))
	return nil
}

// frameLength is how long the frame at hand is packed, if it is short (RFC 8878 section 3.1.1).
func (u *unsealer) frameLength() (int, bool) {
	head, _ := u.in.peek(zstd.HeaderMaxSize)
	var h zstd.Header
	if err := h.Decode(head); err != nil || h.Skippable || !h.HasFCS || h.FrameContentSize > smallFrame {
		return 0, false
	}
	n := h.HeaderSize
	for last := false; !last; {
		head, _ := u.in.peek(n + 3)
		if len(head) < n+3 || n > 2*smallFrame {
			return 0, false
		}
		b := head[n:]
		block := uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16 // last, kind, size: section 3.1.1.2
		last = block&1 != 0
		size := int(block >> 3)
		if block>>1&3 == blockRLE {
			size = 1
		}
		n += 3 + size
	}
	if h.HasCheckSum {
		n += 4
	}
	return n, true
}

// skip leaves out a damaged frame and goes on at the next one.
func (u *unsealer) skip(why error) error {
	from := u.in.pos
	u.in.skip(4)
	for {
		if i := bytes.Index(u.in.buffered(), []byte{0x28, 0xb5, 0x2f, 0xfd}); i >= 0 {
			u.in.skip(i)
			u.owner.blame(0, u.done, fmt.Sprintf("%d packed bytes are damaged (%v); what they held is left out", u.in.pos-from, why))
			u.buf = append(u.buf[:0], bytes.Repeat([]byte{0xff}, scar)...)
			u.out = u.buf
			u.done += scar
			return nil
		}
		u.in.skip(max(0, len(u.in.buffered())-3)) // the next one may have begun
		if err := u.in.more(); err != nil {
			if err != io.EOF { //nolint:errorlint // window passes io.EOF as it is
				return err //nolint:wrapcheck // the source's error
			}
			return why
		}
	}
}

// Read makes a window a source for the stream.
func (w *window) Read(p []byte) (int, error) {
	if len(w.buffered()) == 0 {
		if err := w.more(); err != nil {
			return 0, err
		}
	}
	n := copy(p, w.buffered())
	w.skip(n)
	return n, nil
}
