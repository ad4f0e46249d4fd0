// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	_ "embed" // the two scripts
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"
)

// Scripts for the peers in Python. They time themselves, so that the interpreter's start does not count.
var (
	//go:embed bus_python_can.py
	pythonCAN string
	//go:embed bus_canmatrix.py
	canMatrix string
)

// debianPython is the interpreter that Debian's packages of Python libraries are for.
const debianPython = "/usr/bin/python3"

type peerAnswer struct {
	Items   int64   `json:"items"`
	Nanos   int64   `json:"ns"`
	Sum     float64 `json:"sum"`
	Mallocs uint64  `json:"mallocs"`
	Bytes   uint64  `json:"bytes"`
}

func (a *peerAnswer) cost() cost {
	return cost{a.Items, time.Duration(a.Nanos), a.Sum, a.Mallocs, a.Bytes}
}

// goPeer is a peer of the module tools/bench/peers.
func (b *busBench) goPeer(name, what, input string) side {
	return side{name: name, run: func(ctx context.Context) (cost, error) {
		return asked(exec.CommandContext(ctx, b.peers, what, input)) //nolint:gosec // built here
	}}
}

// pythonPeer is a script that prints one answer.
func pythonPeer(name, need, script string, args ...string) side {
	return side{name: name, need: need, run: func(ctx context.Context) (cost, error) {
		cmd := exec.CommandContext(ctx, debianPython, append([]string{"-W", "ignore", "-c", script}, args...)...) //nolint:gosec // fixed arguments
		f, err := asked(cmd)
		if errors.Is(err, os.ErrNotExist) || err != nil && strings.Contains(err.Error(), "ModuleNotFoundError") {
			return f, fmt.Errorf("%w: apt-get install %s", errMissing, need)
		}
		return f, err
	}}
}

func asked(cmd *exec.Cmd) (cost, error) {
	var out, complaints bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaints
	if err := cmd.Run(); err != nil {
		return cost{}, fmt.Errorf("%w: %s", err, complaints.String())
	}
	var a peerAnswer
	if err := json.Unmarshal(out.Bytes(), &a); err != nil || a.Items < 1 {
		return cost{}, fmt.Errorf("its answer %q: %w", out.String(), err)
	}
	return a.cost(), nil
}

// ran runs a program, throws its output away, and says how long that was and how much processor time it took.
func ran(ctx context.Context, need, stdin string, args ...string) (printed int64, took time.Duration, err error) {
	if _, err := exec.LookPath(args[0]); err != nil {
		return 0, 0, fmt.Errorf("%w: apt-get install %s", errMissing, need)
	}
	cmd := exec.CommandContext(ctx, args[0], args[1:]...) //nolint:gosec // fixed arguments
	if stdin != "" {
		in, err := os.Open(stdin) //nolint:gosec // written here
		if err != nil {
			return 0, 0, err
		}
		defer in.Close() //nolint:errcheck // only read
		cmd.Stdin = in
	}
	// To a file, as a person would: a pipe would cost the program time that has nothing to do with its work.
	file, err := os.CreateTemp("", "airhold-bench-out-")
	if err != nil {
		return 0, 0, err
	}
	defer os.Remove(file.Name()) //nolint:errcheck // a temporary file
	defer file.Close()           //nolint:errcheck // as above
	cmd.Stdout = file
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	if err := cmd.Run(); err != nil {
		return 0, 0, fmt.Errorf("%s: %w: %s", args[0], err, complaints.String())
	}
	size, err := file.Seek(0, io.SeekEnd)
	return size, cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime(), err
}

// log2long is the program of can-utils that writes a log in another form. Its output goes to the null device, which is the
// cheapest place there is.
func log2long(path string, lines int64) side {
	return side{name: "log2long (can-utils)", need: "can-utils", run: func(ctx context.Context) (cost, error) {
		bin, err := exec.LookPath("log2long")
		if err != nil {
			return cost{}, fmt.Errorf("%w: apt-get install can-utils", errMissing)
		}
		in, err := os.Open(path) //nolint:gosec // written here
		if err != nil {
			return cost{}, err
		}
		defer in.Close()                     //nolint:errcheck // only read
		cmd := exec.CommandContext(ctx, bin) //nolint:gosec // as found
		cmd.Stdin = in
		if err := cmd.Run(); err != nil {
			return cost{}, err
		}
		return cost{items: lines, took: cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}, nil
	}}
}

// tshark counts the packets of a capture. What it takes for a capture of one packet is its start, and left out.
func tshark(path, tiny string, packets int64) side {
	return side{name: "tshark -z io,stat", need: "tshark", run: func(ctx context.Context) (cost, error) {
		_, start, err := ran(ctx, "tshark", "", "tshark", "-q", "-z", "io,stat,0", "-r", tiny)
		if err != nil {
			return cost{}, err
		}
		out, took, err := ran(ctx, "tshark", "", "tshark", "-q", "-z", "io,stat,0", "-r", path)
		if err == nil && out == 0 {
			err = errors.New("it printed nothing")
		}
		return cost{items: packets, took: max(took-start, time.Millisecond)}, err
	}}
}

// capinfos counts the packets that tshark's library finds in a capture, cut off or not.
func capinfos(ctx context.Context, path string) (int64, error) {
	if _, err := exec.LookPath("capinfos"); err != nil {
		return 0, fmt.Errorf("%w: apt-get install tshark", errMissing)
	}
	out, err := exec.CommandContext(ctx, "capinfos", "-c", "-M", "-T", "-r", path).Output() //nolint:gosec // a file made here
	fields := strings.Fields(string(out))
	if len(fields) == 0 { // it ends with 1 where the file is cut off, and still counts
		return 0, fmt.Errorf("capinfos: %w", err)
	}
	return strconv.ParseInt(fields[len(fields)-1], 10, 64)
}
