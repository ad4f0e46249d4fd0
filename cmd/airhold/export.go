// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"airhold/firmware/store"
	"airhold/firmware/store/export"
)

const exportUsage = `airhold export: recorded boots in forms that other programs open, one file a boot.

  airhold export --format FORMAT --out DIR [--data DIR] [--from TIME] [--to TIME] [--channels A,B] [--run ID] [--json]

  --format FORMAT   parquet   every reading: raw code, volts, value with its unit, quality, UTC and boot time
                    csv       the usable readings as a table, which airhold replay --readings reads again
                    candump   raw bus frames as text
                    pcapng    raw bus frames for Wireshark
                    geojson   where the machine was (GNSS on the bus), with the readings nearest to each point
  --out DIR         folder for the files; nothing in it is overwritten
  --data DIR        the box's data folder (/var/lib/airhold/log)
  --from, --to      2026-04-28 or 2026-04-28T06:00:00Z; a day alone is the whole day in UTC
  --channels A,B    only these channels of the machine file
  --run ID          only the time of this leak-down test
  --json            a summary as JSON

Times are the boot clock with what the box has learned of UTC, also for what was recorded before it knew the time.
What was stopped goes on where it was with the same command.
`

func runExport(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("export", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	o := export.Options{}
	format := fs.String("format", "", "")
	fs.StringVar(&o.Out, "out", "", "")
	fs.StringVar(&o.Data, "data", defaultFolder, "")
	from := fs.String("from", "", "")
	to := fs.String("to", "", "")
	channels := fs.String("channels", "", "")
	fs.StringVar(&o.Run, "run", "", "")
	asJSON := fs.Bool("json", false, "")
	help := func(w io.Writer) { fmt.Fprint(w, exportUsage) }
	if code, done := parseFlags(fs, args, help, stdout, stderr); done {
		return code
	}
	o.Format = export.Format(strings.ToLower(*format))
	var err1, err2 error
	o.From, err1 = exportTime("--from", *from, false)
	o.To, err2 = exportTime("--to", *to, true)
	for c := range strings.SplitSeq(*channels, ",") {
		if c = strings.TrimSpace(c); c != "" {
			o.Channels = append(o.Channels, c)
		}
	}
	switch err := errors.Join(err1, err2); {
	case *format == "":
		return wrongUsage("export", stderr, "say which form: --format %s", formats("|"))
	case o.Out == "":
		return wrongUsage("export", stderr, "say where to: --out DIR")
	case err != nil:
		return wrongUsage("export", stderr, "%v", err)
	case o.Run != "" && (*from != "" || *to != ""):
		return wrongUsage("export", stderr, "--run has its own time: leave --from and --to out")
	case !strings.Contains("|"+formats("|")+"|", "|"+string(o.Format)+"|"):
		return wrongUsage("export", stderr, "there is no format %q; there are %s", *format, formats(", "))
	case o.Format.Frames() && len(o.Channels) > 0:
		return wrongUsage("export", stderr, "raw frames have no channels: leave --channels out, or take parquet or csv")
	case !o.To.IsZero() && o.To.Before(o.From):
		return wrongUsage("export", stderr, "--to %s is before --from %s", *to, *from)
	}
	bar := newMeter(stderr)
	o.Progress = bar.tell
	s, err := export.Run(ctx, o)
	bar.end()
	if s != nil && err == nil {
		exportSummary(stdout, stderr, &o, s, *asJSON)
		return exitOK
	}
	switch {
	case errors.Is(err, context.Canceled):
		fmt.Fprintf(stderr, "airhold export: stopped; the same command goes on where it was, or delete %s\n", o.Out)
		return exitFailed
	case errors.Is(err, export.ErrRefused), errors.Is(err, export.ErrNothing), errors.Is(err, store.ErrCorrupt), errors.Is(err, store.ErrNewer):
		fmt.Fprintf(stderr, "airhold export: %v\n", err)
		return exitRefused
	default:
		fmt.Fprintf(stderr, "airhold export: %s\n", fileWords(err))
		return exitFailed
	}
}

func formats(between string) string {
	words := make([]string, 0, 5)
	for _, f := range export.Formats() {
		words = append(words, string(f))
	}
	return strings.Join(words, between)
}

// exportTime reads a limit. A day alone begins at its first instant and ends at its last.
func exportTime(name, text string, end bool) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, inYears(name, t)
	}
	t, err := time.Parse("2006-01-02", text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s %q: write a day as 2026-04-28 or a time as 2026-04-28T06:00:00Z", name, text)
	}
	if end {
		t = t.AddDate(0, 0, 1).Add(-1)
	}
	return t, inYears(name, t)
}

func inYears(name string, t time.Time) error {
	if y := t.UTC().Year(); y < 1971 || y > 2261 {
		return fmt.Errorf("%s: nothing can be recorded in the year %d", name, y)
	}
	return nil
}
