package socketcan

import "golang.org/x/sys/unix"

// A test may send on an ordinary socket, not on a CAN socket.
func fake(fd int) {
	_, _ = unix.Write(fd, nil)          // allowed
	_, _ = unix.Socket(unix.AF_CAN, 0, 0) // want: CAN socket (AF_CAN)
}
