// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"fmt"
	"go/parser"
	"go/token"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/tools/txtar"
)

// Every planted violation is found at its line, and nothing else is. The comments in testdata/planted say what is planted.
func TestPlantedSends(t *testing.T) {
	root := filepath.Join("testdata", "planted")
	tree, err := loadTree(root)
	if err != nil {
		t.Fatal(err)
	}
	found := quietBus(tree)
	planted := 0
	for _, s := range tree.files {
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(s.name)))
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(string(text), "\n") {
			place := fmt.Sprintf("%s:%d", s.name, i+1)
			var here []string
			for _, f := range found {
				if f.place == place {
					here = append(here, f.what)
				}
			}
			_, wants, marked := strings.Cut(line, "// want: ")
			if !marked {
				if len(here) > 0 {
					t.Errorf("%s: found %q; nothing is planted in: %s", place, here, line)
				}
				continue
			}
			for want := range strings.SplitSeq(wants, " | ") {
				planted++
				if !slices.ContainsFunc(here, func(what string) bool { return strings.Contains(what, strings.TrimSpace(want)) }) {
					t.Errorf("%s: found %q; want %q in: %s", place, here, want, line)
				}
			}
		}
	}
	if planted < 50 {
		t.Errorf("%d violations are planted; want at least 50", planted)
	}
	if !slices.ContainsFunc(found, func(f finding) bool { return f.place == "bus/socketcan/send_amd64.s" }) {
		t.Error("the planted assembly file was not found")
	}
}

// house is a module in which every rule holds.
const house = `
-- go.mod --
module airhold
go 1.26.0
-- bus/bus.go --
package bus
-- bus/socketcan/socketcan.go --
package socketcan
import _ "airhold/bus"
-- sensors/ads1x15/ads.go --
package ads1x15
-- firmware/clock/clock.go --
package clock
-- firmware/tablet/tablet.go --
package tablet
import _ "airhold/firmware/clock"
-- firmware/publish/publish.go --
package publish
-- firmware/store/store.go --
package store
-- firmware/intake/intake.go --
package intake
import _ "airhold/bus/socketcan"
-- firmware/firmware.go --
package firmware
import (
	_ "airhold/firmware/intake"
	_ "airhold/firmware/tablet"
)
-- cmd/airhold/main.go --
package main
import _ "airhold/firmware"
func main() {}
`

