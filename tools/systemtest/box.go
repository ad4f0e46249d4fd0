// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"airhold/tools/systemtest/cpio"
	"airhold/tools/systemtest/results"
)

// workshop is what all boxes of a run share.
type workshop struct {
	folder  string // of this run
	kernel  kernel
	airhold []byte // static arm64 programs
	agent   []byte
}

// build compiles a package of this module as a static arm64 program.
func build(ctx context.Context, folder, pkg string) ([]byte, error) {
	path := filepath.Join(folder, filepath.Base(pkg))
	if _, err := command(ctx, "", "env", "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0", "go", "build", "-trimpath", "-o", path, pkg); err != nil {
		return nil, err
	}
	data, err := os.ReadFile(path) //nolint:gosec // just built
	if err != nil {
		return nil, fmt.Errorf("built program: %w", err)
	}
	return data, nil
}

// box is one start of the emulated box.
type box struct {
	plan    results.Plan
	modules []string // to load, by name
	devices []string // further arguments of the emulator
	limit   time.Duration
	live    bool // its clock shall not run ahead of the host's while it has nothing to do
}

// heard is what a box said.
type heard struct {
	ended   bool // it ended by itself, with its last word
	word    string
	console string
}

// firstFiles makes the box's first file system.
func (w *workshop) firstFiles(ctx context.Context, b box) ([]byte, error) {
	var out bytes.Buffer
	archive := cpio.New(&out)
	files, err := w.kernel.modules(ctx, b.modules)
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		name, data, err := readModule(ctx, f)
		if err != nil {
			return nil, err
		}
		b.plan.Modules = append(b.plan.Modules, name)
		if err := archive.File(filepath.Join(results.Modules, name), data, 0o644); err != nil {
			return nil, fmt.Errorf("first files: %w", err)
		}
	}
	plan, err := json.Marshal(b.plan)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	for _, dir := range []string{"/proc", "/sys", "/dev", "/tmp", "/run", "/var", "/etc"} {
		err = errors.Join(err, archive.Folder(dir))
	}
	// A first program has no output before /dev is mounted, unless its console is here.
	err = errors.Join(err, archive.Device("/dev/console", 5, 1), archive.Device("/dev/null", 1, 3), archive.File(results.PlanFile, plan, 0o644), archive.File(results.Agent, w.agent, 0o755),
		archive.File(results.Airhold, w.airhold, 0o755), archive.Close())
	if err != nil {
		return nil, fmt.Errorf("first files: %w", err)
	}
	return out.Bytes(), nil
}

// emulator is the command line that starts a box with two processors.
//
// The processors take turns and do an instruction a nanosecond by the box's own clock, however busy the host is: a busy
// host makes a test longer and changes nothing else. While the box waits, its clock jumps to what it waits for, unless it is live.
func emulator(image, files, console, port string, b box) []string {
	sleep := "off"
	if b.live {
		sleep = "on"
	}
	return append([]string{
		"-accel", "tcg,thread=single", "-icount", "shift=0,sleep=" + sleep, "-M", "virt", "-cpu", "cortex-a53", "-smp", "2", "-m", "768", "-nodefaults", "-display", "none",
		"-no-reboot", "-kernel", image, "-initrd", files, "-append", "console=ttyAMA0 loglevel=4 panic=-1 rdinit=" + results.Agent,
		"-serial", "file:" + console,
		"-chardev", "socket,id=results,path=" + port, "-device", "virtio-serial-pci", "-device", "virtserialport,chardev=results,name=" + results.Port,
	}, b.devices...)
}

// start runs a box until it ends, its time is over, or ctx ends, and calls each with every message. When ctx ends, its
// power is cut: that is no error.
func (w *workshop) start(ctx context.Context, name string, b box, each func(results.Message)) (heard, error) {
	files, err := w.firstFiles(ctx, b)
	if err != nil {
		return heard{}, err
	}
	first := filepath.Join(w.folder, name+".cpio")
	if err := os.WriteFile(first, files, 0o600); err != nil {
		return heard{}, fmt.Errorf("first files: %w", err)
	}
	console := filepath.Join(w.folder, name+".console")
	limited, cancel := context.WithTimeout(ctx, b.limit)
	defer cancel()
	port := filepath.Join(w.folder, name+".port")
	var listen net.ListenConfig
	door, err := listen.Listen(ctx, "unix", port)
	if err != nil {
		return heard{}, fmt.Errorf("port of the box: %w", err)
	}
	cmd := exec.CommandContext(limited, "qemu-system-aarch64", emulator(w.kernel.image, first, console, port, b)...) //nolint:gosec // built here
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	if err := cmd.Start(); err != nil {
		return heard{}, errors.Join(fmt.Errorf("start the emulator: %w", err), door.Close())
	}
	var h heard
	var readErr error
	var reading sync.WaitGroup
	reading.Go(func() {
		out, err := door.Accept()
		if err != nil {
			readErr = fmt.Errorf("listen to the box: %w", err)
			return
		}
		defer out.Close() //nolint:errcheck // only read
		readErr = results.Read(out, func(m results.Message) {
			if m.Kind == results.Ended {
				h.ended, h.word = true, m.Text
			}
			each(m)
		}, func(string) {}) // a torn line of a box that was cut off
		_, _ = io.Copy(io.Discard, out) // after an error the emulator must not stand still
	})
	err = cmd.Wait()
	_ = door.Close() // ends a wait for an emulator that never came; the file goes with it
	reading.Wait()
	if text, readErr := os.ReadFile(console); readErr == nil { //nolint:gosec // in this run's folder
		h.console = strings.TrimSpace(strings.ReplaceAll(string(text), "\r", ""))
	}
	switch {
	case ctx.Err() != nil:
		return h, nil
	case limited.Err() != nil:
		return h, fmt.Errorf("the box was not done after %v", b.limit)
	case err != nil:
		return h, fmt.Errorf("the emulator ended badly: %w: %s", err, complaint.String())
	case readErr != nil:
		return h, readErr
	case !h.ended:
		return h, errors.New("the box went off without its last word")
	case h.word != "":
		return h, fmt.Errorf("the box ended badly: %s", h.word)
	}
	return h, nil
}
