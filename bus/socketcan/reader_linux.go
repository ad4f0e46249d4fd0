// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"airhold/bus"
)

// controlSize holds a time stamp (16 bytes) and a drop count (4) with their heads.
const controlSize = 64

// waiter is what a reader needs of the runtime's poller: call f, and again each time something becomes readable, until f
// returns true.
type waiter interface {
	Read(f func(fd uintptr) bool) error
}

// receiver is the one system call of the receive path; tests put their own in its place.
type receiver func(fd uintptr, batch *[batchSize]unix.Mmsghdr, n int) (int, unix.Errno)

// reader takes batches from a datagram descriptor.
//
// The runtime's poller would wake a thread for every frame that arrives, also while nobody waits for one: at 15,300 frames a
// second that is a tenth of a core. So the poller watches an epoll descriptor, the watch, which is armed only when the queue
// is empty and tells once.
type reader struct {
	name  string
	link  uint16
	fd    int      // the socket
	file  *os.File // the watch
	wait  waiter   // on the watch
	event unix.EpollEvent
	armed bool

	receive receiver
	clocks  func() moment
	before  moment

	gather time.Duration // how long to let frames gather after the queue was emptied
	timer  *time.Timer   // nil until it is needed
	empty  bool          // the last call emptied the queue

	want  int // frames asked for by the running call
	got   int
	errno unix.Errno
	try   func(fd uintptr) bool

	mu     sync.Mutex      // Close may come from another goroutine than Next
	done   <-chan struct{} // of the context that ends the wait
	stop   func() bool
	closed bool

	lost unix.Errno // the link is gone; what still waits is handed out first

	counted   uint32 // last drop count of the kernel, which wraps
	drops     atomic.Uint64
	malformed atomic.Uint64

	batch   [batchSize]unix.Mmsghdr
	iov     [batchSize]unix.Iovec
	frame   [batchSize][frameSize]byte
	control [batchSize][controlSize]byte
}

// newReader takes over fd, a datagram socket in non-blocking mode, unless it returns an error.
func newReader(fd int, name string, link uint16) (*reader, error) {
	r := &reader{name: name, link: link, fd: fd, receive: recvmmsg, clocks: readClocks}
	r.event = unix.EpollEvent{Events: unix.EPOLLONESHOT, Fd: int32(fd)} //nolint:gosec // a descriptor
	watch, err := unix.EpollCreate1(unix.EPOLL_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("%s: watch the socket: %w", name, err)
	}
	err = unix.SetNonblock(watch, true) // else the runtime takes it for a plain file
	if err == nil {
		err = unix.EpollCtl(watch, unix.EPOLL_CTL_ADD, fd, &r.event)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: watch the socket: %w", name, err), unix.Close(watch))
	}
	r.file = os.NewFile(uintptr(watch), name)
	// A descriptor that cannot be polled could not be interrupted either.
	if err := r.file.SetReadDeadline(time.Time{}); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: the descriptor cannot be polled: %w", name, err), r.file.Close())
	}
	conn, err := r.file.SyscallConn()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", name, err), r.file.Close())
	}
	r.wait = conn
	r.before = r.clocks()
	r.try = r.attempt
	return r, nil
}

// attempt takes a batch; false means that there is none and the watch is armed.
func (r *reader) attempt(watch uintptr) bool {
	r.take()
	if gone(r.errno) && r.lost == 0 {
		// The kernel tells of the loss before it hands out the frames that came before it. They are whole: take them.
		r.lost = r.errno
		r.take()
	}
	switch {
	case r.errno == 0:
	case r.lost != 0:
		r.errno = r.lost
	case r.errno == unix.EAGAIN:
		return !r.watch(watch, unix.EPOLLIN)
	}
	if r.armed {
		r.watch(watch, 0)
	}
	return true
}

