// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package main

import (
	"context"
	"fmt"
	"io"
)

func runLink(_ context.Context, _ []string, _, stderr io.Writer) int {
	fmt.Fprintln(stderr, "airhold link: CAN interfaces are set up on Linux only")
	fmt.Fprintln(stderr, "Recorded bus logs can be read here: airhold replay --can FILE, airhold decode FILE")
	return exitFailed
}
