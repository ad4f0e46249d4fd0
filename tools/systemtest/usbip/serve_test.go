// SPDX-License-Identifier: Apache-2.0

package usbip_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/tools/systemtest/usbip"
)

// patience is for what happens at once unless something is broken.
const patience = 10 * time.Second

// gadget is a device with an interrupt endpoint 1 in both directions and a bulk endpoint 2 from the device.
type gadget struct {
	give    chan []byte // what In delivers, both endpoints
	got     chan []byte // what Out received
	fail    chan error  // what In fails with
	begun   chan byte   // a call of In, by endpoint
	ended   chan error  // In gave up
	lastly  []byte      // what In delivers although it is told to give up
	control func(usbip.Setup, []byte) ([]byte, error)
}

func newGadget() *gadget {
	return &gadget{
		give: make(chan []byte, 16), got: make(chan []byte, 16), fail: make(chan error, 16),
		begun: make(chan byte, 2048), ended: make(chan error, 16),
	}
}

func (g *gadget) Descriptors() usbip.Descriptors {
	return usbip.Descriptors{
		Vendor: 0x1209, Product: 0x0001, Release: 0x0102, Maker: "Bench", SerialNum: "7µ", MilliAmps: 100,
		Interfaces: []usbip.Interface{{
			Class: 0xff,
			Endpoints: []usbip.Endpoint{
				{Address: 0x81, Transfer: usbip.Interrupt, MaxPacket: 64, Interval: 4},
				{Address: 0x01, Transfer: usbip.Interrupt, MaxPacket: 64, Interval: 4},
				{Address: 0x82, Transfer: usbip.Bulk, MaxPacket: 64},
			},
		}},
	}
}

func (g *gadget) Control(s usbip.Setup, out []byte) ([]byte, error) {
	if g.control == nil {
		return nil, usbip.ErrStall
	}
	return g.control(s, out)
}

func (g *gadget) In(ctx context.Context, endpoint byte, _ int) ([]byte, error) {
	g.begun <- endpoint
	select {
	case b := <-g.give:
		return b, nil
	case err := <-g.fail:
		return nil, err
	case <-ctx.Done():
		g.ended <- ctx.Err()
		if g.lastly != nil {
			return g.lastly, nil
		}
		return nil, ctx.Err()
	}
}

func (g *gadget) Out(_ context.Context, _ byte, data []byte) error {
	g.got <- slices.Clone(data)
	return nil
}

// host is the kernel's side, with bytes made by hand.
type host struct {
	t    *testing.T
	conn net.Conn
	end  chan error
	stop context.CancelFunc
}

func plug(t *testing.T, d usbip.Device) *host {
	t.Helper()
	theirs, ours := net.Pipe()
	// Before Serve begins: it may be over, and the pipe closed, at once.
	if err := theirs.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	h := &host{t: t, conn: theirs, end: make(chan error, 1), stop: stop}
	go func() { h.end <- usbip.Serve(ctx, ours, d) }()
	t.Cleanup(func() {
		stop()
		theirs.Close()
	})
	return h
}

// words makes bytes from groups of hexadecimal digits.
func words(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (h *host) send(b []byte) {
	h.t.Helper()
	if _, err := h.conn.Write(b); err != nil {
		h.t.Fatalf("to the device: %v", err)
	}
}

func (h *host) want(name string, b []byte) {
	h.t.Helper()
	got := make([]byte, len(b))
	if n, err := io.ReadFull(h.conn, got); err != nil {
		h.t.Fatalf("%s: %v after % x", name, err, got[:n])
	}
	if !bytes.Equal(got, b) {
		h.t.Fatalf("%s:\n got % x\nwant % x", name, got, b)
	}
}

// over waits until Serve has returned.
func (h *host) over() error {
	h.t.Helper()
	select {
	case err := <-h.end:
		return err
	case <-time.After(patience):
		h.t.Fatal("Serve did not return")
		return nil
	}
}

func wait[T any](t *testing.T, what string, c <-chan T) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		t.Fatalf("%s did not happen", what)
		panic("unreachable")
	}
}

