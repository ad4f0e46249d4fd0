// SPDX-License-Identifier: Apache-2.0

package main

import (
	"go/ast"
	"path"
	"slices"
	"strings"
	"unicode"
)

// busRule is what a package of bus may use. Everything else is a finding, so nobody has to think of every way to send.
type busRule struct {
	imports []string
	// selectors lists, for packages that could reach a descriptor, all that may be used of them.
	selectors map[string][]string
	// writes allows functions and methods called Write: only in a package that can have no descriptor but a read-only file.
	writes bool
}

// plain imports cannot reach a descriptor that they are not handed.
func plain(more ...string) []string {
	return append([]string{
		"bufio", "bytes", "cmp", "context", "embed", "encoding/binary", "encoding/hex", "errors", "fmt", "io", "iter", "maps", "math", "math/bits",
		"slices", "sort", "strconv", "strings", "sync", "sync/atomic", "time", "unicode", "unicode/utf16", "unicode/utf8",
		"go.einride.tech/can", module + "/bus", module + "/bus/j1939", module + "/sensors/units",
	}, more...)
}

// ruleFor gives the rule of a package of bus. A new one gets the strictest.
func ruleFor(room string) busRule {
	format := []string{"Errorf", "Sprintf", "Sprint", "Stringer"}
	switch room {
	case "bus/socketcan":
		return busRule{
			// No io and no bufio: nothing here needs a stream. net could send, so it is not here either.
			imports: []string{
				"context", "encoding/binary", "errors", "fmt", "os", "slices", "strings", "sync", "sync/atomic", "syscall", "time", "unsafe",
				"golang.org/x/sys/unix", "go.einride.tech/can", module + "/bus",
			},
			selectors: map[string][]string{
				"golang.org/x/sys/unix": {
					// Socket and Syscall6 are judged with their arguments, in gate.
					"Bind", "SetsockoptInt", "SetsockoptCanRawFilter", "GetsockoptInt", "Close", "ClockGettime", "CmsgLen", "CmsgSpace",
					"EpollCreate1", "EpollCtl", "SetNonblock", // to wait for frames
					"Mmsghdr", "Iovec", "Timespec", "Cmsghdr", "Errno", "SockaddrCAN", "CanFilter", "EpollEvent", // types
				},
				// NetlinkRIB asks the kernel for its interfaces on a netlink socket that it opens and closes itself.
				"syscall": {"NetlinkRIB", "RTM_GETLINK", "AF_UNSPEC"},
				"os":      {"NewFile", "File", "ErrDeadlineExceeded", "ErrClosed"},
				"fmt":     format,
			},
		}
	case "bus/capture":
		return busRule{
			imports:   plain("os", "compress/gzip", "github.com/klauspost/compress/zstd"),
			selectors: map[string][]string{"os": {"Open"}}, // for reading; it writes to the io.Writer it is given
			writes:    true,
		}
	case "bus/signals":
		return busRule{
			imports:   plain("regexp", "go.einride.tech/can/pkg/dbc", "go.einride.tech/can/pkg/descriptor"),
			selectors: map[string][]string{"fmt": append(format, "Fprintf", "Fprint", "Fprintln")}, // into a builder: it has no descriptor
		}
	case "bus/traffic":
		return busRule{imports: plain(module + "/bus/signals"), selectors: map[string][]string{"fmt": format}}
	}
	return busRule{imports: plain(), selectors: map[string][]string{"fmt": format}}
}

// constant tells whether a name of x/sys/unix is a constant, which sends nothing; numbers of system calls are no such.
func constant(name string) bool {
	return !strings.ContainsFunc(name, unicode.IsLower) && !strings.HasPrefix(name, "SYS_")
}

const (
	unixPackage = "golang.org/x/sys/unix"
	quietTry    = "nothing in bus may send on a descriptor; if this cannot, argue it in a review and add it to tools/importcheck/wires.go"
)

// quietBus holds every file of bus against its rule, whatever its build tag, and keeps CAN sockets out of all other rooms.
func quietBus(t *tree) []finding {
	var found []finding
	for _, name := range t.foreign {
		found = append(found, finding{"quiet bus", name, "a file that is not Go", quietTry})
	}
	looked := false
	for _, s := range t.files {
		switch {
		case (s.room == "bus" || strings.HasPrefix(s.room, "bus/")) && !s.test:
			looked = true
			found = append(found, t.wireFile(s, ruleFor(s.room))...)
		case !strings.HasPrefix(s.room, "tools/"):
			found = append(found, t.canSockets(s)...)
		}
	}
	if !looked {
		found = append(found, finding{"quiet bus", "bus", "there is no file to check", "the rule checks nothing; where did bus go?"})
	}
	return found
}

// names maps the names by which a file calls its imports to their paths.
func names(f *ast.File) map[string]string {
	out := map[string]string{}
	for _, spec := range f.Imports {
		p := imported(spec)
		name := path.Base(p)
		if spec.Name != nil {
			name = spec.Name.Name
		}
		out[name] = p
	}
	return out
}

