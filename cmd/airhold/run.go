// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"airhold/bus/socketcan"
	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/clock"
	"airhold/firmware/store"
	"airhold/systemd/notify"
)

const runUsage = `airhold run: the box. It listens to the machine, computes what the air is doing, and tells screens.

  airhold run --machine FILE [--verbose]

It never transmits on the machine's bus and never drives a valve. A CAN link must be up and listening only before its
frames are believed: airhold link. A machine file with an error does not stop it: the last accepted file stays in use,
and every screen says so.
`

func runBox(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("run", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	machine := fs.String("machine", "", "")
	verbose := fs.Bool("verbose", false, "")
	help := func(w io.Writer) { fmt.Fprint(w, runUsage) }
	if code, done := parseFlags(fs, args, help, stdout, stderr); done {
		return code
	}
	if *machine == "" {
		fmt.Fprintln(stderr, "airhold run: say which machine: --machine FILE\nAn example to start from: config/example.yaml; look at yours with: airhold check --machine FILE")
		return exitUsage
	}
	level := slog.LevelInfo
	if *verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: level}))
	m, text, problems := readSetup(*machine, stdout, stderr)
	if m == nil {
		m, text, problems = readMachineText(*machine)
	}
	dir := dataFolder(m)
	if m == nil {
		dir = writtenFolder(*machine)
	}
	kept, err := store.Open(dir, store.Options{Clock: clock.Live{}, Log: log, Raw: rawOptions(m)})
	if err != nil {
		fmt.Fprintf(stderr, "airhold run: %v\n", err)
		return exitFailed
	}
	defer kept.Close() //nolint:errcheck // reported by its log
	banner := ""
	if m == nil {
		printProblems(stderr, problems)
		m, text, banner = standIn(kept, *machine, problems)
		fmt.Fprintln(stderr, banner)
	} else if err := kept.AcceptMachine(text); err != nil {
		fmt.Fprintf(stderr, "airhold run: the machine file could not be kept: %v\n", err)
	}
	line, err := notify.Open(os.Getenv)
	if err != nil {
		log.WarnContext(ctx, "no word to the service manager", slog.Any("error", err))
	}
	defer line.Close() //nolint:errcheck // the manager sees the end by itself
	box, err := firmware.NewBox(firmware.BoxOptions{
		Machine: m, Text: text, Banner: banner, Clock: clock.Live{}, Wires: firmware.RealWires(), Store: kept, Boot: bootID(),
		Software: version(), Simulated: m.Simulated, Log: log, Notify: line, Pairing: true, File: *machine, Folder: dir, Problems: problems,
		Ready: func(a firmware.Addresses) { fmt.Fprintf(stdout, "airhold watches %s; page %s/\n", m.Name, a.Page) },
	})
	if err != nil {
		fmt.Fprintf(stderr, "airhold run: %v\n", err)
		return exitFailed
	}
	if err := box.Run(ctx); err != nil {
		fmt.Fprintf(stderr, "airhold run: %v\n", err)
		return exitFailed
	}
	return exitOK
}

// readSetup reads the set-up that was saved on the page for a machine file; m is nil where there is none or it is refused.
func readSetup(path string, stdout, stderr io.Writer) (m *config.Machine, text []byte, problems []config.Problem) {
	saved := firmware.SavedSetup(path, writtenFolder(path))
	if saved == "" {
		return nil, nil, nil
	}
	text, err := os.ReadFile(saved) //nolint:gosec // found beside the file that the user named
	if err != nil {
		fmt.Fprintf(stderr, "airhold run: the set-up %s cannot be read and is passed over: %v\n", saved, err)
		return nil, nil, nil
	}
	if m, problems = config.ParseWith(saved, text, fileBeside(path)); m != nil {
		if problems = append(problems, checkBus(m)...); config.Refused(problems) {
			m = nil
		}
	}
	if m == nil {
		printProblems(stderr, problems)
		fmt.Fprintf(stderr, "airhold run: the set-up %s is refused and passed over.\n", saved)
		return nil, nil, nil
	}
	fmt.Fprintf(stdout, "airhold runs on %s, saved by the set-up of the page; delete it to go back to %s.\n", saved, path)
	return m, text, problems
}

