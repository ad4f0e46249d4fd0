//go:build windows

package socketcan

import "golang.org/x/sys/windows" // want: imports golang.org/x/sys/windows

func other(h windows.Handle, p []byte) { _ = windows.WriteFile(h, p, nil, nil) } // want: windows.WriteFile
