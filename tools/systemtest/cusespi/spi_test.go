// SPDX-License-Identifier: Apache-2.0

package cusespi_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"testing"
	"time"

	"airhold/sensors/mcp320x"
	"airhold/tools/systemtest/cusespi"
)

// patience is for what happens at once unless something is broken.
const patience = 10 * time.Second

// kernel does what fs/fuse/cuse.c and fs/fuse/ioctl.c of the kernel do on the other side of the channel, over pipes that
// keep messages apart. Structures and numbers are those of include/uapi/linux/fuse.h.
type kernel struct {
	t      *testing.T
	toIt   chan []byte
	from   chan []byte
	end    chan error
	unique uint64
	closed chan struct{}
}

func (k *kernel) Read(b []byte) (int, error) {
	select {
	case m := <-k.toIt:
		return copy(b, m), nil
	case <-k.closed:
		return 0, io.EOF
	}
}

func (k *kernel) Write(b []byte) (int, error) {
	k.from <- bytes.Clone(b)
	return len(b), nil
}

func (k *kernel) Close() error {
	close(k.closed)
	return nil
}

func start(t *testing.T, p *cusespi.Port) *kernel {
	t.Helper()
	k := &kernel{t: t, toIt: make(chan []byte), from: make(chan []byte, 1), end: make(chan error, 1), closed: make(chan struct{})}
	ctx, stop := context.WithCancel(context.Background())
	go func() { k.end <- cusespi.Serve(ctx, k, "spidev0.1", p) }()
	t.Cleanup(func() {
		stop()
		if err := <-k.end; err != nil {
			t.Errorf("Serve = %v", err)
		}
	})
	return k
}

var le = binary.LittleEndian

// ask sends a message and returns the answer's error number and body.
func (k *kernel) ask(op uint32, body []byte) (int32, []byte) {
	k.t.Helper()
	k.unique += 2
	m := make([]byte, 40, 40+len(body))
	le.PutUint32(m, uint32(40+len(body)))
	le.PutUint32(m[4:], op)
	le.PutUint64(m[8:], k.unique)
	k.toIt <- append(m, body...)
	select {
	case b := <-k.from:
		if len(b) < 16 || int(le.Uint32(b)) != len(b) || le.Uint64(b[8:]) != k.unique {
			k.t.Fatalf("answer % x to message %d", b, k.unique)
		}
		return int32(le.Uint32(b[4:])), b[16:]
	case err := <-k.end:
		k.end <- nil
		k.t.Fatalf("Serve ended: %v", err)
	case <-time.After(patience):
		k.t.Fatal("no answer")
	}
	panic("unreachable")
}

// memory is that of the program that calls, by address.
type memory map[uint64][]byte

func (m memory) at(base, size uint64) ([]byte, bool) {
	for start, b := range m {
		if base >= start && base+size <= start+uint64(len(b)) {
			return b[base-start:][:size], true
		}
	}
	return nil, false
}

// ioctl is fuse_do_ioctl without restrictions: nothing comes along at first, and each retry says what does.
func (k *kernel) ioctl(m memory, cmd uint32, arg uint64) (int, error) {
	k.t.Helper()
	type iovec struct{ base, size uint64 }
	var in, out []iovec
	for range 5 {
		body := make([]byte, 32)
		le.PutUint32(body[8:], 2) // FUSE_IOCTL_UNRESTRICTED
		le.PutUint32(body[12:], cmd)
		le.PutUint64(body[16:], arg)
		inSize, outSize := uint64(0), uint64(0)
		for _, v := range in {
			b, ok := m.at(v.base, v.size)
			if !ok {
				return 0, errors.New("EFAULT")
			}
			body = slices.Concat(body, b)
			inSize += v.size
		}
		for _, v := range out {
			outSize += v.size
		}
		le.PutUint32(body[24:], uint32(inSize))
		le.PutUint32(body[28:], uint32(outSize))
		number, b := k.ask(39, body)
		if number != 0 {
			return 0, fmt.Errorf("errno %d", -number)
		}
		if len(b) < 16 {
			k.t.Fatalf("answer to an ioctl of %d bytes", len(b))
		}
		if le.Uint32(b[4:])&4 == 0 { // FUSE_IOCTL_RETRY
			back := b[16:]
			if uint64(len(back)) > outSize {
				k.t.Fatalf("%d bytes for room of %d", len(back), outSize)
			}
			for _, v := range out {
				to, ok := m.at(v.base, v.size)
				if !ok {
					return 0, errors.New("EFAULT")
				}
				back = back[copy(to, back):]
			}
			return int(int32(le.Uint32(b))), nil
		}
		nIn, nOut := int(le.Uint32(b[8:])), int(le.Uint32(b[12:]))
		if nIn+nOut > 256 || len(b) != 16+16*(nIn+nOut) {
			k.t.Fatalf("retry with %d and %d pieces in %d bytes", nIn, nOut, len(b))
		}
		in, out = nil, nil
		for i := range nIn + nOut {
			v := iovec{le.Uint64(b[16+16*i:]), le.Uint64(b[24+16*i:])}
			if i < nIn {
				in = append(in, v)
			} else {
				out = append(out, v)
			}
		}
	}
	k.t.Fatal("retries without end")
	return 0, nil
}