// quiet fails if anything comes from the device: a request that it surely answers is sent and its answer must be next.
func (h *host) quiet() {
	h.t.Helper()
	h.send(submit(0xeeee, in, 0, 2, []byte{0x80, 0, 0, 0, 0, 0, 2, 0})) // GET_STATUS
	h.want("nothing but the status", answer(0xeeee, 0, 2, []byte{0, 0}))
}

const (
	out = 0
	in  = 1
)

// submit is a USBIP_CMD_SUBMIT by the offsets of usbip_protocol.rst.
func submit(seq, direction, endpoint, length uint32, setup []byte, data ...byte) []byte {
	b := make([]byte, 48, 48+len(data))
	for at, v := range map[int]uint32{0: 1, 4: seq, 8: 0x0001000f, 12: direction, 16: endpoint, 24: length} {
		binary.BigEndian.PutUint32(b[at:], v)
	}
	copy(b[40:], setup)
	return append(b, data...)
}

// answer is a USBIP_RET_SUBMIT by the offsets of usbip_protocol.rst.
func answer(seq uint32, status int32, actual uint32, data []byte) []byte {
	b := make([]byte, 48)
	for at, v := range map[int]uint32{0: 3, 4: seq, 20: uint32(status), 24: actual} {
		binary.BigEndian.PutUint32(b[at:], v)
	}
	return slices.Concat(b, data)
}

func unlink(seq, which uint32) []byte {
	b := make([]byte, 48)
	for at, v := range map[int]uint32{0: 2, 4: seq, 8: 0x0001000f, 20: which} {
		binary.BigEndian.PutUint32(b[at:], v)
	}
	return b
}

func unlinked(seq uint32, status int32) []byte {
	b := make([]byte, 48)
	for at, v := range map[int]uint32{0: 4, 4: seq, 20: uint32(status)} {
		binary.BigEndian.PutUint32(b[at:], v)
	}
	return b
}

// Linux's error numbers on the wire (include/uapi/asm-generic/errno-base.h and errno.h).
const (
	epipe, eproto, eoverflow, econnreset, eremoteio = -32, -71, -75, -104, -121
)

// The traffic that ends the kernel's Documentation/usb/usbip_protocol.rst ("EXAMPLE", captured with a HID device), byte
// for byte: the request for data waits while the later one is served.
func TestTrafficOfTheProtocolDocument(t *testing.T) {
	cmdIntrIN := words(t, "00000001 00000d05 0001000f 00000001 00000001 00000200 00000040 ffffffff 00000000 00000004 00000000 00000000")
	cmdIntrOUT := words(t, `00000001 00000d06 0001000f 00000000 00000001 00000000 00000040 ffffffff 00000000 00000004 00000000 00000000
		ffffffff860008a784ce5ae212376300000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000`)
	retIntrOut := words(t, "00000003 00000d06 00000000 00000000 00000000 00000000 00000040 ffffffff 00000000 00000000 00000000 00000000")
	retIntrIn := words(t, `00000003 00000d05 00000000 00000000 00000000 00000000 00000040 ffffffff 00000000 00000000 00000000 00000000
		ffffffff860011a784ce5ae2123763612891b1020100000400000000000000000000000000000000000000000000000000000000000000000000000000000000`)
	g := newGadget()
	h := plug(t, g)
	h.send(cmdIntrIN)
	h.send(cmdIntrOUT)
	h.want("RetIntrOut", retIntrOut)
	if got := wait(t, "Out", g.got); !bytes.Equal(got, cmdIntrOUT[48:]) {
		t.Errorf("the device got % x", got)
	}
	g.give <- retIntrIn[48:]
	h.want("RetIntrIn", retIntrIn)
}

// Table "UNLINK" of the document: a request taken back in time has no answer of its own.
func TestUnlinkInTime(t *testing.T) {
	g := newGadget()
	h := plug(t, g)
	h.send(submit(10, in, 1, 64, nil))
	wait(t, "In", g.begun)
	h.send(unlink(11, 10))
	h.want("unlink", unlinked(11, econnreset))
	if err := wait(t, "giving up", g.ended); !errors.Is(err, context.Canceled) {
		t.Errorf("In gave up with %v", err)
	}
	h.quiet()
	h.send(submit(12, in, 1, 64, nil))
	g.give <- []byte{1, 2, 3}
	h.want("the next request", answer(12, 0, 3, []byte{1, 2, 3}))
	h.send(unlink(13, 12))
	h.want("unlink too late", unlinked(13, 0))
	h.send(unlink(14, 999))
	h.want("unlink of the unknown", unlinked(14, 0))
}

