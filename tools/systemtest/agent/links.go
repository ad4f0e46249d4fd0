// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/mdlayher/netlink"
	"golang.org/x/sys/unix"
)

// link is how an interface shall be, or is. The box's own code sets links up elsewhere and reads them elsewhere: what
// this file reads back is a second opinion.
type link struct {
	kind       string // "vcan" makes one that is missing; "can" gives bitrate and mode
	bitrate    uint32 // bit/s
	listenOnly bool
	restartMS  uint32 // after which a controller leaves bus-off by itself; 0: never
	up         bool
}

// Attributes of linux/if_link.h and linux/can/netlink.h that x/sys does not name, and the size of struct can_bittiming.
const (
	canBitTiming  = 1
	canState      = 4
	canCtrlMode   = 5
	canRestartMS  = 6
	bitTimingSize = 32
)

// infoMessage is struct ifinfomsg for an interface by its number.
func infoMessage(index int, flags, change uint32) []byte {
	b := make([]byte, unix.SizeofIfInfomsg)
	native.PutUint32(b[4:], uint32(index)) //nolint:gosec // a small number of the kernel's
	native.PutUint32(b[8:], flags)
	native.PutUint32(b[12:], change)
	return b
}

// setLink sets an interface: down, its settings, and up where wanted. An interface that is missing is made when it is
// virtual.
func setLink(name string, l link) error {
	conn, err := netlink.Dial(unix.NETLINK_ROUTE, nil)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	defer conn.Close() //nolint:errcheck // nothing was left unsaid
	ask := func(flags netlink.HeaderFlags, data []byte) error {
		_, err := conn.Execute(netlink.Message{
			Header: netlink.Header{Type: unix.RTM_NEWLINK, Flags: netlink.Request | netlink.Acknowledge | flags}, Data: data,
		})
		if err != nil {
			return fmt.Errorf("set up %s: %w", name, err)
		}
		return nil
	}
	at, err := net.InterfaceByName(name)
	if err != nil {
		if l.kind != "vcan" {
			return fmt.Errorf("%s: %w", name, err)
		}
		e := netlink.NewAttributeEncoder()
		e.String(unix.IFLA_IFNAME, name)
		e.Nested(unix.IFLA_LINKINFO, func(n *netlink.AttributeEncoder) error {
			n.String(unix.IFLA_INFO_KIND, l.kind)
			return nil
		})
		attributes, err := e.Encode()
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if err := ask(netlink.Create|netlink.Excl, append(infoMessage(0, 0, 0), attributes...)); err != nil {
			return err
		}
		if at, err = net.InterfaceByName(name); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	if err := ask(0, infoMessage(at.Index, 0, unix.IFF_UP)); err != nil {
		return err
	}
	if l.kind == "can" {
		settings, err := canSettings(l)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if err := ask(0, append(infoMessage(at.Index, 0, 0), settings...)); err != nil {
			return err
		}
	}
	if !l.up {
		return nil
	}
	return ask(0, infoMessage(at.Index, unix.IFF_UP, unix.IFF_UP))
}

func canSettings(l link) ([]byte, error) {
	e := netlink.NewAttributeEncoder()
	e.Nested(unix.IFLA_LINKINFO, func(n *netlink.AttributeEncoder) error {
		n.String(unix.IFLA_INFO_KIND, l.kind)
		n.Nested(unix.IFLA_INFO_DATA, func(d *netlink.AttributeEncoder) error {
			timing := make([]byte, bitTimingSize)
			native.PutUint32(timing, l.bitrate)
			d.Bytes(canBitTiming, timing)
			mode := make([]byte, 8)
			native.PutUint32(mode, unix.CAN_CTRLMODE_LISTENONLY)
			if l.listenOnly {
				native.PutUint32(mode[4:], unix.CAN_CTRLMODE_LISTENONLY)
			}
			d.Bytes(canCtrlMode, mode)
			if l.restartMS > 0 {
				d.Uint32(canRestartMS, l.restartMS)
			}
			return nil
		})
		return nil
	})
	b, err := e.Encode()
	if err != nil {
		return nil, fmt.Errorf("settings of a CAN link: %w", err)
	}
	return b, nil
}

// readLink asks the kernel how a CAN interface is set.
func readLink(name string) (link, error) {
	at, err := net.InterfaceByName(name)
	if err != nil {
		return link{}, fmt.Errorf("%s: %w", name, err)
	}
	conn, err := netlink.Dial(unix.NETLINK_ROUTE, nil)
	if err != nil {
		return link{}, fmt.Errorf("%s: %w", name, err)
	}
	defer conn.Close() //nolint:errcheck // nothing was left unsaid
	answers, err := conn.Execute(netlink.Message{
		Header: netlink.Header{Type: unix.RTM_GETLINK, Flags: netlink.Request}, Data: infoMessage(at.Index, 0, 0),
	})
	if err != nil {
		return link{}, fmt.Errorf("%s: %w", name, err)
	}
	if len(answers) != 1 || len(answers[0].Data) < unix.SizeofIfInfomsg {
		return link{}, fmt.Errorf("%s: the kernel gave %d answers", name, len(answers))
	}
	data := answers[0].Data
	l := link{up: native.Uint32(data[8:])&unix.IFF_UP != 0}
	d, err := netlink.NewAttributeDecoder(data[unix.SizeofIfInfomsg:])
	if err != nil {
		return link{}, fmt.Errorf("%s: %w", name, err)
	}
	for d.Next() {
		if d.Type() == unix.IFLA_LINKINFO {
			d.Nested(l.decodeInfo)
		}
	}
	if err := d.Err(); err != nil {
		return link{}, fmt.Errorf("%s: %w", name, err)
	}
	return l, nil
}

func (l *link) decodeInfo(d *netlink.AttributeDecoder) error {
	for d.Next() {
		switch d.Type() {
		case unix.IFLA_INFO_KIND:
			l.kind = d.String()
		case unix.IFLA_INFO_DATA:
			d.Nested(func(n *netlink.AttributeDecoder) error {
				for n.Next() {
					switch value := n.Bytes(); {
					case n.Type() == canBitTiming && len(value) >= 4:
						l.bitrate = native.Uint32(value)
					case n.Type() == canCtrlMode && len(value) >= 8:
						l.listenOnly = native.Uint32(value[4:])&unix.CAN_CTRLMODE_LISTENONLY != 0
					}
				}
				return nil
			})
		}
	}
	return nil
}

// received reads how many frames the kernel's driver took from an interface.
func received(name string) (uint64, error) {
	text, err := os.ReadFile(filepath.Join("/sys/class/net", name, "statistics/rx_packets")) //nolint:gosec // of sysfs
	if err != nil {
		return 0, fmt.Errorf("counter of %s: %w", name, err)
	}
	n, err := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("counter of %s: %w", name, err)
	}
	return n, nil
}