// iow and ior make ioctl numbers as include/uapi/asm-generic/ioctl.h does.
func iow(number, size uint32) uint32 { return 1<<30 | size<<16 | 'k'<<8 | number }
func ior(number, size uint32) uint32 { return 2<<30 | size<<16 | 'k'<<8 | number }

// xfer is a struct spi_ioc_transfer by the offsets of include/uapi/linux/spi/spidev.h.
type xfer struct {
	tx, rx       uint64
	size, hz     uint32
	bits, change byte
}

func list(xs ...xfer) []byte {
	b := make([]byte, 32*len(xs))
	for i, x := range xs {
		t := b[32*i:]
		le.PutUint64(t, x.tx)
		le.PutUint64(t[8:], x.rx)
		le.PutUint32(t[16:], x.size)
		le.PutUint32(t[20:], x.hz)
		t[26], t[27] = x.bits, x.change
	}
	return b
}

// echo answers each byte with the one before, and notes chip select.
type echo struct {
	last byte
	seen string
}

func (e *echo) Select(on bool) {
	if on {
		e.seen += "("
	} else {
		e.seen += ")"
	}
}

func (e *echo) Shift(out byte) byte {
	e.seen += fmt.Sprintf("%02x", out)
	in := e.last
	e.last = out
	return in
}

func TestDeviceComesToBe(t *testing.T) {
	k := start(t, &cusespi.Port{})
	hello := make([]byte, 16)
	le.PutUint32(hello, 7)
	le.PutUint32(hello[4:], 38)
	le.PutUint32(hello[12:], 1) // CUSE_UNRESTRICTED_IOCTL
	number, b := k.ask(4096, hello)
	// cuse_process_init_reply: 72 bytes of struct cuse_init_out, then texts that end in a zero byte, DEVNAME among them.
	if number != 0 || len(b) < 72 || le.Uint32(b) != 7 || le.Uint32(b[4:]) < 16 || le.Uint32(b[12:]) != 1 {
		t.Fatalf("answer %d: % x", number, b)
	}
	if got := string(b[72:]); got != "DEVNAME=spidev0.1\x00" {
		t.Errorf("texts %q", got)
	}
	for op, size := range map[uint32]int{14: 16, 25: 0, 18: 0} { // open with struct fuse_open_out, flush, release
		if number, b := k.ask(op, make([]byte, 24)); number != 0 || len(b) != size {
			t.Errorf("operation %d: error %d and %d bytes, want %d", op, number, len(b), size)
		}
	}
	if number, _ := k.ask(40, make([]byte, 24)); number != -38 { // poll: without it a file counts as ready
		t.Errorf("poll: error %d, want ENOSYS", number)
	}
}

func TestOldKernel(t *testing.T) {
	k := &kernel{t: t, toIt: make(chan []byte, 1), from: make(chan []byte, 1), closed: make(chan struct{})}
	m := make([]byte, 56)
	le.PutUint32(m, 56)
	le.PutUint32(m[4:], 4096)
	le.PutUint32(m[40:], 7)
	le.PutUint32(m[44:], 11)
	k.toIt <- m
	if err := cusespi.Serve(t.Context(), k, "spidev0.0", &cusespi.Port{}); !errors.Is(err, cusespi.ErrChannel) {
		t.Errorf("Serve = %v, want ErrChannel", err)
	}
}

