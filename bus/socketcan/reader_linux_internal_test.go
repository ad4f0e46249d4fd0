// SPDX-License-Identifier: Apache-2.0

//go:build linux

package socketcan

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"
	"golang.org/x/sys/unix"

	"airhold/bus"
)

// There is no CAN in most build machines' kernels, so these tests put a pair of ordinary datagram sockets in the place of
// the wire: the same system calls, the same control messages, no controller. What only a controller can show (a bus that
// goes off, hardware time) is not tested here.

// wire encodes a struct can_frame (linux/can.h) as the kernel hands it out.
func wire(id uint32, data ...byte) []byte {
	b := make([]byte, frameSize)
	binary.NativeEndian.PutUint32(b, id)
	b[4] = byte(len(data))
	copy(b[8:], data)
	return b
}

// pair is a reader and the other end of its socket pair.
func pair(tb testing.TB) (*reader, int) {
	tb.Helper()
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		tb.Fatal(err)
	}
	r, err := newReader(fds[0], "can0", 3)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = r.close(); _ = unix.Close(fds[1]) })
	return r, fds[1]
}

func send(tb testing.TB, fd int, datagrams ...[]byte) {
	tb.Helper()
	for _, d := range datagrams {
		if _, err := unix.Write(fd, d); err != nil {
			tb.Fatalf("fake wire: %v", err)
		}
	}
}

func TestNextDecodes(t *testing.T) {
	r, fake := pair(t)
	send(t, fake,
		wire(flagExtended|0x18FEAE30, 0xFF, 0xFF, 0xFE, 0xFE),
		wire(0x7FF),
		wire(flagRemote|0x123, 1, 2),
		wire(flagError|0x40, 0, 0, 0, 0, 0, 0, 0, 9),
		[]byte{1, 2, 3},  // short
		nil,              // empty
		make([]byte, 72), // as long as a CAN FD frame
		wire(0x800),      // a standard identifier above 11 bits
		append(wire(1)[:4], append([]byte{9}, make([]byte, 11)...)...), // nine data bytes
		wire(0x1, 0xAA),
	)
	buf := make([]bus.Frame, 10)
	n, err := r.next(t.Context(), buf)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]bus.Frame, n)
	for i, f := range buf[:n] {
		if f.Boot <= 0 || f.UTC.IsZero() || f.Link != 3 {
			t.Errorf("frame %d: boot %v, UTC %v, link %d; want all set", i, f.Boot, f.UTC, f.Link)
		}
		got[i] = bus.Frame{Frame: f.Frame, Class: f.Class}
	}
	want := []bus.Frame{
		{Frame: can.Frame{ID: 0x18FEAE30, IsExtended: true, Length: 4, Data: can.Data{0xFF, 0xFF, 0xFE, 0xFE}}},
		{Frame: can.Frame{ID: 0x7FF}},
		{Frame: can.Frame{ID: 0x123, IsRemote: true, Length: 2}, Class: bus.Remote},
		{Frame: can.Frame{ID: 0x40, Length: 8, Data: can.Data{7: 9}}, Class: bus.Error},
		{Frame: can.Frame{ID: 1, Length: 1, Data: can.Data{0xAA}}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("frames (-want +got):\n%s", diff)
	}
	if m := r.malformed.Load(); m != 5 {
		t.Errorf("malformed = %d; want 5", m)
	}
}

func TestNextFillsNoMoreThanAsked(t *testing.T) {
	r, fake := pair(t)
	for i := range 5 {
		send(t, fake, wire(uint32(i)))
	}
	var ids []uint32
	buf := make([]bus.Frame, 2)
	for len(ids) < 5 {
		n, err := r.next(t.Context(), buf)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range buf[:n] {
			ids = append(ids, f.ID)
		}
	}
	if !cmp.Equal(ids, []uint32{0, 1, 2, 3, 4}) {
		t.Errorf("identifiers %v; want 0 to 4 in order", ids)
	}
	if _, err := r.next(t.Context(), nil); err == nil {
		t.Error("next with no room: no error")
	}
}

func TestNextEndsWithItsContext(t *testing.T) {
	r, fake := pair(t)
	buf := make([]bus.Frame, 4)
	for range 3 { // a new context each time: the end of an old one must not end the new wait
		ctx, cancel := context.WithCancel(t.Context())
		result := make(chan error)
		go func() {
			_, err := r.next(ctx, buf)
			result <- err
		}()
		cancel()
		if err := <-result; !errors.Is(err, context.Canceled) {
			t.Fatalf("next = %v; want context.Canceled", err)
		}
	}
	send(t, fake, wire(7))
	if n, err := r.next(t.Context(), buf); n != 1 || err != nil {
		t.Errorf("next after cancellations = %d, %v; want 1 frame", n, err)
	}
}

