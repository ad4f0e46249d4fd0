// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package socketcan

import (
	"context"
	"fmt"

	"airhold/bus"
)

// Socket listens to one link. Only Linux has it.
type Socket struct{}

// List answers ErrNoCAN on this operating system.
func List() ([]Link, error) {
	return nil, fmt.Errorf("%w: live CAN needs Linux", ErrNoCAN)
}

// Open answers ErrNoCAN on this operating system.
func Open(_ context.Context, name string, _ Options) (*Socket, error) {
	return nil, errAbout(name, ErrNoCAN, "live CAN needs Linux; recorded logs can be read here with: airhold replay --can FILE")
}

// Next answers ErrNoCAN on this operating system.
func (*Socket) Next(context.Context, []bus.Frame) (int, error) { return 0, ErrNoCAN }

// Drops is 0 on this operating system.
func (*Socket) Drops() uint64 { return 0 }

// Malformed is 0 on this operating system.
func (*Socket) Malformed() uint64 { return 0 }

// ReceiveBuffer is 0 on this operating system.
func (*Socket) ReceiveBuffer() int32 { return 0 }

// Link is empty on this operating system.
func (*Socket) Link() Link { return Link{} }

// Close does nothing on this operating system.
func (*Socket) Close() error { return nil }
