// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/publish"
	"airhold/firmware/store"
	"airhold/firmware/store/export"
	"airhold/firmware/store/rawlog"
	"airhold/firmware/tablet"
)

// exportKept is how long what was exported may be fetched.
const exportKept = time.Hour

// exportPatience is how long whoever asks for an export waits to hear whether there is anything to export.
const exportPatience = 10 * time.Second

// exporter makes files of what is recorded for whoever asks by the page: one at a time, in a folder of its own beside the
// recordings, and never with more than half a core. It only reads recordings, as the command does.
type exporter struct {
	o exporterOptions

	mu     sync.Mutex // guards what follows
	st     tablet.ExportState
	parts  []string // files of the last export, in the order of st.Files
	cancel context.CancelFunc
	expire *time.Timer
	shut   bool
	round  int // of the last export
	work   sync.WaitGroup
}

type exporterOptions struct {
	dir       string // of the recordings
	machine   string // its name
	software  string
	simulated bool
	room      func() (int64, error) // what files that can be made again may still take of the disk
	commit    func() error          // makes the disk keep what waits
	moving    func() (bool, bool)   // whether the machine moves; false: not known yet
	clock     func() clock.Quality
	log       *slog.Logger
}

// exporterOptions are those of the box.
func (b *Box) exporterOptions() exporterOptions {
	return exporterOptions{
		dir: b.o.Machine.Logging.Dir, machine: b.o.Machine.Name, software: b.o.Software, simulated: b.o.Simulated, log: b.o.Log,
		room:   func() (int64, error) { return rawlog.Room(b.o.Machine.Logging.Dir, 0) },
		commit: b.o.Store.Commit,
		clock:  func() clock.Quality { return b.inputs.time.Better(b.o.Clock.Sample()).Quality },
		moving: func() (moves, known bool) {
			n := b.now.Load()
			return n != nil && n.Moving, n != nil
		},
	}
}

// newExporter clears away what an earlier start left: half a file is none.
func newExporter(o exporterOptions) (*exporter, error) {
	e := &exporter{o: o, st: tablet.ExportState{State: "none", Simulated: o.simulated}}
	if err := os.RemoveAll(e.folder()); err != nil {
		return nil, fmt.Errorf("clear away an earlier export: %w", err)
	}
	return e, nil
}

func (e *exporter) folder() string { return filepath.Join(e.o.dir, rawlog.ExportFolder) }

// State implements tablet.Exports.
func (e *exporter) State() tablet.ExportState {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.copied()
}

func (e *exporter) copied() tablet.ExportState {
	s := e.st
	s.Files = append([]tablet.ExportPart{}, s.Files...)
	s.Notes = append([]string{}, s.Notes...)
	return s
}

// sentence is an error that a person reads.
type sentence string

func (s sentence) Error() string { return string(s) }

// wrongly is a sentence about what was asked for.
type wrongly struct{ sentence }

func (wrongly) Is(target error) bool { return target == tablet.ErrAskedWrongly }

// gone is a sentence about what is not there.
type gone struct{ sentence }

func (gone) Is(target error) bool { return target == tablet.ErrNoExport }

// Begin implements tablet.Exports.
func (e *exporter) Begin(w tablet.ExportWish) (tablet.ExportState, error) {
	o := export.Options{Data: e.o.dir, Out: e.folder(), Format: export.Format(w.Format), Channels: w.Channels}
	if w.From != nil {
		o.From = w.From.UTC()
	}
	if w.To != nil {
		o.To = w.To.UTC()
	}
	if err := e.refuse(&o); err != nil {
		return tablet.ExportState{}, err
	}
	// What waits for the disk belongs to the span too. An error of the log is told by the log.
	_ = e.o.commit()
	planned := make(chan error, 1)
	if err := e.start(&o, w, planned); err != nil {
		return tablet.ExportState{}, err
	}
	patience := time.NewTimer(exportPatience) //nolint:forbidigo // how long a person waits, not the box's time
	defer patience.Stop()
	select {
	case err := <-planned:
		if err != nil {
			return tablet.ExportState{}, err
		}
	case <-patience.C:
	}
	return e.State(), nil
}

