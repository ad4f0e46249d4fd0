// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets the scripts call airhold as a program: this binary, under that name.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"airhold": func() { os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// TestScripts plays what an operator types. The expectations are written by hand from the contract and from what a person
// at the machine has to know; they are not prints of the program.
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script", RequireExplicitExec: true, RequireUniqueNames: true,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits, "cycles": cycles, "hold": hold, "pack": pack, "lines": linesAre, "order": order,
		},
	})
}

// exits CODE PROGRAM ARGS...: the program ends with exactly that code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARGS...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d; want %d", got, want)
	}
}

// cycles FILE MINUTES STAMP [COLUMN]: a table of a healthy tank at 1 Hz: it rises for a minute by 120 kPa and falls for nine.
// The first column is seconds, or RFC 3339 where STAMP is clock. The second is tank in kPa, or the named column in bar.
func cycles(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: cycles FILE MINUTES seconds|clock [COLUMN]")
	}
	minutes, err := strconv.Atoi(args[1])
	ts.Check(err)
	column, unit := "tank", 1.0
	if len(args) > 3 {
		column, unit = args[3], 0.01
	}
	var b strings.Builder
	b.WriteString("time," + column + "\n")
	for s := range minutes * 60 {
		p := float64(s % 600)
		v := 640 + 120*(600-p)/540
		if p < 60 {
			v = 640 + 2*p
		}
		v += 0.2 * math.Sin(float64(s)*1.7)
		if args[2] == "clock" {
			fmt.Fprintf(&b, "2026-04-28T%02d:%02d:%02d.250+01:00,%.4f\n", 6+s/3600, s/60%60, s%60, v*unit)
		} else {
			fmt.Fprintf(&b, "%d,%.4f\n", s+100, v*unit)
		}
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b.String()), 0o600))
}

// pack FROM TO [BYTES]: packs by the ending of TO (.gz, .zst or neither), and cuts the result after so many bytes.
func pack(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: pack FROM TO [BYTES]")
	}
	data := []byte(ts.ReadFile(args[0]))
	var out bytes.Buffer
	switch {
	case strings.HasSuffix(args[1], ".gz"):
		z := gzip.NewWriter(&out)
		_, err := z.Write(data)
		ts.Check(errors.Join(err, z.Close()))
	case strings.HasSuffix(args[1], ".zst"):
		z, err := zstd.NewWriter(&out)
		ts.Check(err)
		_, err = z.Write(data)
		ts.Check(errors.Join(err, z.Close()))
	default:
		out.Write(data)
	}
	packed := out.Bytes()
	if len(args) > 2 {
		n, err := strconv.Atoi(args[2])
		ts.Check(err)
		packed = packed[:min(n, len(packed))]
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), packed, 0o600))
}

// lines STREAM: every line is one JSON object with an event, the last one and no other is the summary.
func linesAre(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: lines stdout")
	}
	all := strings.Split(strings.TrimSuffix(ts.ReadFile(args[0]), "\n"), "\n")
	for i, text := range all {
		var line struct{ Event string }
		d := json.NewDecoder(strings.NewReader(text))
		if err := d.Decode(&line); err != nil || d.More() {
			ts.Fatalf("line %d is no JSON object: %v: %s", i+1, err, text)
		}
		if (line.Event == "summary") != (i == len(all)-1) || line.Event == "" {
			ts.Fatalf("line %d of %d has event %q", i+1, len(all), line.Event)
		}
	}
}

// order STREAM WORD...: the words stand in the stream in that order.
func order(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: order stdout WORD...")
	}
	rest := ts.ReadFile(args[0])
	for _, w := range args[1:] {
		_, after, ok := strings.Cut(rest, w)
		if !ok {
			ts.Fatalf("%q does not follow what was before it", w)
		}
		rest = after
	}
}