func TestSettings(t *testing.T) {
	var p cusespi.Port
	k := start(t, &p)
	m := memory{0x1000: {0, 0, 0, 0}}
	put := func(number, size, value uint32) error {
		le.PutUint32(m[0x1000], value)
		_, err := k.ioctl(m, iow(number, size), 0x1000)
		return err
	}
	for _, c := range []struct{ number, size, value, want uint32 }{
		{1, 1, 3, 3}, {2, 1, 1, 1}, {3, 1, 8, 8}, {4, 4, 1000000, 1000000}, {5, 4, 0x43, 0x43},
	} {
		if err := put(c.number, c.size, c.value); err != nil {
			t.Errorf("setting %d: %v", c.number, err)
		}
		le.PutUint32(m[0x1000], 0xeeeeeeee)
		if _, err := k.ioctl(m, ior(c.number, c.size), 0x1000); err != nil {
			t.Errorf("setting %d back: %v", c.number, err)
		}
		want := make([]byte, 4)
		le.PutUint32(want, 0xeeeeeeee)
		for i := range c.size {
			want[i] = byte(c.want >> (8 * i))
		}
		if !bytes.Equal(m[0x1000], want) {
			t.Errorf("setting %d reads % x, want % x", c.number, m[0x1000], want)
		}
	}
	want := cusespi.Settings{Mode: 0x43, BitsPerWord: 8, SpeedHz: 1000000}
	if got := p.Settings(); got != want {
		t.Errorf("settings %+v, want %+v", got, want)
	}
	for name, c := range map[string]struct{ cmd, value uint32 }{
		"mode bits":     {iow(5, 4), 0x100},
		"word length":   {iow(3, 1), 16},
		"other number":  {iow(9, 1), 0},
		"other size":    {iow(4, 2), 0},
		"other type":    {1<<30 | 1<<16 | 'x'<<8 | 1, 0},
		"no direction":  {'k'<<8 | 1, 0},
		"read messages": {ior(0, 32), 0},
	} {
		le.PutUint32(m[0x1000], c.value)
		if _, err := k.ioctl(m, c.cmd, 0x1000); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

// Chip select as the text over struct spi_ioc_transfer in spidev.h has it: cs_change deselects before the next transfer,
// and leaves a chip selected after the last.
func TestMessages(t *testing.T) {
	const at, tx, rx = 0x10000, 0x20000, 0x30000
	for name, c := range map[string]struct {
		transfers []xfer
		seen      string
		back      []byte
		result    int
	}{
		"both ways":       {[]xfer{{tx: tx, rx: rx, size: 3, hz: 500000}}, "(010203)", []byte{0x55, 1, 2, 9, 9, 9}, 3},
		"one buffer":      {[]xfer{{tx: tx, rx: tx, size: 2}}, "(0102)", []byte{9, 9, 9, 9, 9, 9}, 2},
		"only out":        {[]xfer{{tx: tx, size: 2}}, "(0102)", []byte{9, 9, 9, 9, 9, 9}, 2},
		"only in":         {[]xfer{{rx: rx, size: 2}}, "(0000)", []byte{0x55, 0, 9, 9, 9, 9}, 2},
		"out then in":     {[]xfer{{tx: tx, size: 2}, {rx: rx, size: 2}}, "(01020000)", []byte{2, 0, 9, 9, 9, 9}, 4},
		"in then out":     {[]xfer{{rx: rx + 4, size: 1}, {tx: tx + 4, rx: rx, size: 2, bits: 8}}, "(000506)", []byte{0, 5, 9, 9, 0x55, 9}, 3},
		"deselect within": {[]xfer{{tx: tx, size: 1, change: 1}, {tx: tx + 1, size: 1}}, "(01)(02)", []byte{9, 9, 9, 9, 9, 9}, 2},
		"stay selected":   {[]xfer{{tx: tx, size: 1, change: 1}}, "(01", []byte{9, 9, 9, 9, 9, 9}, 1},
		"no bytes":        {[]xfer{{}}, "()", []byte{9, 9, 9, 9, 9, 9}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			e := &echo{last: 0x55}
			var p cusespi.Port
			p.Plug(e)
			k := start(t, &p)
			m := memory{at: list(c.transfers...), tx: {1, 2, 3, 4, 5, 6}, rx: {9, 9, 9, 9, 9, 9}}
			n, err := k.ioctl(m, iow(0, uint32(32*len(c.transfers))), at)
			if err != nil || n != c.result {
				t.Fatalf("ioctl = %d, %v; want %d", n, err, c.result)
			}
			if e.seen != c.seen {
				t.Errorf("the chip saw %q, want %q", e.seen, c.seen)
			}
			if !bytes.Equal(m[rx], c.back) {
				t.Errorf("memory % x, want % x", m[rx], c.back)
			}
			if name == "one buffer" && !bytes.Equal(m[tx][:2], []byte{0x55, 1}) {
				t.Errorf("in the one buffer % x", m[tx])
			}
			if s := p.Settings(); s.LastHz != c.transfers[0].hz || p.Messages() != 1 {
				t.Errorf("%+v after %d messages", s, p.Messages())
			}
		})
	}
}

func TestMessagesThatSpidevRefuses(t *testing.T) {
	var p cusespi.Port
	k := start(t, &p)
	many := make([]xfer, 300)
	for i := range many {
		many[i] = xfer{tx: 0x20000, size: 1}
	}
	for name, c := range map[string]struct {
		cmd  uint32
		list []byte
		want string
	}{
		"longer than the buffer":   {iow(0, 64), list(xfer{tx: 0x20000, size: 4096}, xfer{tx: 0x20000, size: 1}), "errno 90"},
		"length of four gigabytes": {iow(0, 64), list(xfer{size: math.MaxUint32}, xfer{size: 2}), "errno 90"},
		"half a transfer":          {iow(0, 48), list(xfer{}, xfer{}), "errno 22"},
		"long words":               {iow(0, 32), list(xfer{tx: 0x20000, size: 2, bits: 16}), "errno 22"},
		"too many pieces":          {iow(0, 32*300), list(many...), "errno 90"},
		"memory that is not there": {iow(0, 32), list(xfer{tx: 0x99000, size: 2}), "EFAULT"},
	} {
		m := memory{0x10000: c.list, 0x20000: make([]byte, 4096)}
		if _, err := k.ioctl(m, c.cmd, 0x10000); err == nil || err.Error() != c.want {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
	}
	if p.Messages() != 0 {
		t.Errorf("%d messages reached the bus", p.Messages())
	}
}

// A caller that changes its list between two rounds gets an error, not somebody's bytes.
func TestListChangesBetweenRounds(t *testing.T) {
	var p cusespi.Port
	k := start(t, &p)
	body := make([]byte, 32, 128)
	le.PutUint32(body[12:], iow(0, 32))
	le.PutUint32(body[24:], 32+2)
	body = append(body, list(xfer{tx: 1, size: 3})...)
	body = append(body, 1, 2)
	if number, _ := k.ask(39, body); number != -14 {
		t.Errorf("error %d, want EFAULT", number)
	}
	if number, _ := k.ask(39, body[:40]); number != -25 && number != -14 {
		t.Errorf("less than was said: error %d", number)
	}
}

func TestPlainReadAndWrite(t *testing.T) {
	e := &echo{last: 0x77}
	var p cusespi.Port
	p.Plug(e)
	k := start(t, &p)
	body := make([]byte, 40)
	le.PutUint32(body[16:], 2)
	if number, b := k.ask(16, append(bytes.Clone(body), 0xab, 0xcd)); number != 0 || len(b) != 8 || le.Uint32(b) != 2 {
		t.Errorf("write: error %d, % x", number, b)
	}
	if number, b := k.ask(15, body); number != 0 || !bytes.Equal(b, []byte{0xcd, 0}) {
		t.Errorf("read: error %d, % x", number, b)
	}
	if e.seen != "(abcd)(0000)" {
		t.Errorf("the chip saw %q", e.seen)
	}
	le.PutUint32(body[16:], 4097)
	if number, _ := k.ask(15, body); number != -90 {
		t.Errorf("read of 4097 bytes: error %d, want EMSGSIZE", number)
	}
}

// The byte patterns of the data sheets' section 6.1, which show the chips behind a microcontroller that sends whole bytes:
// figure 6-1 of DS21298 (12 bit) and of DS21295 (10 bit). Voltages are the middle of a code by equation 4-2.
func TestMCP320xByTheDataSheets(t *testing.T) {
	volts := func(code, full int) float64 { return float64(code) / float64(full) * 5 }
	for code := range 1024 {
		chip := cusespi.NewMCP3008(5, func(input int) float64 { return volts(code, 1024) + float64(input-3) })
		chip.Select(true)
		chip.Shift(0x01)
		high := chip.Shift(0x80 | 3<<4)
		low := chip.Shift(0)
		if got := int(high&7)<<8 | int(low); got != code {
			t.Fatalf("MCP3008: code %d for %d", got, code)
		}
	}
	for code := range 4096 {
		chip := cusespi.NewMCP3208(5, func(input int) float64 { return volts(code, 4096) + float64(input-6) })
		chip.Select(true)
		chip.Shift(0x06 | 6>>2)
		high := chip.Shift(6 & 3 << 6)
		low := chip.Shift(0)
		if got := int(high&31)<<8 | int(low); got != code {
			t.Fatalf("MCP3208: code %d for %d", got, code)
		}
	}
}

// Table 5-2 of the data sheets: a difference of the pair, either way around; below zero reads zero.
func TestMCP320xDifference(t *testing.T) {
	v := [8]float64{4, 1.5, 0, 0, 0.25, 2.75, 0, 0}
	chip := cusespi.NewMCP3208(5, func(input int) float64 { return v[input] })
	for input, want := range map[int]int{0: 2048, 1: 0, 4: 0, 5: 2048} {
		chip.Select(true)
		chip.Shift(0x04 | byte(input>>2))
		got := int(chip.Shift(byte(input&3)<<6)&31)<<8 | int(chip.Shift(0))
		if got != want {
			t.Errorf("input %d against its neighbour: %d, want %d", input, got, want)
		}
		chip.Select(false)
	}
}

// conn is a program's connection through the device.
type conn struct {
	k *kernel
}

func (c conn) Tx(w, r []byte) error {
	m := memory{0x10000: list(xfer{tx: 0x20000, rx: 0x30000, size: uint32(len(w)), hz: 1000000, bits: 8}), 0x20000: w, 0x30000: r}
	_, err := c.k.ioctl(m, iow(0, 32), 0x10000)
	return err
}

// Our driver reads the modelled chips through the device.
func TestDriverThroughTheDevice(t *testing.T) {
	volts := func(input int) float64 { return 0.5 * float64(input+1) }
	for _, c := range []struct {
		chip  cusespi.Chip
		which mcp320x.Chip
		full  float64
	}{
		{cusespi.NewMCP3008(5, volts), mcp320x.MCP3008, 1024},
		{cusespi.NewMCP3208(5, volts), mcp320x.MCP3208, 4096},
	} {
		var p cusespi.Port
		k := start(t, &p)
		dev, err := mcp320x.New(conn{k}, mcp320x.Options{Chip: c.which, VRef: 5})
		if err != nil {
			t.Fatal(err)
		}
		if err := dev.Identify(t.Context()); !errors.Is(err, mcp320x.ErrNotPresent) {
			t.Errorf("%v: an empty bus: %v", c.which, err)
		}
		p.Plug(c.chip)
		if err := dev.Identify(t.Context()); err != nil {
			t.Errorf("%v: %v", c.which, err)
		}
		for input := range 8 {
			code, _, err := dev.Read(t.Context(), input)
			want := volts(input) / 5 * c.full // equation 4-2 of the data sheets
			if err != nil || math.Abs(float64(code)-want) > 0.5 {
				t.Errorf("%v: input %d reads %d, %v; want %.1f", c.which, input, code, err, want)
			}
		}
		p.Plug(nil)
		if _, _, err := dev.Read(t.Context(), 0); !errors.Is(err, mcp320x.ErrNotPresent) {
			t.Errorf("%v: pulled: %v", c.which, err)
		}
	}
}

// FuzzChannel sends anything: Serve answers or ends, without a panic.
func FuzzChannel(f *testing.F) {
	m := func(op uint32, body []byte) []byte {
		b := make([]byte, 40, 40+len(body))
		le.PutUint32(b, uint32(40+len(body)))
		le.PutUint32(b[4:], op)
		return append(b, body...)
	}
	ioctl := make([]byte, 32)
	le.PutUint32(ioctl[12:], iow(0, 32))
	f.Add(m(39, ioctl))
	le.PutUint32(ioctl[24:], 32)
	f.Add(m(39, slices.Concat(ioctl, list(xfer{tx: 1, rx: 2, size: 5}))))
	f.Add(m(15, make([]byte, 40)))
	f.Add(m(16, make([]byte, 48)))
	f.Add(m(4096, make([]byte, 16)))
	f.Fuzz(func(t *testing.T, b []byte) {
		k := &kernel{t: t, toIt: make(chan []byte, 1), from: make(chan []byte, 4), closed: make(chan struct{})}
		if len(b) >= 4 {
			b = bytes.Clone(b)
			le.PutUint32(b, uint32(len(b)))
		}
		var p cusespi.Port
		p.Plug(cusespi.NewMCP3008(5, func(int) float64 { return 1 }))
		if err := cusespi.Serve(t.Context(), &once{kernel: k, message: b}, "spidev0.0", &p); err != nil && !errors.Is(err, cusespi.ErrChannel) {
			t.Errorf("Serve = %v", err)
		}
		close(k.from)
		for answer := range k.from {
			if len(answer) < 16 || len(answer) > 1<<16+16 || int(le.Uint32(answer)) != len(answer) {
				t.Errorf("answer of %d bytes", len(answer))
			}
		}
	})
}

// once is a channel that has one message.
type once struct {
	*kernel

	message []byte
}

func (o *once) Read(b []byte) (int, error) {
	if o.message == nil {
		return 0, io.EOF
	}
	n := copy(b, o.message)
	o.message = nil
	return n, nil
}
