// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
)

// release is set at link time for a release: -ldflags "-X main.release=v1.2.3".
var release string //nolint:gochecknoglobals // the linker needs a variable

// version names this build.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	rev, dirty := "", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			rev = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				dirty = "+"
			}
		}
	}
	if len(rev) > 12 {
		rev = rev[:12]
	}
	if rev == "" {
		return "development"
	}
	return rev + dirty
}

func runVersion(_ context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) > 0 {
		fmt.Fprintln(stderr, "airhold version takes nothing")
		return exitUsage
	}
	fmt.Fprintf(stdout, "airhold %s, %s, %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return exitOK
}
