// Package capture may write to an io.Writer it is given, and only that.
package capture

import (
	"io"
	"net" // want: imports net
	"os"
	"syscall" // want: imports syscall

	"golang.org/x/sys/unix" // want: imports golang.org/x/sys/unix
)

type writer struct{ out io.Writer }

func (w writer) Write(p []byte) (int, error) { return w.out.Write(p) } // allowed

func open(path string) {
	f, _ := os.Open(path) // allowed: for reading
	_ = f
	g, _ := os.Create(path) // want: os.Create
	_ = g
	h, _ := os.OpenFile(path, os.O_RDWR, 0) // want: os.OpenFile | os.O_RDWR
	_ = h
	_ = os.WriteFile(path, nil, 0) // want: os.WriteFile
	n := os.NewFile(3, "")         // want: os.NewFile
	_ = n
}

func assert(w io.Writer) {
	f, _ := w.(*os.File) // want: os.File
	_ = f
	var c net.Conn
	_ = c
	_, _ = syscall.Write(3, nil)
	_, _ = unix.Write(3, nil)
}