func TestNextEndsWithClose(t *testing.T) {
	r, _ := pair(t)
	result := make(chan error)
	go func() {
		_, err := r.next(t.Context(), make([]bus.Frame, 4))
		result <- err
	}()
	if err := r.close(); err != nil {
		t.Fatal(err)
	}
	if err := <-result; !errors.Is(err, os.ErrClosed) {
		t.Errorf("next = %v; want os.ErrClosed", err)
	}
	if _, err := r.next(t.Context(), make([]bus.Frame, 4)); !errors.Is(err, os.ErrClosed) {
		t.Errorf("next after close = %v; want os.ErrClosed", err)
	}
}

// A CAN socket answers ENETDOWN when its link goes down and ENODEV when it is removed (raw_notify in net/can/raw.c). A
// socket pair cannot, so the system call is replaced.
func TestNextTellsALostLink(t *testing.T) {
	for errno, want := range map[unix.Errno]error{unix.ENETDOWN: ErrDown, unix.ENODEV: ErrGone, unix.EIO: unix.EIO} {
		r, _ := pair(t)
		r.receive = func(uintptr, *[batchSize]unix.Mmsghdr, int) (int, unix.Errno) { return 0, errno }
		_, err := r.next(t.Context(), make([]bus.Frame, 4))
		if !errors.Is(err, want) || !errors.Is(err, errno) {
			t.Errorf("%v: next = %v; want one that is %v", errno, err, want)
		}
	}
}

// A reader that lets frames gather brings the first at once, ends with its context meanwhile, and loses nothing by it.
func TestFramesGather(t *testing.T) {
	r, fake := pair(t)
	r.gather = time.Hour
	buf := make([]bus.Frame, batchSize)
	send(t, fake, wire(0))
	if n, err := r.next(t.Context(), buf); n != 1 || err != nil {
		t.Fatalf("next = %d, %v; want the first frame at once", n, err)
	}
	for i := range 5 {
		send(t, fake, wire(uint32(i+1)))
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer time.AfterFunc(10*time.Millisecond, cancel).Stop()
	if _, err := r.next(ctx, buf); !errors.Is(err, context.Canceled) {
		t.Errorf("next = %v; want context.Canceled while frames gather", err)
	}
	r.gather = time.Millisecond
	if n, err := r.next(t.Context(), buf); n != 5 || err != nil || buf[0].ID != 1 {
		t.Errorf("next = %d, %v; want the five that gathered", n, err)
	}
}

// The kernel tells a socket that its link is lost before it hands out what still waits (sock_error comes first in
// __skb_try_recv_datagram of net/core/datagram.c): those frames are whole and must not be thrown away.
func TestFramesThatWaitAreTakenWhenTheLinkIsLost(t *testing.T) {
	r, fake := pair(t)
	for i := range 100 {
		send(t, fake, wire(uint32(i)))
	}
	first := true
	r.receive = func(fd uintptr, batch *[batchSize]unix.Mmsghdr, n int) (int, unix.Errno) {
		if first {
			first = false
			return 0, unix.ENETDOWN
		}
		return recvmmsg(fd, batch, n)
	}
	buf := make([]bus.Frame, batchSize)
	var ids []uint32
	for {
		n, err := r.next(t.Context(), buf)
		for _, f := range buf[:n] {
			ids = append(ids, f.ID)
		}
		if err != nil {
			if !errors.Is(err, ErrDown) {
				t.Errorf("next = %v; want ErrDown at last", err)
			}
			break
		}
	}
	if len(ids) != 100 || ids[0] != 0 || ids[99] != 99 {
		t.Errorf("%d frames; want all 100 that waited, then the loss", len(ids))
	}
}

// What the kernel compares: struct can_filter of linux/can.h, where the kind of identifier is a bit of the identifier.
func TestKernelFilters(t *testing.T) {
	got := kernelFilters([]Filter{PGNFilter(61444), PGNFilter(60416), {ID: 0xFFFF123, Mask: 0xFFFFFFFF}})
	want := []unix.CanFilter{
		{Id: unix.CAN_EFF_FLAG | 0x00F00400, Mask: unix.CAN_EFF_FLAG | 0x03FFFF00},
		{Id: unix.CAN_EFF_FLAG | 0x00EC0000, Mask: unix.CAN_EFF_FLAG | 0x03FF0000},
		{Id: 0x123, Mask: unix.CAN_EFF_FLAG | unix.CAN_SFF_MASK},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("filters (-want +got):\n%s", diff)
	}
	if err := filter(-1, "can0", make([]Filter, MaxFilters+1)); err == nil || !strings.Contains(err.Error(), "512") {
		t.Errorf("513 filters: %v; want a refusal that says 512", err)
	}
	if err := filter(-1, "can0", nil); err != nil {
		t.Errorf("no filters: %v; want nothing to be set", err)
	}
}

// udp is a reader on a UDP socket, which has kernel time stamps and a drop counter as a CAN socket has them.
func udp(tb testing.TB, buffer int32) (*reader, net.Conn) {
	tb.Helper()
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		tb.Fatal(err)
	}
	if err := unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		tb.Fatal(err)
	}
	if _, err := prepare(fd, buffer); err != nil {
		tb.Fatal(err)
	}
	at, err := unix.Getsockname(fd)
	if err != nil {
		tb.Fatal(err)
	}
	r, err := newReader(fd, "can0", 0)
	if err != nil {
		tb.Fatal(err)
	}
	var d net.Dialer
	fake, err := d.DialContext(tb.Context(), "udp4", (&net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: at.(*unix.SockaddrInet4).Port}).String())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = r.close(); _ = fake.Close() })
	return r, fake
}