// watch arms the watch for events, or disarms it where there are none; it reports success.
func (r *reader) watch(watch uintptr, events uint32) bool {
	r.event.Events = events | unix.EPOLLONESHOT
	if err := unix.EpollCtl(int(watch), unix.EPOLL_CTL_MOD, r.fd, &r.event); err != nil {
		return false
	}
	r.armed = events != 0
	return true
}

func (r *reader) take() {
	r.arm()
	r.got, r.errno = r.receive(uintptr(r.fd), &r.batch, r.want)
}

// gone reports whether an error number says that the link went down or away.
func gone(e unix.Errno) bool { return e == unix.ENETDOWN || e == unix.ENODEV || e == unix.ENXIO }

// arm points the message headers at their buffers; the kernel writes into them each time.
func (r *reader) arm() {
	for i := range r.want {
		r.iov[i].Base = &r.frame[i][0]
		r.iov[i].SetLen(frameSize)
		h := &r.batch[i].Hdr
		h.Iov = &r.iov[i]
		h.SetIovlen(1)
		h.Control = &r.control[i][0]
		h.SetControllen(controlSize)
		h.Flags = 0
		r.batch[i].Len = 0
	}
}

// recvmmsg is recvmmsg(2) without waiting: the runtime's poller does that.
func recvmmsg(fd uintptr, batch *[batchSize]unix.Mmsghdr, n int) (int, unix.Errno) {
	for {
		got, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(batch)), uintptr(n), unix.MSG_DONTWAIT, 0, 0) //nolint:gosec // the one system call of this package; the kernel writes only into batch and what it points to
		if errno != unix.EINTR {
			return int(got), errno
		}
	}
}

// readClocks reads the boot clock on both sides of the wall clock and takes the middle.
func readClocks() moment {
	var before, wall, after unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &before) // these clocks exist since Linux 2.6.39 and cannot fail
	_ = unix.ClockGettime(unix.CLOCK_REALTIME, &wall)
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &after)
	return moment{wall: wall.Nano(), boot: before.Nano() + (after.Nano()-before.Nano())/2}
}

// heed makes the end of ctx interrupt the wait. It costs something only when ctx is another than the last time.
func (r *reader) heed(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return fmt.Errorf("%s: %w", r.name, os.ErrClosed)
	}
	if ctx.Done() == r.done && r.stop != nil {
		return nil
	}
	if r.stop != nil {
		r.stop()
	}
	r.done = ctx.Done()
	if err := r.file.SetReadDeadline(time.Time{}); err != nil {
		return fmt.Errorf("%s: %w", r.name, err)
	}
	r.stop = context.AfterFunc(ctx, func() {
		_ = r.file.SetReadDeadline(time.Unix(1, 0)) // only fails when closed, which ends the wait as well
	})
	return nil
}

func (r *reader) next(ctx context.Context, buf []bus.Frame) (int, error) {
	if len(buf) == 0 {
		return 0, fmt.Errorf("%s: no room for a frame", r.name)
	}
	if err := ctx.Err(); err != nil {
		return 0, err //nolint:wrapcheck // the caller's own error
	}
	if err := r.heed(ctx); err != nil {
		return 0, err
	}
	r.want = min(len(buf), batchSize)
	if err := r.pause(ctx); err != nil {
		return 0, err
	}
	for {
		err := r.wait.Read(r.try)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			if err := ctx.Err(); err != nil {
				return 0, err //nolint:wrapcheck // the caller's own error
			}
			// The end of an earlier context, late.
			if err := r.file.SetReadDeadline(time.Time{}); err != nil && !r.isClosed() { // the next wait tells of a close
				return 0, fmt.Errorf("%s: %w", r.name, err)
			}
			continue
		case err != nil && r.isClosed():
			// A file that is closed between two waits answers with an error of its own, which is not os.ErrClosed.
			return 0, fmt.Errorf("%s: %w", r.name, os.ErrClosed)
		case err != nil:
			return 0, fmt.Errorf("%s: wait for frames: %w", r.name, err)
		case r.errno != 0:
			return 0, fmt.Errorf("receive: %w", explain(r.name, r.errno))
		}
		r.empty = r.got < r.want && r.lost == 0
		if n := r.unload(buf); n > 0 {
			return n, nil
		}
	}
}

