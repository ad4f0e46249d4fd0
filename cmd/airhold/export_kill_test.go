// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"airhold/bus/capture"
	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/rawlog"
	"airhold/firmware/store/sealed"

	"go.einride.tech/can"

	"airhold/bus"
)

var exportDay = time.Date(2026, 4, 28, 5, 10, 0, 0, time.UTC)

// dayClock says the wall time of an invented day.
type dayClock struct {
	clock.Live

	start time.Time
	boot  time.Duration
}

func (c *dayClock) Sample() clock.Sample {
	return clock.Sample{Boot: c.boot, UTC: c.start.Add(c.boot), Quality: clock.Good}
}

// invented records a boot of the example machine: the tank and the front rank ten times a second, a position a second, for so many
// seconds.
func invented(t *testing.T, dir, id string, seconds int) string {
	t.Helper()
	return inventedAt(t, dir, id, exportDay, seconds)
}

// inventedAt is invented with the wall time at which the boot began.
func inventedAt(t *testing.T, dir, id string, start time.Time, seconds int) string {
	t.Helper()
	c := &dayClock{start: start}
	s, err := store.Open(dir, store.Options{Clock: c, Queue: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	table := firmware.NewTable(config.ExampleMachine())
	if err := s.StartBoot(store.Snapshot{Boot: id, Software: "test", Machine: config.Example()}, table); err != nil {
		t.Fatal(err)
	}
	frames, err := rawlog.Open(dir, rawlog.Options{Boot: id, Number: 1, Clock: c, Links: []capture.LinkInfo{{Name: "can0"}}, FullAt: 1, Reserve: 1})
	if err != nil {
		t.Fatal(err)
	}
	var position can.Frame
	if err := position.UnmarshalString("09F80196#20945F1F44ED0303"); err != nil { // can.md 2.1, example 13
		t.Fatal(err)
	}
	tank, front := table.Find("tank"), table.Find("front")
	for i := range seconds * 10 {
		at := time.Duration(i) * 100 * time.Millisecond
		c.boot = at
		if i%10 == 0 {
			s.Append(store.Entry{Kind: store.IsClock, At: at, Clock: c.Sample()})
			s.Append(store.Entry{Kind: store.IsTick, At: at})
			frames.Frame(&bus.Frame{Frame: position, Boot: at})
		}
		for k, channel := range []readings.Channel{tank, front} {
			made := at + time.Duration(k+1)*time.Millisecond
			s.Append(store.Entry{Kind: store.IsReading, At: made, Reading: readings.Reading{
				At: made, Channel: channel, Value: 700e3 - float64(i%600)*100 - float64(k)*400e3, Volts: 2.5, Raw: int32(13000 - i%600),
			}})
		}
	}
	if err := frames.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := frames.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "boot-"+id+".db")
}

// program is this binary under the name that makes it airhold.
func program(t *testing.T) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(t.TempDir(), "airhold")
	if err := os.Symlink(self, bin); err != nil {
		t.Fatal(err)
	}
	return bin
}

// An export that is killed goes on where it was: the files are those of an export that nobody killed.
func TestKilledExportGoesOn(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: its exports are programs of their own")
	}
	bin, data := program(t), t.TempDir()
	path := invented(t, data, "a", 12_000)
	invented(t, data, "b", 6_000)
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	for _, format := range []string{"csv", "parquet", "geojson"} {
		t.Run(format, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			whole, parts := filepath.Join(dir, "whole"), filepath.Join(dir, "parts")
			begun := time.Now()
			run := func(out string, patience time.Duration) (killed bool, stdout []byte) {
				cmd := exec.CommandContext(t.Context(), bin, "export", "--data", data, "--format", format, "--out", out, "--json")
				var text, errs bytes.Buffer
				cmd.Stdout, cmd.Stderr = &text, &errs
				if err := cmd.Start(); err != nil {
					t.Fatal(err)
				}
				stop := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
				err := cmd.Wait()
				stop.Stop()
				if err != nil && cmd.ProcessState.ExitCode() >= 0 {
					t.Fatalf("export ends with %v: %s", err, errs.Bytes())
				}
				return err != nil, text.Bytes()
			}
			if killed, _ := run(whole, time.Minute); killed {
				t.Fatal("the export did not end within a minute")
			}
			took := time.Since(begun)
			kills, patience := 0, took/10
			var summary struct {
				Event   string
				Resumed bool
			}
			for {
				killed, text := run(parts, patience)
				if !killed {
					if err := json.Unmarshal(text, &summary); err != nil {
						t.Fatalf("%v in %s", err, text)
					}
					break
				}
				kills++
				patience += took / 9
			}
			if kills == 0 || !summary.Resumed || summary.Event != "summary" {
				t.Errorf("killed %d times, summary %+v; want it killed in mid-work and gone on with", kills, summary)
			}
			for _, id := range []string{"a", "b"} {
				name := "boot-" + id + "." + format
				a, err1 := os.ReadFile(filepath.Join(whole, name))
				b, err2 := os.ReadFile(filepath.Join(parts, name))
				if err1 != nil || err2 != nil || !bytes.Equal(a, b) {
					t.Errorf("%s: %d and %d bytes, %v, %v; want the same", name, len(a), len(b), err1, err2)
				}
			}
			left, err := filepath.Glob(filepath.Join(parts, "*.part"))
			if err != nil || len(left) > 0 {
				t.Errorf("left over: %q, %v", left, err)
			}
		})
	}
}

