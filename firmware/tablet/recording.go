// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/findings"
)

// Recording is what is recorded: answer of GET /api/log. Times are UTC, and left out where the box did not know it.
type Recording struct {
	Name      string     `json:"name"` // of the machine
	Simulated bool       `json:"simulated"`
	T         *time.Time `json:"t,omitempty"`
	Boot      string     `json:"boot"`
	Since     *time.Time `json:"since,omitempty"`
	// Seconds is how long this boot is recorded already.
	Seconds float64 `json:"seconds"`
	// State says in words how the log does: "recording", or why not.
	State   string            `json:"state"`
	Space   *findings.Measure `json:"space"` // days left at the present rate; nil: not known yet
	Frames  RecordedFrames    `json:"frames"`
	Lost    LostReadings      `json:"lost"`
	Holes   []Hole            `json:"holes"` // of this boot, oldest first, a hundred at most
	Clock   RecordedClock     `json:"clock"`
	Boots   []RecordedBoot    `json:"boots"` // on the disk, newest first
	Signals []RecordedSignal  `json:"signals"`
}

// RecordedFrames tells of the raw frames of this boot.
type RecordedFrames struct {
	State    string  `json:"state"` // "recording", or why not
	Heard    int64   `json:"heard"`
	Rate     float64 `json:"rate"` // heard, per second
	Written  int64   `json:"written"`
	Lost     int64   `json:"lost"` // heard and not written
	Kernel   int64   `json:"kernel"`
	Sent     int64   `json:"sent"`      // always 0
	SentKnow string  `json:"sent_know"` // how that is known
}

// LostReadings counts readings that the log does not have.
type LostReadings struct {
	Spine int64 `json:"spine"` // the box was too slow
	Disk  int64 `json:"disk"`  // the disk was too slow
	None  int64 `json:"none"`  // they were no number
}

// Hole is a time of which something is missing.
type Hole struct {
	At      *time.Time `json:"at,omitempty"`
	Mono    int64      `json:"mono"`    // boot clock, ms
	Seconds float64    `json:"seconds"` // how long
	Lost    int64      `json:"lost"`
	Of      string     `json:"of"` // "readings" or "frames"
}

// RecordedClock tells how well the box knows the time.
type RecordedClock struct {
	Quality string            `json:"quality"` // good, coarse, unset
	Source  string            `json:"source"`  // in words
	Within  *findings.Measure `json:"within"`  // the time is right to so much, either way; nil: not known
}

// RecordedBoot is one boot on the disk.
type RecordedBoot struct {
	ID      string     `json:"id"`
	Present bool       `json:"present"` // it is being recorded
	From    *time.Time `json:"from,omitempty"`
	To      *time.Time `json:"to,omitempty"`
	Bytes   int64      `json:"bytes"` // with its raw frames
	Sealed  bool       `json:"sealed"`
	Torn    bool       `json:"torn"`
	Words   string     `json:"words,omitempty"` // what is wrong with it
}

// RecordedSignal is a channel as it is recorded.
type RecordedSignal struct {
	ID          string             `json:"id"`
	Quantity    string             `json:"quantity"`
	Unit        string             `json:"unit"` // UCUM
	Reference   string             `json:"reference,omitempty"`
	Source      string             `json:"source"` // bus and signal, or board and input
	Wired       bool               `json:"wired"`
	Rate        *findings.Measure  `json:"rate"` // readings per second over the last ten; nil: not known yet
	Value       *findings.Measure  `json:"value"`
	Age         int64              `json:"age"` // ms
	Quality     string             `json:"quality"`
	Calibration *SignalCalibration `json:"calibration"` // nil: none is known
}

// SignalCalibration tells how a channel's numbers are made. What was not written down is left out.
type SignalCalibration struct {
	Who        string `json:"who,omitempty"`
	At         string `json:"at,omitempty"`
	Instrument string `json:"instrument,omitempty"`
}

// ExportWish is what a person asks to have exported: POST /api/export.
type ExportWish struct {
	Format   string     `json:"format"` // parquet, csv, candump, pcapng, geojson
	From     *time.Time `json:"from,omitempty"`
	To       *time.Time `json:"to,omitempty"`
	Channels []string   `json:"channels,omitempty"` // ids; none: all
}

// ExportState tells how far the export is that was asked for last: GET /api/export.
type ExportState struct {
	State     string       `json:"state"` // none, working, done, failed, cancelled
	Simulated bool         `json:"simulated"`
	Wish      *ExportWish  `json:"wish,omitempty"`
	Percent   float64      `json:"percent"`
	Boot      string       `json:"boot,omitempty"` // that is worked at
	Nth       int          `json:"nth"`            // which of so many
	Boots     int          `json:"boots"`
	Bytes     int64        `json:"bytes"` // made so far
	Name      string       `json:"name,omitempty"`
	Files     []ExportPart `json:"files"`
	Notes     []string     `json:"notes"` // what could not be had, a sentence each
	Error     string       `json:"error,omitempty"`
	Until     *time.Time   `json:"until,omitempty"` // when the file goes, by the box's computer
}

// ExportPart is one file of an export.
type ExportPart struct {
	Name     string `json:"name"`
	Boot     string `json:"boot"`
	Bytes    int64  `json:"bytes"`
	Readings int64  `json:"readings"`
	Rows     int64  `json:"rows"`
	Frames   int64  `json:"frames"`
	Points   int64  `json:"points"`
	First    string `json:"first,omitempty"`
	Last     string `json:"last,omitempty"`
	Clock    string `json:"clock"`
}

// Why an export is not begun, for errors.Is. The error's text is a sentence for the person.
var (
	// ErrAskedWrongly says that what was asked for cannot be.
	ErrAskedWrongly = errors.New("asked wrongly")
	// ErrNoExport says that there is nothing to fetch.
	ErrNoExport = errors.New("no export")
)

