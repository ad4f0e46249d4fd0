// SPDX-License-Identifier: Apache-2.0

// Package aircan provides primitives for encoding and decoding air CAN messages.
//
// Source: air/air.dbc
package aircan

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/candebug"
	"go.einride.tech/can/pkg/canrunner"
	"go.einride.tech/can/pkg/cantext"
	"go.einride.tech/can/pkg/descriptor"
	"go.einride.tech/can/pkg/generated"
	"go.einride.tech/can/pkg/socketcan"
)

// prevent unused imports
var (
	_ = context.Background
	_ = fmt.Print
	_ = net.Dial
	_ = http.Error
	_ = sync.Mutex{}
	_ = time.Now
	_ = socketcan.Dial
	_ = candebug.ServeMessagesHTTP
	_ = canrunner.Run
)

// Generated code. DO NOT EDIT.
// HeartbeatReader provides read access to a Heartbeat message.
type HeartbeatReader interface {
	can.FrameMarshaler
	// Count returns the value of the Count signal.
	Count() uint16
	// Volts returns the physical value of the Volts signal.
	Volts() float64
	// RawVolts returns the raw (encoded) value of the Volts signal.
	RawVolts() uint16
	// Chip returns the physical value of the Chip signal.
	Chip() float64
	// RawChip returns the raw (encoded) value of the Chip signal.
	RawChip() int8
	// Fault returns the value of the Fault signal.
	Fault() bool
	// Armed returns the value of the Armed signal.
	Armed() bool
	// Load returns the physical value of the Load signal.
	Load() float64
	// RawLoad returns the raw (encoded) value of the Load signal.
	RawLoad() uint8
}

// HeartbeatWriter provides write access to a Heartbeat message.
type HeartbeatWriter interface {
	// CopyFrom copies all values from Heartbeat.
	CopyFrom(HeartbeatReader) *Heartbeat
	// SetCount sets the value of the Count signal.
	SetCount(uint16) *Heartbeat
	// SetVolts sets the physical value of the Volts signal.
	SetVolts(float64) *Heartbeat
	// SetRawVolts sets the raw (encoded) value of the Volts signal.
	SetRawVolts(uint16) *Heartbeat
	// SetChip sets the physical value of the Chip signal.
	SetChip(float64) *Heartbeat
	// SetRawChip sets the raw (encoded) value of the Chip signal.
	SetRawChip(int8) *Heartbeat
	// SetFault sets the value of the Fault signal.
	SetFault(bool) *Heartbeat
	// SetArmed sets the value of the Armed signal.
	SetArmed(bool) *Heartbeat
	// SetLoad sets the physical value of the Load signal.
	SetLoad(float64) *Heartbeat
	// SetRawLoad sets the raw (encoded) value of the Load signal.
	SetRawLoad(uint8) *Heartbeat
}

type Heartbeat struct {
	xxx_Count uint16
	xxx_Volts uint16
	xxx_Chip  int8
	xxx_Fault bool
	xxx_Armed bool
	xxx_Load  uint8
}

func NewHeartbeat() *Heartbeat {
	m := &Heartbeat{}
	m.Reset()
	return m
}

func (m *Heartbeat) Reset() {
	m.xxx_Count = 0
	m.xxx_Volts = 0
	m.xxx_Chip = 0
	m.xxx_Fault = false
	m.xxx_Armed = false
	m.xxx_Load = 0
}

func (m *Heartbeat) CopyFrom(o HeartbeatReader) *Heartbeat {
	f, _ := o.MarshalFrame()
	_ = m.UnmarshalFrame(f)
	return m
}

// Descriptor returns the Heartbeat descriptor.
func (m *Heartbeat) Descriptor() *descriptor.Message {
	return Messages().Heartbeat.Message
}

// String returns a compact string representation of the message.
func (m *Heartbeat) String() string {
	return cantext.MessageString(m)
}

func (m *Heartbeat) Count() uint16 {
	return m.xxx_Count
}

