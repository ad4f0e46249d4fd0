// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"io"

	"airhold/config"
)

func leakdownLive(ctx context.Context, m *config.Machine, f *leakdownFlags, stdin io.Reader, stdout, stderr io.Writer) int {
	return exitFailed
}