func TestKernelTimeStamps(t *testing.T) {
	r, fake := udp(t, 0)
	before := r.clocks()
	if _, err := fake.Write(wire(1)); err != nil {
		t.Fatal(err)
	}
	buf := make([]bus.Frame, 4)
	r.clocks = func() moment { // the reader looks at the clock long after the frame came
		m := readClocks()
		return moment{wall: m.wall + int64(time.Hour), boot: m.boot + int64(time.Hour)}
	}
	n, err := r.next(t.Context(), buf)
	after := readClocks()
	if n != 1 || err != nil {
		t.Fatal(n, err)
	}
	if b := int64(buf[0].Boot); b < before.boot-1e6 || b > after.boot+1e6 {
		t.Errorf("boot time %v; want between %v and %v, when it was sent", b, before.boot, after.boot)
	}
	if u := buf[0].UTC.UnixNano(); u < before.wall-1e6 || u > after.wall+1e6 {
		t.Errorf("UTC %v; want between %v and %v", u, before.wall, after.wall)
	}
}

// What was sent is what was received and what the counter says was dropped, exactly.
func TestDropsAreCounted(t *testing.T) {
	r, fake := udp(t, 1)
	const sent = 500
	for range sent {
		if _, err := fake.Write(wire(1)); err != nil {
			t.Fatal(err)
		}
	}
	buf := make([]bus.Frame, 2*batchSize)
	received := 0
	for received+int(r.drops.Load()) < sent {
		n, err := r.next(t.Context(), buf)
		if err != nil {
			t.Fatal(err)
		}
		received += n
		if n < batchSize { // the queue is empty: one more frame brings the count
			if _, err := fake.Write(wire(2)); err != nil {
				t.Fatal(err)
			}
			n, err := r.next(t.Context(), buf)
			if err != nil {
				t.Fatal(err)
			}
			received += n - 1
		}
	}
	if drops := r.drops.Load(); drops == 0 || received+int(drops) != sent {
		t.Errorf("received %d, dropped %d; want some drops and %d in all", received, drops, sent)
	}
}

func TestBootTime(t *testing.T) {
	const s = int64(time.Second)
	before := moment{wall: 1000 * s, boot: 100 * s}
	steady := moment{wall: 1010 * s, boot: 110 * s}
	forward := moment{wall: 5000 * s, boot: 110 * s} // the wall clock was set ahead in between
	back := moment{wall: 7 * s, boot: 110 * s}
	tests := []struct {
		name  string
		stamp int64
		now   moment
		want  int64
	}{
		{"steady", 1004 * s, steady, 104 * s},
		{"step ahead, stamped before", 1004 * s, forward, 104 * s},
		{"step ahead, stamped after", 4998 * s, forward, 108 * s},
		{"step back, stamped before", 1004 * s, back, 104 * s},
		{"step back, stamped after", 6 * s, back, 109 * s},
		{"fits nowhere, early", 1 * s, steady, 100 * s},
		{"fits nowhere, late", 2000 * s, steady, 110 * s},
	}
	for _, tt := range tests {
		if got := bootTime(tt.stamp, before, tt.now); got != time.Duration(tt.want) {
			t.Errorf("%s: bootTime = %v; want %v", tt.name, got, time.Duration(tt.want))
		}
	}
}