func (m *Heartbeat) SetCount(v uint16) *Heartbeat {
	m.xxx_Count = uint16(Messages().Heartbeat.Count.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Heartbeat) Volts() float64 {
	return Messages().Heartbeat.Volts.ToPhysical(float64(m.xxx_Volts))
}

func (m *Heartbeat) SetVolts(v float64) *Heartbeat {
	m.xxx_Volts = uint16(Messages().Heartbeat.Volts.FromPhysical(v))
	return m
}

func (m *Heartbeat) RawVolts() uint16 {
	return m.xxx_Volts
}

func (m *Heartbeat) SetRawVolts(v uint16) *Heartbeat {
	m.xxx_Volts = uint16(Messages().Heartbeat.Volts.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Heartbeat) Chip() float64 {
	return Messages().Heartbeat.Chip.ToPhysical(float64(m.xxx_Chip))
}

func (m *Heartbeat) SetChip(v float64) *Heartbeat {
	m.xxx_Chip = int8(Messages().Heartbeat.Chip.FromPhysical(v))
	return m
}

func (m *Heartbeat) RawChip() int8 {
	return m.xxx_Chip
}

func (m *Heartbeat) SetRawChip(v int8) *Heartbeat {
	m.xxx_Chip = int8(Messages().Heartbeat.Chip.SaturatedCastSigned(int64(v)))
	return m
}

func (m *Heartbeat) Fault() bool {
	return m.xxx_Fault
}

func (m *Heartbeat) SetFault(v bool) *Heartbeat {
	m.xxx_Fault = v
	return m
}

func (m *Heartbeat) Armed() bool {
	return m.xxx_Armed
}

func (m *Heartbeat) SetArmed(v bool) *Heartbeat {
	m.xxx_Armed = v
	return m
}

func (m *Heartbeat) Load() float64 {
	return Messages().Heartbeat.Load.ToPhysical(float64(m.xxx_Load))
}

func (m *Heartbeat) SetLoad(v float64) *Heartbeat {
	m.xxx_Load = uint8(Messages().Heartbeat.Load.FromPhysical(v))
	return m
}

func (m *Heartbeat) RawLoad() uint8 {
	return m.xxx_Load
}

func (m *Heartbeat) SetRawLoad(v uint8) *Heartbeat {
	m.xxx_Load = uint8(Messages().Heartbeat.Load.SaturatedCastUnsigned(uint64(v)))
	return m
}

// Frame returns a CAN frame representing the message.
func (m *Heartbeat) Frame() can.Frame {
	md := Messages().Heartbeat
	f := can.Frame{ID: md.ID, IsExtended: md.IsExtended, Length: md.Length}
	md.Count.MarshalUnsigned(&f.Data, uint64(m.xxx_Count))
	md.Volts.MarshalUnsigned(&f.Data, uint64(m.xxx_Volts))
	md.Chip.MarshalSigned(&f.Data, int64(m.xxx_Chip))
	md.Fault.MarshalBool(&f.Data, bool(m.xxx_Fault))
	md.Armed.MarshalBool(&f.Data, bool(m.xxx_Armed))
	md.Load.MarshalUnsigned(&f.Data, uint64(m.xxx_Load))
	return f
}

// MarshalFrame encodes the message as a CAN frame.
func (m *Heartbeat) MarshalFrame() (can.Frame, error) {
	return m.Frame(), nil
}

// UnmarshalFrame decodes the message from a CAN frame.
func (m *Heartbeat) UnmarshalFrame(f can.Frame) error {
	md := Messages().Heartbeat
	switch {
	case f.ID != md.ID:
		return fmt.Errorf(
			"unmarshal Heartbeat: expects ID 801 (got %s with ID %d)", f.String(), f.ID,
		)
	case f.Length != md.Length:
		return fmt.Errorf(
			"unmarshal Heartbeat: expects length 8 (got %s with length %d)", f.String(), f.Length,
		)
	case f.IsRemote:
		return fmt.Errorf(
			"unmarshal Heartbeat: expects non-remote frame (got remote frame %s)", f.String(),
		)
	case f.IsExtended != md.IsExtended:
		return fmt.Errorf(
			"unmarshal Heartbeat: expects standard ID (got %s with extended ID)", f.String(),
		)
	}
	m.xxx_Count = uint16(md.Count.UnmarshalUnsigned(f.Data))
	m.xxx_Volts = uint16(md.Volts.UnmarshalUnsigned(f.Data))
	m.xxx_Chip = int8(md.Chip.UnmarshalSigned(f.Data))
	m.xxx_Fault = bool(md.Fault.UnmarshalBool(f.Data))
	m.xxx_Armed = bool(md.Armed.UnmarshalBool(f.Data))
	m.xxx_Load = uint8(md.Load.UnmarshalUnsigned(f.Data))
	return nil
}

// PressuresReader provides read access to a Pressures message.
type PressuresReader interface {
	can.FrameMarshaler
	// Tank returns the physical value of the Tank signal.
	Tank() float64
	// RawTank returns the raw (encoded) value of the Tank signal.
	RawTank() uint16
	// Front returns the physical value of the Front signal.
	Front() float64
	// RawFront returns the raw (encoded) value of the Front signal.
	RawFront() uint16
	// Rear returns the physical value of the Rear signal.
	Rear() float64
	// RawRear returns the raw (encoded) value of the Rear signal.
	RawRear() uint8
	// Drain returns the physical value of the Drain signal.
	Drain() float64
	// RawDrain returns the raw (encoded) value of the Drain signal.
	RawDrain() Pressures_Drain
	// Dryer returns the physical value of the Dryer signal.
	Dryer() float64
	// RawDryer returns the raw (encoded) value of the Dryer signal.
	RawDryer() uint8
	// Outside returns the physical value of the Outside signal.
	Outside() float64
	// RawOutside returns the raw (encoded) value of the Outside signal.
	RawOutside() uint16
}

// PressuresWriter provides write access to a Pressures message.
type PressuresWriter interface {
	// CopyFrom copies all values from Pressures.
	CopyFrom(PressuresReader) *Pressures
	// SetTank sets the physical value of the Tank signal.
	SetTank(float64) *Pressures
	// SetRawTank sets the raw (encoded) value of the Tank signal.
	SetRawTank(uint16) *Pressures
	// SetFront sets the physical value of the Front signal.
	SetFront(float64) *Pressures
	// SetRawFront sets the raw (encoded) value of the Front signal.
	SetRawFront(uint16) *Pressures
	// SetRear sets the physical value of the Rear signal.
	SetRear(float64) *Pressures
	// SetRawRear sets the raw (encoded) value of the Rear signal.
	SetRawRear(uint8) *Pressures
	// SetDrain sets the physical value of the Drain signal.
	SetDrain(float64) *Pressures
	// SetRawDrain sets the raw (encoded) value of the Drain signal.
	SetRawDrain(Pressures_Drain) *Pressures
	// SetDryer sets the physical value of the Dryer signal.
	SetDryer(float64) *Pressures
	// SetRawDryer sets the raw (encoded) value of the Dryer signal.
	SetRawDryer(uint8) *Pressures
	// SetOutside sets the physical value of the Outside signal.
	SetOutside(float64) *Pressures
	// SetRawOutside sets the raw (encoded) value of the Outside signal.
	SetRawOutside(uint16) *Pressures
}

type Pressures struct {
	xxx_Tank    uint16
	xxx_Front   uint16
	xxx_Rear    uint8
	xxx_Drain   Pressures_Drain
	xxx_Dryer   uint8
	xxx_Outside uint16
}

func NewPressures() *Pressures {
	m := &Pressures{}
	m.Reset()
	return m
}

func (m *Pressures) Reset() {
	m.xxx_Tank = 0
	m.xxx_Front = 0
	m.xxx_Rear = 0
	m.xxx_Drain = 0
	m.xxx_Dryer = 0
	m.xxx_Outside = 0
}

func (m *Pressures) CopyFrom(o PressuresReader) *Pressures {
	f, _ := o.MarshalFrame()
	_ = m.UnmarshalFrame(f)
	return m
}

// Descriptor returns the Pressures descriptor.
func (m *Pressures) Descriptor() *descriptor.Message {
	return Messages().Pressures.Message
}

// String returns a compact string representation of the message.
func (m *Pressures) String() string {
	return cantext.MessageString(m)
}

func (m *Pressures) Tank() float64 {
	return Messages().Pressures.Tank.ToPhysical(float64(m.xxx_Tank))
}

func (m *Pressures) SetTank(v float64) *Pressures {
	m.xxx_Tank = uint16(Messages().Pressures.Tank.FromPhysical(v))
	return m
}

func (m *Pressures) RawTank() uint16 {
	return m.xxx_Tank
}

func (m *Pressures) SetRawTank(v uint16) *Pressures {
	m.xxx_Tank = uint16(Messages().Pressures.Tank.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pressures) Front() float64 {
	return Messages().Pressures.Front.ToPhysical(float64(m.xxx_Front))
}

func (m *Pressures) SetFront(v float64) *Pressures {
	m.xxx_Front = uint16(Messages().Pressures.Front.FromPhysical(v))
	return m
}

func (m *Pressures) RawFront() uint16 {
	return m.xxx_Front
}

func (m *Pressures) SetRawFront(v uint16) *Pressures {
	m.xxx_Front = uint16(Messages().Pressures.Front.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pressures) Rear() float64 {
	return Messages().Pressures.Rear.ToPhysical(float64(m.xxx_Rear))
}

func (m *Pressures) SetRear(v float64) *Pressures {
	m.xxx_Rear = uint8(Messages().Pressures.Rear.FromPhysical(v))
	return m
}

func (m *Pressures) RawRear() uint8 {
	return m.xxx_Rear
}

func (m *Pressures) SetRawRear(v uint8) *Pressures {
	m.xxx_Rear = uint8(Messages().Pressures.Rear.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pressures) Drain() float64 {
	return Messages().Pressures.Drain.ToPhysical(float64(m.xxx_Drain))
}

func (m *Pressures) SetDrain(v float64) *Pressures {
	m.xxx_Drain = Pressures_Drain(Messages().Pressures.Drain.FromPhysical(v))
	return m
}

func (m *Pressures) RawDrain() Pressures_Drain {
	return m.xxx_Drain
}

func (m *Pressures) SetRawDrain(v Pressures_Drain) *Pressures {
	m.xxx_Drain = Pressures_Drain(Messages().Pressures.Drain.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pressures) Dryer() float64 {
	return Messages().Pressures.Dryer.ToPhysical(float64(m.xxx_Dryer))
}

func (m *Pressures) SetDryer(v float64) *Pressures {
	m.xxx_Dryer = uint8(Messages().Pressures.Dryer.FromPhysical(v))
	return m
}

func (m *Pressures) RawDryer() uint8 {
	return m.xxx_Dryer
}

func (m *Pressures) SetRawDryer(v uint8) *Pressures {
	m.xxx_Dryer = uint8(Messages().Pressures.Dryer.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pressures) Outside() float64 {
	return Messages().Pressures.Outside.ToPhysical(float64(m.xxx_Outside))
}

func (m *Pressures) SetOutside(v float64) *Pressures {
	m.xxx_Outside = uint16(Messages().Pressures.Outside.FromPhysical(v))
	return m
}

func (m *Pressures) RawOutside() uint16 {
	return m.xxx_Outside
}

func (m *Pressures) SetRawOutside(v uint16) *Pressures {
	m.xxx_Outside = uint16(Messages().Pressures.Outside.SaturatedCastUnsigned(uint64(v)))
	return m
}

// Pressures_Drain models the Drain signal of the Pressures message.
type Pressures_Drain uint8

// Value descriptions for the Drain signal of the Pressures message.
const (
	Pressures_Drain_shut Pressures_Drain = 0
	Pressures_Drain_open Pressures_Drain = 1
)

func (v Pressures_Drain) String() string {
	switch v {
	case 0:
		return "shut"
	case 1:
		return "open"
	default:
		return fmt.Sprintf("Pressures_Drain(%d)", v)
	}
}

// Frame returns a CAN frame representing the message.
func (m *Pressures) Frame() can.Frame {
	md := Messages().Pressures
	f := can.Frame{ID: md.ID, IsExtended: md.IsExtended, Length: md.Length}
	md.Tank.MarshalUnsigned(&f.Data, uint64(m.xxx_Tank))
	md.Front.MarshalUnsigned(&f.Data, uint64(m.xxx_Front))
	md.Rear.MarshalUnsigned(&f.Data, uint64(m.xxx_Rear))
	md.Drain.MarshalUnsigned(&f.Data, uint64(m.xxx_Drain))
	md.Dryer.MarshalUnsigned(&f.Data, uint64(m.xxx_Dryer))
	md.Outside.MarshalUnsigned(&f.Data, uint64(m.xxx_Outside))
	return f
}

// MarshalFrame encodes the message as a CAN frame.
func (m *Pressures) MarshalFrame() (can.Frame, error) {
	return m.Frame(), nil
}

// UnmarshalFrame decodes the message from a CAN frame.
func (m *Pressures) UnmarshalFrame(f can.Frame) error {
	md := Messages().Pressures
	switch {
	case f.ID != md.ID:
		return fmt.Errorf(
			"unmarshal Pressures: expects ID 419364862 (got %s with ID %d)", f.String(), f.ID,
		)
	case f.Length != md.Length:
		return fmt.Errorf(
			"unmarshal Pressures: expects length 8 (got %s with length %d)", f.String(), f.Length,
		)
	case f.IsRemote:
		return fmt.Errorf(
			"unmarshal Pressures: expects non-remote frame (got remote frame %s)", f.String(),
		)
	case f.IsExtended != md.IsExtended:
		return fmt.Errorf(
			"unmarshal Pressures: expects extended ID (got %s with standard ID)", f.String(),
		)
	}
	m.xxx_Tank = uint16(md.Tank.UnmarshalUnsigned(f.Data))
	m.xxx_Front = uint16(md.Front.UnmarshalUnsigned(f.Data))
	m.xxx_Rear = uint8(md.Rear.UnmarshalUnsigned(f.Data))
	m.xxx_Drain = Pressures_Drain(md.Drain.UnmarshalUnsigned(f.Data))
	m.xxx_Dryer = uint8(md.Dryer.UnmarshalUnsigned(f.Data))
	m.xxx_Outside = uint16(md.Outside.UnmarshalUnsigned(f.Data))
	return nil
}

// CompressorReader provides read access to a Compressor message.
type CompressorReader interface {
	can.FrameMarshaler
	// Turns returns the physical value of the Turns signal.
	Turns() float64
	// RawTurns returns the raw (encoded) value of the Turns signal.
	RawTurns() uint16
	// Current returns the physical value of the Current signal.
	Current() float64
	// RawCurrent returns the raw (encoded) value of the Current signal.
	RawCurrent() uint8
	// Head returns the physical value of the Head signal.
	Head() float64
	// RawHead returns the raw (encoded) value of the Head signal.
	RawHead() uint8
	// Clutch returns the physical value of the Clutch signal.
	Clutch() float64
	// RawClutch returns the raw (encoded) value of the Clutch signal.
	RawClutch() uint8
	// Starts returns the physical value of the Starts signal.
	Starts() float64
	// RawStarts returns the raw (encoded) value of the Starts signal.
	RawStarts() uint8
	// Hours returns the physical value of the Hours signal.
	Hours() float64
	// RawHours returns the raw (encoded) value of the Hours signal.
	RawHours() uint16
}

// CompressorWriter provides write access to a Compressor message.
type CompressorWriter interface {
	// CopyFrom copies all values from Compressor.
	CopyFrom(CompressorReader) *Compressor
	// SetTurns sets the physical value of the Turns signal.
	SetTurns(float64) *Compressor
	// SetRawTurns sets the raw (encoded) value of the Turns signal.
	SetRawTurns(uint16) *Compressor
	// SetCurrent sets the physical value of the Current signal.
	SetCurrent(float64) *Compressor
	// SetRawCurrent sets the raw (encoded) value of the Current signal.
	SetRawCurrent(uint8) *Compressor
	// SetHead sets the physical value of the Head signal.
	SetHead(float64) *Compressor
	// SetRawHead sets the raw (encoded) value of the Head signal.
	SetRawHead(uint8) *Compressor
	// SetClutch sets the physical value of the Clutch signal.
	SetClutch(float64) *Compressor
	// SetRawClutch sets the raw (encoded) value of the Clutch signal.
	SetRawClutch(uint8) *Compressor
	// SetStarts sets the physical value of the Starts signal.
	SetStarts(float64) *Compressor
	// SetRawStarts sets the raw (encoded) value of the Starts signal.
	SetRawStarts(uint8) *Compressor
	// SetHours sets the physical value of the Hours signal.
	SetHours(float64) *Compressor
	// SetRawHours sets the raw (encoded) value of the Hours signal.
	SetRawHours(uint16) *Compressor
}

type Compressor struct {
	xxx_Turns   uint16
	xxx_Current uint8
	xxx_Head    uint8
	xxx_Clutch  uint8
	xxx_Starts  uint8
	xxx_Hours   uint16
}

func NewCompressor() *Compressor {
	m := &Compressor{}
	m.Reset()
	return m
}

func (m *Compressor) Reset() {
	m.xxx_Turns = 0
	m.xxx_Current = 0
	m.xxx_Head = 0
	m.xxx_Clutch = 0
	m.xxx_Starts = 0
	m.xxx_Hours = 0
}

func (m *Compressor) CopyFrom(o CompressorReader) *Compressor {
	f, _ := o.MarshalFrame()
	_ = m.UnmarshalFrame(f)
	return m
}

// Descriptor returns the Compressor descriptor.
func (m *Compressor) Descriptor() *descriptor.Message {
	return Messages().Compressor.Message
}

// String returns a compact string representation of the message.
func (m *Compressor) String() string {
	return cantext.MessageString(m)
}

func (m *Compressor) Turns() float64 {
	return Messages().Compressor.Turns.ToPhysical(float64(m.xxx_Turns))
}

func (m *Compressor) SetTurns(v float64) *Compressor {
	m.xxx_Turns = uint16(Messages().Compressor.Turns.FromPhysical(v))
	return m
}

func (m *Compressor) RawTurns() uint16 {
	return m.xxx_Turns
}

func (m *Compressor) SetRawTurns(v uint16) *Compressor {
	m.xxx_Turns = uint16(Messages().Compressor.Turns.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Compressor) Current() float64 {
	return Messages().Compressor.Current.ToPhysical(float64(m.xxx_Current))
}

func (m *Compressor) SetCurrent(v float64) *Compressor {
	m.xxx_Current = uint8(Messages().Compressor.Current.FromPhysical(v))
	return m
}

func (m *Compressor) RawCurrent() uint8 {
	return m.xxx_Current
}

func (m *Compressor) SetRawCurrent(v uint8) *Compressor {
	m.xxx_Current = uint8(Messages().Compressor.Current.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Compressor) Head() float64 {
	return Messages().Compressor.Head.ToPhysical(float64(m.xxx_Head))
}

func (m *Compressor) SetHead(v float64) *Compressor {
	m.xxx_Head = uint8(Messages().Compressor.Head.FromPhysical(v))
	return m
}

func (m *Compressor) RawHead() uint8 {
	return m.xxx_Head
}

func (m *Compressor) SetRawHead(v uint8) *Compressor {
	m.xxx_Head = uint8(Messages().Compressor.Head.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Compressor) Clutch() float64 {
	return Messages().Compressor.Clutch.ToPhysical(float64(m.xxx_Clutch))
}

func (m *Compressor) SetClutch(v float64) *Compressor {
	m.xxx_Clutch = uint8(Messages().Compressor.Clutch.FromPhysical(v))
	return m
}

func (m *Compressor) RawClutch() uint8 {
	return m.xxx_Clutch
}

func (m *Compressor) SetRawClutch(v uint8) *Compressor {
	m.xxx_Clutch = uint8(Messages().Compressor.Clutch.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Compressor) Starts() float64 {
	return Messages().Compressor.Starts.ToPhysical(float64(m.xxx_Starts))
}

func (m *Compressor) SetStarts(v float64) *Compressor {
	m.xxx_Starts = uint8(Messages().Compressor.Starts.FromPhysical(v))
	return m
}

func (m *Compressor) RawStarts() uint8 {
	return m.xxx_Starts
}

func (m *Compressor) SetRawStarts(v uint8) *Compressor {
	m.xxx_Starts = uint8(Messages().Compressor.Starts.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Compressor) Hours() float64 {
	return Messages().Compressor.Hours.ToPhysical(float64(m.xxx_Hours))
}

func (m *Compressor) SetHours(v float64) *Compressor {
	m.xxx_Hours = uint16(Messages().Compressor.Hours.FromPhysical(v))
	return m
}

func (m *Compressor) RawHours() uint16 {
	return m.xxx_Hours
}

func (m *Compressor) SetRawHours(v uint16) *Compressor {
	m.xxx_Hours = uint16(Messages().Compressor.Hours.SaturatedCastUnsigned(uint64(v)))
	return m
}

// Frame returns a CAN frame representing the message.
func (m *Compressor) Frame() can.Frame {
	md := Messages().Compressor
	f := can.Frame{ID: md.ID, IsExtended: md.IsExtended, Length: md.Length}
	md.Turns.MarshalUnsigned(&f.Data, uint64(m.xxx_Turns))
	md.Current.MarshalUnsigned(&f.Data, uint64(m.xxx_Current))
	md.Head.MarshalUnsigned(&f.Data, uint64(m.xxx_Head))
	md.Clutch.MarshalUnsigned(&f.Data, uint64(m.xxx_Clutch))
	md.Starts.MarshalUnsigned(&f.Data, uint64(m.xxx_Starts))
	md.Hours.MarshalUnsigned(&f.Data, uint64(m.xxx_Hours))
	return f
}

// MarshalFrame encodes the message as a CAN frame.
func (m *Compressor) MarshalFrame() (can.Frame, error) {
	return m.Frame(), nil
}

// UnmarshalFrame decodes the message from a CAN frame.
func (m *Compressor) UnmarshalFrame(f can.Frame) error {
	md := Messages().Compressor
	switch {
	case f.ID != md.ID:
		return fmt.Errorf(
			"unmarshal Compressor: expects ID 419365118 (got %s with ID %d)", f.String(), f.ID,
		)
	case f.Length != md.Length:
		return fmt.Errorf(
			"unmarshal Compressor: expects length 8 (got %s with length %d)", f.String(), f.Length,
		)
	case f.IsRemote:
		return fmt.Errorf(
			"unmarshal Compressor: expects non-remote frame (got remote frame %s)", f.String(),
		)
	case f.IsExtended != md.IsExtended:
		return fmt.Errorf(
			"unmarshal Compressor: expects extended ID (got %s with standard ID)", f.String(),
		)
	}
	m.xxx_Turns = uint16(md.Turns.UnmarshalUnsigned(f.Data))
	m.xxx_Current = uint8(md.Current.UnmarshalUnsigned(f.Data))
	m.xxx_Head = uint8(md.Head.UnmarshalUnsigned(f.Data))
	m.xxx_Clutch = uint8(md.Clutch.UnmarshalUnsigned(f.Data))
	m.xxx_Starts = uint8(md.Starts.UnmarshalUnsigned(f.Data))
	m.xxx_Hours = uint16(md.Hours.UnmarshalUnsigned(f.Data))
	return nil
}

// LoadsReader provides read access to a Loads message.
type LoadsReader interface {
	can.FrameMarshaler
	// Row1 returns the physical value of the Row1 signal.
	Row1() float64
	// RawRow1 returns the raw (encoded) value of the Row1 signal.
	RawRow1() uint8
	// Row2 returns the physical value of the Row2 signal.
	Row2() float64
	// RawRow2 returns the raw (encoded) value of the Row2 signal.
	RawRow2() uint8
	// Row3 returns the physical value of the Row3 signal.
	Row3() float64
	// RawRow3 returns the raw (encoded) value of the Row3 signal.
	RawRow3() uint8
	// Row4 returns the physical value of the Row4 signal.
	Row4() float64
	// RawRow4 returns the raw (encoded) value of the Row4 signal.
	RawRow4() uint8
	// Slope returns the physical value of the Slope signal.
	Slope() float64
	// RawSlope returns the raw (encoded) value of the Slope signal.
	RawSlope() int16
	// Ride returns the physical value of the Ride signal.
	Ride() float64
	// RawRide returns the raw (encoded) value of the Ride signal.
	RawRide() int16
}

// LoadsWriter provides write access to a Loads message.
type LoadsWriter interface {
	// CopyFrom copies all values from Loads.
	CopyFrom(LoadsReader) *Loads
	// SetRow1 sets the physical value of the Row1 signal.
	SetRow1(float64) *Loads
	// SetRawRow1 sets the raw (encoded) value of the Row1 signal.
	SetRawRow1(uint8) *Loads
	// SetRow2 sets the physical value of the Row2 signal.
	SetRow2(float64) *Loads
	// SetRawRow2 sets the raw (encoded) value of the Row2 signal.
	SetRawRow2(uint8) *Loads
	// SetRow3 sets the physical value of the Row3 signal.
	SetRow3(float64) *Loads
	// SetRawRow3 sets the raw (encoded) value of the Row3 signal.
	SetRawRow3(uint8) *Loads
	// SetRow4 sets the physical value of the Row4 signal.
	SetRow4(float64) *Loads
	// SetRawRow4 sets the raw (encoded) value of the Row4 signal.
	SetRawRow4(uint8) *Loads
	// SetSlope sets the physical value of the Slope signal.
	SetSlope(float64) *Loads
	// SetRawSlope sets the raw (encoded) value of the Slope signal.
	SetRawSlope(int16) *Loads
	// SetRide sets the physical value of the Ride signal.
	SetRide(float64) *Loads
	// SetRawRide sets the raw (encoded) value of the Ride signal.
	SetRawRide(int16) *Loads
}

type Loads struct {
	xxx_Row1  uint8
	xxx_Row2  uint8
	xxx_Row3  uint8
	xxx_Row4  uint8
	xxx_Slope int16
	xxx_Ride  int16
}

func NewLoads() *Loads {
	m := &Loads{}
	m.Reset()
	return m
}

func (m *Loads) Reset() {
	m.xxx_Row1 = 0
	m.xxx_Row2 = 0
	m.xxx_Row3 = 0
	m.xxx_Row4 = 0
	m.xxx_Slope = 0
	m.xxx_Ride = 0
}

func (m *Loads) CopyFrom(o LoadsReader) *Loads {
	f, _ := o.MarshalFrame()
	_ = m.UnmarshalFrame(f)
	return m
}

// Descriptor returns the Loads descriptor.
func (m *Loads) Descriptor() *descriptor.Message {
	return Messages().Loads.Message
}

// String returns a compact string representation of the message.
func (m *Loads) String() string {
	return cantext.MessageString(m)
}

func (m *Loads) Row1() float64 {
	return Messages().Loads.Row1.ToPhysical(float64(m.xxx_Row1))
}

func (m *Loads) SetRow1(v float64) *Loads {
	m.xxx_Row1 = uint8(Messages().Loads.Row1.FromPhysical(v))
	return m
}

func (m *Loads) RawRow1() uint8 {
	return m.xxx_Row1
}

func (m *Loads) SetRawRow1(v uint8) *Loads {
	m.xxx_Row1 = uint8(Messages().Loads.Row1.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Loads) Row2() float64 {
	return Messages().Loads.Row2.ToPhysical(float64(m.xxx_Row2))
}

func (m *Loads) SetRow2(v float64) *Loads {
	m.xxx_Row2 = uint8(Messages().Loads.Row2.FromPhysical(v))
	return m
}

func (m *Loads) RawRow2() uint8 {
	return m.xxx_Row2
}

func (m *Loads) SetRawRow2(v uint8) *Loads {
	m.xxx_Row2 = uint8(Messages().Loads.Row2.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Loads) Row3() float64 {
	return Messages().Loads.Row3.ToPhysical(float64(m.xxx_Row3))
}

func (m *Loads) SetRow3(v float64) *Loads {
	m.xxx_Row3 = uint8(Messages().Loads.Row3.FromPhysical(v))
	return m
}

func (m *Loads) RawRow3() uint8 {
	return m.xxx_Row3
}

func (m *Loads) SetRawRow3(v uint8) *Loads {
	m.xxx_Row3 = uint8(Messages().Loads.Row3.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Loads) Row4() float64 {
	return Messages().Loads.Row4.ToPhysical(float64(m.xxx_Row4))
}

func (m *Loads) SetRow4(v float64) *Loads {
	m.xxx_Row4 = uint8(Messages().Loads.Row4.FromPhysical(v))
	return m
}

func (m *Loads) RawRow4() uint8 {
	return m.xxx_Row4
}

func (m *Loads) SetRawRow4(v uint8) *Loads {
	m.xxx_Row4 = uint8(Messages().Loads.Row4.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Loads) Slope() float64 {
	return Messages().Loads.Slope.ToPhysical(float64(m.xxx_Slope))
}

func (m *Loads) SetSlope(v float64) *Loads {
	m.xxx_Slope = int16(Messages().Loads.Slope.FromPhysical(v))
	return m
}

func (m *Loads) RawSlope() int16 {
	return m.xxx_Slope
}

func (m *Loads) SetRawSlope(v int16) *Loads {
	m.xxx_Slope = int16(Messages().Loads.Slope.SaturatedCastSigned(int64(v)))
	return m
}

func (m *Loads) Ride() float64 {
	return Messages().Loads.Ride.ToPhysical(float64(m.xxx_Ride))
}

func (m *Loads) SetRide(v float64) *Loads {
	m.xxx_Ride = int16(Messages().Loads.Ride.FromPhysical(v))
	return m
}

func (m *Loads) RawRide() int16 {
	return m.xxx_Ride
}

func (m *Loads) SetRawRide(v int16) *Loads {
	m.xxx_Ride = int16(Messages().Loads.Ride.SaturatedCastSigned(int64(v)))
	return m
}

// Frame returns a CAN frame representing the message.
func (m *Loads) Frame() can.Frame {
	md := Messages().Loads
	f := can.Frame{ID: md.ID, IsExtended: md.IsExtended, Length: md.Length}
	md.Row1.MarshalUnsigned(&f.Data, uint64(m.xxx_Row1))
	md.Row2.MarshalUnsigned(&f.Data, uint64(m.xxx_Row2))
	md.Row3.MarshalUnsigned(&f.Data, uint64(m.xxx_Row3))
	md.Row4.MarshalUnsigned(&f.Data, uint64(m.xxx_Row4))
	md.Slope.MarshalSigned(&f.Data, int64(m.xxx_Slope))
	md.Ride.MarshalSigned(&f.Data, int64(m.xxx_Ride))
	return f
}

// MarshalFrame encodes the message as a CAN frame.
func (m *Loads) MarshalFrame() (can.Frame, error) {
	return m.Frame(), nil
}

// UnmarshalFrame decodes the message from a CAN frame.
func (m *Loads) UnmarshalFrame(f can.Frame) error {
	md := Messages().Loads
	switch {
	case f.ID != md.ID:
		return fmt.Errorf(
			"unmarshal Loads: expects ID 419365374 (got %s with ID %d)", f.String(), f.ID,
		)
	case f.Length != md.Length:
		return fmt.Errorf(
			"unmarshal Loads: expects length 8 (got %s with length %d)", f.String(), f.Length,
		)
	case f.IsRemote:
		return fmt.Errorf(
			"unmarshal Loads: expects non-remote frame (got remote frame %s)", f.String(),
		)
	case f.IsExtended != md.IsExtended:
		return fmt.Errorf(
			"unmarshal Loads: expects extended ID (got %s with standard ID)", f.String(),
		)
	}
	m.xxx_Row1 = uint8(md.Row1.UnmarshalUnsigned(f.Data))
	m.xxx_Row2 = uint8(md.Row2.UnmarshalUnsigned(f.Data))
	m.xxx_Row3 = uint8(md.Row3.UnmarshalUnsigned(f.Data))
	m.xxx_Row4 = uint8(md.Row4.UnmarshalUnsigned(f.Data))
	m.xxx_Slope = int16(md.Slope.UnmarshalSigned(f.Data))
	m.xxx_Ride = int16(md.Ride.UnmarshalSigned(f.Data))
	return nil
}

// FlowsReader provides read access to a Flows message.
type FlowsReader interface {
	can.FrameMarshaler
	// Fill returns the physical value of the Fill signal.
	Fill() float64
	// RawFill returns the raw (encoded) value of the Fill signal.
	RawFill() uint16
	// Vent returns the physical value of the Vent signal.
	Vent() float64
	// RawVent returns the raw (encoded) value of the Vent signal.
	RawVent() uint16
	// Leak returns the physical value of the Leak signal.
	Leak() float64
	// RawLeak returns the raw (encoded) value of the Leak signal.
	RawLeak() uint16
	// Moisture returns the physical value of the Moisture signal.
	Moisture() float64
	// RawMoisture returns the raw (encoded) value of the Moisture signal.
	RawMoisture() uint8
	// Valve1 returns the physical value of the Valve1 signal.
	Valve1() float64
	// RawValve1 returns the raw (encoded) value of the Valve1 signal.
	RawValve1() uint8
	// Valve2 returns the physical value of the Valve2 signal.
	Valve2() float64
	// RawValve2 returns the raw (encoded) value of the Valve2 signal.
	RawValve2() uint8
}

// FlowsWriter provides write access to a Flows message.
type FlowsWriter interface {
	// CopyFrom copies all values from Flows.
	CopyFrom(FlowsReader) *Flows
	// SetFill sets the physical value of the Fill signal.
	SetFill(float64) *Flows
	// SetRawFill sets the raw (encoded) value of the Fill signal.
	SetRawFill(uint16) *Flows
	// SetVent sets the physical value of the Vent signal.
	SetVent(float64) *Flows
	// SetRawVent sets the raw (encoded) value of the Vent signal.
	SetRawVent(uint16) *Flows
	// SetLeak sets the physical value of the Leak signal.
	SetLeak(float64) *Flows
	// SetRawLeak sets the raw (encoded) value of the Leak signal.
	SetRawLeak(uint16) *Flows
	// SetMoisture sets the physical value of the Moisture signal.
	SetMoisture(float64) *Flows
	// SetRawMoisture sets the raw (encoded) value of the Moisture signal.
	SetRawMoisture(uint8) *Flows
	// SetValve1 sets the physical value of the Valve1 signal.
	SetValve1(float64) *Flows
	// SetRawValve1 sets the raw (encoded) value of the Valve1 signal.
	SetRawValve1(uint8) *Flows
	// SetValve2 sets the physical value of the Valve2 signal.
	SetValve2(float64) *Flows
	// SetRawValve2 sets the raw (encoded) value of the Valve2 signal.
	SetRawValve2(uint8) *Flows
}

type Flows struct {
	xxx_Fill     uint16
	xxx_Vent     uint16
	xxx_Leak     uint16
	xxx_Moisture uint8
	xxx_Valve1   uint8
	xxx_Valve2   uint8
}

func NewFlows() *Flows {
	m := &Flows{}
	m.Reset()
	return m
}

func (m *Flows) Reset() {
	m.xxx_Fill = 0
	m.xxx_Vent = 0
	m.xxx_Leak = 0
	m.xxx_Moisture = 0
	m.xxx_Valve1 = 0
	m.xxx_Valve2 = 0
}

func (m *Flows) CopyFrom(o FlowsReader) *Flows {
	f, _ := o.MarshalFrame()
	_ = m.UnmarshalFrame(f)
	return m
}

// Descriptor returns the Flows descriptor.
func (m *Flows) Descriptor() *descriptor.Message {
	return Messages().Flows.Message
}

// String returns a compact string representation of the message.
func (m *Flows) String() string {
	return cantext.MessageString(m)
}

func (m *Flows) Fill() float64 {
	return Messages().Flows.Fill.ToPhysical(float64(m.xxx_Fill))
}

func (m *Flows) SetFill(v float64) *Flows {
	m.xxx_Fill = uint16(Messages().Flows.Fill.FromPhysical(v))
	return m
}

func (m *Flows) RawFill() uint16 {
	return m.xxx_Fill
}

func (m *Flows) SetRawFill(v uint16) *Flows {
	m.xxx_Fill = uint16(Messages().Flows.Fill.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Flows) Vent() float64 {
	return Messages().Flows.Vent.ToPhysical(float64(m.xxx_Vent))
}

func (m *Flows) SetVent(v float64) *Flows {
	m.xxx_Vent = uint16(Messages().Flows.Vent.FromPhysical(v))
	return m
}

func (m *Flows) RawVent() uint16 {
	return m.xxx_Vent
}

func (m *Flows) SetRawVent(v uint16) *Flows {
	m.xxx_Vent = uint16(Messages().Flows.Vent.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Flows) Leak() float64 {
	return Messages().Flows.Leak.ToPhysical(float64(m.xxx_Leak))
}

func (m *Flows) SetLeak(v float64) *Flows {
	m.xxx_Leak = uint16(Messages().Flows.Leak.FromPhysical(v))
	return m
}

func (m *Flows) RawLeak() uint16 {
	return m.xxx_Leak
}

func (m *Flows) SetRawLeak(v uint16) *Flows {
	m.xxx_Leak = uint16(Messages().Flows.Leak.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Flows) Moisture() float64 {
	return Messages().Flows.Moisture.ToPhysical(float64(m.xxx_Moisture))
}

func (m *Flows) SetMoisture(v float64) *Flows {
	m.xxx_Moisture = uint8(Messages().Flows.Moisture.FromPhysical(v))
	return m
}

func (m *Flows) RawMoisture() uint8 {
	return m.xxx_Moisture
}

func (m *Flows) SetRawMoisture(v uint8) *Flows {
	m.xxx_Moisture = uint8(Messages().Flows.Moisture.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Flows) Valve1() float64 {
	return Messages().Flows.Valve1.ToPhysical(float64(m.xxx_Valve1))
}

func (m *Flows) SetValve1(v float64) *Flows {
	m.xxx_Valve1 = uint8(Messages().Flows.Valve1.FromPhysical(v))
	return m
}

func (m *Flows) RawValve1() uint8 {
	return m.xxx_Valve1
}

func (m *Flows) SetRawValve1(v uint8) *Flows {
	m.xxx_Valve1 = uint8(Messages().Flows.Valve1.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Flows) Valve2() float64 {
	return Messages().Flows.Valve2.ToPhysical(float64(m.xxx_Valve2))
}

func (m *Flows) SetValve2(v float64) *Flows {
	m.xxx_Valve2 = uint8(Messages().Flows.Valve2.FromPhysical(v))
	return m
}

func (m *Flows) RawValve2() uint8 {
	return m.xxx_Valve2
}

func (m *Flows) SetRawValve2(v uint8) *Flows {
	m.xxx_Valve2 = uint8(Messages().Flows.Valve2.SaturatedCastUnsigned(uint64(v)))
	return m
}

// Frame returns a CAN frame representing the message.
func (m *Flows) Frame() can.Frame {
	md := Messages().Flows
	f := can.Frame{ID: md.ID, IsExtended: md.IsExtended, Length: md.Length}
	md.Fill.MarshalUnsigned(&f.Data, uint64(m.xxx_Fill))
	md.Vent.MarshalUnsigned(&f.Data, uint64(m.xxx_Vent))
	md.Leak.MarshalUnsigned(&f.Data, uint64(m.xxx_Leak))
	md.Moisture.MarshalUnsigned(&f.Data, uint64(m.xxx_Moisture))
	md.Valve1.MarshalUnsigned(&f.Data, uint64(m.xxx_Valve1))
	md.Valve2.MarshalUnsigned(&f.Data, uint64(m.xxx_Valve2))
	return f
}

// MarshalFrame encodes the message as a CAN frame.
func (m *Flows) MarshalFrame() (can.Frame, error) {
	return m.Frame(), nil
}

// UnmarshalFrame decodes the message from a CAN frame.
func (m *Flows) UnmarshalFrame(f can.Frame) error {
	md := Messages().Flows
	switch {
	case f.ID != md.ID:
		return fmt.Errorf(
			"unmarshal Flows: expects ID 419365630 (got %s with ID %d)", f.String(), f.ID,
		)
	case f.Length != md.Length:
		return fmt.Errorf(
			"unmarshal Flows: expects length 8 (got %s with length %d)", f.String(), f.Length,
		)
	case f.IsRemote:
		return fmt.Errorf(
			"unmarshal Flows: expects non-remote frame (got remote frame %s)", f.String(),
		)
	case f.IsExtended != md.IsExtended:
		return fmt.Errorf(
			"unmarshal Flows: expects extended ID (got %s with standard ID)", f.String(),
		)
	}
	m.xxx_Fill = uint16(md.Fill.UnmarshalUnsigned(f.Data))
	m.xxx_Vent = uint16(md.Vent.UnmarshalUnsigned(f.Data))
	m.xxx_Leak = uint16(md.Leak.UnmarshalUnsigned(f.Data))
	m.xxx_Moisture = uint8(md.Moisture.UnmarshalUnsigned(f.Data))
	m.xxx_Valve1 = uint8(md.Valve1.UnmarshalUnsigned(f.Data))
	m.xxx_Valve2 = uint8(md.Valve2.UnmarshalUnsigned(f.Data))
	return nil
}

// PagesReader provides read access to a Pages message.
type PagesReader interface {
	can.FrameMarshaler
	// Page returns the physical value of the Page signal.
	Page() float64
	// RawPage returns the raw (encoded) value of the Page signal.
	RawPage() uint8
	// Hot returns the physical value of the Hot signal.
	Hot() float64
	// RawHot returns the raw (encoded) value of the Hot signal.
	RawHot() uint16
	// Cycle returns the physical value of the Cycle signal.
	Cycle() float64
	// RawCycle returns the raw (encoded) value of the Cycle signal.
	RawCycle() uint16
	// Spare returns the physical value of the Spare signal.
	Spare() float64
	// RawSpare returns the raw (encoded) value of the Spare signal.
	RawSpare() uint8
	// Cold returns the physical value of the Cold signal.
	Cold() float64
	// RawCold returns the raw (encoded) value of the Cold signal.
	RawCold() uint16
	// Peak returns the physical value of the Peak signal.
	Peak() float64
	// RawPeak returns the raw (encoded) value of the Peak signal.
	RawPeak() uint16
	// Low returns the physical value of the Low signal.
	Low() float64
	// RawLow returns the raw (encoded) value of the Low signal.
	RawLow() uint16
}

// PagesWriter provides write access to a Pages message.
type PagesWriter interface {
	// CopyFrom copies all values from Pages.
	CopyFrom(PagesReader) *Pages
	// SetPage sets the physical value of the Page signal.
	SetPage(float64) *Pages
	// SetRawPage sets the raw (encoded) value of the Page signal.
	SetRawPage(uint8) *Pages
	// SetHot sets the physical value of the Hot signal.
	SetHot(float64) *Pages
	// SetRawHot sets the raw (encoded) value of the Hot signal.
	SetRawHot(uint16) *Pages
	// SetCycle sets the physical value of the Cycle signal.
	SetCycle(float64) *Pages
	// SetRawCycle sets the raw (encoded) value of the Cycle signal.
	SetRawCycle(uint16) *Pages
	// SetSpare sets the physical value of the Spare signal.
	SetSpare(float64) *Pages
	// SetRawSpare sets the raw (encoded) value of the Spare signal.
	SetRawSpare(uint8) *Pages
	// SetCold sets the physical value of the Cold signal.
	SetCold(float64) *Pages
	// SetRawCold sets the raw (encoded) value of the Cold signal.
	SetRawCold(uint16) *Pages
	// SetPeak sets the physical value of the Peak signal.
	SetPeak(float64) *Pages
	// SetRawPeak sets the raw (encoded) value of the Peak signal.
	SetRawPeak(uint16) *Pages
	// SetLow sets the physical value of the Low signal.
	SetLow(float64) *Pages
	// SetRawLow sets the raw (encoded) value of the Low signal.
	SetRawLow(uint16) *Pages
}

type Pages struct {
	xxx_Page  uint8
	xxx_Hot   uint16
	xxx_Cycle uint16
	xxx_Spare uint8
	xxx_Cold  uint16
	xxx_Peak  uint16
	xxx_Low   uint16
}

func NewPages() *Pages {
	m := &Pages{}
	m.Reset()
	return m
}

func (m *Pages) Reset() {
	m.xxx_Page = 0
	m.xxx_Hot = 0
	m.xxx_Cycle = 0
	m.xxx_Spare = 0
	m.xxx_Cold = 0
	m.xxx_Peak = 0
	m.xxx_Low = 0
}

func (m *Pages) CopyFrom(o PagesReader) *Pages {
	f, _ := o.MarshalFrame()
	_ = m.UnmarshalFrame(f)
	return m
}

// Descriptor returns the Pages descriptor.
func (m *Pages) Descriptor() *descriptor.Message {
	return Messages().Pages.Message
}

// String returns a compact string representation of the message.
func (m *Pages) String() string {
	return cantext.MessageString(m)
}

func (m *Pages) Page() float64 {
	return Messages().Pages.Page.ToPhysical(float64(m.xxx_Page))
}

func (m *Pages) SetPage(v float64) *Pages {
	m.xxx_Page = uint8(Messages().Pages.Page.FromPhysical(v))
	return m
}

func (m *Pages) RawPage() uint8 {
	return m.xxx_Page
}

func (m *Pages) SetRawPage(v uint8) *Pages {
	m.xxx_Page = uint8(Messages().Pages.Page.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pages) Hot() float64 {
	return Messages().Pages.Hot.ToPhysical(float64(m.xxx_Hot))
}

func (m *Pages) SetHot(v float64) *Pages {
	m.xxx_Hot = uint16(Messages().Pages.Hot.FromPhysical(v))
	return m
}

func (m *Pages) RawHot() uint16 {
	return m.xxx_Hot
}

func (m *Pages) SetRawHot(v uint16) *Pages {
	m.xxx_Hot = uint16(Messages().Pages.Hot.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pages) Cycle() float64 {
	return Messages().Pages.Cycle.ToPhysical(float64(m.xxx_Cycle))
}

func (m *Pages) SetCycle(v float64) *Pages {
	m.xxx_Cycle = uint16(Messages().Pages.Cycle.FromPhysical(v))
	return m
}

func (m *Pages) RawCycle() uint16 {
	return m.xxx_Cycle
}

func (m *Pages) SetRawCycle(v uint16) *Pages {
	m.xxx_Cycle = uint16(Messages().Pages.Cycle.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pages) Spare() float64 {
	return Messages().Pages.Spare.ToPhysical(float64(m.xxx_Spare))
}

func (m *Pages) SetSpare(v float64) *Pages {
	m.xxx_Spare = uint8(Messages().Pages.Spare.FromPhysical(v))
	return m
}

func (m *Pages) RawSpare() uint8 {
	return m.xxx_Spare
}

func (m *Pages) SetRawSpare(v uint8) *Pages {
	m.xxx_Spare = uint8(Messages().Pages.Spare.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pages) Cold() float64 {
	return Messages().Pages.Cold.ToPhysical(float64(m.xxx_Cold))
}

func (m *Pages) SetCold(v float64) *Pages {
	m.xxx_Cold = uint16(Messages().Pages.Cold.FromPhysical(v))
	return m
}

func (m *Pages) RawCold() uint16 {
	return m.xxx_Cold
}

func (m *Pages) SetRawCold(v uint16) *Pages {
	m.xxx_Cold = uint16(Messages().Pages.Cold.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pages) Peak() float64 {
	return Messages().Pages.Peak.ToPhysical(float64(m.xxx_Peak))
}

func (m *Pages) SetPeak(v float64) *Pages {
	m.xxx_Peak = uint16(Messages().Pages.Peak.FromPhysical(v))
	return m
}

func (m *Pages) RawPeak() uint16 {
	return m.xxx_Peak
}

func (m *Pages) SetRawPeak(v uint16) *Pages {
	m.xxx_Peak = uint16(Messages().Pages.Peak.SaturatedCastUnsigned(uint64(v)))
	return m
}

func (m *Pages) Low() float64 {
	return Messages().Pages.Low.ToPhysical(float64(m.xxx_Low))
}

func (m *Pages) SetLow(v float64) *Pages {
	m.xxx_Low = uint16(Messages().Pages.Low.FromPhysical(v))
	return m
}

func (m *Pages) RawLow() uint16 {
	return m.xxx_Low
}

func (m *Pages) SetRawLow(v uint16) *Pages {
	m.xxx_Low = uint16(Messages().Pages.Low.SaturatedCastUnsigned(uint64(v)))
	return m
}

// Frame returns a CAN frame representing the message.
func (m *Pages) Frame() can.Frame {
	md := Messages().Pages
	f := can.Frame{ID: md.ID, IsExtended: md.IsExtended, Length: md.Length}
	md.Page.MarshalUnsigned(&f.Data, uint64(m.xxx_Page))
	if m.xxx_Page == 0 {
		md.Hot.MarshalUnsigned(&f.Data, uint64(m.xxx_Hot))
	}
	if m.xxx_Page == 1 {
		md.Cycle.MarshalUnsigned(&f.Data, uint64(m.xxx_Cycle))
	}
	if m.xxx_Page == 2 {
		md.Spare.MarshalUnsigned(&f.Data, uint64(m.xxx_Spare))
	}
	if m.xxx_Page == 0 {
		md.Cold.MarshalUnsigned(&f.Data, uint64(m.xxx_Cold))
	}
	if m.xxx_Page == 1 {
		md.Peak.MarshalUnsigned(&f.Data, uint64(m.xxx_Peak))
	}
	if m.xxx_Page == 1 {
		md.Low.MarshalUnsigned(&f.Data, uint64(m.xxx_Low))
	}
	return f
}

// MarshalFrame encodes the message as a CAN frame.
func (m *Pages) MarshalFrame() (can.Frame, error) {
	return m.Frame(), nil
}

// UnmarshalFrame decodes the message from a CAN frame.
func (m *Pages) UnmarshalFrame(f can.Frame) error {
	md := Messages().Pages
	switch {
	case f.ID != md.ID:
		return fmt.Errorf(
			"unmarshal Pages: expects ID 419365886 (got %s with ID %d)", f.String(), f.ID,
		)
	case f.Length != md.Length:
		return fmt.Errorf(
			"unmarshal Pages: expects length 8 (got %s with length %d)", f.String(), f.Length,
		)
	case f.IsRemote:
		return fmt.Errorf(
			"unmarshal Pages: expects non-remote frame (got remote frame %s)", f.String(),
		)
	case f.IsExtended != md.IsExtended:
		return fmt.Errorf(
			"unmarshal Pages: expects extended ID (got %s with standard ID)", f.String(),
		)
	}
	m.xxx_Page = uint8(md.Page.UnmarshalUnsigned(f.Data))
	if m.xxx_Page == 0 {
		m.xxx_Hot = uint16(md.Hot.UnmarshalUnsigned(f.Data))
	}
	if m.xxx_Page == 1 {
		m.xxx_Cycle = uint16(md.Cycle.UnmarshalUnsigned(f.Data))
	}
	if m.xxx_Page == 2 {
		m.xxx_Spare = uint8(md.Spare.UnmarshalUnsigned(f.Data))
	}
	if m.xxx_Page == 0 {
		m.xxx_Cold = uint16(md.Cold.UnmarshalUnsigned(f.Data))
	}
	if m.xxx_Page == 1 {
		m.xxx_Peak = uint16(md.Peak.UnmarshalUnsigned(f.Data))
	}
	if m.xxx_Page == 1 {
		m.xxx_Low = uint16(md.Low.UnmarshalUnsigned(f.Data))
	}
	return nil
}

// Nodes returns the air node descriptors.
func Nodes() *NodesDescriptor {
	return nd
}

// NodesDescriptor contains all air node descriptors.
type NodesDescriptor struct {
	BOX     *descriptor.Node
	PLANTER *descriptor.Node
}

// Messages returns the air message descriptors.
func Messages() *MessagesDescriptor {
	return md
}

// MessagesDescriptor contains all air message descriptors.
type MessagesDescriptor struct {
	Heartbeat  *HeartbeatDescriptor
	Pressures  *PressuresDescriptor
	Compressor *CompressorDescriptor
	Loads      *LoadsDescriptor
	Flows      *FlowsDescriptor
	Pages      *PagesDescriptor
}

// UnmarshalFrame unmarshals the provided air CAN frame.
func (md *MessagesDescriptor) UnmarshalFrame(f can.Frame) (generated.Message, error) {
	switch f.ID {
	case md.Heartbeat.ID:
		var msg Heartbeat
		if err := msg.UnmarshalFrame(f); err != nil {
			return nil, fmt.Errorf("unmarshal air frame: %w", err)
		}
		return &msg, nil
	case md.Pressures.ID:
		var msg Pressures
		if err := msg.UnmarshalFrame(f); err != nil {
			return nil, fmt.Errorf("unmarshal air frame: %w", err)
		}
		return &msg, nil
	case md.Compressor.ID:
		var msg Compressor
		if err := msg.UnmarshalFrame(f); err != nil {
			return nil, fmt.Errorf("unmarshal air frame: %w", err)
		}
		return &msg, nil
	case md.Loads.ID:
		var msg Loads
		if err := msg.UnmarshalFrame(f); err != nil {
			return nil, fmt.Errorf("unmarshal air frame: %w", err)
		}
		return &msg, nil
	case md.Flows.ID:
		var msg Flows
		if err := msg.UnmarshalFrame(f); err != nil {
			return nil, fmt.Errorf("unmarshal air frame: %w", err)
		}
		return &msg, nil
	case md.Pages.ID:
		var msg Pages
		if err := msg.UnmarshalFrame(f); err != nil {
			return nil, fmt.Errorf("unmarshal air frame: %w", err)
		}
		return &msg, nil
	default:
		return nil, fmt.Errorf("unmarshal air frame: ID not in database: %d", f.ID)
	}
}

type HeartbeatDescriptor struct {
	*descriptor.Message
	Count *descriptor.Signal
	Volts *descriptor.Signal
	Chip  *descriptor.Signal
	Fault *descriptor.Signal
	Armed *descriptor.Signal
	Load  *descriptor.Signal
}

type PressuresDescriptor struct {
	*descriptor.Message
	Tank    *descriptor.Signal
	Front   *descriptor.Signal
	Rear    *descriptor.Signal
	Drain   *descriptor.Signal
	Dryer   *descriptor.Signal
	Outside *descriptor.Signal
}

type CompressorDescriptor struct {
	*descriptor.Message
	Turns   *descriptor.Signal
	Current *descriptor.Signal
	Head    *descriptor.Signal
	Clutch  *descriptor.Signal
	Starts  *descriptor.Signal
	Hours   *descriptor.Signal
}

type LoadsDescriptor struct {
	*descriptor.Message
	Row1  *descriptor.Signal
	Row2  *descriptor.Signal
	Row3  *descriptor.Signal
	Row4  *descriptor.Signal
	Slope *descriptor.Signal
	Ride  *descriptor.Signal
}

type FlowsDescriptor struct {
	*descriptor.Message
	Fill     *descriptor.Signal
	Vent     *descriptor.Signal
	Leak     *descriptor.Signal
	Moisture *descriptor.Signal
	Valve1   *descriptor.Signal
	Valve2   *descriptor.Signal
}

type PagesDescriptor struct {
	*descriptor.Message
	Page  *descriptor.Signal
	Hot   *descriptor.Signal
	Cycle *descriptor.Signal
	Spare *descriptor.Signal
	Cold  *descriptor.Signal
	Peak  *descriptor.Signal
	Low   *descriptor.Signal
}

// Database returns the air database descriptor.
func (md *MessagesDescriptor) Database() *descriptor.Database {
	return d
}

var nd = &NodesDescriptor{
	BOX:     d.Nodes[0],
	PLANTER: d.Nodes[1],
}

var md = &MessagesDescriptor{
	Heartbeat: &HeartbeatDescriptor{
		Message: d.Messages[0],
		Count:   d.Messages[0].Signals[0],
		Volts:   d.Messages[0].Signals[1],
		Chip:    d.Messages[0].Signals[2],
		Fault:   d.Messages[0].Signals[3],
		Armed:   d.Messages[0].Signals[4],
		Load:    d.Messages[0].Signals[5],
	},
	Pressures: &PressuresDescriptor{
		Message: d.Messages[1],
		Tank:    d.Messages[1].Signals[0],
		Front:   d.Messages[1].Signals[1],
		Rear:    d.Messages[1].Signals[2],
		Drain:   d.Messages[1].Signals[3],
		Dryer:   d.Messages[1].Signals[4],
		Outside: d.Messages[1].Signals[5],
	},
	Compressor: &CompressorDescriptor{
		Message: d.Messages[2],
		Turns:   d.Messages[2].Signals[0],
		Current: d.Messages[2].Signals[1],
		Head:    d.Messages[2].Signals[2],
		Clutch:  d.Messages[2].Signals[3],
		Starts:  d.Messages[2].Signals[4],
		Hours:   d.Messages[2].Signals[5],
	},
	Loads: &LoadsDescriptor{
		Message: d.Messages[3],
		Row1:    d.Messages[3].Signals[0],
		Row2:    d.Messages[3].Signals[1],
		Row3:    d.Messages[3].Signals[2],
		Row4:    d.Messages[3].Signals[3],
		Slope:   d.Messages[3].Signals[4],
		Ride:    d.Messages[3].Signals[5],
	},
	Flows: &FlowsDescriptor{
		Message:  d.Messages[4],
		Fill:     d.Messages[4].Signals[0],
		Vent:     d.Messages[4].Signals[1],
		Leak:     d.Messages[4].Signals[2],
		Moisture: d.Messages[4].Signals[3],
		Valve1:   d.Messages[4].Signals[4],
		Valve2:   d.Messages[4].Signals[5],
	},
	Pages: &PagesDescriptor{
		Message: d.Messages[5],
		Page:    d.Messages[5].Signals[0],
		Hot:     d.Messages[5].Signals[1],
		Cycle:   d.Messages[5].Signals[2],
		Spare:   d.Messages[5].Signals[3],
		Cold:    d.Messages[5].Signals[4],
		Peak:    d.Messages[5].Signals[5],
		Low:     d.Messages[5].Signals[6],
	},
}

var d = (*descriptor.Database)(&descriptor.Database{
	SourceFile: (string)("air/air.dbc"),
	Version:    (string)(""),
	Messages: ([]*descriptor.Message)([]*descriptor.Message{
		(*descriptor.Message)(&descriptor.Message{
			Name:        (string)("Heartbeat"),
			ID:          (uint32)(801),
			IsExtended:  (bool)(false),
			Length:      (uint8)(8),
			SendType:    (descriptor.SendType)(0),
			Description: (string)(""),
			Signals: ([]*descriptor.Signal)([]*descriptor.Signal{
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Count"),
					Start:             (uint8)(0),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(65535),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Volts"),
					Start:             (uint8)(16),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.001),
					Min:               (float64)(0),
					Max:               (float64)(65.535),
					Unit:              (string)("V"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Chip"),
					Start:             (uint8)(32),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(true),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(-40),
					Max:               (float64)(125),
					Unit:              (string)("degC"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Fault"),
					Start:             (uint8)(40),
					Length:            (uint8)(1),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(1),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Armed"),
					Start:             (uint8)(41),
					Length:            (uint8)(1),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(1),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Load"),
					Start:             (uint8)(48),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.5),
					Min:               (float64)(0),
					Max:               (float64)(127.5),
					Unit:              (string)("%"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
			}),
			SenderNode: (string)("BOX"),
			CycleTime:  (time.Duration)(0),
			DelayTime:  (time.Duration)(0),
		}),
		(*descriptor.Message)(&descriptor.Message{
			Name:        (string)("Pressures"),
			ID:          (uint32)(419364862),
			IsExtended:  (bool)(true),
			Length:      (uint8)(8),
			SendType:    (descriptor.SendType)(0),
			Description: (string)(""),
			Signals: ([]*descriptor.Signal)([]*descriptor.Signal{
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Tank"),
					Start:             (uint8)(0),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.1),
					Min:               (float64)(0),
					Max:               (float64)(0),
					Unit:              (string)("kPa"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Front"),
					Start:             (uint8)(16),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.1),
					Min:               (float64)(0),
					Max:               (float64)(0),
					Unit:              (string)("kPa"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Rear"),
					Start:             (uint8)(32),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(4),
					Min:               (float64)(0),
					Max:               (float64)(1000),
					Unit:              (string)("kPa"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:             (string)("Drain"),
					Start:            (uint8)(40),
					Length:           (uint8)(2),
					IsBigEndian:      (bool)(false),
					IsSigned:         (bool)(false),
					IsFloat:          (bool)(false),
					IsMultiplexer:    (bool)(false),
					IsMultiplexed:    (bool)(false),
					MultiplexerValue: (uint)(0),
					Offset:           (float64)(0),
					Scale:            (float64)(1),
					Min:              (float64)(0),
					Max:              (float64)(1),
					Unit:             (string)(""),
					Description:      (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)([]*descriptor.ValueDescription{
						(*descriptor.ValueDescription)(&descriptor.ValueDescription{
							Value:       (int64)(0),
							Description: (string)("shut"),
						}),
						(*descriptor.ValueDescription)(&descriptor.ValueDescription{
							Value:       (int64)(1),
							Description: (string)("open"),
						}),
					}),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Dryer"),
					Start:             (uint8)(42),
					Length:            (uint8)(2),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(1),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Outside"),
					Start:             (uint8)(48),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-273),
					Scale:             (float64)(0.03125),
					Min:               (float64)(-273),
					Max:               (float64)(1734.96875),
					Unit:              (string)("degC"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
			}),
			SenderNode: (string)("BOX"),
			CycleTime:  (time.Duration)(0),
			DelayTime:  (time.Duration)(0),
		}),
		(*descriptor.Message)(&descriptor.Message{
			Name:        (string)("Compressor"),
			ID:          (uint32)(419365118),
			IsExtended:  (bool)(true),
			Length:      (uint8)(8),
			SendType:    (descriptor.SendType)(0),
			Description: (string)(""),
			Signals: ([]*descriptor.Signal)([]*descriptor.Signal{
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Turns"),
					Start:             (uint8)(0),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.125),
					Min:               (float64)(0),
					Max:               (float64)(8031.875),
					Unit:              (string)("rpm"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Current"),
					Start:             (uint8)(16),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-125),
					Scale:             (float64)(1),
					Min:               (float64)(-125),
					Max:               (float64)(125),
					Unit:              (string)("A"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Head"),
					Start:             (uint8)(24),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-40),
					Scale:             (float64)(1),
					Min:               (float64)(-40),
					Max:               (float64)(210),
					Unit:              (string)("degC"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Clutch"),
					Start:             (uint8)(32),
					Length:            (uint8)(2),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(1),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Starts"),
					Start:             (uint8)(40),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(250),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Hours"),
					Start:             (uint8)(48),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.5),
					Min:               (float64)(0),
					Max:               (float64)(32127.5),
					Unit:              (string)("h"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
			}),
			SenderNode: (string)("BOX"),
			CycleTime:  (time.Duration)(0),
			DelayTime:  (time.Duration)(0),
		}),
		(*descriptor.Message)(&descriptor.Message{
			Name:        (string)("Loads"),
			ID:          (uint32)(419365374),
			IsExtended:  (bool)(true),
			Length:      (uint8)(8),
			SendType:    (descriptor.SendType)(0),
			Description: (string)(""),
			Signals: ([]*descriptor.Signal)([]*descriptor.Signal{
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Row1"),
					Start:             (uint8)(0),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-500),
					Scale:             (float64)(10),
					Min:               (float64)(-500),
					Max:               (float64)(2000),
					Unit:              (string)("N"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Row2"),
					Start:             (uint8)(8),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-500),
					Scale:             (float64)(10),
					Min:               (float64)(-500),
					Max:               (float64)(2000),
					Unit:              (string)("N"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Row3"),
					Start:             (uint8)(16),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-500),
					Scale:             (float64)(10),
					Min:               (float64)(-500),
					Max:               (float64)(2000),
					Unit:              (string)("N"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Row4"),
					Start:             (uint8)(24),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-500),
					Scale:             (float64)(10),
					Min:               (float64)(-500),
					Max:               (float64)(2000),
					Unit:              (string)("N"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Slope"),
					Start:             (uint8)(39),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(true),
					IsSigned:          (bool)(true),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.01),
					Min:               (float64)(-90),
					Max:               (float64)(90),
					Unit:              (string)("deg"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Ride"),
					Start:             (uint8)(55),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(true),
					IsSigned:          (bool)(true),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.001),
					Min:               (float64)(-30),
					Max:               (float64)(30),
					Unit:              (string)("m/s2"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
			}),
			SenderNode: (string)("BOX"),
			CycleTime:  (time.Duration)(0),
			DelayTime:  (time.Duration)(0),
		}),
		(*descriptor.Message)(&descriptor.Message{
			Name:        (string)("Flows"),
			ID:          (uint32)(419365630),
			IsExtended:  (bool)(true),
			Length:      (uint8)(8),
			SendType:    (descriptor.SendType)(0),
			Description: (string)(""),
			Signals: ([]*descriptor.Signal)([]*descriptor.Signal{
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Fill"),
					Start:             (uint8)(0),
					Length:            (uint8)(12),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.25),
					Min:               (float64)(0),
					Max:               (float64)(1000),
					Unit:              (string)("L/min"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Vent"),
					Start:             (uint8)(12),
					Length:            (uint8)(12),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.25),
					Min:               (float64)(0),
					Max:               (float64)(1000),
					Unit:              (string)("L/min"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Leak"),
					Start:             (uint8)(24),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.01),
					Min:               (float64)(0),
					Max:               (float64)(600),
					Unit:              (string)("L/min"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Moisture"),
					Start:             (uint8)(40),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(0.4),
					Min:               (float64)(0),
					Max:               (float64)(100),
					Unit:              (string)("%"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Valve1"),
					Start:             (uint8)(48),
					Length:            (uint8)(2),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(1),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Valve2"),
					Start:             (uint8)(50),
					Length:            (uint8)(2),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(1),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
			}),
			SenderNode: (string)("BOX"),
			CycleTime:  (time.Duration)(0),
			DelayTime:  (time.Duration)(0),
		}),
		(*descriptor.Message)(&descriptor.Message{
			Name:        (string)("Pages"),
			ID:          (uint32)(419365886),
			IsExtended:  (bool)(true),
			Length:      (uint8)(8),
			SendType:    (descriptor.SendType)(0),
			Description: (string)(""),
			Signals: ([]*descriptor.Signal)([]*descriptor.Signal{
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Page"),
					Start:             (uint8)(0),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(true),
					IsMultiplexed:     (bool)(false),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(250),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Hot"),
					Start:             (uint8)(8),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(true),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-273),
					Scale:             (float64)(0.03125),
					Min:               (float64)(-273),
					Max:               (float64)(1734.96875),
					Unit:              (string)("degC"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Cycle"),
					Start:             (uint8)(8),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(true),
					MultiplexerValue:  (uint)(1),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(64255),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Spare"),
					Start:             (uint8)(8),
					Length:            (uint8)(8),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(true),
					MultiplexerValue:  (uint)(2),
					Offset:            (float64)(0),
					Scale:             (float64)(1),
					Min:               (float64)(0),
					Max:               (float64)(250),
					Unit:              (string)(""),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Cold"),
					Start:             (uint8)(24),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(true),
					MultiplexerValue:  (uint)(0),
					Offset:            (float64)(-273),
					Scale:             (float64)(0.03125),
					Min:               (float64)(-273),
					Max:               (float64)(1734.96875),
					Unit:              (string)("degC"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Peak"),
					Start:             (uint8)(24),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(true),
					MultiplexerValue:  (uint)(1),
					Offset:            (float64)(0),
					Scale:             (float64)(0.1),
					Min:               (float64)(0),
					Max:               (float64)(0),
					Unit:              (string)("kPa"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
				(*descriptor.Signal)(&descriptor.Signal{
					Name:              (string)("Low"),
					Start:             (uint8)(40),
					Length:            (uint8)(16),
					IsBigEndian:       (bool)(false),
					IsSigned:          (bool)(false),
					IsFloat:           (bool)(false),
					IsMultiplexer:     (bool)(false),
					IsMultiplexed:     (bool)(true),
					MultiplexerValue:  (uint)(1),
					Offset:            (float64)(0),
					Scale:             (float64)(0.1),
					Min:               (float64)(0),
					Max:               (float64)(0),
					Unit:              (string)("kPa"),
					Description:       (string)(""),
					ValueDescriptions: ([]*descriptor.ValueDescription)(nil),
					ReceiverNodes: ([]string)([]string{
						(string)("PLANTER"),
					}),
					DefaultValue: (int)(0),
				}),
			}),
			SenderNode: (string)("BOX"),
			CycleTime:  (time.Duration)(0),
			DelayTime:  (time.Duration)(0),
		}),
	}),
	Nodes: ([]*descriptor.Node)([]*descriptor.Node{
		(*descriptor.Node)(&descriptor.Node{
			Name:        (string)("BOX"),
			Description: (string)(""),
		}),
		(*descriptor.Node)(&descriptor.Node{
			Name:        (string)("PLANTER"),
			Description: (string)(""),
		}),
	}),
})