// runOn writes the house with changes and runs the whole program on it.
func runOn(t *testing.T, changes string) (int, string) {
	t.Helper()
	dir := t.TempDir()
	for _, part := range []string{house, changes} {
		for _, f := range txtar.Parse([]byte(part)).Files {
			name := filepath.Join(dir, filepath.FromSlash(f.Name))
			if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, f.Data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	var out, complaints bytes.Buffer
	code := run(t.Context(), []string{"-root", dir}, &out, &complaints)
	return code, out.String() + complaints.String()
}

func TestHouses(t *testing.T) {
	tests := []struct {
		name, changes string
		code          int
		want          []string // in the output
	}{
		{"every rule holds", "", 0, []string{"every rule holds"}},
		{"way back through another room", `
-- firmware/clock/clock.go --
package clock
import _ "airhold/firmware/intake"
`, 1, []string{"airhold/firmware/tablet -> airhold/firmware/clock -> airhold/firmware/intake -> airhold/bus/socketcan", "firmware/clock may not import firmware/intake"}},
		{"way back from a room below an outlet", `
-- firmware/store/deep/deep.go --
package deep
import _ "airhold/sensors/ads1x15"
`, 1, []string{"airhold/firmware/store/deep -> airhold/sensors/ads1x15", "firmware/store/deep: room: this room is not in the picture"}},
		{"way back under another build tag", `
-- firmware/tablet/tablet_windows.go --
package tablet
import _ "airhold/bus/socketcan"
`, 1, []string{"airhold/firmware/tablet -> airhold/bus/socketcan"}},
		{"a room out of the picture", "-- firmware/radio/radio.go --\npackage radio\n", 1, []string{"firmware/radio: room: this room is not in the picture"}},
		{"a driver that knows the program", "-- sensors/ads1x15/ads.go --\npackage ads1x15\nimport _ \"airhold/firmware/clock\"\n", 1, []string{"sensors/ads1x15/ads.go:2: room: sensors/ads1x15 may not import firmware/clock"}},
		{"nameless folder", "-- firmware/utils/utils.go --\npackage utils\n", 1, []string{"a folder called utils"}},
		{"Go at the root", "-- extra.go --\npackage extra\n", 1, []string{"Go outside the rooms"}},
		{"odd name", "-- firmware/Big_Room/a.go --\npackage big\n", 1, []string{"not one lower-case word"}},
		{"set-up elsewhere, even in a test", `
-- firmware/intake/intake_test.go --
package intake
import _ "go.einride.tech/can/pkg/candevice"
`, 1, []string{"firmware/intake/intake_test.go:2: set-up"}},
		{"a send in bus", `
-- bus/socketcan/send.go --
package socketcan
import "syscall"
func send(fd int) { _, _ = syscall.Write(fd, nil) }
`, 1, []string{"bus/socketcan/send.go:3: quiet bus: uses syscall.Write"}},
		{"the sounder itself", `
-- sensors/sounder/sounder.go --
package sounder
type pin interface{ Out(bool) error }
func on(p pin) error { return p.Out(true) }
`, 0, []string{"every rule holds"}},
		{"a pin told something by another room", `
-- firmware/firmware.go --
package firmware
type pin interface{ Out(bool) error }
func open(p pin) error { return p.Out(true) }
`, 1, []string{"firmware/firmware.go:3: one output: tells a pin something: Out"}},
		{"a page that reaches the sounder", `
-- sensors/sounder/sounder.go --
package sounder
-- firmware/tablet/tablet.go --
package tablet
import _ "airhold/sensors/sounder"
`, 1, []string{"firmware/tablet: no way back: an import path leads to a wire: airhold/firmware/tablet -> airhold/sensors/sounder"}},
		{"a valve by the kernel's files", `
-- firmware/intake/valve.go --
package intake
const valve = "/sys/class/gpio/gpio17/value"
`, 1, []string{"firmware/intake/valve.go:2: one output: names the kernel's pins"}},
		{"source that does not parse", "-- bus/broken.go --\npackage bus\nfunc {\n", 2, []string{"parse source"}},
		{"an import that is nowhere", "-- bus/broken.go --\npackage bus\nimport _ \"airhold/nowhere\"\n", 2, []string{"go list"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			code, out := runOn(t, tt.changes)
			if code != tt.code {
				t.Errorf("exit code %d; want %d\n%s", code, tt.code, out)
			}
			for _, w := range tt.want {
				if !strings.Contains(out, w) {
					t.Errorf("output %q; want %q in it", out, w)
				}
			}
		})
	}
}

// A rule that checks nothing says so.
func TestRulesWithoutAnObject(t *testing.T) {
	if found := noWayBack(graph{"airhold/firmware/tablet": nil, "airhold/firmware/store": nil}, &tree{}); len(found) != 1 || found[0].place != "firmware/publish" {
		t.Errorf("noWayBack without publish = %v; want one finding about it", found)
	}
	if found := quietBus(&tree{}); len(found) != 1 {
		t.Errorf("quietBus without bus = %v; want one finding", found)
	}
}

// Any library of pins is found in the box's own files, the ones in their places are not.
func TestOneOutputFindsLibrariesOfPins(t *testing.T) {
	tr := &tree{fset: token.NewFileSet()}
	for _, f := range []struct{ name, imports string }{
		{"sensors/sounder/sounder.go", "periph.io/x/conn/v3/gpio"},
		{"firmware/intake/open_linux.go", "periph.io/x/host/v3/gpioioctl"},
		{"firmware/intake/fake_test.go", "periph.io/x/conn/v3/gpio/gpiotest"},
		{"sensors/sounder/more.go", "periph.io/x/host/v3/gpioioctl"},
		{"firmware/valve.go", "periph.io/x/conn/v3/gpio/gpioreg"},
		{"firmware/intake/valve.go", "example.org/go-gpiocdev"},
		{"cmd/airhold/valve.go", "periph.io/x/host/v3"},
		{"firmware/rig/valve.go", "periph.io/x/conn/v3/pin/pinreg"},
	} {
		text := "package x\nimport _ \"" + f.imports + "\"\n"
		parsed, err := parser.ParseFile(tr.fset, f.name, text, 0)
		if err != nil {
			t.Fatal(err)
		}
		tr.files = append(tr.files, source{name: f.name, room: path.Dir(f.name), test: strings.HasSuffix(f.name, "_test.go"), tree: parsed})
	}
	var places []string
	for _, f := range oneOutput(tr) {
		places = append(places, f.place)
	}
	want := "sensors/sounder/more.go:2 firmware/valve.go:2 firmware/intake/valve.go:2 cmd/airhold/valve.go:2 firmware/rig/valve.go:2"
	if got := strings.Join(places, " "); got != want {
		t.Errorf("found at %s\nwant %s", got, want)
	}
}

// Libraries are in the graph too: the chain names them.
func TestChainThroughALibrary(t *testing.T) {
	g := graph{
		"airhold/firmware/tablet":             {"airhold/firmware/clock", "net/http"},
		"airhold/firmware/clock":              {"example.org/lib"},
		"example.org/lib":                     {"periph.io/x/host/v3/sysfs", "fmt"},
		"airhold/firmware/publish":            nil,
		"airhold/firmware/store":              {"go.einride.tech/can/pkg/socketcan"},
		"periph.io/x/host/v3/sysfs":           nil,
		"go.einride.tech/can/pkg/socketcan":   {"net"},
		"go.einride.tech/can/pkg/socketcanny": nil,
	}
	found := noWayBack(g, &tree{})
	var words []string
	for _, f := range found {
		words = append(words, f.what)
	}
	all := strings.Join(words, "\n")
	if len(found) != 2 || !strings.Contains(all, "airhold/firmware/clock -> example.org/lib -> periph.io/x/host/v3/sysfs") ||
		!strings.Contains(all, "airhold/firmware/store -> go.einride.tech/can/pkg/socketcan") {
		t.Errorf("noWayBack found:\n%s", all)
	}
}

// The picture names each room once, and each room it lets in is one of it.
func TestRoomListIsSound(t *testing.T) {
	rooms := roomList()
	seen := map[string]bool{}
	for _, r := range rooms {
		if seen[r.path] {
			t.Errorf("%s stands twice", r.path)
		}
		seen[r.path] = true
		for _, m := range r.may {
			if !slices.ContainsFunc(rooms, func(o room) bool { return o.path == m || matches(m, o.path) }) {
				t.Errorf("%s may import %s, which is no room", r.path, m)
			}
		}
	}
	for _, quiet := range quietRooms() {
		if !seen[quiet] {
			t.Errorf("%s is no room", quiet)
		}
	}
}