// refuse says why an export is not begun.
func (e *exporter) refuse(o *export.Options) error {
	if !slices.Contains(export.Formats(), o.Format) {
		return wrongly{sentence(fmt.Sprintf("There is no form %q. There are parquet, csv, candump, pcapng and geojson.", o.Format))}
	}
	if o.Format.Frames() && len(o.Channels) > 0 {
		return wrongly{"Raw frames hold no signals: choose none, or take parquet or csv."}
	}
	if moves, known := e.o.moving(); moves {
		return sentence("The machine moves: stop first. What is recorded stays.")
	} else if !known {
		return sentence("The box has just started and does not know yet whether the machine stands. Ask again in a second.")
	}
	room, err := e.o.room()
	if err == nil && room <= 0 {
		return sentence("The disk is too full to export: what is free is kept for the recording. Free some space, or fetch the recordings with airhold export onto another disk.")
	}
	return nil
}

// start puts an export to work; planned hears once whether there is anything to export.
func (e *exporter) start(o *export.Options, w tablet.ExportWish, planned chan<- error) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	switch {
	case e.shut:
		return sentence("The box is being stopped.")
	case e.st.State == "working":
		return sentence(fmt.Sprintf("One export goes on, %.0f %% done. Wait for it, or cancel it first.", e.st.Percent))
	}
	e.clear()
	if err := os.MkdirAll(e.folder(), 0o750); err != nil {
		return sentence(fmt.Sprintf("The box cannot make the folder for the export: %v. Look at the rights of %s.", err, e.o.dir))
	}
	ctx, cancel := context.WithCancel(context.Background())
	e.round++
	e.cancel = cancel
	e.st = tablet.ExportState{State: "working", Simulated: e.o.simulated, Wish: &w}
	p := &pace{ctx: ctx, e: e, round: e.round, planned: planned}
	o.Progress = p.progress
	e.work.Go(func() {
		defer cancel()
		s, err := export.Run(ctx, *o)
		if p.full && ctx.Err() != nil {
			err = sentence("The disk is too full to go on with the export: what is free is kept for the recording. Free some space, or export a shorter time.")
		}
		e.end(p.round, o, s, e.words(o, err))
		p.tell(e.failed(p.round))
	})
	return nil
}

// failed is why an export ended without a file.
func (e *exporter) failed(round int) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.round != round || e.st.State != "failed" {
		return nil
	}
	return sentence(e.st.Error)
}

// words turns the error of an export into a sentence for the person.
func (e *exporter) words(o *export.Options, err error) error {
	var channel export.NoChannelError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &channel):
		if near := config.Nearest(channel.Name, channel.Known); near != "" {
			return sentence(fmt.Sprintf("There is no signal %q in these recordings. Did you mean %q?", channel.Name, near))
		}
		return sentence(fmt.Sprintf("There is no signal %q in these recordings. GET /api/log lists those there are.", channel.Name))
	case errors.Is(err, export.ErrNothing) && e.o.clock() == clock.Unset && (!o.From.IsZero() || !o.To.IsZero()):
		return sentence("The box does not know what time it is, so it cannot find a time in what it records. Set its clock, or export all that is recorded.")
	case errors.Is(err, export.ErrNothing):
		return sentence(nothingWords(o, err))
	case errors.Is(err, store.ErrDiskFull):
		return sentence("The disk is full. Free some space and export again.")
	}
	return err
}

// nothingWords says that nothing was found, for a person who sees no folders.
func nothingWords(o *export.Options, err error) string {
	span := ""
	if !o.From.IsZero() {
		span += " from " + o.From.Format("2006-01-02 15:04:05") + " UTC"
	}
	if !o.To.IsZero() {
		span += " until " + o.To.Format("2006-01-02 15:04:05") + " UTC"
	}
	s := "Nothing is recorded" + span + "."
	switch {
	case o.Format == export.GeoJSON:
		s = "No position was heard" + span + ": a track needs a satellite receiver on the bus, and recorded raw frames."
	case o.Format.Frames():
		s = "No raw frame is recorded" + span + ". Are they recorded at all (logging: raw in the machine file)?"
	}
	if _, notes, ok := strings.Cut(err.Error(), "\n"); ok {
		first, _, _ := strings.Cut(notes, "\n")
		s += " (" + first + ".)"
	}
	return s
}

