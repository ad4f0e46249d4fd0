// SPDX-License-Identifier: Apache-2.0

package usbip

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"syscall"
)

// Serve answers the host's requests on conn for dev until the connection ends or ctx does; then it closes conn, ends
// the calls that still wait in dev and returns when all are back. The host hanging up is no error.
//
// Goroutines: the caller's reads; one for each endpoint and direction in use calls dev. The session's lock is held over
// each answer, because the order of answers is part of the protocol.
func Serve(ctx context.Context, conn io.ReadWriteCloser, dev Device) error {
	what := dev.Descriptors().withDefaults()
	if err := what.check(); err != nil {
		return errors.Join(err, conn.Close())
	}
	ctx, stop := context.WithCancel(ctx)
	s := &session{
		conn: conn, dev: dev, what: what, has: what.endpoints(),
		waiting: map[uint32]*request{}, lanes: map[byte]*lane{}, halted: map[byte]bool{},
	}
	unhook := context.AfterFunc(ctx, func() { s.hangUp(nil) })
	err := s.read(ctx)
	s.hangUp(err)
	stop()
	unhook()
	s.calls.Wait()
	return s.end
}

// request is a request of the host that has no answer yet.
type request struct {
	message

	cancel   context.CancelFunc // set while the device works on it
	unlinked bool               // the host takes it back
	unlinker uint32             // the message that said so
}

// lane is what waits for its turn at one endpoint and direction.
type lane struct {
	queue []*request    // guarded by the session's lock
	wake  chan struct{} // has one in it when the queue may have grown
}

// session is one connection.
type session struct {
	dev   Device
	what  Descriptors
	has   map[byte]bool  // endpoint addresses
	lanes map[byte]*lane // by address, 0 for control; only the reading goroutine uses the map
	calls sync.WaitGroup // the goroutines of the lanes

	hang sync.Once
	end  error

	mu            sync.Mutex // guards the rest
	conn          io.ReadWriteCloser
	waiting       map[uint32]*request
	halted        map[byte]bool
	configuration byte
}

// hangUp closes the connection once; the first reason is kept.
func (s *session) hangUp(reason error) {
	s.hang.Do(func() {
		if errors.Is(reason, io.EOF) {
			reason = nil
		}
		s.end = errors.Join(reason, s.conn.Close())
	})
}

// read takes in messages until the connection ends.
func (s *session) read(ctx context.Context) error {
	in := bufio.NewReader(s.conn)
	for {
		m, err := readMessage(in)
		switch {
		case hungUp(err) || ctx.Err() != nil:
			return io.EOF
		case err != nil:
			return fmt.Errorf("from the host: %w", err)
		case m.command == cmdUnlink:
			err = s.unlink(m)
		default:
			err = s.submit(ctx, m)
		}
		if err != nil && ctx.Err() == nil {
			return err
		}
	}
}

// address returns the endpoint's address; control requests of both directions share one.
func (m message) address() byte {
	if m.in && m.endpoint != 0 {
		return m.endpoint | 0x80
	}
	return m.endpoint
}

// submit queues a request at its endpoint.
func (s *session) submit(ctx context.Context, m message) error {
	l, ok := s.lanes[m.address()]
	if !ok {
		l = &lane{wake: make(chan struct{}, 1)}
		s.lanes[m.address()] = l
		s.calls.Go(func() { s.drive(ctx, l) })
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, twice := s.waiting[m.seq]; twice {
		return fmt.Errorf("request %d is there twice: %w", m.seq, ErrProtocol)
	}
	if len(s.waiting) >= MaxRequests {
		return fmt.Errorf("more than %d requests wait: %w", MaxRequests, ErrProtocol)
	}
	r := &request{message: m}
	s.waiting[m.seq] = r
	l.queue = append(l.queue, r)
	select {
	case l.wake <- struct{}{}:
	default:
	}
	return nil
}

// drive works through a lane until ctx ends.
func (s *session) drive(ctx context.Context, l *lane) {
	for ctx.Err() == nil {
		s.mu.Lock()
		var r *request
		if len(l.queue) > 0 {
			r, l.queue = l.queue[0], l.queue[1:]
		}
		s.mu.Unlock()
		if r != nil {
			s.work(ctx, r)
			continue
		}
		select {
		case <-l.wake:
		case <-ctx.Done():
		}
	}
}

// unlink takes a request back. One that waits for its turn is gone at once; one that the device works on is answered
// when the device returns; one that is not there was answered before.
func (s *session) unlink(m message) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	r, ok := s.waiting[m.unlink]
	switch {
	case !ok:
		return s.send(unlinkAnswer(m.seq, 0))
	case r.unlinked:
		return fmt.Errorf("request %d is taken back twice: %w", m.unlink, ErrProtocol)
	}
	r.unlinked, r.unlinker = true, m.seq
	if r.cancel != nil {
		r.cancel()
		return nil
	}
	delete(s.waiting, r.seq)
	l := s.lanes[r.address()]
	l.queue = slices.DeleteFunc(l.queue, func(q *request) bool { return q == r })
	return s.send(unlinkAnswer(m.seq, statusUnlinked))
}

// send writes an answer; the lock is held.
func (s *session) send(b []byte) error {
	if _, err := s.conn.Write(b); hungUp(err) {
		return io.EOF
	} else if err != nil {
		return fmt.Errorf("to the host: %w", err)
	}
	return nil
}

// hungUp says whether an error of a socket only tells that the other side has gone.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.EPIPE) || errors.Is(err, syscall.ECONNRESET)
}

