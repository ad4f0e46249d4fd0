// SPDX-License-Identifier: Apache-2.0

package j1939

// Address is who answers to an address on a link.
type Address struct {
	NAME    NAME
	Link    uint16
	Address uint8
}

// AddressBook remembers which NAME claimed which address last. The zero value is an empty book.
type AddressBook struct {
	links []*[Null]entry // by link
}

type entry struct {
	name  NAME
	known bool
}

// Hear takes an address claim; other messages are ignored. A NAME that claims a new address leaves its old one, and
// one that says it cannot claim any (source 254) is dropped. Of two that contend for an address the last heard has it:
// the winner repeats its claim, and the loser says so or takes another.
func (b *AddressBook) Hear(m *Message) {
	if m.PGN != PGNAddressClaim {
		return
	}
	n, ok := ParseNAME(m.Data)
	if !ok {
		return
	}
	b.set(Address{NAME: n, Link: m.Link, Address: m.Source})
}

// Assume sets who answers to an address until a claim says otherwise. Addresses from 254 up are ignored.
func (b *AddressBook) Assume(a Address) {
	if a.Address < Null {
		b.set(a)
	}
}

func (b *AddressBook) set(a Address) {
	if n, ok := b.At(a.Link, a.Address); ok && n == a.NAME {
		return
	}
	if int(a.Link) >= len(b.links) {
		if a.Address >= Null {
			return
		}
		b.links = append(b.links, make([]*[Null]entry, int(a.Link)+1-len(b.links))...)
	}
	list := b.links[a.Link]
	if list == nil {
		list = new([Null]entry)
		b.links[a.Link] = list
	}
	for i := range list {
		if list[i].known && list[i].name == a.NAME {
			list[i] = entry{}
		}
	}
	if a.Address < Null {
		list[a.Address] = entry{a.NAME, true}
	}
}

// At returns the NAME behind an address.
func (b *AddressBook) At(link uint16, address uint8) (NAME, bool) {
	if int(link) >= len(b.links) || b.links[link] == nil || address >= Null {
		return 0, false
	}
	e := &b.links[link][address]
	return e.name, e.known
}

// List returns the book in order of link and address.
func (b *AddressBook) List() []Address {
	var out []Address
	for link, list := range b.links {
		if list == nil {
			continue
		}
		for address, e := range list {
			if e.known {
				out = append(out, Address{NAME: e.name, Link: uint16(link), Address: uint8(address)})
			}
		}
	}
	return out
}