// end takes over what became of an export.
func (e *exporter) end(round int, o *export.Options, s *export.Summary, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.round != round || e.st.State != "working" { // it was cancelled
		return
	}
	if err != nil {
		e.clear()
		e.st.State, e.st.Error = "failed", err.Error()
		e.o.log.Warn("export failed", slog.Any("error", err))
		return
	}
	e.st.State, e.st.Percent, e.st.Boot = "done", 100, ""
	e.st.Notes = slices.Clone(s.Notes)
	e.st.Bytes = 0
	e.parts = nil
	for i := range s.Files {
		f := &s.Files[i]
		name := f.Name
		if e.o.simulated {
			name = "simulated-" + name
		}
		e.st.Files = append(e.st.Files, tablet.ExportPart{
			Name: name, Boot: f.Boot, Bytes: f.Bytes, Readings: f.Readings, Rows: f.Rows, Frames: f.Frames, Points: f.Points,
			First: f.First, Last: f.Last, Clock: f.Clock,
		})
		e.st.Bytes += f.Bytes
		e.parts = append(e.parts, filepath.Join(o.Out, f.Name))
	}
	e.st.Name = e.zipName(o, s)
	until := time.Now().UTC().Add(exportKept).Truncate(time.Second) //nolint:forbidigo // a person's hour, not the box's time
	e.st.Until = &until
	e.expire = time.AfterFunc(exportKept, func() { e.old(round) })
	e.o.log.Info("export made", slog.String("name", e.st.Name), slog.Int64("bytes", e.st.Bytes))
}

// zipName says what is in it: whose machine, which time, which form, and that it is simulated.
func (e *exporter) zipName(o *export.Options, s *export.Summary) string {
	words := []string{"airhold"}
	if e.o.simulated {
		words = append(words, "simulated")
	}
	words = append(words, publish.Slug(e.o.machine))
	first, last := "", ""
	for i := range s.Files {
		if f := s.Files[i].First; f != "" && (first == "" || f < first) {
			first = f
		}
		last = max(last, s.Files[i].Last)
	}
	for _, text := range []string{first, last} {
		if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
			words = append(words, t.UTC().Format("20060102T150405Z"))
		}
	}
	return strings.Join(append(words, string(o.Format)), "-") + ".zip"
}

// clear removes what was made, and forgets it; the caller has the lock. A folder that cannot be removed now is at the next
// start.
func (e *exporter) clear() {
	if e.expire != nil {
		e.expire.Stop()
		e.expire = nil
	}
	e.parts = nil
	e.st.Files, e.st.Name, e.st.Until, e.st.Bytes = nil, "", nil, 0
	if err := os.RemoveAll(e.folder()); err != nil {
		e.o.log.Warn("export not cleared away", slog.Any("error", err))
	}
}

// old removes an export that nobody fetched for an hour.
func (e *exporter) old(round int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.round == round && e.st.State == "done" {
		e.clear()
		e.st = tablet.ExportState{State: "none", Simulated: e.o.simulated}
	}
}

// Cancel implements tablet.Exports.
func (e *exporter) Cancel() tablet.ExportState {
	e.halt()
	e.work.Wait() // a moment: it looks up every thousand rows
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.st.State == "cancelled" || e.st.State == "done" {
		e.clear()
		e.st.State = "cancelled"
	}
	return e.copied()
}

func (e *exporter) halt() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.st.State == "working" {
		e.st.State = "cancelled"
		e.cancel()
	}
}

// stop ends the work and clears up, for good. It returns when nothing of it reads recordings any more.
func (e *exporter) stop() {
	e.mu.Lock()
	e.shut = true
	e.mu.Unlock()
	e.Cancel()
}

// Open implements tablet.Exports.
func (e *exporter) Open() (tablet.ExportFile, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	switch {
	case e.st.State == "working":
		return tablet.ExportFile{}, gone{sentence(fmt.Sprintf("The export is not done: %.0f %%. Fetch it when it is.", e.st.Percent))}
	case e.st.State != "done":
		return tablet.ExportFile{}, gone{"There is nothing to fetch. Export first; what is made is kept for an hour."}
	}
	files := make([]*os.File, 0, len(e.parts))
	closeAll := func() {
		for _, f := range files {
			_ = f.Close() // only read
		}
	}
	for _, path := range e.parts {
		f, err := os.Open(path) //nolint:gosec // made by the export itself
		if err != nil {
			closeAll()
			return tablet.ExportFile{}, fmt.Errorf("open what was exported: %w", err)
		}
		files = append(files, f)
	}
	st := e.copied()
	return tablet.ExportFile{Name: st.Name, Close: closeAll, Write: func(to io.Writer) error { return e.zip(to, &st, files) }}, nil
}

