// SPDX-License-Identifier: Apache-2.0

//go:build linux

package socketcan

import (
	"context"
	"encoding/binary"
	"errors"
	"net"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"airhold/bus"
)

// The benchmarks put a UDP socket of the loopback in the place of the CAN socket: the same reader, the same system call,
// the same time stamps and drop counter.
//
//	go test -run '^$' -bench 'Receive' -count 5 ./bus/socketcan     ratio to a reader of one frame a call
//	go test -run '^$' -bench 'FullRate' -benchtime 10x ./bus/socketcan     10 s of four full buses

// queued is how many frames wait before a drain: no more than a small receive buffer holds.
const queued = 128

// drain reads n frames.
type drain func(n int) error

// timed fills the queue and times its emptying, rounds times; it returns nanoseconds a frame.
func timed(tb testing.TB, fake net.Conn, rounds int, read drain) float64 {
	tb.Helper()
	datagram := wire(flagExtended|0x18F00400, 1, 2, 3, 4, 5, 6, 7, 8)
	var spent time.Duration
	for range rounds {
		for range queued {
			if _, err := fake.Write(datagram); err != nil {
				tb.Fatal(err)
			}
		}
		start := time.Now() //nolint:forbidigo // a benchmark times itself
		if err := read(queued); err != nil {
			tb.Fatal(err)
		}
		spent += time.Since(start) //nolint:forbidigo // as above
	}
	return float64(spent.Nanoseconds()) / float64(rounds) / queued
}

// batches is this package's reader.
func batches(tb testing.TB) (net.Conn, drain) {
	tb.Helper()
	r, fake := udp(tb, 0)
	buf := make([]bus.Frame, batchSize)
	ctx := tb.Context()
	return fake, func(n int) error {
		for n > 0 {
			k, err := r.next(ctx, buf)
			if err != nil {
				return err
			}
			n -= k
		}
		return nil
	}
}

// singly is a reader that takes one frame a call as the libraries at hand do it: recvmsg of x/sys/unix through the
// runtime's poller, which a wait that can be interrupted needs, and its parser of control messages for the time stamp and
// the drop count.
func singly(tb testing.TB) (net.Conn, drain) {
	tb.Helper()
	r, fake := udp(tb, 0)
	var (
		raw     [frameSize]byte
		control [controlSize]byte
		f       bus.Frame
		drops   uint32
		n, oob  int
		err     error
	)
	wait := polled(tb, r.fd)
	try := func(fd uintptr) bool {
		n, oob, _, _, err = unix.Recvmsg(int(fd), raw[:], control[:], unix.MSG_DONTWAIT)
		return err != unix.EAGAIN
	}
	return fake, func(want int) error {
		for range want {
			if waited := wait.Read(try); waited != nil || err != nil || n != frameSize {
				return errors.Join(waited, err, os.ErrInvalid)
			}
			messages, err := unix.ParseSocketControlMessage(control[:oob])
			if err != nil {
				return err
			}
			for _, m := range messages {
				switch m.Header.Type {
				case unix.SO_TIMESTAMPNS_NEW:
					f.UTC = time.Unix(int64(binary.NativeEndian.Uint64(m.Data)), int64(binary.NativeEndian.Uint64(m.Data[8:]))).UTC()
				case unix.SO_RXQ_OVFL:
					drops = binary.NativeEndian.Uint32(m.Data)
				}
			}
			if !setFrame(&f, binary.NativeEndian.Uint32(raw[:]), raw[4], (*[8]byte)(raw[8:])) || drops > 0 {
				return os.ErrInvalid
			}
		}
		return nil
	}
}

// polled is a copy of a descriptor that the runtime polls.
func polled(tb testing.TB, fd int) waiter {
	tb.Helper()
	twin, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		tb.Fatal(err)
	}
	file := os.NewFile(uintptr(twin), "peer")
	tb.Cleanup(func() { _ = file.Close() })
	conn, err := file.SyscallConn()
	if err != nil {
		tb.Fatal(err)
	}
	return conn
}

// lean is the least a reader of one frame a call can do: this package's own with batches of one, without a clock of its own.
func lean(tb testing.TB) (net.Conn, drain) {
	tb.Helper()
	r, fake := udp(tb, 0)
	var f bus.Frame
	wait := polled(tb, r.fd)
	try := func(fd uintptr) bool {
		r.want = 1
		r.arm()
		got, _, errno := unix.Syscall(unix.SYS_RECVMSG, fd, uintptr(unsafe.Pointer(&r.batch[0].Hdr)), unix.MSG_DONTWAIT)
		r.got, r.errno = int(got), errno
		return errno != unix.EAGAIN
	}
	return fake, func(n int) error {
		for range n {
			if err := wait.Read(try); err != nil || r.errno != 0 {
				return errors.Join(err, r.errno)
			}
			stamp, ok := r.readControl(r.control[0][:min(uint64(r.batch[0].Hdr.Controllen), controlSize)]) //nolint:unconvert // 32 bits on ARM
			raw := &r.frame[0]
			if r.got != frameSize || !ok || !setFrame(&f, binary.NativeEndian.Uint32(raw[:]), raw[4], (*[8]byte)(raw[8:])) {
				return os.ErrInvalid
			}
			f.UTC = time.Unix(0, stamp).UTC()
		}
		return nil
	}
}

