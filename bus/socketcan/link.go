// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Numbers of linux/netlink.h, linux/if_link.h, linux/if_arp.h and linux/can/netlink.h.
const (
	nlHead      = 16
	nlError     = 2
	nlDone      = 3
	nlNewLink   = 16
	ifInfoSize  = 16
	attrHead    = 4
	attrMask    = 0x3fff // without the nested and byte-order bits
	hardwareCAN = 280    // ARPHRD_CAN
	flagUp      = 1      // IFF_UP

	attrName      = 3  // IFLA_IFNAME
	attrLinkInfo  = 18 // IFLA_LINKINFO
	attrParent    = 56 // IFLA_PARENT_DEV_NAME, since Linux 5.14
	infoKind      = 1  // IFLA_INFO_KIND
	infoData      = 2  // IFLA_INFO_DATA
	canTiming     = 1  // IFLA_CAN_BITTIMING; begins with the bitrate
	canTimingSet  = 2  // IFLA_CAN_BITTIMING_CONST
	canState      = 4  // IFLA_CAN_STATE, enum can_state
	canMode       = 5  // IFLA_CAN_CTRLMODE: mask, flags
	canCounters   = 8  // IFLA_CAN_BERR_COUNTER: transmit, receive
	canRates      = 13 // IFLA_CAN_BITRATE_CONST
	modeListen    = 2  // CAN_CTRLMODE_LISTENONLY
	maxNameLength = 15 // IFNAMSIZ less its end
)

var errShort = errors.New("answer of the kernel about its interfaces is cut short")

// Link is what the kernel says of one network interface.
type Link struct {
	Name       string
	Index      int32
	Kind       string // "can", "vcan", ...; empty for most other interfaces and for slcan before Linux 6.0
	CAN        bool   // of CAN hardware type
	Up         bool
	ModeKnown  bool // the kernel reported the controller's mode flags
	ListenOnly bool
	Bitrate    uint32 // bit/s; 0 when not set or not reported
	State      string // "active", "warning", "passive", "off", "stopped" or "sleeping"; empty when not reported
	Sending    uint16 // error counter of what it sent
	Hearing    uint16 // and of what it received
	Serial     bool   // a serial-line adapter (slcan or its like): fixed bitrates and no device behind it
}

// Refusal says why airhold may not open the link, and the command that helps; nil when it may.
func (l Link) Refusal() error {
	up := "bring it up with: sudo ip link set " + l.Name + " up"
	switch {
	case !l.CAN:
		return errAbout(l.Name, ErrNotCAN, "it is an interface of another kind")
	case l.Kind == "vcan":
	case l.Kind == "" || l.Serial || strings.HasPrefix(l.Name, "slcan"):
		return errAbout(l.Name, ErrNotCAN, "it is a serial-line adapter (slcan), which cannot report whether it really "+
			"stays silent; use an adapter with a CAN driver of its own")
	case l.Kind != "can":
		return errAbout(l.Name, ErrNotCAN, "links of kind "+l.Kind+" are not supported; can and vcan are")
	case !l.ModeKnown:
		return errAbout(l.Name, ErrNotListenOnly, "its driver does not report the mode")
	case !l.ListenOnly:
		return errAbout(l.Name, ErrNotListenOnly, "it would acknowledge on the machine's bus; "+l.remedy())
	default:
		up = l.remedy()
	}
	if !l.Up {
		return errAbout(l.Name, ErrDown, up)
	}
	return nil
}

// remedy is the command that sets the link up, with its own bitrate where it has one.
func (l Link) remedy() string {
	rate := l.Bitrate
	if rate == 0 {
		rate = 250_000
	}
	return fmt.Sprintf("set it with: sudo airhold link %[1]s --bitrate %[2]d (or: sudo ip link set %[1]s down; "+
		"sudo ip link set %[1]s up type can bitrate %[2]d listen-only on)", l.Name, rate)
}

// Find picks a link by name; the error names what there is.
func Find(links []Link, name string) (Link, error) {
	i := slices.IndexFunc(links, func(l Link) bool { return l.Name == name })
	if i >= 0 {
		return links[i], nil
	}
	var wires, others []string
	for _, l := range links {
		if l.CAN {
			wires = append(wires, l.Name)
		} else {
			others = append(others, l.Name)
		}
	}
	there := "CAN links here: " + strings.Join(wires, ", ")
	if len(wires) == 0 {
		there = "this box has no CAN link at all, only " + strings.Join(others, ", ") +
			"; check the adapter, its boot overlay or its plug"
	}
	return Link{}, errAbout(name, ErrNoLink, there)
}

