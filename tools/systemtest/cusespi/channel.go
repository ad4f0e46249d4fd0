// SPDX-License-Identifier: Apache-2.0

package cusespi

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Operations of the channel (enum fuse_opcode in include/uapi/linux/fuse.h).
const (
	opOpen      = 14
	opRead      = 15
	opWrite     = 16
	opRelease   = 18
	opFlush     = 25
	opInterrupt = 36
	opIoctl     = 39
	opInit      = 4096
)

// Sizes of the structures of fuse.h, bytes.
const (
	inHeader  = 40
	outHeader = 16
	ioctlIn   = 32
	ioctlOut  = 16
	rwIn      = 40
	initIn    = 16
	initOut   = 72

	maxPieces = 256 // FUSE_IOCTL_MAX_IOV
)

// What the model needs of the protocol.
const (
	protocolMajor = 7
	protocolMinor = 16 // from here on a retry's pieces have one form on all machines
	oldestMinor   = 16

	wantsUnrestricted = 1 // CUSE_UNRESTRICTED_IOCTL: retries are allowed
	isRetry           = 4 // FUSE_IOCTL_RETRY
	maxData           = 1 << 16
)

// errno is an error number of Linux.
type errno int32

// Error numbers used here (include/uapi/asm-generic).
const (
	errIO      errno = 5  // EIO
	errFault   errno = 14 // EFAULT
	errInvalid errno = 22 // EINVAL
	errNotTTY  errno = 25 // ENOTTY
	errNoCall  errno = 38 // ENOSYS
	errTooLong errno = 90 // EMSGSIZE
)

// Error is part of error.
func (e errno) Error() string { return fmt.Sprintf("error number %d", int32(e)) }

// ErrChannel says that the kernel's side of the channel is not understood.
var ErrChannel = errors.New("not a message of the cuse channel")

// request is one message of the kernel.
type request struct {
	op     uint32
	unique uint64
	body   []byte
}

// parse takes a message apart.
func parse(b []byte) (request, error) {
	le := binary.LittleEndian
	if len(b) < inHeader || int64(le.Uint32(b)) != int64(len(b)) {
		return request{}, fmt.Errorf("%d bytes: %w", len(b), ErrChannel)
	}
	return request{op: le.Uint32(b[4:]), unique: le.Uint64(b[8:]), body: b[inHeader:]}, nil
}

// answer makes the answer to a request: a body, or an error number.
func (r request) answer(body []byte, err error) []byte {
	le := binary.LittleEndian
	var number int32
	if err != nil {
		e := errIO
		errors.As(err, &e)
		number, body = -int32(e), nil
	}
	b := make([]byte, outHeader, outHeader+len(body))
	le.PutUint32(b, uint32(outHeader+len(body))) //nolint:gosec // bodies are bounded by maxData
	le.PutUint32(b[4:], uint32(number))
	le.PutUint64(b[8:], r.unique)
	return append(b, body...)
}

// handle answers one message of the kernel; nil where it wants no answer.
func (p *Port) handle(name string, b []byte) ([]byte, error) {
	r, err := parse(b)
	if err != nil {
		return nil, err
	}
	switch r.op {
	case opInit:
		body, err := hello(name, r.body)
		return r.answer(body, nil), err
	case opOpen:
		return r.answer(make([]byte, 16), nil), nil // struct fuse_open_out
	case opRelease, opFlush:
		return r.answer(nil, nil), nil
	case opInterrupt: // of a request that is answered already
		return nil, nil
	case opRead, opWrite:
		body, err := p.plain(r)
		return r.answer(body, err), nil
	case opIoctl:
		body, err := p.ioctl(r.body)
		return r.answer(body, err), nil
	default:
		return r.answer(nil, errNoCall), nil
	}
}

// hello answers the first message: it names the device that is to be made.
func hello(name string, body []byte) ([]byte, error) {
	le := binary.LittleEndian
	if len(body) < initIn {
		return nil, fmt.Errorf("first message: %w", ErrChannel)
	}
	major, minor, flags := le.Uint32(body), le.Uint32(body[4:]), le.Uint32(body[12:])
	if major != protocolMajor || minor < oldestMinor || flags&wantsUnrestricted == 0 {
		return nil, fmt.Errorf("the kernel speaks version %d.%d with flags %#x of the channel, 7.16 with unrestricted ioctls is needed: %w", major, minor, flags, ErrChannel)
	}
	named := "DEVNAME=" + name + "\x00"
	b := make([]byte, initOut, initOut+len(named))
	le.PutUint32(b, protocolMajor)
	le.PutUint32(b[4:], protocolMinor)
	le.PutUint32(b[12:], wantsUnrestricted)
	le.PutUint32(b[16:], maxData)
	le.PutUint32(b[20:], maxData)
	return append(b, named...), nil
}

// plain is read(2) and write(2): a message of one transfer, one direction of which is thrown away.
func (p *Port) plain(r request) ([]byte, error) {
	if len(r.body) < rwIn {
		return nil, errInvalid
	}
	size := binary.LittleEndian.Uint32(r.body[16:])
	if size > bufferSize {
		return nil, errTooLong
	}
	t := transfer{out: make([]byte, size), in: make([]byte, size)}
	if r.op == opRead {
		p.message([]transfer{t})
		return t.in, nil
	}
	data := r.body[rwIn:]
	if len(data) != int(size) {
		return nil, errInvalid
	}
	copy(t.out, data)
	p.message([]transfer{t})
	return binary.LittleEndian.AppendUint64(nil, uint64(size)), nil // struct fuse_write_out
}