// A device that has taken data out of its queue must not lose it to an unlink: the answer goes first, as for one that
// the unlink crossed on the wire.
func TestUnlinkCrossesData(t *testing.T) {
	g := newGadget()
	g.lastly = []byte{9}
	h := plug(t, g)
	h.send(submit(10, in, 1, 64, nil))
	wait(t, "In", g.begun)
	h.send(unlink(11, 10))
	h.want("data", answer(10, 0, 1, []byte{9}))
	h.want("unlink", unlinked(11, 0))
}

func TestRequestsWaitTogetherAndAreAnsweredInOrder(t *testing.T) {
	g := newGadget()
	h := plug(t, g)
	for seq := uint32(1); seq <= 30; seq++ {
		h.send(submit(seq, in, 1, 64, nil))
	}
	wait(t, "In", g.begun)
	h.send(unlink(100, 2)) // it waits behind another one, so the device has not seen it
	h.want("unlink of a waiting one", unlinked(100, econnreset))
	h.send(submit(50, in, 2, 64, nil)) // another endpoint does not wait for the first
	if endpoint := wait(t, "In", g.begun); endpoint != 2 {
		t.Fatalf("In at endpoint %d, want 2", endpoint)
	}
	g.fail <- errors.New("either endpoint")
	b := make([]byte, 48)
	if _, err := io.ReadFull(h.conn, b); err != nil {
		t.Fatal(err)
	}
	failed := binary.BigEndian.Uint32(b[4:])
	if failed != 1 && failed != 50 {
		t.Fatalf("request %d is answered, want 1 or 50", failed)
	}
	if !bytes.Equal(b, answer(failed, eproto, 0, nil)) {
		t.Fatalf("a transaction that failed: % x", b)
	}
	h.send(unlink(101, 51-failed)) // leaves one endpoint with requests
	h.want("unlink", unlinked(101, econnreset))
	for seq := byte(3); seq <= 30; seq++ {
		g.give <- []byte{seq}
		h.want("in turn", answer(uint32(seq), 0, 1, []byte{seq}))
	}
}

func TestStallHaltsUntilCleared(t *testing.T) {
	g := newGadget()
	h := plug(t, g)
	status := []byte{0x82, 0, 0, 0, 0x81, 0, 2, 0}
	g.fail <- usbip.ErrStall
	h.send(submit(1, in, 1, 64, nil))
	h.want("stall", answer(1, epipe, 0, nil))
	g.give <- []byte{5}
	h.send(submit(2, in, 1, 64, nil))
	h.want("still halted", answer(2, epipe, 0, nil))
	h.send(submit(3, in, 0, 2, status))
	h.want("status halted", answer(3, 0, 2, []byte{1, 0}))
	h.send(submit(4, out, 0, 0, []byte{0x02, 1, 0, 0, 0x81, 0, 0, 0})) // CLEAR_FEATURE(ENDPOINT_HALT)
	h.want("clear", answer(4, 0, 0, nil))
	h.send(submit(5, in, 0, 2, status))
	h.want("status", answer(5, 0, 2, []byte{0, 0}))
	h.send(submit(6, in, 1, 64, nil))
	h.want("data", answer(6, 0, 1, []byte{5}))
	h.send(submit(7, in, 3, 64, nil))
	h.want("no such endpoint", answer(7, epipe, 0, nil))
}

func TestLengths(t *testing.T) {
	g := newGadget()
	h := plug(t, g)
	g.give <- make([]byte, 65)
	h.send(submit(1, in, 1, 64, nil))
	h.want("more than asked", answer(1, eoverflow, 0, nil))
	g.give <- []byte{}
	h.send(submit(2, in, 1, 64, nil))
	h.want("empty packet", answer(2, 0, 0, nil))
	g.give <- []byte{7, 8}
	short := submit(3, in, 1, 64, nil)
	short[23] = 1 // URB_SHORT_NOT_OK
	h.send(short)
	h.want("short and not wanted", answer(3, eremoteio, 2, []byte{7, 8}))
}