// Exports makes files of what is recorded, one after the other. Its methods may be called from many goroutines.
type Exports interface {
	// State returns how far the last one is.
	State() ExportState
	// Begin begins one. It waits until it is known whether there is anything to export, for some seconds at most.
	Begin(w ExportWish) (ExportState, error)
	// Cancel ends the one that goes on, and removes what was made.
	Cancel() ExportState
	// Open opens what was made last.
	Open() (ExportFile, error)
}

// ExportFile is an export on its way out. What it is made of stays readable until Close, whatever becomes of the export.
type ExportFile struct {
	Name  string
	Write func(to io.Writer) error // writes all of it, a zip
	Close func()
}

const noLog = "This box keeps no log, so there is nothing to show and nothing to export."

// recording answers GET /api/log.
func (s *Server) recording(w http.ResponseWriter, _ *http.Request) {
	var data []byte
	if s.o.Recording != nil {
		data = s.o.Recording()
	}
	if data == nil {
		http.Error(w, noLog, http.StatusNotFound)
		return
	}
	sendJSON(w, data)
}

// exportState answers GET /api/export.
func (s *Server) exportState(w http.ResponseWriter, _ *http.Request) {
	if s.canExport(w) {
		sendExport(w, http.StatusOK, s.o.Exports.State())
	}
}

func sendExport(w http.ResponseWriter, status int, st ExportState) {
	data, err := json.Marshal(st)
	if err != nil {
		http.Error(w, "The box could not write its answer. Ask again.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(data) // a browser that has gone needs no answer
}

// canExport answers where nothing is kept. Who may export is the gate's: the box itself, for what is exported would go over
// the air in the clear.
func (s *Server) canExport(w http.ResponseWriter) bool {
	if s.o.Exports == nil {
		http.Error(w, noLog, http.StatusNotFound)
		return false
	}
	return true
}

// beginExport answers POST /api/export.
func (s *Server) beginExport(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !s.canExport(w) {
			return
		}
		if who, _ := client(r); !limit.take(who) {
			w.Header().Set("Retry-After", strconv.Itoa(int(pressEvery/time.Second)))
			http.Error(w, "Too many presses at once. Wait a few seconds and press again.", http.StatusTooManyRequests)
			return
		}
		data, status, sentence := readBody(w, r)
		if status != 0 {
			http.Error(w, sentence, status)
			return
		}
		wish, sentence := readWish(data)
		if sentence != "" {
			http.Error(w, sentence, http.StatusBadRequest)
			return
		}
		st, err := s.o.Exports.Begin(wish)
		switch {
		case errors.Is(err, ErrAskedWrongly):
			http.Error(w, err.Error(), http.StatusBadRequest)
		case err != nil:
			http.Error(w, err.Error(), http.StatusConflict)
		default:
			sendExport(w, http.StatusAccepted, st)
		}
	}
}

// maxChannels is more than any machine has.
const maxChannels = 1000

// readWish reads what is asked for. Unknown fields are left alone: a newer page may say more.
func readWish(data []byte) (wish ExportWish, sentence string) {
	if err := json.Unmarshal(data, &wish); err != nil {
		return wish, `What is asked for cannot be read: send {"format":"csv","from":"2026-04-28T06:00:00Z","to":"2026-04-28T07:00:00Z","channels":["tank"]}.`
	}
	switch {
	case wish.Format == "":
		return wish, "Say in which form: parquet, csv, candump, pcapng or geojson."
	case wish.From != nil && wish.To != nil && wish.From.After(*wish.To):
		return wish, "From (" + wish.From.UTC().Format(time.RFC3339) + ") is after to (" + wish.To.UTC().Format(time.RFC3339) + "). Change the two."
	case len(wish.Channels) > maxChannels:
		return wish, "More signals were named than any machine has."
	}
	for _, c := range wish.Channels {
		if strings.TrimSpace(c) == "" || !isText(c, 120) {
			return wish, "The name of a signal is empty, too long, or holds signs that cannot be printed."
		}
	}
	return wish, ""
}

// cancelExport answers DELETE /api/export.
func (s *Server) cancelExport(w http.ResponseWriter, _ *http.Request) {
	if s.canExport(w) {
		sendExport(w, http.StatusOK, s.o.Exports.Cancel())
	}
}

// exportFile answers GET /api/export/file.
func (s *Server) exportFile(w http.ResponseWriter, r *http.Request) {
	if !s.canExport(w) {
		return
	}
	file, err := s.o.Exports.Open()
	if errors.Is(err, ErrNoExport) {
		http.Error(w, err.Error(), http.StatusNotFound)
		return
	}
	if err != nil {
		s.log.WarnContext(r.Context(), "export not opened", "err", err)
		http.Error(w, "What was exported cannot be read any more. Export it again.", http.StatusConflict)
		return
	}
	defer file.Close()
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", `attachment; filename="`+file.Name+`"`)
	w.Header().Set("Cache-Control", "no-store")
	if r.Method == http.MethodHead {
		return
	}
	if err := file.Write(&patient{w: w, rc: http.NewResponseController(w)}); err != nil {
		s.log.DebugContext(r.Context(), "export not fetched to its end", "err", err)
		panic(http.ErrAbortHandler) // the other end must not take half a file for a whole one
	}
}

// patient gives each piece of a long answer a time of its own: a large file may take longer than an answer may.
type patient struct {
	w  io.Writer
	rc *http.ResponseController
}

// Write sends one piece.
func (p *patient) Write(b []byte) (int, error) {
	at := time.Now().Add(writeTimeout) //nolint:forbidigo // a deadline of the connection, not the box's time
	if err := p.rc.SetWriteDeadline(at); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.w.Write(b)
}
