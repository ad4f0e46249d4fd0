// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/tools/systemtest/results"
)

// machineText is a machine with a bus and a tank, as small as it may be; %[1]s are its links, %[2]s its data folder.
const machineText = `name: System test
tank: {volume: 38 L, safe_working_pressure: 1000 kPa, relief_setting: 900 kPa}
compressors: [{name: compressor, control: switch, delivery: 180 L/min}]
channels:
  tank: {quantity: pressure, unit: kPa, source: sim}
links: {%[1]s}
logging: {dir: %[2]s, raw: true}
`

// output is what a program printed so far.
type output struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p) //nolint:wrapcheck // it cannot fail
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

// box is a running airhold.
type box struct {
	cmd   *exec.Cmd
	dir   string
	out   *output
	ended chan error
}

// startAirhold starts the shipped binary on a machine with these links (in the machine file's form) and waits until it says that
// it watches.
func startAirhold(ctx context.Context, dir, links string) (*box, error) {
	return start(ctx, dir, links, nil, false)
}

// startUnprivileged starts it as a user who is nobody, as the service runs.
func startUnprivileged(ctx context.Context, dir, links string) (*box, error) {
	const nobody = 65534
	if err := errors.Join(os.MkdirAll(dir, 0o755), os.Chown(dir, nobody, nobody)); err != nil { //nolint:gosec // in the box's own file system
		return nil, fmt.Errorf("data folder: %w", err)
	}
	return start(ctx, dir, links, &unix.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}, false)
}

func start(ctx context.Context, dir, links string, as *unix.SysProcAttr, noSync bool) (*box, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil { //nolint:gosec // in the box's own file system
		return nil, fmt.Errorf("data folder: %w", err)
	}
	file := filepath.Join("/tmp", filepath.Base(dir)+".yaml")
	if err := os.WriteFile(file, fmt.Appendf(nil, machineText, links, dir), 0o644); err != nil { //nolint:gosec // no secret
		return nil, fmt.Errorf("machine file: %w", err)
	}
	b := &box{dir: dir, out: &output{}, ended: make(chan error, 1)}
	program := []string{results.Airhold, "run", "--machine", file}
	if noSync {
		program = slices.Insert(program, 0, results.Agent, withoutSync)
	}
	b.cmd = exec.CommandContext(ctx, program[0], program[1:]...) //nolint:gosec // the program under test
	b.cmd.Stdout, b.cmd.Stderr = b.out, b.out
	b.cmd.SysProcAttr = as
	if err := b.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start airhold: %w", err)
	}
	go func() { b.ended <- b.cmd.Wait() }()
	err := b.until(ctx, 30*time.Second, "airhold watches")
	if err != nil {
		return nil, errors.Join(err, b.stop())
	}
	return b, nil
}

// until waits for words of the running airhold.
func (b *box) until(ctx context.Context, limit time.Duration, words string) error {
	err := wait(ctx, limit, fmt.Sprintf("%q", words), func() bool {
		return strings.Contains(b.out.String(), words) || len(b.ended) > 0
	})
	if err == nil && !strings.Contains(b.out.String(), words) {
		err = fmt.Errorf("airhold ended before it said %q", words)
	}
	if err != nil {
		return fmt.Errorf("%w; it said:\n%s", err, b.out)
	}
	return nil
}

// stop asks airhold to end and waits for it.
func (b *box) stop() error {
	if err := b.cmd.Process.Signal(unix.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("stop airhold: %w", err)
	}
	select {
	case err := <-b.ended:
		if err != nil {
			return fmt.Errorf("airhold ended badly: %w; it said:\n%s", err, b.out)
		}
		return nil
	case <-time.After(20 * time.Second):
		return errors.Join(errors.New("airhold did not end within 20 s of being asked to"), b.cmd.Process.Kill())
	}
}

// airhold runs a command of the shipped binary to its end.
func airhold(ctx context.Context, args ...string) (stdout string, err error) {
	limited, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	cmd := exec.CommandContext(limited, results.Airhold, args...) //nolint:gosec // the program under test
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err = cmd.Run(); err != nil {
		err = fmt.Errorf("airhold %s: %w: %s", strings.Join(args, " "), err, errs.String())
	}
	return out.String(), err
}

// recorded is what the recordings of a folder hold.
type recorded struct {
	files    []string
	frames   uint64 // with a number
	first    uint64
	last     uint64
	missing  uint64 // numbers left out between first and last
	disorder uint64 // numbers that came after a higher one
	errors   []bus.Frame
	other    uint64
	torn     int
	bad      int64
	dropped  uint64 // by the kernel, as the recording says

	only func(n uint64) bool // nil: every number counts
}

// recordings lists the recordings of raw frames in a folder, oldest first. One that is being sealed is there twice for a
// moment: the sealed one counts, which is whole when it has its name.
func recordings(dir string) ([]string, error) {
	plain, err := filepath.Glob(filepath.Join(dir, "boot-*.pcapng"))
	if err != nil {
		return nil, fmt.Errorf("recordings: %w", err)
	}
	sealed, err := filepath.Glob(filepath.Join(dir, "boot-*.pcapng.zst"))
	if err != nil {
		return nil, fmt.Errorf("recordings: %w", err)
	}
	plain = slices.DeleteFunc(plain, func(f string) bool { return slices.Contains(sealed, f+".zst") })
	return slices.Sorted(slices.Values(append(plain, sealed...))), nil
}

// readRecordings reads every recording of a folder.
func readRecordings(dir string) (recorded, error) { return readSome(dir, nil) }

// readSome reads every recording of a folder; of the numbered frames those count that only wants, or all. A running
// airhold may seal a file and take the plain one away between two looks: then everything is read again.
func readSome(dir string, only func(n uint64) bool) (recorded, error) {
	for try := 0; ; try++ {
		files, err := recordings(dir)
		if err != nil {
			return recorded{}, err
		}
		r := recorded{files: files, only: only}
		for _, f := range files {
			if err = r.add(f); err != nil {
				break
			}
		}
		if !errors.Is(err, fs.ErrNotExist) || try == 10 {
			return r, err
		}
	}
}

func (r *recorded) add(file string) error {
	in, err := capture.Open(file)
	if err != nil {
		return fmt.Errorf("recording: %w", err)
	}
	defer in.Close() //nolint:errcheck // only read
	var f bus.Frame
	for {
		err := in.Next(&f)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fmt.Errorf("recording %s: %w", file, err)
		}
		r.frame(&f)
	}
	if _, torn := in.Torn(); torn {
		r.torn++
	}
	r.bad += in.BadCount()
	for i := range in.Links() {
		if s, ok := in.Statistics(uint16(i)); ok {
			r.dropped = max(r.dropped, s.OSDropped) // from the start, in each file
		}
	}
	return nil
}

func (r *recorded) frame(f *bus.Frame) {
	switch {
	case f.Class == bus.Error:
		r.errors = append(r.errors, *f)
		return
	case f.Class != bus.Data || !f.IsExtended || f.ID != numberedID || f.Length != 8:
		r.other++
		return
	}
	n := binary.BigEndian.Uint64(f.Data[:])
	switch {
	case r.only != nil && !r.only(n):
		return
	case r.frames == 0:
		r.first = n
	case n <= r.last:
		r.disorder++
		return
	default:
		r.missing += n - r.last - 1
	}
	r.frames++
	r.last = n
}
