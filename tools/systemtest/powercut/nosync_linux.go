// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"fmt"
	"runtime"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Classic BPF of a seccomp filter (include/uapi/linux/seccomp.h, bpf_common.h).
const (
	loadWord  = 0x20 // BPF_LD | BPF_W | BPF_ABS: a word of struct seccomp_data, whose first is the number of the call
	jumpEqual = 0x15 // BPF_JMP | BPF_JEQ | BPF_K
	giveBack  = 0x06 // BPF_RET | BPF_K

	setFilter  = 1 // SECCOMP_SET_MODE_FILTER
	allThreads = 1 // SECCOMP_FILTER_FLAG_TSYNC

	allow      = 0x7fff0000 // SECCOMP_RET_ALLOW
	sayIsFine  = 0x00050000 // SECCOMP_RET_ERRNO with number 0: the call is not made and returns 0
	callNumber = 0
)

// IgnoreSyncs makes every sync of this process return at once as if it had been done, for good. The negative control of
// the trial runs with it: a recorder that does not sync must be caught.
func IgnoreSyncs() error {
	calls := []uint32{unix.SYS_FSYNC, unix.SYS_FDATASYNC, unix.SYS_MSYNC, unix.SYS_SYNC, unix.SYS_SYNCFS}
	program := []unix.SockFilter{{Code: loadWord, K: callNumber}}
	for _, call := range calls {
		program = append(program, unix.SockFilter{Code: jumpEqual, Jf: 1, K: call}, unix.SockFilter{Code: giveBack, K: sayIsFine})
	}
	program = append(program, unix.SockFilter{Code: giveBack, K: allow})
	list := unix.SockFprog{Len: uint16(len(program)), Filter: &program[0]} //nolint:gosec // a dozen
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("ignore syncs: %w", err)
	}
	_, _, errno := unix.Syscall(unix.SYS_SECCOMP, setFilter, allThreads, uintptr(unsafe.Pointer(&list))) //nolint:gosec // the call takes an address
	if errno != 0 {
		return fmt.Errorf("ignore syncs: %w", errno)
	}
	return nil
}