// wireFile checks one file of bus that goes into the binary.
func (t *tree) wireFile(s source, rule busRule) []finding {
	var found []finding
	say := func(n ast.Node, what string) {
		found = append(found, finding{"quiet bus", t.at(n), what, quietTry})
	}
	for _, spec := range s.tree.Imports {
		p := imported(spec)
		if !slices.Contains(rule.imports, p) {
			say(spec, "imports "+p)
		}
		if spec.Name != nil && spec.Name.Name == "." {
			say(spec, "a dot import hides what is called")
		}
	}
	for _, group := range s.tree.Comments {
		for _, c := range group.List {
			if strings.HasPrefix(c.Text, "//go:linkname") || strings.HasPrefix(c.Text, "//go:cgo") {
				say(c, "reaches into another package with "+strings.Fields(c.Text)[0])
			}
		}
	}
	called := names(s.tree)
	vetted := map[ast.Node]bool{} // selectors judged with the call they belong to
	ast.Inspect(s.tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncDecl:
			if sends(n.Name.Name) && !rule.writes {
				say(n, "declares "+n.Name.Name+": no type of bus transmits")
			}
		case *ast.Field:
			for _, name := range n.Names {
				if sends(name.Name) && !rule.writes {
					say(n, "declares "+name.Name+": no type of bus transmits")
				}
			}
		case *ast.CallExpr:
			gate(n, called, vetted, say)
		case *ast.SelectorExpr:
			if vetted[n] {
				return true
			}
			if what := judge(n, called, rule); what != "" {
				say(n, what)
			}
		}
		return true
	})
	return found
}

// gate judges the two calls whose first argument decides: a raw system call, and the opening of a socket. Used in any other
// way, say as a value, both are findings, because no list has them.
func gate(n *ast.CallExpr, called map[string]string, vetted map[ast.Node]bool, say func(ast.Node, string)) {
	fun, ok := n.Fun.(*ast.SelectorExpr)
	if !ok || len(n.Args) == 0 || packageOf(fun, called) != unixPackage {
		return
	}
	want := map[string]string{"Syscall6": "SYS_RECVMMSG", "Socket": "AF_CAN"}[fun.Sel.Name]
	if want == "" {
		return
	}
	vetted[fun] = true
	first, ok := n.Args[0].(*ast.SelectorExpr)
	if !ok || packageOf(first, called) != unixPackage || first.Sel.Name != want {
		say(n, fun.Sel.Name+" with anything but unix."+want)
	}
	if ok {
		vetted[first] = true
	}
}

// judge says what is wrong with x.Name; "" when nothing is.
func judge(n *ast.SelectorExpr, called map[string]string, rule busRule) string {
	name := n.Sel.Name
	p := packageOf(n, called)
	if allowed, listed := rule.selectors[p]; listed {
		if slices.Contains(allowed, name) || p == unixPackage && constant(name) {
			return ""
		}
		return "uses " + path.Base(p) + "." + name + ", which is not on the list of what cannot send"
	}
	switch {
	case rule.writes:
		return ""
	case sends(name) && p == "":
		return "uses a method " + name
	case sends(name), p == "io" && strings.HasPrefix(name, "Copy"):
		return "uses " + path.Base(p) + "." + name
	}
	return ""
}

// packageOf is the import path of x in x.Name; "" when x is no import.
func packageOf(n *ast.SelectorExpr, called map[string]string) string {
	x, ok := n.X.(*ast.Ident)
	if !ok {
		return ""
	}
	return called[x.Name]
}

// sends tells whether a name is that of something that writes or sends, whatever it belongs to.
func sends(name string) bool {
	lower := strings.ToLower(name)
	for _, word := range []string{"write", "pwrite", "send", "transmit", "readfrom"} {
		rest, ok := strings.CutPrefix(lower, word)
		if !ok {
			continue
		}
		// "sender" and "writable" are words of their own; "SendTo" and "WriteAt" go on with a capital or a known ending.
		if rest == "" || rest == "v" || rest == "to" || rest == "msg" || rest == "mmsg" || rest == "file" || rest == "ter" || unicode.IsUpper(rune(name[len(word)])) {
			return true
		}
	}
	return false
}

// canSockets finds the names with which a CAN socket is opened, in rooms that have no business with one. Test files of bus are
// searched too: they may send on ordinary sockets, never on a CAN socket.
func (t *tree) canSockets(s source) []finding {
	var found []finding
	called := names(s.tree)
	ast.Inspect(s.tree, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if p := packageOf(sel, called); p != unixPackage && p != "syscall" {
			return true
		}
		switch sel.Sel.Name {
		case "AF_CAN", "PF_CAN", "CAN_RAW", "CAN_BCM", "CAN_J1939", "CAN_ISOTP", "SockaddrCAN", "SockaddrCANJ1939", "RawSockaddrCAN":
			found = append(found, finding{"quiet bus", t.at(sel), "opens a CAN socket (" + sel.Sel.Name + ")", "only bus/socketcan does, which cannot send"})
		}
		return true
	})
	for _, spec := range s.tree.Imports {
		if p := imported(spec); strings.HasPrefix(p, "go.einride.tech/can/pkg/socketcan") || strings.HasPrefix(p, "go.einride.tech/can/pkg/canrunner") {
			found = append(found, finding{"quiet bus", t.at(spec), "imports " + p + ", which can send", "airhold only listens"})
		}
	}
	return found
}
