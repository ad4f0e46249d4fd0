// Package intake opens a CAN socket behind the back of bus.
package intake

import (
	"go.einride.tech/can/pkg/socketcan" // want: which can send
	"golang.org/x/sys/unix"
)

func open() {
	fd, _ := unix.Socket(unix.AF_CAN, unix.SOCK_RAW, unix.CAN_RAW) // want: CAN socket (AF_CAN) | CAN socket (CAN_RAW)
	_ = unix.Bind(fd, &unix.SockaddrCAN{})                         // want: CAN socket (SockaddrCAN)
	_ = socketcan.Dial
}
