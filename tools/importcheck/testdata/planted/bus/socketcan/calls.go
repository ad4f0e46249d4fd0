// Package socketcan plants one violation a line; each says what must be found.
package socketcan

import (
	"bytes"   // want: imports bytes
	"fmt"
	"net"     // want: imports net
	"os"
	"syscall"

	"golang.org/x/sys/unix"
	can "go.einride.tech/can/pkg/socketcan" // want: imports go.einride.tech/can/pkg/socketcan
)

func direct(fd int, p []byte) {
	_, _ = unix.Write(fd, p)                        // want: unix.Write
	_ = unix.Sendto(fd, p, 0, nil)                  // want: unix.Sendto
	_ = unix.Sendmsg(fd, p, nil, nil, 0)            // want: unix.Sendmsg
	_, _ = unix.Writev(fd, [][]byte{p})             // want: unix.Writev
	_, _ = unix.Pwrite(fd, p, 0)                    // want: unix.Pwrite
	_, _ = unix.Sendfile(fd, 0, nil, 1)             // want: unix.Sendfile
	_, _ = unix.Splice(0, nil, fd, nil, 1, 0)       // want: unix.Splice
	_ = unix.IoctlSetInt(fd, 0, 0)                  // want: unix.IoctlSetInt
	_ = unix.SetsockoptString(fd, 0, 0, "")         // want: unix.SetsockoptString
	_ = unix.Connect(fd, nil)                       // want: unix.Connect
	_, _ = syscall.Write(fd, p)                     // want: syscall.Write
	_ = syscall.Sendto(fd, p, 0, nil)               // want: syscall.Sendto
}

func raw(fd uintptr) {
	unix.Syscall6(unix.SYS_SENDMMSG, fd, 0, 0, 0, 0, 0)     // want: Syscall6 with anything but
	unix.Syscall6(unix.SYS_WRITE, fd, 0, 0, 0, 0, 0)        // want: Syscall6 with anything but
	unix.Syscall6(307, fd, 0, 0, 0, 0, 0)                   // want: Syscall6 with anything but
	unix.Syscall(unix.SYS_WRITE, fd, 0, 0)                  // want: unix.Syscall, | unix.SYS_WRITE
	unix.RawSyscall(unix.SYS_SENDTO, fd, 0, 0)              // want: unix.RawSyscall, | unix.SYS_SENDTO
	unix.SyscallNoError(1, fd, 0, 0)                        // want: unix.SyscallNoError
	syscall.Syscall(1, fd, 0, 0)                            // want: syscall.Syscall
	call := unix.Syscall6                                   // want: unix.Syscall6
	call(1, fd, 0, 0, 0, 0, 0)
	unix.Syscall6(unix.SYS_RECVMMSG, fd, 0, 0, 0, 0, 0)     // allowed
	_, _ = unix.Socket(unix.AF_NETLINK, 0, 0)               // want: Socket with anything but
	_, _ = unix.Socket(unix.AF_CAN, unix.SOCK_RAW, 1)       // allowed
}

func files(fd uintptr, p []byte, c net.Conn) {
	f := os.NewFile(fd, "") // allowed
	_, _ = f.Write(p)       // want: method Write
	_, _ = f.WriteString("") // want: method WriteString
	_, _ = f.ReadFrom(c)    // want: method ReadFrom
	put := f.WriteAt        // want: method WriteAt
	_, _ = put(p, 0)
	_, _ = c.Write(p)       // want: method Write
	fmt.Fprintf(f, "%s", p) // want: fmt.Fprintf
	_, _ = bytes.NewReader(p).WriteTo(f) // want: method WriteTo
	g, _ := os.OpenFile("/dev/x", 1, 0)  // want: os.OpenFile
	_ = g
	_ = can.NewTransmitter(c)
}

type hidden interface {
	Write(p []byte) (int, error) // want: declares Write
}

type tx struct{}

func (tx) Transmit() {} // want: declares Transmit

func (tx) SendFrame() {} // want: declares SendFrame

func sendto() {} // want: declares sendto