// zip writes the files as they are, with a text that says what they are. Parquet is packed already, and the others are
// stored as they are too: packing would cost the box more than the way to the person.
func (e *exporter) zip(to io.Writer, st *tablet.ExportState, files []*os.File) error {
	z := zip.NewWriter(to)
	put := func(name string, from io.Reader) error {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
		if err != nil {
			return err
		}
		_, err = io.Copy(w, from)
		return err
	}
	if err := put("about.txt", strings.NewReader(e.about(st))); err != nil {
		return fmt.Errorf("write the export: %w", err)
	}
	for i, f := range files {
		if err := put(st.Files[i].Name, f); err != nil {
			return fmt.Errorf("write the export: %w", err)
		}
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("write the export: %w", err)
	}
	return nil
}

// about is the title page of an export.
func (e *exporter) about(st *tablet.ExportState) string {
	var b strings.Builder
	title := "Recording of " + e.o.machine
	if e.o.simulated {
		title = "SIMULATED recording of " + e.o.machine + ": machine, day and every number are invented"
	}
	fmt.Fprintf(&b, "%s\n\nform: %s\nmade by: airhold %s\n", title, st.Wish.Format, e.o.software)
	limit := func(name string, t *time.Time) {
		if t != nil {
			fmt.Fprintf(&b, "%s: %s\n", name, t.UTC().Format(time.RFC3339Nano))
		}
	}
	limit("asked for, from", st.Wish.From)
	limit("asked for, to", st.Wish.To)
	if len(st.Wish.Channels) > 0 {
		fmt.Fprintf(&b, "signals: %s\n", strings.Join(st.Wish.Channels, ", "))
	}
	b.WriteString("\nTimes are UTC as far as the box knew it; each file says how well.\n\n")
	for i := range st.Files {
		f := &st.Files[i]
		fmt.Fprintf(&b, "%s\n  boot %s, %d readings in %d rows, %d frames, %d points\n", f.Name, f.Boot, f.Readings, f.Rows, f.Frames, f.Points)
		if f.First != "" {
			fmt.Fprintf(&b, "  %s to %s, clock %s\n", f.First, f.Last, f.Clock)
		}
	}
	for _, n := range st.Notes {
		fmt.Fprintf(&b, "\n%s\n", n)
	}
	return b.String()
}

// pace hears how far an export is, and holds it back.
type pace struct {
	ctx     context.Context //nolint:containedctx // it lives for one export, which calls back without one
	e       *exporter
	round   int
	planned chan<- error
	told    bool
	full    bool // the disk ended it

	last   time.Time // when it was let go on
	looked time.Time // at the disk
}

const (
	longestPause = 200 * time.Millisecond
	lookEvery    = time.Second
)

func (p *pace) tell(err error) {
	if !p.told {
		p.told = true
		p.planned <- err
	}
}

// progress notes how far it is, and rests as long as was worked since: the checks and the recording come first.
func (p *pace) progress(at export.Progress) {
	p.tell(nil)
	p.room()
	now := time.Now() //nolint:forbidigo // of the computer, not the box's time
	if now.Sub(p.looked) >= lookEvery {
		p.looked = now
		p.look(at)
	}
	if p.last.IsZero() {
		p.last = now
		return
	}
	rest := time.NewTimer(min(now.Sub(p.last), longestPause)) //nolint:forbidigo // as above
	defer rest.Stop()
	select {
	case <-rest.C:
	case <-p.ctx.Done():
	}
	p.last = time.Now() //nolint:forbidigo // as above
}

// room ends it where the disk has no room for more. It is asked at every step: a fast export on a small disk would take in a
// second what is kept for the recording.
func (p *pace) room() {
	room, err := p.e.o.room()
	if err != nil || room > 0 {
		return
	}
	p.e.mu.Lock()
	defer p.e.mu.Unlock()
	if p.e.round == p.round && p.e.st.State == "working" {
		p.full = true
		p.e.cancel()
	}
}

// look tells how far it is.
func (p *pace) look(at export.Progress) {
	bytes, err := sizeOf(p.e.folder())
	p.e.mu.Lock()
	defer p.e.mu.Unlock()
	if p.e.round != p.round || p.e.st.State != "working" {
		return
	}
	st := &p.e.st
	st.Boot, st.Nth, st.Boots = at.Boot, at.Nth, at.Boots
	share := min(1, float64(at.Done)/float64(max(1, at.Total)))
	st.Percent = float64(int(1000*(float64(at.Nth-1)+share)/float64(max(1, at.Boots)))) / 10
	if err == nil {
		st.Bytes = bytes
	}
}

func sizeOf(dir string) (sum int64, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, fmt.Errorf("how large the export is: %w", err)
	}
	for _, d := range entries {
		info, err := d.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return 0, fmt.Errorf("how large the export is: %w", err)
		}
		sum += info.Size()
	}
	return sum, nil
}
