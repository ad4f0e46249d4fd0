// SPDX-License-Identifier: Apache-2.0

// Package export writes recorded boots in forms that other programs open: tables (Parquet, CSV), raw frames (candump,
// pcapng) and tracks (GeoJSON).
//
// Words: an export is one request over a data folder, with one file a boot; a checkpoint is a place in it from which it
// goes on after it was stopped, kept in export-state.json beside the files. An export that was stopped and begun again
// gives the same bytes as one that was not. Times are the boot's offset table applied to its boot clock; what has no
// wall time keeps its boot time.
//
// The package only reads recordings, plain and sealed, and overwrites no file that is not its own.
//
// Sources: contracts 2 and 4 for tables; RFC 7946 (The GeoJSON Format) for tracks; package capture for frames.
package export

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store/sealed"
)

// Format is a form of export.
type Format string

// The formats.
const (
	Parquet Format = "parquet"
	CSV     Format = "csv"
	Candump Format = "candump"
	Pcapng  Format = "pcapng"
	GeoJSON Format = "geojson"
)

// Formats lists them in the order in which messages name them.
func Formats() []Format { return []Format{Parquet, CSV, Candump, Pcapng, GeoJSON} }

// ending is what the names of a format's files end in.
func (f Format) ending() string {
	if f == Candump {
		return ".log"
	}
	return "." + string(f)
}

// Frames reports whether the format holds raw frames, which have no channels.
func (f Format) Frames() bool { return f == Candump || f == Pcapng }

// Why an export is refused, for errors.Is. The text says what to do.
var (
	// ErrRefused means that it cannot be done as it was asked for.
	ErrRefused = errors.New("export refused")
	// ErrNothing means that the folder holds nothing of what was asked for.
	ErrNothing = errors.New("nothing to export")
)

// refusal is an error whose words are for a person alone.
type refusal struct {
	kind  error
	words string
}

func (r refusal) Error() string        { return r.words }
func (r refusal) Is(target error) bool { return target == r.kind }

// NoChannelError says that no recording knows a channel. It is an ErrRefused.
type NoChannelError struct {
	Name  string
	Known []string // the channels there are
}

// Error is a sentence for a person.
func (e NoChannelError) Error() string {
	return fmt.Sprintf("there is no channel %q in these recordings; there are %s", e.Name, strings.Join(e.Known, ", "))
}

// Is reports that the export was refused.
func (NoChannelError) Is(target error) bool { return target == ErrRefused }

func refuse(format string, a ...any) error { return refusal{ErrRefused, fmt.Sprintf(format, a...)} }
func nothing(format string, a ...any) error {
	return refusal{ErrNothing, fmt.Sprintf(format, a...)}
}

// Options say what to export and where to.
type Options struct {
	Data     string // the box's data folder
	Out      string // folder for the files; made where it is not there
	Format   Format
	From, To time.Time // UTC, both inside; zero: no limit
	Channels []string  // ids; empty: all
	Run      string    // id of a leak-down test: its time and no other
	Progress func(Progress)

	every int64 // rows or frames between two checkpoints; 0: as many as are a second's work or so
}

// checkEvery is how many rows or frames there are between two checkpoints.
const checkEvery = 200_000

// beat is how many rows or frames are read between two looks at whether to stop.
const beat = 1024

func (o *Options) checkpoints() int64 {
	if o.every > 0 {
		return o.every
	}
	return checkEvery
}

// Progress tells how far an export is.
type Progress struct {
	Boot        string
	Nth, Boots  int   // which boot of how many
	Done, Total int64 // entries or frames of this boot
}

// Summary says what was exported.
type Summary struct {
	Files   []File   `json:"files"`
	Resumed bool     `json:"resumed"` // it went on where an earlier call had stopped
	Already bool     `json:"already"` // all of it was there
	Notes   []string `json:"notes"`   // what could not be had, a sentence each
}

// File is one file that was written.
type File struct {
	Counts // of what is in it

	Boot    string `json:"boot"`
	Name    string `json:"name"`
	Bytes   int64  `json:"bytes"`
	Clock   string `json:"clock"`           // best quality of its wall times
	First   string `json:"first,omitempty"` // RFC 3339 of the first row, where it has a wall time
	Last    string `json:"last,omitempty"`
	Missing bool   `json:"-"` // there was nothing of this boot, and so no file
}

// Counts are what an export counts in a boot.
type Counts struct {
	Readings int64 `json:"readings"`
	Rows     int64 `json:"rows"`
	Frames   int64 `json:"frames"`
	Points   int64 `json:"points"`
	Unusable int64 `json:"unusable"` // readings without a value, which a CSV cannot hold
	Late     int64 `json:"late"`     // readings that came a minute or more after younger ones, which a CSV cannot hold
	Undated  int64 `json:"undated"`  // entries or frames left out because their wall time is not known
}

// job is one boot's share.
type job struct {
	o     *Options
	boot  sealed.Found
	rec   *sealed.Recording
	about *sealed.About
	wants []bool // by channel
	file  File
	best  clock.Quality
	tell  func(done, total int64)
	notes []string
	lost  string // of raw frames; empty: none

	entries     int64 // up to this one
	dated       bool  // it was asked for by wall time
	from, to    int64 // ns since 1970, both inside
	span        *span // of a leak-down test
	first, last int64 // ns since 1970, of what was written
}

