// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// formVersion counts up when a reader of the form before could not read the next.
const formVersion = 1

// The keys of a file's metadata. What is no plain text is JSON.
const (
	keyForm        = "airhold.form"
	keyBoot        = "airhold.boot"
	keyNumber      = "airhold.number"
	keySoftware    = "airhold.software"
	keyFacts       = "airhold.recording"
	keyMachine     = "airhold.machine"
	keyMachineHash = "airhold.machine_sha256"
	keyChannels    = "airhold.channels"
	keyCalibration = "airhold.calibration"
	keyClock       = "airhold.clock"
	keyClockWords  = "airhold.clock_words"
	keyColumns     = "airhold.columns"
	keyLost        = "airhold.lost"
	keyRows        = "airhold.rows"
	keySum         = "airhold.crc64"
	keyAlarms      = "airhold.alarms"
	keyLearned     = "airhold.learned"
	keySimulated   = "airhold.simulated" // only where the machine is an invented one
)

// About is what the metadata say of a boot, beside its snapshot.
type About struct {
	Facts        store.Facts
	Snapshot     store.Snapshot
	Table        *readings.Table
	Calibrations []store.Calibration
	Samples      []clock.Sample // of the wall clock, in order
	Offsets      *Offsets       // made of them
	Lost         []string       // what of the recording is missing, a sentence each
}

type factsText struct {
	Started  string `json:"started,omitempty"`
	Clock    string `json:"clock"`
	Entries  int64  `json:"entries"`
	Commands int64  `json:"commands"`
	Closed   bool   `json:"closed"`
}

type channelText struct {
	ID        string          `json:"id"`
	Quantity  units.Quantity  `json:"quantity"`
	Reference units.Reference `json:"reference,omitempty"`
	Unit      string          `json:"unit"`
	Dim       units.Dim       `json:"dim"`
	Factor    float64         `json:"factor"`
	Offset    float64         `json:"offset"`
	Low       float64         `json:"low"`
	High      float64         `json:"high"`
	Source    string          `json:"source"`
	Plug      string          `json:"plug,omitempty"`
	Wired     bool            `json:"wired,omitempty"`
}

type clockPiece struct {
	From    int64  `json:"from"`
	To      int64  `json:"to"`
	First   int64  `json:"first_offset"`
	Last    int64  `json:"last_offset"`
	Quality string `json:"quality"`
}

// clockWords says what the words of the column clock mean.
func clockWords() map[string]string {
	return map[string]string{
		clock.Unset.String():  "no source had set the wall clock: there is no utc",
		clock.Coarse.String(): "from a battery clock or bus time of a quarter second, or more than a minute from the nearest good sample",
		clock.Good.String():   "from GNSS or network time",
	}
}

// columnWords says what the columns hold.
func columnWords() map[string]string {
	return map[string]string{
		"seq":         "place in the boot's log, from 1, readings and events together",
		"boot_time":   "ns of the boot clock, which never jumps: when the conversion ended or the frame was heard",
		"utc":         "boot_time with the offset table applied; null where the boot never knew the time",
		"clock":       "quality of utc; airhold.clock_words has the words",
		"channel":     "id of the channel; airhold.channels says what it is",
		"raw":         "the converter's code; 0 where there is no converter",
		"volts":       "what the converter saw, V (A for a current loop); 0 where there is no converter",
		"value":       "in unit; null unless quality is ok",
		"unit":        "UCUM code",
		"si":          "the number as the checks had it, in SI units; it means something only while quality is ok",
		"quality":     "ok, or why there is no value",
		"calibration": "id in airhold.calibration; null where none is known",
		"kind":        "tick, command, clock, fault or gap",
		"json":        "what the event says",
	}
}