// fileBeside reads files that a machine file names, from beside it.
func fileBeside(path string) func(file string) ([]byte, error) {
	return func(file string) ([]byte, error) {
		if !filepath.IsAbs(file) {
			file = filepath.Join(filepath.Dir(path), file)
		}
		return os.ReadFile(file) //nolint:gosec // named by a machine file that was accepted
	}
}

// readMachineText reads a machine file and its bytes; m is nil where it is refused.
func readMachineText(path string) (m *config.Machine, text []byte, problems []config.Problem) {
	if m, problems = readMachine(path); m == nil {
		return nil, nil, problems
	}
	text, err := os.ReadFile(path) //nolint:gosec // the path is the one the user named
	if err != nil {
		return nil, nil, []config.Problem{{File: path, Severity: config.SevError, Message: err.Error()}}
	}
	return m, text, problems
}

// defaultFolder is where a box keeps what must survive.
const defaultFolder = "/var/lib/airhold/log"

func dataFolder(m *config.Machine) string {
	if m == nil || m.Logging.Dir == "" {
		return defaultFolder
	}
	return m.Logging.Dir
}

// writtenFolder finds the data folder in a machine file that was refused, where the file that was accepted last is kept.
// It reads no more than the one line: whatever else is wrong with the file must not hide it.
func writtenFolder(path string) string {
	text, err := os.ReadFile(path) //nolint:gosec // the path is the one the user named
	if err != nil {
		return defaultFolder
	}
	within := false
	for line := range strings.Lines(string(text)) {
		key, value, ok := strings.Cut(line, ":")
		switch {
		case !ok || strings.HasPrefix(strings.TrimSpace(line), "#"):
		case key == strings.TrimLeft(key, " "):
			within = key == "logging"
		case within && strings.TrimSpace(key) == "dir":
			value, _, _ = strings.Cut(value, " #")
			if dir := strings.Trim(strings.TrimSpace(value), `"'`); filepath.IsAbs(dir) {
				return dir
			}
		}
	}
	return defaultFolder
}

// standIn returns what to run with when the machine file is refused: the file that was last accepted here, or, where
// there is none, a machine without channels, which shows the problems and records raw frames.
func standIn(kept *store.Store, path string, problems []config.Problem) (m *config.Machine, text []byte, banner string) {
	where := filepath.Base(path)
	if len(problems) > 0 {
		p := problems[0]
		if p.Line > 0 {
			where = fmt.Sprintf("%s line %d", where, p.Line)
		}
		where += ": " + strings.TrimSuffix(p.Message, ".")
		if n := len(problems) - 1; n > 0 {
			where += fmt.Sprintf("; and %d more", n)
		}
	}
	text, at, err := kept.Machine()
	if err == nil && text != nil {
		name := "the file accepted on " + at.Format("2 January 2006")
		if m, _ := config.ParseWith(name, text, fileBeside(path)); m != nil {
			return m, text, fmt.Sprintf("Machine file refused (%s). Running with %s.", where, name)
		}
	}
	m = &config.Machine{Name: "Machine file refused", Logging: config.Logging{Dir: dataFolder(nil), Raw: true}, Page: config.Page{Listen: "127.0.0.1:8080"}}
	if links, err := socketcan.List(); err == nil {
		for _, l := range links {
			if !l.CAN || l.Refusal() != nil {
				continue
			}
			m.Links = append(m.Links, config.Link{Name: l.Name})
		}
	}
	return m, nil, fmt.Sprintf("Machine file refused (%s). No file was accepted before: nothing is computed, raw frames are recorded. "+
		"Mend it, then: airhold check --machine %s", where, path)
}

// rawOptions are the machine file's settings of the recording of raw frames; the defaults where there is none.
func rawOptions(m *config.Machine) store.RawOptions {
	if m == nil {
		return store.RawOptions{}
	}
	return store.RawOptions{SyncEvery: m.Logging.Sync, FullAt: m.Logging.Full}
}