// Run exports. It may be stopped by ctx, or killed, and called again with the same options: it then goes on.
func Run(ctx context.Context, o Options) (*Summary, error) {
	if !slices.Contains(Formats(), o.Format) {
		return nil, refuse("there is no format %q; there are %s", o.Format, join(Formats()))
	}
	if o.Format.Frames() && len(o.Channels) > 0 {
		return nil, refuse("raw frames have no channels: leave the channels out, or take parquet or csv")
	}
	if !o.To.IsZero() && o.To.Before(o.From) {
		return nil, refuse("the end (%s) is before the start (%s)", o.To.Format(time.RFC3339), o.From.Format(time.RFC3339))
	}
	p := &plan{o: &o}
	if err := p.find(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(o.Out, 0o750); err != nil {
		return nil, fmt.Errorf("the folder %s cannot be made: %w", o.Out, err)
	}
	st, err := openState(&o, p.boots)
	if err != nil {
		return nil, err
	}
	s := &Summary{Resumed: st.resumed, Already: st.done(), Notes: p.notes}
	for i := range st.Boots {
		if err := exportBoot(ctx, &o, p, st, i, s); err != nil {
			return s, err
		}
	}
	if len(s.Files) == 0 {
		err := st.remove()
		return s, errors.Join(nothing("%s", p.none(s.Notes)), err)
	}
	return s, nil
}

func exportBoot(ctx context.Context, o *Options, p *plan, st *state, i int, s *Summary) error {
	b := &st.Boots[i]
	s.Notes = append(s.Notes, b.Notes...)
	if b.Done {
		if !b.Empty {
			s.Files = append(s.Files, b.File)
		}
		return nil
	}
	j, err := p.open(b)
	if err != nil {
		return err
	}
	defer j.rec.Close() //nolint:errcheck // it was only read
	j.tell = func(done, total int64) {
		if o.Progress != nil {
			o.Progress(Progress{Boot: b.Boot, Nth: i + 1, Boots: len(st.Boots), Done: done, Total: total})
		}
	}
	out, err := st.open(b)
	if err != nil {
		return err
	}
	j.file = b.File
	switch o.Format {
	case CSV:
		err = j.csv(ctx, out)
	case Parquet:
		err = j.parquet(ctx, out)
	case Candump, Pcapng:
		err = j.frames(ctx, out)
	case GeoJSON:
		err = j.geoJSON(ctx, out)
	}
	if err != nil {
		return errors.Join(j.explain(err), out.close())
	}
	j.finish()
	b.Notes = j.notes
	s.Notes = append(s.Notes, j.notes...)
	b.File = j.file
	b.Empty = j.file.Missing
	if err := out.end(b.Empty); err != nil {
		return j.explain(err)
	}
	if !b.Empty {
		s.Files = append(s.Files, b.File)
	}
	return nil
}

// explain adds what became of an export that broke off.
func (j *job) explain(err error) error {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("boot %s: %w; what was written so far is kept, and the same command goes on from there", j.boot.ID, diskWords(err, j.o.Out))
}

// finish fills in what is known at the end.
func (j *job) finish() {
	j.file.Clock = j.best.String()
	if j.best != clock.Unset {
		j.file.First, j.file.Last = stamp(j.first), stamp(j.last)
	}
	j.file.Missing = j.file.Rows+j.file.Frames+j.file.Points == 0
	for _, l := range j.rec.Lost() {
		j.note(l)
	}
	if j.lost != "" {
		j.note(j.lost)
	}
	if n := j.file.Undated; n > 0 {
		j.note(fmt.Sprintf("%d entries were left out: the box did not know the time then", n))
	}
	if n := j.file.Unusable; n > 0 && j.o.Format == CSV {
		j.note(fmt.Sprintf("%d readings had no value (sensor or sender said so) and have no cell; Parquet has them with the reason", n))
	}
	if n := j.file.Late; n > 0 {
		j.note(fmt.Sprintf("%d readings came more than %s late and are not in the table; Parquet has them", n, reorder))
	}
}

func (j *job) note(s string) { j.notes = append(j.notes, "boot "+j.boot.ID+": "+s) }

// seen keeps the first and the last wall time of what is written.
func (j *job) seen(ns int64, q clock.Quality) {
	if q == clock.Unset {
		return
	}
	if j.best == clock.Unset {
		j.first = ns
	}
	j.best = max(j.best, q)
	j.last = ns
}

func stamp(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }

func (j *job) wanted(c readings.Channel) bool {
	if c < 0 || int(c) >= len(j.wants) {
		return len(j.o.Channels) == 0
	}
	return j.wants[c]
}

func join[T ~string](all []T) string {
	words := make([]string, len(all))
	for i, w := range all {
		words[i] = string(w)
	}
	return strings.Join(words, ", ")
}

// fileName is the name of a boot's file.
func fileName(f Format, boot string) string { return "boot-" + boot + f.ending() }

func inFolder(dir, name string) string { return filepath.Join(dir, name) }