// ParseLinks reads the kernel's answer to an RTM_GETLINK dump: netlink messages one behind the other, in the machine's
// byte order. It never panics; an answer that is cut short is an error, because half a description may lack the mode.
func ParseLinks(b []byte) ([]Link, error) {
	var links []Link
	for len(b) > 0 {
		if len(b) < nlHead {
			return nil, errShort
		}
		n := int64(binary.NativeEndian.Uint32(b))
		if n < nlHead || n > int64(len(b)) {
			return nil, errShort
		}
		body := b[nlHead:n]
		switch binary.NativeEndian.Uint16(b[4:]) {
		case nlDone:
			return links, nil
		case nlError:
			return nil, errors.New("the kernel refused to describe its interfaces")
		case nlNewLink:
			link, err := parseLink(body)
			if err != nil {
				return nil, err
			}
			links = append(links, link)
		}
		b = b[min(int64(len(b)), (n+3)&^3):]
	}
	return links, nil
}

func parseLink(b []byte) (Link, error) {
	if len(b) < ifInfoSize {
		return Link{}, errShort
	}
	l := Link{
		CAN:   binary.NativeEndian.Uint16(b[2:]) == hardwareCAN,
		Index: int32(binary.NativeEndian.Uint32(b[4:])), //nolint:gosec // the field is signed
		Up:    binary.NativeEndian.Uint32(b[8:])&flagUp != 0,
	}
	var parent, rates, timing bool
	err := attributes(b[ifInfoSize:], func(kind uint16, value []byte) error {
		switch kind {
		case attrName:
			l.Name = text(value)
		case attrParent:
			parent = true
		case attrLinkInfo:
			return attributes(value, func(kind uint16, value []byte) error {
				switch kind {
				case infoKind:
					l.Kind = text(value)
				case infoData:
					if !l.CAN {
						return nil
					}
					return attributes(value, func(kind uint16, value []byte) error {
						switch {
						case kind == canRates:
							rates = true
						case kind == canTimingSet:
							timing = true
						case kind == canTiming && len(value) >= 4:
							l.Bitrate = binary.NativeEndian.Uint32(value)
						case kind == canState && len(value) >= 4:
							l.State = stateWord(binary.NativeEndian.Uint32(value))
						case kind == canCounters && len(value) >= 4:
							l.Sending, l.Hearing = binary.NativeEndian.Uint16(value), binary.NativeEndian.Uint16(value[2:])
						case kind == canMode && len(value) >= 8:
							l.ModeKnown = true
							l.ListenOnly = binary.NativeEndian.Uint32(value[4:])&modeListen != 0
						}
						return nil
					})
				}
				return nil
			})
		}
		return nil
	})
	if err != nil {
		return Link{}, err
	}
	l.Serial = rates && !timing && !parent
	if l.Kind == "vcan" {
		l.ModeKnown, l.ListenOnly = false, false
	}
	return l, nil
}

// stateWord names enum can_state.
func stateWord(v uint32) string {
	words := [...]string{"active", "warning", "passive", "off", "stopped", "sleeping"}
	if v < uint32(len(words)) {
		return words[v]
	}
	return ""
}

// attributes walks netlink attributes: length, type, value, padded to four bytes.
func attributes(b []byte, each func(kind uint16, value []byte) error) error {
	for len(b) > 0 {
		if len(b) < attrHead {
			return errShort
		}
		n := int(binary.NativeEndian.Uint16(b))
		if n < attrHead || n > len(b) {
			return errShort
		}
		if err := each(binary.NativeEndian.Uint16(b[2:])&attrMask, b[attrHead:n]); err != nil {
			return err
		}
		b = b[min(len(b), (n+3)&^3):]
	}
	return nil
}

// text is a name without its closing zero; names longer than the kernel allows, or with odd bytes, are shown escaped.
func text(value []byte) string {
	s, _, _ := strings.Cut(string(value), "\x00")
	if len(s) > maxNameLength || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return fmt.Sprintf("%q", s)
	}
	return s
}
