package socketcan

import (
	. "errors" // want: dot import
	quiet "golang.org/x/sys/unix"
	_ "unsafe"
)

//go:linkname write syscall.write // want: reaches into another package
func write(fd int, p []byte) (int, error) // want: declares write

func renamed(fd int, p []byte) {
	_, _ = quiet.Write(fd, p) // want: unix.Write
	_ = New("x")
}