// work lets the device do a request and answers it.
func (s *session) work(ctx context.Context, r *request) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s.mu.Lock()
	if r.unlinked { // since it left the queue
		s.mu.Unlock()
		return
	}
	r.cancel = cancel
	halted := s.halted[r.address()]
	s.mu.Unlock()

	var in []byte
	err := ErrStall
	if !halted {
		in, err = s.call(ctx, r.message)
		if errors.Is(err, ErrNoAnswer) {
			<-ctx.Done()
		}
	}

	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.waiting, r.seq)
	if errors.Is(err, ErrStall) && r.endpoint != 0 {
		s.halted[r.address()] = true
	}
	if err != nil && ctx.Err() != nil { // given up, because of an unlink or the end
		if r.unlinked {
			s.answer(unlinkAnswer(r.unlinker, statusUnlinked))
		}
		return
	}
	s.answer(finish(r.message, in, err))
	if r.unlinked { // too late: it was answered
		s.answer(unlinkAnswer(r.unlinker, 0))
	}
}

// answer sends; when that fails the connection is over, which ends the reader.
func (s *session) answer(b []byte) {
	if err := s.send(b); err != nil {
		s.hangUp(err)
	}
}

// finish makes the answer of what the device returned.
func finish(m message, in []byte, err error) []byte {
	switch {
	case errors.Is(err, ErrStall):
		return submitAnswer(m, statusStall, 0, nil)
	case err != nil:
		return submitAnswer(m, statusBroken, 0, nil)
	case !m.in:
		return submitAnswer(m, 0, len(m.out), nil)
	case m.endpoint != 0 && len(in) > m.length:
		return submitAnswer(m, statusTooMuch, 0, nil)
	}
	in = in[:min(len(in), m.length)]
	if m.flags&flagShortNotOK != 0 && len(in) < m.length {
		return submitAnswer(m, statusShort, len(in), in)
	}
	return submitAnswer(m, 0, len(in), in)
}

// call passes a request to the device.
func (s *session) call(ctx context.Context, m message) ([]byte, error) {
	switch {
	case m.endpoint == 0 && m.setup.DeviceToHost() != m.in && m.length > 0:
		return nil, fmt.Errorf("a control request whose data goes both ways: %w", ErrStall)
	case m.endpoint == 0 && m.setup.Kind() == Standard:
		return s.standard(m.setup)
	case m.endpoint == 0:
		in, err := s.dev.Control(m.setup, m.out)
		return in[:min(len(in), int(m.setup.Length))], err
	case !s.has[m.address()]:
		return nil, fmt.Errorf("no endpoint %#02x: %w", m.address(), ErrStall)
	case m.in:
		return s.dev.In(ctx, m.endpoint, m.length)
	default:
		return nil, s.dev.Out(ctx, m.endpoint, m.out)
	}
}

// Standard requests and what they are for (USB 2.0, tables 9-4 and 9-6).
const (
	getStatus        = 0
	clearFeature     = 1
	setFeature       = 3
	setAddress       = 5
	getDescriptor    = 6
	getConfiguration = 8
	setConfiguration = 9
	getInterface     = 10
	setInterface     = 11

	toEndpoint  = 2 // recipient, bits 4 to 0 of the request type
	featureHalt = 0
)

// standard answers a standard request (USB 2.0, section 9.4).
func (s *session) standard(q Setup) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	endpoint := byte(q.Index & 0x8f)
	aboutHalt := q.RequestType&0x1f == toEndpoint && q.Value == featureHalt && (s.has[endpoint] || endpoint&0x0f == 0)
	switch {
	case q.Request == getDescriptor && q.DeviceToHost():
		if b, ok := s.descriptor(q.Value); ok {
			return b[:min(len(b), int(q.Length))], nil
		}
	case q.Request == getStatus && q.DeviceToHost():
		if q.RequestType&0x1f == toEndpoint && s.halted[endpoint] {
			return []byte{1, 0}, nil
		}
		return []byte{0, 0}, nil
	case q.Request == clearFeature && aboutHalt:
		delete(s.halted, endpoint)
		return nil, nil
	case q.Request == setFeature && aboutHalt:
		if endpoint&0x0f != 0 {
			s.halted[endpoint] = true
		}
		return nil, nil
	case q.Request == setAddress: // the virtual controller keeps it to itself; other hosts may not
		return nil, nil
	case q.Request == getConfiguration && q.DeviceToHost():
		return []byte{s.configuration}, nil
	case q.Request == setConfiguration && q.Value <= theConfiguration:
		s.configuration = byte(q.Value)
		clear(s.halted) // section 9.1.1.5
		return nil, nil
	case q.Request == getInterface && q.DeviceToHost() && int(q.Index) < len(s.what.Interfaces):
		return []byte{0}, nil
	case q.Request == setInterface && q.Value == 0 && int(q.Index) < len(s.what.Interfaces):
		for _, e := range s.what.Interfaces[q.Index].Endpoints {
			delete(s.halted, e.Address)
		}
		return nil, nil
	}
	return nil, fmt.Errorf("standard request %d: %w", q.Request, ErrStall)
}

// descriptor returns a descriptor by type (high byte) and number.
func (s *session) descriptor(value uint16) ([]byte, bool) {
	number := byte(value & 0xff)
	switch value >> 8 {
	case typeDevice:
		return s.what.device(), number == 0
	case typeConfiguration:
		return s.what.configuration(), number == 0
	case typeString:
		return s.what.text(number)
	default:
		return nil, false
	}
}