func TestControlOfTheDevice(t *testing.T) {
	g := newGadget()
	var last usbip.Setup
	g.control = func(s usbip.Setup, data []byte) ([]byte, error) {
		last = s
		if s.Request == 9 {
			return nil, usbip.ErrStall
		}
		return append([]byte{0xaa, s.Request}, data...), nil
	}
	h := plug(t, g)
	h.send(submit(1, in, 0, 1, []byte{0xc0, 3, 0x34, 0x12, 0x78, 0x56, 1, 0}))
	h.want("cut to what was asked", answer(1, 0, 1, []byte{0xaa}))
	want := usbip.Setup{RequestType: 0xc0, Request: 3, Value: 0x1234, Index: 0x5678, Length: 1}
	if d := cmp.Diff(want, last); d != "" {
		t.Error(d)
	}
	h.send(submit(2, out, 0, 2, []byte{0x40, 4, 0, 0, 0, 0, 2, 0}, 6, 7))
	h.want("data taken", answer(2, 0, 2, nil))
	h.send(submit(3, out, 0, 0, []byte{0x40, 9, 0, 0, 0, 0, 0, 0}))
	h.want("refused", answer(3, epipe, 0, nil))
	h.send(submit(4, out, 0, 0, []byte{0x40, 4, 0, 0, 0, 0, 0, 0}))
	h.want("a refusal does not last at endpoint 0", answer(4, 0, 0, nil))
}

// The host gives up on a device that does not answer, and the next request is served.
func TestNoAnswer(t *testing.T) {
	g := newGadget()
	asked := make(chan struct{}, 1)
	g.control = func(s usbip.Setup, _ []byte) ([]byte, error) {
		if s.Request == 1 {
			asked <- struct{}{}
			return nil, usbip.ErrNoAnswer
		}
		return []byte{4}, nil
	}
	h := plug(t, g)
	h.send(submit(1, in, 0, 1, []byte{0xc0, 1, 0, 0, 0, 0, 1, 0}))
	wait(t, "Control", asked)
	g.give <- []byte{3}
	h.send(submit(2, in, 1, 64, nil))
	h.want("another endpoint meanwhile", answer(2, 0, 1, []byte{3}))
	h.send(unlink(3, 1))
	h.want("giving up", unlinked(3, econnreset))
	h.send(submit(4, in, 0, 1, []byte{0xc0, 2, 0, 0, 0, 0, 1, 0}))
	h.want("the next", answer(4, 0, 1, []byte{4}))
}