// Notes returns the metadata of a file that holds rows of this boot.
func (a *About) Notes() (map[string]string, error) {
	var errs []error
	text := func(v any) string {
		b, err := json.Marshal(v)
		errs = append(errs, err)
		return string(b)
	}
	channels := make([]channelText, 0, a.Table.Len())
	for i := range a.Table.Len() {
		in := a.Table.Info(channelAt(i))
		channels = append(channels, channelText{
			in.ID, in.Quantity, in.Reference, in.Unit.Code, in.Unit.Dim, in.Unit.Factor, in.Unit.Offset, in.Low, in.High, in.Source, in.Plug, in.Wired,
		})
	}
	pieces := []clockPiece{}
	for _, p := range a.Offsets.Pieces() {
		first, last := p.Offset()
		pieces = append(pieces, clockPiece{int64(p.From), int64(p.To), int64(first), int64(last), p.Quality.String()})
	}
	f := a.Facts
	hash := sha256.Sum256(a.Snapshot.Machine)
	notes := map[string]string{
		keyForm: strconv.Itoa(formVersion), keyBoot: a.Snapshot.Boot, keyNumber: strconv.FormatInt(a.Snapshot.Number, 10),
		keySoftware: a.Snapshot.Software, keyFacts: text(factsText{f.Started, f.Clock, f.Entries, f.Commands, f.Closed}),
		keyMachine: string(a.Snapshot.Machine), keyMachineHash: hex.EncodeToString(hash[:]),
		keyChannels: text(channels), keyCalibration: text(append([]store.Calibration{}, a.Calibrations...)), keyClock: text(pieces),
		keyClockWords: text(clockWords()), keyColumns: text(columnWords()), keyLost: text(append([]string{}, a.Lost...)),
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("metadata of boot %s: %w", a.Snapshot.Boot, err)
	}
	if a.Snapshot.Simulated {
		notes[keySimulated] = "yes"
	}
	return notes, nil
}

// startNotes are the metadata that only a replay needs: what the box knew when the boot began.
func (a *About) startNotes(notes map[string]string) error {
	saved, err1 := json.Marshal(a.Snapshot.Alarms)
	learned, err2 := json.Marshal(a.Snapshot.Learned)
	notes[keyAlarms], notes[keyLearned] = string(saved), string(learned)
	return errors.Join(err1, err2)
}

type lookup func(key string) (string, bool)

// readAbout is the way back. Offsets are made of the clock samples, not of the metadata.
func readAbout(at lookup) (*About, error) {
	form, ok := at(keyForm)
	n, err := strconv.Atoi(form)
	switch {
	case !ok || err != nil:
		return nil, errors.New("it is Parquet, but not of a recorded boot: look at its name")
	case n > formVersion:
		return nil, fmt.Errorf("it was written by a newer airhold (form %d; this one knows %d): install that version (%w)", n, formVersion, store.ErrNewer)
	}
	a := &About{}
	var facts factsText
	var channels []channelText
	var errs []error
	text := func(key string) string {
		s, ok := at(key)
		if !ok {
			errs = append(errs, fmt.Errorf("its metadata lack %s", key))
		}
		return s
	}
	parse := func(key string, into any) {
		if err := json.Unmarshal([]byte(text(key)), into); err != nil {
			errs = append(errs, fmt.Errorf("%s in its metadata: %w", key, err))
		}
	}
	a.Snapshot.Boot, a.Snapshot.Software, a.Snapshot.Machine = text(keyBoot), text(keySoftware), []byte(text(keyMachine))
	a.Snapshot.Number, err = strconv.ParseInt(text(keyNumber), 10, 64)
	errs = append(errs, err)
	parse(keyFacts, &facts)
	parse(keyChannels, &channels)
	parse(keyCalibration, &a.Calibrations)
	parse(keyLost, &a.Lost)
	_, a.Snapshot.Simulated = at(keySimulated)
	if _, ok := at(keyAlarms); ok {
		parse(keyAlarms, &a.Snapshot.Alarms)
		parse(keyLearned, &a.Snapshot.Learned)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("%w: %w", store.ErrCorrupt, err)
	}
	hash := sha256.Sum256(a.Snapshot.Machine)
	if want := text(keyMachineHash); want != hex.EncodeToString(hash[:]) {
		return nil, fmt.Errorf("%w: the machine file in its metadata was changed", store.ErrCorrupt)
	}
	a.Facts = store.Facts{Started: facts.Started, Clock: facts.Clock, Entries: facts.Entries, Commands: facts.Commands, Closed: facts.Closed}
	infos := make([]readings.Info, 0, len(channels))
	for _, c := range channels {
		infos = append(infos, readings.Info{
			ID: c.ID, Quantity: c.Quantity, Reference: c.Reference, Unit: units.Unit{Code: c.Unit, Dim: c.Dim, Factor: c.Factor, Offset: c.Offset},
			Low: c.Low, High: c.High, Source: c.Source, Plug: c.Plug, Wired: c.Wired,
		})
	}
	a.Table = readings.NewTable(infos)
	return a, nil
}

// expected reads the row count and the checksum of a file.
func expected(at lookup) (rows int64, sum uint64, err error) {
	n, _ := at(keyRows)
	s, _ := at(keySum)
	rows, err1 := strconv.ParseInt(n, 10, 64)
	sum, err2 := strconv.ParseUint(s, 16, 64)
	if err := errors.Join(err1, err2); err != nil {
		return 0, 0, fmt.Errorf("%w: its metadata lack the number of rows or their checksum", store.ErrCorrupt)
	}
	return rows, sum, nil
}
