// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"cmp"
	"slices"
)

// Address is who answers to an address on a link.
type Address struct {
	NAME    NAME
	Link    uint16
	Address uint8
}

// AddressBook remembers which NAME claimed which address last. The zero value is an empty book.
type AddressBook struct {
	byAddress map[uint32]NAME
}

func addressKey(link uint16, address uint8) uint32 { return uint32(link)<<8 | uint32(address) }

// Hear takes an address claim; other messages are ignored. A NAME that claims a new address leaves its old one, and
// one that says it cannot claim any (source 254) is dropped.
func (b *AddressBook) Hear(m *Message) {
	if m.PGN != PGNAddressClaim {
		return
	}
	n, ok := ParseNAME(m.Data)
	if !ok {
		return
	}
	if m.Source < Null && b.byAddress[addressKey(m.Link, m.Source)] == n {
		return
	}
	for k, v := range b.byAddress {
		if v == n && k>>8 == uint32(m.Link) {
			delete(b.byAddress, k)
		}
	}
	if m.Source >= Null {
		return
	}
	if b.byAddress == nil {
		b.byAddress = make(map[uint32]NAME)
	}
	b.byAddress[addressKey(m.Link, m.Source)] = n
}

// At returns the NAME behind an address.
func (b *AddressBook) At(link uint16, address uint8) (NAME, bool) {
	n, ok := b.byAddress[addressKey(link, address)]
	return n, ok
}

// List returns the book in order of link and address.
func (b *AddressBook) List() []Address {
	out := make([]Address, 0, len(b.byAddress))
	for k, n := range b.byAddress {
		out = append(out, Address{Link: uint16(k >> 8), Address: uint8(k), NAME: n}) //nolint:gosec // k was made of these
	}
	slices.SortFunc(out, func(x, y Address) int {
		return cmp.Or(cmp.Compare(x.Link, y.Link), cmp.Compare(x.Address, y.Address))
	})
	return out
}
