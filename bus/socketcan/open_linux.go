// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"errors"
	"fmt"
	"syscall"

	"golang.org/x/sys/unix"

	"airhold/bus"
)

// Socket listens to one link. Next is for one goroutine; the counters may be asked from any.
type Socket struct {
	*reader

	buffer int32
	link   Link
}

// List asks the kernel for every network interface of the box. The standard library's dump request does the asking, on a
// netlink socket of its own: this package writes to no descriptor at all.
func List() ([]Link, error) {
	answer, err := syscall.NetlinkRIB(syscall.RTM_GETLINK, syscall.AF_UNSPEC)
	if err != nil {
		return nil, fmt.Errorf("ask the kernel for its interfaces: %w", err)
	}
	return ParseLinks(answer)
}

// Open opens the link called name for listening. It refuses a link that could drive the bus, with an error that says why
// and which command helps: ErrNoLink, ErrNotListenOnly, ErrNotCAN, ErrDown or ErrNoCAN.
func Open(ctx context.Context, name string, o Options) (*Socket, error) {
	if err := ctx.Err(); err != nil {
		return nil, err //nolint:wrapcheck // the caller's own error
	}
	link, err := vet(name)
	if err != nil {
		return nil, err
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		if errors.Is(err, unix.EAFNOSUPPORT) || errors.Is(err, unix.EPROTONOSUPPORT) {
			err = errors.Join(ErrNoCAN, err)
		}
		return nil, fmt.Errorf("%s: open a CAN socket: %w", name, err)
	}
	s, err := setUp(fd, link, o)
	if err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	// The link may have been set anew between the first look and the bind. From here on that shows as ErrDown.
	again, err := vet(name)
	s.link = again
	if err == nil && again.Index != link.Index {
		err = errAbout(name, ErrGone, "it was replaced while it was opened; try again")
	}
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func vet(name string) (Link, error) {
	links, err := List()
	if err != nil {
		return Link{}, fmt.Errorf("%s: %w", name, err)
	}
	link, err := Find(links, name)
	if err != nil {
		return Link{}, err
	}
	return link, link.Refusal()
}

// setUp prepares and binds a CAN socket. It does not close fd on an error.
func setUp(fd int, link Link, o Options) (*Socket, error) {
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, unix.CAN_ERR_MASK); err != nil {
		return nil, fmt.Errorf("%s: ask for error frames: %w", link.Name, err)
	}
	if err := filter(fd, link.Name, o.Hear); err != nil {
		return nil, err
	}
	buffer, err := prepare(fd, o.ReceiveBuffer)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", link.Name, err)
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: int(link.Index)}); err != nil {
		return nil, fmt.Errorf("%s: bind: %w", link.Name, explain(link.Name, err))
	}
	r, err := newReader(fd, link.Name, o.Link)
	if err != nil {
		return nil, err
	}
	r.gather = gatherTime
	return &Socket{reader: r, buffer: buffer}, nil
}

// filter tells the kernel which frames to pass.
func filter(fd int, name string, hear []Filter) error {
	if len(hear) == 0 {
		return nil
	}
	if len(hear) > MaxFilters {
		return fmt.Errorf("%s: %d filters, the kernel takes %d; leave them out to hear everything", name, len(hear), MaxFilters)
	}
	if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, kernelFilters(hear)); err != nil {
		return fmt.Errorf("%s: set the receive filter: %w", name, err)
	}
	return nil
}

// kernelFilters puts filters into the kernel's form, in which the kind of identifier is a bit like the others.
func kernelFilters(hear []Filter) []unix.CanFilter {
	out := make([]unix.CanFilter, len(hear))
	for i, f := range hear {
		out[i] = unix.CanFilter{Id: f.ID & f.mask(), Mask: f.mask() | flagExtended}
		if f.Extended {
			out[i].Id |= flagExtended
		}
	}
	return out
}

// prepare asks for a large receive buffer, time stamps and the drop counter. It works on any datagram socket, so tests
// need no CAN. It returns the buffer the kernel granted, in the kernel's own count.
func prepare(fd int, want int32) (int32, error) {
	if want == 0 {
		want = defaultReceiveBuffer
	}
	// Beyond net.core.rmem_max only with CAP_NET_ADMIN, which the box's service does not have: sysctl.d raises the limit.
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, int(want)) != nil {
		if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, int(want)); err != nil {
			return 0, fmt.Errorf("set the receive buffer: %w", err)
		}
	}
	granted, err := unix.GetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF)
	if err != nil {
		return 0, fmt.Errorf("read the receive buffer back: %w", err)
	}
	// The _NEW form has 64-bit seconds on 32-bit ARM too; Linux 5.1.
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS_NEW, 1); err != nil {
		return 0, fmt.Errorf("ask for time stamps (needs Linux 5.1): %w", err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); err != nil {
		return 0, fmt.Errorf("ask for the drop counter: %w", err)
	}
	return int32(granted), nil //nolint:gosec // the kernel's limit is an int
}

// explain turns an error number of a CAN socket into a sentinel and words.
func explain(name string, err error) error {
	switch {
	case errors.Is(err, unix.ENETDOWN):
		return errors.Join(errAbout(name, ErrDown, "somebody set it down, or its controller stopped; airhold tries again"), err)
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return errors.Join(errAbout(name, ErrGone, "check the adapter's plug"), err)
	}
	return err
}

// Next waits for frames and fills buf with at most 64 of them, oldest first. It returns at least one frame, or an error:
// ctx's own when ctx ends, ErrDown, ErrGone (both wrapped), os.ErrClosed after Close. After any error but ctx's the Socket
// is of no more use: Close it and Open again, which checks the mode anew. It allocates nothing while ctx stays the same.
func (s *Socket) Next(ctx context.Context, buf []bus.Frame) (int, error) { return s.next(ctx, buf) }

// Drops counts the frames the kernel threw away because nobody read them in time, as far as known: the count comes with
// the next frame that is received.
func (s *Socket) Drops() uint64 { return s.drops.Load() }

// Malformed counts what was received and was no classic CAN frame.
func (s *Socket) Malformed() uint64 { return s.malformed.Load() }

// ReceiveBuffer is what the kernel granted, in bytes and by the kernel's count, which is twice what was asked. Below
// 2 MiB a full bus can outrun a busy box: install airhold's sysctl.d file.
func (s *Socket) ReceiveBuffer() int32 { return s.buffer }

// Link is what the kernel said of the link when it was opened.
func (s *Socket) Link() Link { return s.link }

// Close ends a waiting Next with os.ErrClosed.
func (s *Socket) Close() error { return s.close() }