// A day that is exported as a table is replayed from it with the alarms that the recorded day has; a sealed day is
// replayed with the same output to the byte.
func TestReplayOfPlainSealedAndExportedDay(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: its replays are programs of their own")
	}
	bin, data := program(t), t.TempDir()
	path := invented(t, data, "a", 1200)
	run := func(args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), bin, args...)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%q: %v: %s", args, err, errs.Bytes())
		}
		return string(out)
	}
	events := func(text string) []string {
		var out []string
		for line := range strings.Lines(text) {
			if !strings.Contains(line, `"event":"summary"`) { // it says how fast the replay was
				out = append(out, line)
			}
		}
		return out
	}
	plain := events(run("replay", "--log", data, "--json"))
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	if got := events(run("replay", "--log", data, "--json")); strings.Join(got, "") != strings.Join(plain, "") || len(plain) == 0 {
		t.Errorf("%d events of the sealed day; want the %d of the recorded one", len(got), len(plain))
	}
	out, machine := t.TempDir(), filepath.Join(t.TempDir(), "machine.yaml")
	if err := os.WriteFile(machine, config.Example(), 0o600); err != nil {
		t.Fatal(err)
	}
	run("export", "--data", data, "--format", "csv", "--out", out)
	var summary struct{ Readings int64 }
	text := run("replay", "--machine", machine, "--readings", filepath.Join(out, "boot-a.csv"), "--json")
	lines := strings.Split(strings.TrimSpace(text), "\n")
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &summary); err != nil || summary.Readings != 24_000 {
		t.Errorf("%d readings of the exported table, %v; want 24000", summary.Readings, err)
	}
}

// A disk that takes no more stops an export with a sentence; with room again it goes on to the same bytes.
func TestExportOnADiskThatTakesNoMore(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: its exports are programs of their own")
	}
	bin, data, dir := program(t), t.TempDir(), t.TempDir()
	invented(t, data, "a", 3000)
	whole, parts := filepath.Join(dir, "whole"), filepath.Join(dir, "parts")
	run := func(out, limit string) (int, string) {
		t.Helper()
		// No file may grow past the limit, as on a full disk (setrlimit(2), RLIMIT_FSIZE; the unit of ulimit -f is 512 bytes or 1 KiB).
		cmd := exec.CommandContext(t.Context(), "sh", "-c", "ulimit -f "+limit+`; exec "$0" "$@"`, bin, "export", "--data", data, "--format", "csv", "--out", out)
		text, err := cmd.CombinedOutput()
		if _, ok := errors.AsType[*exec.ExitError](err); err != nil && !ok {
			t.Fatal(err)
		}
		return cmd.ProcessState.ExitCode(), string(text)
	}
	if code, text := run(whole, "unlimited"); code != exitOK {
		t.Fatalf("exit %d: %s", code, text)
	}
	code, text := run(parts, "600")
	if code != exitFailed || !strings.Contains(text, "what was written so far is kept, and the same command goes on from there") {
		t.Errorf("exit %d, %q; want word of what became of it", code, text)
	}
	if code, text := run(parts, "unlimited"); code != exitOK {
		t.Fatalf("exit %d: %s", code, text)
	}
	a, err1 := os.ReadFile(filepath.Join(whole, "boot-a.csv"))
	b, err2 := os.ReadFile(filepath.Join(parts, "boot-a.csv"))
	if err1 != nil || err2 != nil || !bytes.Equal(a, b) {
		t.Errorf("%d and %d bytes, %v, %v; want the same", len(a), len(b), err1, err2)
	}
}
