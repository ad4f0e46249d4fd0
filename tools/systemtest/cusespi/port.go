// SPDX-License-Identifier: Apache-2.0

// Package cusespi models an SPI bus with chips as a character device /dev/spidevB.C that the kernel lets a program
// provide (module cuse). A program that opens it cannot tell it from spidev: it sets mode and speed, sends messages of
// several transfers and reads and writes plainly.
//
// Words: a transfer is bytes both ways with the same length; a message is transfers in one ioctl; chip select is held
// from a message's first byte to its last, unless a transfer asks for a change; the channel is /dev/cuse, on which the
// kernel asks and the model answers; a retry is the answer that asks the kernel for more of the caller's memory.
//
// A device must be served by another process than the one that opens it: Go's runtime holds a processor while it
// registers a file that it has opened, and the kernel asks the model about that very registration.
//
// Sources: include/uapi/linux/fuse.h (messages), fs/fuse/cuse.c and fs/fuse/ioctl.c (how a device comes to be, retries);
// include/uapi/linux/spi/spidev.h and drivers/spi/spidev.c (ioctls, their errors, chip select); the chips name theirs.
package cusespi

import "sync"

// Chip is what hangs on the bus. Calls come one at a time.
type Chip interface {
	// Select begins (true) or ends (false) an exchange: the chip select line.
	Select(on bool)
	// Shift clocks one byte in while another goes out, highest bit first.
	Shift(out byte) (in byte)
}

// bufferSize is the most a message may carry, spidev's default (its parameter bufsiz).
const bufferSize = 4096

// Port is one bus with one chip select. The zero value has no chip: its data line floats high. Its methods may be
// called from any goroutine.
type Port struct {
	mu       sync.Mutex
	chip     Chip
	selected bool
	settings Settings
	messages int
}

// Settings are what the program has asked for.
type Settings struct {
	Mode        uint32 // bits of spidev: 1 phase, 2 polarity, 4 select high, 8 lowest bit first, 0x40 no select ...
	BitsPerWord byte   // 0 stands for 8
	SpeedHz     uint32 // of the device
	LastHz      uint32 // of the last transfer, where it had its own
}

// Plug puts a chip on the bus, nil takes it off.
func (p *Port) Plug(c Chip) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.chip, p.selected = c, false
}

// Settings returns what the program has asked for so far.
func (p *Port) Settings() Settings {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.settings
}

// Messages returns how many messages went over the bus, plain reads and writes included.
func (p *Port) Messages() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.messages
}

// transfer is one part of a message; out and in have the same length.
type transfer struct {
	out, in []byte
	speedHz uint32
	change  bool // chip select goes off after it, or stays on after the last
}

// message exchanges transfers with the chip.
func (p *Port) message(transfers []transfer) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.messages++
	for i, t := range transfers {
		p.choose(true)
		if t.speedHz != 0 {
			p.settings.LastHz = t.speedHz
		}
		for k := range t.out {
			t.in[k] = 0xff
			if p.chip != nil {
				t.in[k] = p.chip.Shift(t.out[k])
			}
		}
		if last := i == len(transfers)-1; t.change != last {
			p.choose(false)
		}
	}
}

// choose works the chip select line.
func (p *Port) choose(on bool) {
	if p.chip != nil && on != p.selected {
		p.chip.Select(on)
	}
	p.selected = on
}

// change sets something in the settings.
func (p *Port) change(set func(*Settings)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	set(&p.settings)
}
