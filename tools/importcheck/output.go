// SPDX-License-Identifier: Apache-2.0

package main

import (
	"go/ast"
	"go/token"
	"slices"
	"strings"
)

// The one output of the box is its sounder. sounderRoom alone tells a pin anything, pinFile alone opens one.
const (
	sounderRoom = "sensors/sounder"
	pinFile     = "firmware/intake/open_linux.go"
)

// pinCalls are the methods by which a pin is told something, whatever type it hides behind.
func pinCalls() []string { return []string{"Out", "PWM", "FastOut", "SetFunc"} }

// pinPaths begin the files by which the kernel gives pins to whoever writes there.
func pinPaths() []string {
	return []string{"/sys/class/gpio", "/dev/gpio", "/sys/class/pwm", "/sys/class/leds"}
}

// oneOutput finds whatever could drive a pin beside the sounder: imports of pin libraries, calls that tell a pin something,
// and the kernel's files of pins. Tests may hold pins that are none. What a program of tools does is no part of a box.
func oneOutput(t *tree) []finding {
	var found []finding
	for _, s := range t.files {
		if s.test || strings.HasPrefix(s.room, "tools/") {
			continue
		}
		say := func(n ast.Node, what string) {
			found = append(found, finding{"one output", t.at(n), what, "the sounder is the only output: " + sounderRoom + " tells its pin, " + pinFile + " opens it"})
		}
		for _, spec := range s.tree.Imports {
			p := imported(spec)
			switch {
			case s.name == pinFile:
			case s.room == sounderRoom && p == "periph.io/x/conn/v3/gpio":
			case strings.Contains(p, "gpio"), strings.HasPrefix(p+"/", "periph.io/x/host/v3/"), strings.HasPrefix(p+"/", "periph.io/x/conn/v3/pin/"):
				say(spec, "imports "+p)
			}
		}
		if s.room == sounderRoom {
			continue
		}
		ast.Inspect(s.tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr: // a field called Out is none of a pin's
				if sel, ok := n.Fun.(*ast.SelectorExpr); ok && slices.Contains(pinCalls(), sel.Sel.Name) {
					say(n, "tells a pin something: "+sel.Sel.Name)
				}
			case *ast.BasicLit:
				if n.Kind == token.STRING && s.name != pinFile && slices.ContainsFunc(pinPaths(), func(p string) bool { return strings.Contains(n.Value, p) }) {
					say(n, "names the kernel's pins: "+n.Value)
				}
			}
			return true
		})
	}
	return found
}
