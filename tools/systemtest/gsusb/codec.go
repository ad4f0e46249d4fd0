// SPDX-License-Identifier: Apache-2.0

package gsusb

import "encoding/binary"

// Requests at endpoint 0 (enum gs_usb_breq).
const (
	reqHostFormat   = 0
	reqTiming       = 1
	reqMode         = 2
	reqLimits       = 4
	reqDeviceConfig = 5
	reqTimestamp    = 6
	reqState        = 14
)

// What an adapter can do, and how it is started (GS_CAN_FEATURE_, GS_CAN_MODE_): the same bits.
const (
	flagListenOnly = 1 << 0
	flagTimestamps = 1 << 4
	flagErrors     = 1 << 12
	flagState      = 1 << 13
)

// Values of struct gs_device_mode.mode.
const (
	modeReset = 0
	modeStart = 1
)

// hostFormat is what the host sends first, in the byte order that it wants to use.
const hostFormat = 0x0000beef

// Sizes of the structures, in bytes.
const (
	timingSize    = 20 // prop_seg, phase_seg1, phase_seg2, sjw, brp
	modeSize      = 8  // mode, flags
	sentSize      = 20 // struct gs_host_frame with classic_can
	receivedSize  = 24 // struct gs_host_frame with classic_can_ts
	unsolicited   = 0xffffffff
	softwareLevel = 2
	hardwareLevel = 1
)

// words lays 32-bit values one behind the other.
func words(values ...uint32) []byte {
	b := make([]byte, 0, 4*len(values))
	for _, v := range values {
		b = binary.LittleEndian.AppendUint32(b, v)
	}
	return b
}

// Frame is a frame as the adapter and its host exchange it.
type Frame struct {
	ID     uint32 // with the flag bits of linux/can.h
	Length byte   // bytes of data, at most 8
	Data   [8]byte
}

// received is struct gs_host_frame from adapter to host, with a time stamp in microseconds.
func received(echo uint32, f Frame, stamp uint32) []byte {
	b := append(words(echo, f.ID), f.Length, 0, 0, 0) // channel, flags, reserved
	b = append(b, f.Data[:]...)
	return binary.LittleEndian.AppendUint32(b, stamp)
}

// sent reads struct gs_host_frame from host to adapter; false when it is none of a classic frame.
func sent(b []byte) (echo uint32, f Frame, ok bool) {
	if len(b) < sentSize || b[8] > 8 || b[9] != 0 {
		return 0, Frame{}, false
	}
	f = Frame{ID: binary.LittleEndian.Uint32(b[4:]), Length: b[8], Data: [8]byte(b[12:20])}
	return binary.LittleEndian.Uint32(b), f, true
}

// limits is struct gs_device_bt_const.
func limits(features uint32) []byte {
	return words(features, clock, 1, 16, 1, 8, 4, 1, 1024, 1) // tseg1, tseg2 from and to, sjw to, brp from, to, step
}

// bitrate reads struct gs_device_bittiming: the clock divided by the prescaler and by the quanta of a bit, of which one
// is the synchronisation's (ISO 11898-1). 0 where the timing is impossible.
func bitrate(b []byte) uint32 {
	if len(b) < timingSize {
		return 0
	}
	quanta := 1 + uint64(binary.LittleEndian.Uint32(b)) + uint64(binary.LittleEndian.Uint32(b[4:])) + uint64(binary.LittleEndian.Uint32(b[8:]))
	divisor := quanta * uint64(binary.LittleEndian.Uint32(b[16:]))
	if divisor == 0 {
		return 0
	}
	return uint32(clock / divisor) //nolint:gosec // at most the clock
}
