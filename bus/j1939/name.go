// SPDX-License-Identifier: Apache-2.0

package j1939

import "encoding/binary"

// NAME is the 64-bit identity that a device puts behind its address (J1939-81, ISO 11783-5). It stays when the
// address moves, so signals are best bound to it.
type NAME uint64

// ParseNAME reads the eight bytes of an address claim.
func ParseNAME(data []byte) (NAME, bool) {
	if len(data) < 8 {
		return 0, false
	}
	return NAME(binary.LittleEndian.Uint64(data)), true
}

// Identity is the serial number its maker gave the device, 21 bits.
func (n NAME) Identity() uint32 { return uint32(n & 0x1FFFFF) }

// Manufacturer is the maker's registered code, 11 bits.
func (n NAME) Manufacturer() uint16 { return uint16(n >> 21 & 0x7FF) }

// ECUInstance tells apart control units that share one function, 3 bits.
func (n NAME) ECUInstance() uint8 { return uint8(n >> 32 & 7) }

// FunctionInstance counts equal functions in one device class, 5 bits.
func (n NAME) FunctionInstance() uint8 { return uint8(n >> 35 & 0x1F) }

// Function says what the device does; from 128 up its meaning depends on industry and class.
func (n NAME) Function() uint8 { return uint8(n >> 40 & 0xFF) }

// DeviceClass is the kind of machine, 7 bits (bit 48 is reserved).
func (n NAME) DeviceClass() uint8 { return uint8(n >> 49 & 0x7F) }

// ClassInstance counts equal machines on one network, 4 bits.
func (n NAME) ClassInstance() uint8 { return uint8(n >> 56 & 0xF) }

// IndustryGroup is 2 for agriculture and forestry, 4 for marine, 3 bits.
func (n NAME) IndustryGroup() uint8 { return uint8(n >> 60 & 7) }

// ArbitraryAddress is 1 when the device may pick another address after losing its own.
func (n NAME) ArbitraryAddress() uint8 { return uint8(n >> 63) }