func control(level, kind int32, value []byte) []byte {
	b := make([]byte, unix.CmsgSpace(len(value)))
	if unix.SizeofPtr == 8 {
		binary.NativeEndian.PutUint64(b, uint64(unix.CmsgLen(len(value))))
	} else {
		binary.NativeEndian.PutUint32(b, uint32(unix.CmsgLen(len(value))))
	}
	binary.NativeEndian.PutUint32(b[unix.SizeofPtr:], uint32(level))
	binary.NativeEndian.PutUint32(b[unix.SizeofPtr+4:], uint32(kind))
	copy(b[unix.CmsgLen(0):], value)
	return b
}

func TestReadControlAcrossAWrap(t *testing.T) {
	r, _ := pair(t)
	u32 := func(v uint32) []byte { return binary.NativeEndian.AppendUint32(nil, v) }
	stamp := binary.NativeEndian.AppendUint64(binary.NativeEndian.AppendUint64(nil, 5), 7)
	drops := []uint32{1<<32 - 2, 1<<32 - 2, 3}
	for _, d := range drops {
		b := append(control(unix.SOL_SOCKET, unix.SO_TIMESTAMPNS_NEW, stamp), control(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, u32(d))...)
		if ns, ok := r.readControl(b); !ok || ns != 5e9+7 {
			t.Errorf("readControl = %d, %v; want 5000000007", ns, ok)
		}
	}
	if got := r.drops.Load(); got != 1<<32+3 {
		t.Errorf("drops = %d; want %d", got, uint64(1<<32+3))
	}
}

func TestNextAllocatesNothing(t *testing.T) {
	r, fake := udp(t, 0)
	buf := make([]bus.Frame, batchSize)
	ctx := t.Context()
	datagram := wire(flagExtended|0x18F00400, 1, 2, 3, 4, 5, 6, 7, 8)
	if n := testing.AllocsPerRun(200, func() {
		for range 8 {
			if _, err := fake.Write(datagram); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := r.next(ctx, buf); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a batch; want 0", n)
	}
}

func FuzzControl(f *testing.F) {
	f.Add(control(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, []byte{1, 0, 0, 0}))
	f.Fuzz(func(_ *testing.T, data []byte) {
		var r reader
		b := make([]byte, controlSize)
		r.readControl(b[:copy(b, data)])
	})
}

func TestSeeds(t *testing.T) {
	for _, target := range []string{"FuzzControl", "FuzzLinks"} {
		seeds, err := filepath.Glob(filepath.Join("testdata", "fuzz", target, "*"))
		if err != nil || len(seeds) == 0 {
			t.Errorf("%s: %d seeds, %v; want some", target, len(seeds), err)
		}
		for _, seed := range seeds {
			if text, err := os.ReadFile(seed); err != nil || !bytes.HasPrefix(text, []byte("go test fuzz v1\n[]byte(")) {
				t.Errorf("%s is no seed: %v", seed, err)
			}
		}
	}
}

// The box's real interfaces: the loopback is always there, and never a CAN link.
func TestOpenRefusesWhatIsNotThere(t *testing.T) {
	links, err := List()
	if err != nil {
		t.Fatal(err)
	}
	want, err := net.Interfaces() // the standard library's own parser
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]int32{}
	for _, l := range links {
		names[l.Name] = l.Index
	}
	for _, i := range want {
		if names[i.Name] != int32(i.Index) {
			t.Errorf("%s has index %d; want %d", i.Name, names[i.Name], i.Index)
		}
	}
	_, err = Open(t.Context(), "can99", Options{})
	if !errors.Is(err, ErrNoLink) || !strings.Contains(err.Error(), want[0].Name) {
		t.Errorf("Open(can99) = %v; want ErrNoLink and the names there are", err)
	}
	if _, err := Open(t.Context(), want[0].Name, Options{}); !errors.Is(err, ErrNotCAN) {
		t.Errorf("Open(%s) = %v; want ErrNotCAN", want[0].Name, err)
	}
}
