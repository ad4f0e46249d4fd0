// SPDX-License-Identifier: Apache-2.0

package usbip

import (
	"encoding/binary"
	"fmt"
	"unicode/utf16"
)

// Descriptor types (USB 2.0, table 9-5).
const (
	typeDevice        = 1
	typeConfiguration = 2
	typeString        = 3
	typeInterface     = 4
	typeEndpoint      = 5
)

// The one configuration and the numbers of the texts.
const (
	theConfiguration = 1

	textMaker   = 1
	textProduct = 2
	textSerial  = 3

	englishUS = 0x0409
)

// withDefaults fills in what a zero stands for.
func (d Descriptors) withDefaults() Descriptors {
	if d.Speed == 0 {
		d.Speed = FullSpeed
	}
	if d.MaxPacket0 == 0 {
		d.MaxPacket0 = 64
		if d.Speed == LowSpeed {
			d.MaxPacket0 = 8
		}
	}
	return d
}

// check finds what no host would accept.
func (d Descriptors) check() error {
	if d.Speed < LowSpeed || d.Speed > HighSpeed {
		return fmt.Errorf("usb device: speed %d: low, full and high speed are possible", d.Speed)
	}
	if len(d.Interfaces) == 0 || len(d.Interfaces) > 32 {
		return fmt.Errorf("usb device: %d interfaces: 1 to 32 are possible", len(d.Interfaces))
	}
	if d.MilliAmps > 500 {
		return fmt.Errorf("usb device: %d mA: up to 500 are possible", d.MilliAmps)
	}
	seen := map[byte]bool{}
	for _, i := range d.Interfaces {
		for _, e := range i.Endpoints {
			switch {
			case e.Address&0x70 != 0 || e.Address&0x0f == 0:
				return fmt.Errorf("usb device: endpoint %#02x: 1 to 15 are possible, with 0x80 for device to host", e.Address)
			case seen[e.Address]:
				return fmt.Errorf("usb device: endpoint %#02x is there twice", e.Address)
			case e.Transfer != Bulk && e.Transfer != Interrupt:
				return fmt.Errorf("usb device: endpoint %#02x: bulk and interrupt are possible", e.Address)
			case e.MaxPacket == 0 || e.MaxPacket > 1024:
				return fmt.Errorf("usb device: endpoint %#02x: packets of %d bytes: 1 to 1024 are possible", e.Address, e.MaxPacket)
			}
			seen[e.Address] = true
		}
	}
	for _, text := range []string{d.Maker, d.ProductName, d.SerialNum} {
		if n := len(utf16.Encode([]rune(text))); n > 126 {
			return fmt.Errorf("usb device: a text of %d letters: up to 126 are possible", n)
		}
	}
	return nil
}

// endpoints returns the addresses that the device has.
func (d Descriptors) endpoints() map[byte]bool {
	all := map[byte]bool{}
	for _, i := range d.Interfaces {
		for _, e := range i.Endpoints {
			all[e.Address] = true
		}
	}
	return all
}

// device returns the device descriptor (USB 2.0, table 9-8).
func (d Descriptors) device() []byte {
	le := binary.LittleEndian
	b := []byte{18, typeDevice}
	b = le.AppendUint16(b, 0x0200)
	b = append(b, d.Class, d.SubClass, d.Protocol, d.MaxPacket0)
	b = le.AppendUint16(b, d.Vendor)
	b = le.AppendUint16(b, d.Product)
	b = le.AppendUint16(b, d.Release)
	for i, text := range []string{d.Maker, d.ProductName, d.SerialNum} {
		if text == "" {
			b = append(b, 0)
		} else {
			b = append(b, byte(textMaker+i))
		}
	}
	return append(b, 1)
}

// configuration returns the configuration descriptor with all that belongs to it (USB 2.0, tables 9-10, 9-12, 9-13).
func (d Descriptors) configuration() []byte {
	le := binary.LittleEndian
	b := []byte{9, typeConfiguration, 0, 0, byte(len(d.Interfaces)), theConfiguration, 0, 0x80, byte(d.MilliAmps / 2)} //nolint:gosec // both checked
	for n, i := range d.Interfaces {
		b = append(b, 9, typeInterface, byte(n), 0, byte(len(i.Endpoints)), i.Class, i.SubClass, i.Protocol, 0) //nolint:gosec // at most 32 and 30
		for _, e := range i.Endpoints {
			b = append(b, 7, typeEndpoint, e.Address, byte(e.Transfer))
			b = le.AppendUint16(b, e.MaxPacket)
			b = append(b, e.Interval)
		}
	}
	le.PutUint16(b[2:], uint16(len(b))) //nolint:gosec // 32 interfaces and 30 endpoints are under 600 bytes
	return b
}

// text returns a string descriptor (USB 2.0, tables 9-15 and 9-16); false when there is no such text.
func (d Descriptors) text(number byte) ([]byte, bool) {
	if number == 0 {
		return []byte{4, typeString, englishUS & 0xff, englishUS >> 8}, true
	}
	var s string
	switch number {
	case textMaker:
		s = d.Maker
	case textProduct:
		s = d.ProductName
	case textSerial:
		s = d.SerialNum
	}
	if s == "" {
		return nil, false
	}
	b := []byte{0, typeString}
	for _, u := range utf16.Encode([]rune(s)) {
		b = binary.LittleEndian.AppendUint16(b, u)
	}
	b[0] = byte(len(b)) //nolint:gosec // at most 254, checked
	return b, true
}