// BenchmarkReceive times the readers by turns, in one run, and reports the best of all rounds of each and the ratios.
func BenchmarkReceive(b *testing.B) {
	fake, ours := batches(b)
	peerFake, peers := singly(b)
	leanFake, least := lean(b)
	best := [3]float64{1e18, 1e18, 1e18}
	for b.Loop() {
		best[0] = min(best[0], timed(b, fake, 8, ours))
		best[1] = min(best[1], timed(b, peerFake, 8, peers))
		best[2] = min(best[2], timed(b, leanFake, 8, least))
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(best[0], "ns/frame")
	b.ReportMetric(best[1], "ns/frame-singly")
	b.ReportMetric(best[2], "ns/frame-lean")
	b.ReportMetric(best[1]/best[0], "times-singly")
	b.ReportMetric(best[2]/best[0], "times-lean")
}

// fullRate is four buses of 500 kbit/s filled with frames of 29-bit identifiers and eight bytes.
const fullRate = 15_300

const senderVariable = "AIRHOLD_TEST_SENDER"

func TestMain(m *testing.M) {
	do := m.Run
	if to := os.Getenv(senderVariable); to != "" {
		do = func() int { return sendFullRate(to, os.Getenv(senderVariable+"_SECONDS")) }
	}
	os.Exit(do()) //nolint:forbidigo // this is the main of a test
}

// sendFullRate is the other process: it sends fullRate frames a second, each with its number in it.
func sendFullRate(to, seconds string) int {
	n, err := strconv.Atoi(seconds)
	if err != nil {
		return 2
	}
	var d net.Dialer
	conn, err := d.DialContext(context.Background(), "udp4", to)
	if err != nil {
		return 2
	}
	start := time.Now() //nolint:forbidigo // a sender by the wall clock
	for i := range uint64(n * fullRate) {
		due := time.Duration(i) * time.Second / fullRate
		for ahead := due - time.Since(start); ahead > 0; ahead = due - time.Since(start) { //nolint:forbidigo // as above
			time.Sleep(ahead) //nolint:forbidigo // as above
		}
		d := wire(flagExtended|0x18F00400, 0, 0, 0, 0, 0, 0, 0, 0)
		binary.NativeEndian.PutUint64(d[8:], i)
		if _, err := conn.Write(d); err != nil {
			return 1
		}
	}
	return 0
}

// BenchmarkFullRate receives b.N seconds of four full buses from another process, so that the processor time of this one is
// the receiver's alone, and fails on any frame that is lost or out of order.
func BenchmarkFullRate(b *testing.B) {
	r, _ := udp(b, 0)
	at, err := unix.Getsockname(r.fd)
	if err != nil {
		b.Fatal(err)
	}
	r.gather = gatherTime
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	seconds := b.N
	sender := exec.CommandContext(b.Context(), self)
	sender.Env = append(os.Environ(), senderVariable+"=127.0.0.1:"+strconv.Itoa(at.(*unix.SockaddrInet4).Port), senderVariable+"_SECONDS="+strconv.Itoa(seconds))
	buf := make([]bus.Frame, batchSize)
	var before, after unix.Rusage
	calls := 0
	if err := unix.Getrusage(unix.RUSAGE_SELF, &before); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	if err := sender.Start(); err != nil {
		b.Fatal(err)
	}
	for next, all := uint64(0), uint64(seconds*fullRate); next < all; {
		n, err := r.next(b.Context(), buf)
		if err != nil {
			b.Fatal(err)
		}
		calls++
		for i := range buf[:n] {
			if got := binary.NativeEndian.Uint64(buf[i].Data[:]); got != next {
				b.Fatalf("frame %d came, want %d: frames were lost", got, next)
			}
			next++
		}
	}
	b.StopTimer()
	if err := unix.Getrusage(unix.RUSAGE_SELF, &after); err != nil {
		b.Fatal(err)
	}
	if err := sender.Wait(); err != nil {
		b.Fatal(err)
	}
	spent := time.Duration(after.Utime.Nano() - before.Utime.Nano() + after.Stime.Nano() - before.Stime.Nano())
	b.ReportMetric(100*spent.Seconds()/b.Elapsed().Seconds(), "%core")
	b.ReportMetric(float64(r.drops.Load()), "drops")
	b.ReportMetric(float64(seconds*fullRate)/float64(calls), "frames/call")
}