// Descriptors by hand from the tables of the USB 2.0 specification named in the comments.
func TestStandardRequests(t *testing.T) {
	h := plug(t, newGadget())
	for name, c := range map[string]struct {
		setup []byte
		data  []byte // nil: refused
	}{
		"device (9-8)": {
			[]byte{0x80, 6, 0, 1, 0, 0, 64, 0},
			[]byte{18, 1, 0x00, 0x02, 0, 0, 0, 64, 0x09, 0x12, 0x01, 0x00, 0x02, 0x01, 1, 0, 3, 1},
		},
		"its first 8 bytes": {[]byte{0x80, 6, 0, 1, 0, 0, 8, 0}, []byte{18, 1, 0x00, 0x02, 0, 0, 0, 64}},
		"configuration (9-10, 9-12, 9-13)": {
			[]byte{0x80, 6, 0, 2, 0, 0, 255, 0},
			[]byte{
				9, 2, 39, 0, 1, 1, 0, 0x80, 50, 9, 4, 0, 0, 3, 0xff, 0, 0, 0,
				7, 5, 0x81, 3, 64, 0, 4, 7, 5, 0x01, 3, 64, 0, 4, 7, 5, 0x82, 2, 64, 0, 0,
			},
		},
		"languages (9-15)":         {[]byte{0x80, 6, 0, 3, 0, 0, 255, 0}, []byte{4, 3, 0x09, 0x04}},
		"maker (9-16)":             {[]byte{0x80, 6, 1, 3, 9, 4, 255, 0}, []byte{12, 3, 'B', 0, 'e', 0, 'n', 0, 'c', 0, 'h', 0}},
		"a text that is not there": {[]byte{0x80, 6, 2, 3, 9, 4, 255, 0}, nil},
		"serial":                   {[]byte{0x80, 6, 3, 3, 9, 4, 255, 0}, []byte{6, 3, '7', 0, 0xb5, 0}},
		"device qualifier":         {[]byte{0x80, 6, 0, 6, 0, 0, 10, 0}, nil},
		"interface":                {[]byte{0x81, 10, 0, 0, 0, 0, 1, 0}, []byte{0}},
		"an interface too far":     {[]byte{0x81, 10, 0, 0, 1, 0, 1, 0}, nil},
		"frame number":             {[]byte{0x82, 12, 0, 0, 1, 0, 2, 0}, nil},
	} {
		length := uint32(binary.LittleEndian.Uint16(c.setup[6:]))
		h.send(submit(77, in, 0, length, c.setup))
		if c.data == nil {
			h.want(name, answer(77, epipe, 0, nil))
		} else {
			h.want(name, answer(77, 0, uint32(len(c.data)), c.data))
		}
	}
	h.send(submit(1, in, 0, 1, []byte{0x80, 8, 0, 0, 0, 0, 1, 0}))
	h.want("not configured", answer(1, 0, 1, []byte{0}))
	h.send(submit(2, out, 0, 0, []byte{0, 9, 1, 0, 0, 0, 0, 0}))
	h.want("configure", answer(2, 0, 0, nil))
	h.send(submit(3, in, 0, 1, []byte{0x80, 8, 0, 0, 0, 0, 1, 0}))
	h.want("configured", answer(3, 0, 1, []byte{1}))
	h.send(submit(4, out, 0, 0, []byte{0, 9, 2, 0, 0, 0, 0, 0}))
	h.want("no second configuration", answer(4, epipe, 0, nil))
}

func TestEnds(t *testing.T) {
	t.Run("the device is pulled out", func(t *testing.T) {
		g := newGadget()
		h := plug(t, g)
		h.send(submit(1, in, 1, 64, nil))
		wait(t, "In", g.begun)
		h.stop()
		if err := h.over(); err != nil {
			t.Errorf("Serve = %v", err)
		}
		wait(t, "giving up", g.ended)
		if n, err := h.conn.Read(make([]byte, 48)); n != 0 || err == nil {
			t.Errorf("the host still reads %d bytes, error %v", n, err)
		}
	})
	t.Run("the host lets go", func(t *testing.T) {
		g := newGadget()
		h := plug(t, g)
		h.send(submit(1, in, 1, 64, nil))
		wait(t, "In", g.begun)
		h.conn.Close()
		if err := h.over(); err != nil {
			t.Errorf("Serve = %v", err)
		}
		wait(t, "giving up", g.ended)
	})
}

