// SPDX-License-Identifier: Apache-2.0

package usbip

import (
	"encoding/binary"
	"fmt"
	"io"
)

// Commands of a message (usbip_protocol.rst, "Message Format").
const (
	cmdSubmit = 1
	cmdUnlink = 2
	retSubmit = 3
	retUnlink = 4
)

const (
	headerSize = 48

	directionIn = 1

	// flagShortNotOK asks for an error when less comes than asked (URB_SHORT_NOT_OK in include/linux/usb.h).
	flagShortNotOK = 1

	// notIsochronous stands for "no packets" beside zero, which the kernel really sends.
	notIsochronous = 0xffffffff

	// MaxTransfer bounds one request, in bytes: drivers ask for a few KiB, the kernel's usbfs for 16 KiB.
	MaxTransfer = 1 << 20
	// MaxRequests bounds how many requests of the host may wait for their answer.
	MaxRequests = 1024
)

// Results of a request: error numbers of Linux, negative on the wire.
const (
	statusStall    = -32  // EPIPE
	statusBroken   = -71  // EPROTO
	statusTooMuch  = -75  // EOVERFLOW
	statusUnlinked = -104 // ECONNRESET
	statusShort    = -121 // EREMOTEIO
)

// message is a message of the host: a request, or (command cmdUnlink) the wish to take one back.
type message struct {
	command  uint32
	seq      uint32
	in       bool
	endpoint byte
	flags    uint32
	length   int    // bytes asked for or sent along
	start    uint32 // start_frame and number_of_packets go back as they came
	packets  uint32
	setup    Setup
	unlink   uint32 // the seq that is taken back
	out      []byte
}

// readMessage reads one message of the host. Its error is io.EOF at the end between two messages.
func readMessage(r io.Reader) (message, error) {
	var h [headerSize]byte
	if _, err := io.ReadFull(r, h[:]); err != nil {
		return message{}, err
	}
	be := binary.BigEndian
	m := message{command: be.Uint32(h[0:]), seq: be.Uint32(h[4:]), in: be.Uint32(h[12:]) == directionIn}
	switch m.command {
	case cmdUnlink:
		m.unlink = be.Uint32(h[20:])
		return m, nil
	case cmdSubmit:
	default:
		return message{}, fmt.Errorf("command %#x: %w", m.command, ErrProtocol)
	}
	endpoint, length := be.Uint32(h[16:]), be.Uint32(h[24:])
	if endpoint > 15 {
		return message{}, fmt.Errorf("endpoint %d: %w", endpoint, ErrProtocol)
	}
	if length > MaxTransfer {
		return message{}, fmt.Errorf("a request of %d bytes, up to %d are served: %w", length, MaxTransfer, ErrProtocol)
	}
	m.endpoint, m.length = byte(endpoint), int(length)
	m.flags, m.start, m.packets = be.Uint32(h[20:]), be.Uint32(h[28:]), be.Uint32(h[32:])
	if m.packets != 0 && m.packets != notIsochronous {
		return message{}, fmt.Errorf("an isochronous request, which is not served: %w", ErrProtocol)
	}
	le := binary.LittleEndian // the setup bytes stand as on the USB wire
	m.setup = Setup{h[40], h[41], le.Uint16(h[42:]), le.Uint16(h[44:]), le.Uint16(h[46:])}
	if !m.in {
		m.out = make([]byte, m.length)
		if _, err := io.ReadFull(r, m.out); err != nil {
			return message{}, fmt.Errorf("data of a request: %w", noEnd(err))
		}
	}
	return m, nil
}

// noEnd makes an end inside a message an error.
func noEnd(err error) error {
	if err == io.EOF { //nolint:errorlint // io.ReadFull returns it as it is
		return io.ErrUnexpectedEOF
	}
	return err
}

// submitAnswer is the answer to a request. actual counts bytes in either direction; only data for the host is sent.
func submitAnswer(m message, status int32, actual int, data []byte) []byte {
	b := make([]byte, headerSize, headerSize+len(data))
	be := binary.BigEndian
	be.PutUint32(b[0:], retSubmit)
	be.PutUint32(b[4:], m.seq)
	be.PutUint32(b[20:], uint32(status)) //nolint:gosec // a negative number as its bits
	be.PutUint32(b[24:], uint32(actual)) //nolint:gosec // at most MaxTransfer
	be.PutUint32(b[28:], m.start)
	be.PutUint32(b[32:], m.packets)
	return append(b, data...)
}

// unlinkAnswer is the answer to the wish to take a request back.
func unlinkAnswer(seq uint32, status int32) []byte {
	b := make([]byte, headerSize)
	binary.BigEndian.PutUint32(b[0:], retUnlink)
	binary.BigEndian.PutUint32(b[4:], seq)
	binary.BigEndian.PutUint32(b[20:], uint32(status)) //nolint:gosec // a negative number as its bits
	return b
}
