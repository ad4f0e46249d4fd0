// SPDX-License-Identifier: Apache-2.0

//go:build linux

// Command agent is the first and only program of the emulated box that the system test starts: it mounts what a Linux
// needs, loads the modules it is told to, runs the named tests around the shipped airhold binary, and switches off.
//
// Words: a test returns a sentence that says what it counted, or an error. The stand is what tests may use: messages to
// the host, the plan, the airhold binary. The sender is the far end of an emulated bus; it is the only code here that
// transmits, and no wire is in reach.
//
// As process 1 it starts itself again for the tests, so that a panic there is a failed test and not a dead kernel.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"airhold/tools/systemtest/results"
)

// testsLimit ends a box whose tests hang.
const testsLimit = 10 * time.Minute

func main() {
	ctx := context.Background()
	if len(os.Args) > 1 && os.Args[1] == withoutSync {
		fmt.Fprintf(os.Stderr, "agent: %v\n", execWithoutSync(os.Args[2:]))
		os.Exit(1)
	}
	if os.Getpid() != 1 {
		if err := runTests(ctx, os.NewFile(3, "results")); err != nil {
			fmt.Fprintf(os.Stderr, "agent: %v\n", err)
			os.Exit(1)
		}
		return
	}
	if err := startBox(ctx); err != nil {
		fmt.Fprintf(os.Stderr, "agent: %v\n", err)
	}
	unix.Sync()
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF) // does not return; when it fails, the host's deadline ends the box
	select {}
}

// startBox does what an init does, and has the tests run.
func startBox(ctx context.Context) error {
	for _, m := range []struct{ kind, at, options string }{
		{"proc", "/proc", ""},
		{"sysfs", "/sys", ""},
		{"devtmpfs", "/dev", ""},
		{"tmpfs", "/tmp", ""},
		{"tmpfs", "/run", ""},
		{"tmpfs", "/var", "size=600m"},
	} {
		if err := errors.Join(os.MkdirAll(m.at, 0o755), unix.Mount(m.kind, m.at, m.kind, 0, m.options)); err != nil { //nolint:gosec // the box's own root
			return fmt.Errorf("mount %s: %w", m.at, err)
		}
	}
	plan, err := readPlan()
	if err != nil {
		return err
	}
	for _, name := range plan.Modules {
		if err := loadModule(name); err != nil {
			return fmt.Errorf("load %s: %w", name, err)
		}
	}
	port, err := openPort(ctx)
	if err != nil {
		return err
	}
	defer port.Close() //nolint:errcheck // the box goes off
	if err := setLink("lo", link{up: true}); err != nil {
		return err
	}
	if plan.Disk {
		if err := errors.Join(os.MkdirAll("/data", 0o755), unix.Mount("/dev/vda", "/data", "ext4", 0, "")); err != nil { //nolint:gosec // as above
			return fmt.Errorf("mount the disk: %w", err)
		}
	}
	limited, cancel := context.WithTimeout(ctx, testsLimit)
	defer cancel()
	tests := exec.CommandContext(limited, results.Agent) //nolint:gosec // itself
	tests.Stdout, tests.Stderr = os.Stdout, os.Stderr
	tests.ExtraFiles = []*os.File{port}
	tests.Env = []string{"PATH=/usr/bin", "HOME=/run", "TMPDIR=/tmp"}
	ended := results.Message{Kind: results.Ended}
	if err := tests.Run(); err != nil {
		ended.Text = err.Error()
	}
	if plan.Disk {
		if err := unix.Unmount("/data", 0); err != nil {
			ended.Text = strings.TrimSpace(ended.Text + " unmount the disk: " + err.Error())
		}
	}
	return results.Write(port, ended)
}

func readPlan() (results.Plan, error) {
	var plan results.Plan
	text, err := os.ReadFile(results.PlanFile)
	if err != nil {
		return plan, fmt.Errorf("read the plan: %w", err)
	}
	if err := json.Unmarshal(text, &plan); err != nil {
		return plan, fmt.Errorf("read the plan: %w", err)
	}
	return plan, nil
}

func loadModule(name string) error {
	f, err := os.Open(filepath.Join(results.Modules, name)) //nolint:gosec // put there by the host
	if err != nil {
		return fmt.Errorf("open it: %w", err)
	}
	defer f.Close() //nolint:errcheck // only read
	if err := unix.FinitModule(int(f.Fd()), "", 0); err != nil && !errors.Is(err, unix.EEXIST) {
		return fmt.Errorf("the kernel refused it: %w", err)
	}
	return nil
}

// openPort finds the serial port to the host by its name.
func openPort(ctx context.Context) (*os.File, error) {
	var port *os.File
	err := wait(ctx, 5*time.Second, "the port to the host", func() bool {
		names, _ := filepath.Glob("/sys/class/virtio-ports/*/name")
		for _, n := range names {
			if text, err := os.ReadFile(n); err != nil || strings.TrimSpace(string(text)) != results.Port { //nolint:gosec // of sysfs
				continue
			}
			// Opened to block: what was written is then with the host, and a box may go off at once.
			fd, err := unix.Open("/dev/"+filepath.Base(filepath.Dir(n)), unix.O_WRONLY|unix.O_CLOEXEC, 0)
			port = os.NewFile(uintptr(fd), results.Port)
			return err == nil && port != nil
		}
		return false
	})
	return port, err
}

// wait asks done again and again until it is true.
func wait(ctx context.Context, limit time.Duration, what string, done func() bool) error {
	for end := time.Now().Add(limit); !done(); time.Sleep(20 * time.Millisecond) {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("wait for %s: %w", what, err)
		}
		if time.Now().After(end) {
			return fmt.Errorf("waited %v in vain for %s", limit, what)
		}
	}
	return nil
}

// stand is what a test may use.
type stand struct {
	plan results.Plan
	out  io.Writer
	test string
}

type test struct {
	name string
	run  func(context.Context, *stand) (string, error)
}

func runTests(ctx context.Context, out io.Writer) error {
	plan, err := readPlan()
	if err != nil {
		return err
	}
	known := map[string]test{}
	for _, t := range tests() {
		known[t.name] = t
	}
	for _, name := range plan.Tests {
		s := &stand{plan: plan, out: out, test: name}
		s.say(results.Message{Kind: results.Started})
		t, ok := known[name]
		if !ok {
			s.say(results.Message{Kind: results.Failed, Text: "the box knows no such test"})
			continue
		}
		counted, err := t.run(ctx, s)
		if err != nil {
			s.say(results.Message{Kind: results.Failed, Text: strings.TrimSpace(counted + " " + err.Error())})
			continue
		}
		s.say(results.Message{Kind: results.Passed, Text: counted})
	}
	return nil
}

// say sends a message about the running test. The box cannot do anything about a host that does not listen.
func (s *stand) say(m results.Message) {
	m.Test = s.test
	if err := results.Write(s.out, m); err != nil {
		fmt.Fprintf(os.Stderr, "agent: %v\n", err)
	}
}

func (s *stand) note(format string, a ...any) {
	s.say(results.Message{Kind: results.Note, Text: fmt.Sprintf(format, a...)})
}

// sendFile gives the host a copy of a file.
func (s *stand) sendFile(path string) error {
	data, err := os.ReadFile(path) //nolint:gosec // written by the test
	if err != nil {
		return fmt.Errorf("give the host a file: %w", err)
	}
	for len(data) > 0 {
		n := min(len(data), results.Piece)
		s.say(results.Message{Kind: results.File, Name: filepath.Base(path), Data: data[:n]})
		data = data[n:]
	}
	return nil
}