func TestWhatIsNotTheProtocol(t *testing.T) {
	at := func(b []byte, offset int, v uint32) []byte {
		binary.BigEndian.PutUint32(b[offset:], v)
		return b
	}
	for name, messages := range map[string][][]byte{
		"command":        {at(submit(1, in, 1, 64, nil), 0, 7)},
		"endpoint":       {submit(1, in, 16, 64, nil)},
		"length":         {submit(1, in, 1, 1<<30, nil)},
		"isochronous":    {at(submit(1, in, 1, 64, nil), 32, 3)},
		"twice":          {submit(1, in, 1, 64, nil), submit(1, in, 1, 64, nil)},
		"unlinked twice": {submit(1, in, 1, 64, nil), submit(2, in, 1, 64, nil), unlink(3, 1), unlink(4, 1)},
	} {
		t.Run(name, func(t *testing.T) {
			g := newGadget()
			stay := make(chan struct{})
			if name == "unlinked twice" { // a device that does not give up keeps the first unlink open
				h := plug(t, stubborn{g, stay})
				h.send(messages[0])
				wait(t, "In", g.begun)
				for _, m := range messages[1:] {
					h.send(m)
				}
				time.AfterFunc(50*time.Millisecond, func() { close(stay) })
				if err := h.over(); !errors.Is(err, usbip.ErrProtocol) {
					t.Errorf("Serve = %v", err)
				}
				return
			}
			h := plug(t, g)
			for _, m := range messages {
				h.send(m)
			}
			if err := h.over(); !errors.Is(err, usbip.ErrProtocol) {
				t.Errorf("Serve = %v", err)
			}
		})
	}
	t.Run("too many", func(t *testing.T) {
		h := plug(t, newGadget())
		for seq := range uint32(usbip.MaxRequests + 1) {
			h.send(submit(seq, in, 1, 64, nil))
		}
		if err := h.over(); !errors.Is(err, usbip.ErrProtocol) {
			t.Errorf("Serve = %v", err)
		}
	})
	t.Run("cut short", func(t *testing.T) {
		h := plug(t, newGadget())
		h.send(submit(1, out, 1, 64, nil, 1, 2, 3))
		h.conn.Close()
		if err := h.over(); !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("Serve = %v", err)
		}
	})
}

// stubborn ends In only when it wants to.
type stubborn struct {
	*gadget

	stay chan struct{}
}

func (s stubborn) In(_ context.Context, endpoint byte, _ int) ([]byte, error) {
	s.begun <- endpoint
	<-s.stay
	return nil, context.Canceled
}

func TestDescriptorsNoHostAccepts(t *testing.T) {
	for name, change := range map[string]func(*usbip.Descriptors){
		"no interface": func(d *usbip.Descriptors) { d.Interfaces = nil },
		"speed":        func(d *usbip.Descriptors) { d.Speed = 5 },
		"power":        func(d *usbip.Descriptors) { d.MilliAmps = 900 },
		"endpoint 0":   func(d *usbip.Descriptors) { d.Interfaces[0].Endpoints[0].Address = 0x80 },
		"twice":        func(d *usbip.Descriptors) { d.Interfaces[0].Endpoints[0].Address = 1 },
		"transfer":     func(d *usbip.Descriptors) { d.Interfaces[0].Endpoints[0].Transfer = 1 },
		"packets":      func(d *usbip.Descriptors) { d.Interfaces[0].Endpoints[0].MaxPacket = 0 },
		"text":         func(d *usbip.Descriptors) { d.ProductName = strings.Repeat("x", 127) },
	} {
		d := newGadget().Descriptors()
		change(&d)
		h := plug(t, described{newGadget(), d})
		if err := h.over(); err == nil {
			t.Errorf("%s: Serve accepts it", name)
		}
	}
}

type described struct {
	*gadget

	d usbip.Descriptors
}

func (d described) Descriptors() usbip.Descriptors { return d.d }

// loop is a connection whose other side says one thing and hangs up.
type loop struct {
	io.Reader
}

func (loop) Write(b []byte) (int, error) { return len(b), nil }
func (loop) Close() error                { return nil }

// FuzzServe sends anything: Serve ends, without a panic, when the host hangs up.
func FuzzServe(f *testing.F) {
	f.Add(submit(1, in, 1, 64, nil))
	f.Add(append(submit(1, in, 1, 64, nil), unlink(2, 1)...))
	f.Add(submit(1, out, 1, 4, nil, 1, 2, 3, 4))
	f.Add(submit(1, in, 0, 255, []byte{0x80, 6, 0, 2, 0, 0, 255, 0}))
	f.Add(submit(1, out, 0, 0, []byte{2, 3, 0, 0, 0x81, 0, 0, 0}))
	f.Add(bytes.Repeat([]byte{0xff}, 96))
	f.Fuzz(func(t *testing.T, b []byte) {
		g := newGadget()
		g.got = make(chan []byte, 1+len(b)/48)
		g.ended = make(chan error, 1+len(b)/48)
		g.begun = make(chan byte, 1+len(b)/48)
		if err := usbip.Serve(t.Context(), loop{bytes.NewReader(b)}, g); err != nil && !errors.Is(err, usbip.ErrProtocol) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("Serve = %v", err)
		}
	})
}