// pause lets frames gather when the queue was just emptied: to wake for each costs far more than to take it. The kernel has
// dated them already.
func (r *reader) pause(ctx context.Context) error {
	if r.gather <= 0 || !r.empty {
		return nil
	}
	if r.timer == nil {
		r.timer = time.NewTimer(r.gather)
	} else {
		r.timer.Reset(r.gather)
	}
	select {
	case <-r.timer.C:
		return nil
	case <-ctx.Done():
	}
	r.timer.Stop()
	return ctx.Err() //nolint:wrapcheck // the caller's own error
}

// unload turns the received batch into frames.
func (r *reader) unload(buf []bus.Frame) int {
	now := r.clocks()
	n := 0
	for i := range r.got {
		m := &r.batch[i]
		length := min(uint64(m.Hdr.Controllen), controlSize) //nolint:unconvert // 32 bits on ARM
		stamp, stamped := r.readControl(r.control[i][:length])
		raw := &r.frame[i]
		f := &buf[n]
		if m.Len != frameSize || m.Hdr.Flags&unix.MSG_TRUNC != 0 ||
			!setFrame(f, binary.NativeEndian.Uint32(raw[:]), raw[4], (*[8]byte)(raw[8:])) {
			r.malformed.Add(1)
			continue
		}
		f.Link = r.link
		f.Boot = time.Duration(now.boot)
		f.UTC = time.Unix(0, now.wall).UTC()
		if stamped {
			f.Boot = bootTime(stamp, r.before, now)
			f.UTC = time.Unix(0, stamp).UTC()
		}
		n++
	}
	if r.got < r.want {
		r.before = now // else frames that came before now may still wait
	}
	return n
}

// readControl walks the control messages of one datagram: the receive stamp in nanoseconds of wall time, and the drop count.
func (r *reader) readControl(b []byte) (int64, bool) {
	var stamp int64
	var stamped bool
	head := unix.CmsgLen(0)
	for len(b) >= head {
		h := (*unix.Cmsghdr)(unsafe.Pointer(&b[0])) //nolint:gosec // the length was checked; control stands behind pointers and 16-byte frames, so it is aligned
		n := uint64(h.Len)                          //nolint:unconvert // 32 bits on ARM
		if n < uint64(head) || n > uint64(len(b)) { //nolint:gosec // lengths of a 64-byte buffer
			break
		}
		value := b[head:n]
		if h.Level == unix.SOL_SOCKET {
			switch {
			case h.Type == unix.SO_TIMESTAMPNS_NEW && len(value) >= 16:
				stamp = int64(binary.NativeEndian.Uint64(value))*1e9 + int64(binary.NativeEndian.Uint64(value[8:])) //nolint:gosec // signed in the kernel
				stamped = true
			case h.Type == unix.SO_RXQ_OVFL && len(value) >= 4:
				total := binary.NativeEndian.Uint32(value)
				r.drops.Add(uint64(total - r.counted)) // right across a wrap
				r.counted = total
			}
		}
		b = b[min(uint64(len(b)), uint64(unix.CmsgSpace(len(value)))):] //nolint:gosec // as above
	}
	return stamp, stamped
}

func (r *reader) isClosed() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.closed
}

func (r *reader) close() error {
	r.mu.Lock()
	if r.closed {
		r.mu.Unlock()
		return fmt.Errorf("%s: close: %w", r.name, os.ErrClosed)
	}
	r.closed = true
	if r.stop != nil {
		r.stop()
	}
	r.mu.Unlock()
	// Closing the watch waits for an attempt that runs, so nobody uses the socket after it.
	if err := errors.Join(r.file.Close(), unix.Close(r.fd)); err != nil {
		return fmt.Errorf("%s: close: %w", r.name, err)
	}
	return nil
}
