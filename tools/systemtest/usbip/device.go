// SPDX-License-Identifier: Apache-2.0

// Package usbip plugs USB devices that are modelled in Go into the running Linux kernel, so that its own drivers can be
// tested without hardware. It speaks the device's side of USB/IP over a socket pair whose other end the kernel's virtual
// host controller (module vhci-hcd) holds.
//
// Words: a device is the model; a port is a socket of the virtual hub that the device is plugged into; a request is one
// URB of the kernel; to unlink is to take a request back before it is answered; a stall is the device's refusal of a
// request; to halt is to go on refusing at an endpoint until the host clears it.
//
// Control, bulk and interrupt transfers are served, with any number of requests waiting at once up to MaxRequests;
// isochronous ones are not. The package reaches nothing but the socket and the controller's files in sysfs.
//
// Sources: the kernel's Documentation/usb/usbip_protocol.rst (messages), drivers/usb/usbip/vhci_sysfs.c (how a socket is
// handed over) and vhci_rx.c (what the other side bears); USB 2.0 specification chapter 9 (standard requests,
// descriptors).
package usbip

import (
	"context"
	"errors"
)

// Device is a modelled USB device. The standard requests of USB are answered for it from its Descriptors; it sees
// the rest.
//
// Calls for one endpoint and direction come one after the other in the host's order; calls for different ones come from
// different goroutines at the same time. An error that wraps ErrStall refuses the request, one that wraps ErrNoAnswer leaves it open
// until the host takes it back; any other error but the context's is told to the host as a transaction that failed on
// the wire (EPROTO).
type Device interface {
	// Descriptors says what the device is. It is asked once.
	Descriptors() Descriptors
	// Control answers a class or vendor request. Data that came with it stands in out; what is returned in goes
	// to the host, cut to the length it asked for. It must not wait for other calls.
	Control(setup Setup, out []byte) (in []byte, err error)
	// In waits until the device has data for the host at an endpoint (1 to 15), at most limit bytes; no data is an
	// empty packet. When ctx ends it returns soon, with the context's error or with data that is then still delivered.
	In(ctx context.Context, endpoint byte, limit int) ([]byte, error)
	// Out takes data of the host at an endpoint (1 to 15). It may wait, until ctx ends.
	Out(ctx context.Context, endpoint byte, data []byte) error
}

// What a device or a connection can fail with.
var (
	// ErrStall is what a Device returns to refuse a request. At endpoints other than 0 it halts the endpoint.
	ErrStall = errors.New("stalled")
	// ErrNoAnswer is what a Device returns when it says "not yet" for ever. Drivers mostly wait for seconds.
	ErrNoAnswer = errors.New("no answer")
	// ErrProtocol: the host's side sent what the protocol does not know.
	ErrProtocol = errors.New("not USB/IP")
)

// Setup is the head of a control request (USB 2.0, table 9-2).
type Setup struct {
	RequestType byte
	Request     byte
	Value       uint16
	Index       uint16
	Length      uint16 // bytes of data that follow, or that are asked for
}

// DeviceToHost says which way the data goes.
func (s Setup) DeviceToHost() bool { return s.RequestType&0x80 != 0 }

// Kind is who defined a request: bits 6 and 5 of the request type.
type Kind byte

// The kinds.
const (
	Standard Kind = iota
	Class
	Vendor
	Reserved
)

// Kind returns who defined the request.
func (s Setup) Kind() Kind { return Kind(s.RequestType >> 5 & 3) }

// Speed of a device, with the numbers of the kernel's enum usb_device_speed (include/uapi/linux/usb/ch9.h), which the
// controller's attach file takes.
type Speed byte

// The speeds. The zero value counts as FullSpeed.
const (
	LowSpeed  Speed = 1
	FullSpeed Speed = 2
	HighSpeed Speed = 3
)

// Transfer is the type of an endpoint (USB 2.0, table 9-13).
type Transfer byte

// The types served.
const (
	Bulk      Transfer = 2
	Interrupt Transfer = 3
)

// Endpoint is one endpoint of an interface.
type Endpoint struct {
	Address   byte // 1 to 15, with 0x80 added for device to host
	Transfer  Transfer
	MaxPacket uint16 // bytes
	Interval  byte   // of an interrupt endpoint, in the unit of its speed
}

// Interface is one interface, without alternative settings.
type Interface struct {
	Class, SubClass, Protocol byte
	Endpoints                 []Endpoint
}

// Descriptors say what a device is. It has one configuration.
type Descriptors struct {
	Vendor, Product, Release      uint16
	Speed                         Speed
	Class, SubClass, Protocol     byte
	MaxPacket0                    byte // of endpoint 0; zero counts as 64, at LowSpeed as 8
	MilliAmps                     uint16
	Maker, ProductName, SerialNum string // empty: no such text
	Interfaces                    []Interface
}
