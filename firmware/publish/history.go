// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// Records is the box's journal, to be read back; firmware/store has one. Its methods may be called from many goroutines,
// and may wait for the disk.
type Records interface {
	// Before gives take at most so many records with a number below before, newest first, as JSON.
	Before(ctx context.Context, before int64, most int, alarm string, since time.Time, take func(record []byte) error) error
}

// Chain says how far the journal's chain of hashes has been checked.
type Chain struct {
	Records int64  `json:"records"` // how many there are
	Checked int64  `json:"checked"` // these hold together, from the first on
	Holds   bool   `json:"holds"`
	Head    string `json:"head"`
	Why     string `json:"why,omitempty"`
}

// JournalRecord is a record with words for people. The names of its fields are those of the journal's own.
type JournalRecord struct {
	Seq    int64             `json:"seq"`
	Prev   string            `json:"prev_sha256"`
	Hash   string            `json:"sha256"`
	UTC    *time.Time        `json:"utc,omitempty"`
	Clock  string            `json:"clk"`
	Boot   string            `json:"boot_id"`
	MonoMS int64             `json:"mono_ms"`
	Kind   string            `json:"kind"`
	Actor  string            `json:"actor,omitempty"`
	Role   string            `json:"role,omitempty"`
	Via    string            `json:"via,omitempty"`
	Alarm  findings.Key      `json:"alarm,omitempty"`
	Where  string            `json:"where,omitempty"`
	From   alarms.StateName  `json:"from,omitempty"`
	To     alarms.StateName  `json:"to,omitempty"`
	Value  *findings.Measure `json:"value,omitempty"`
	Limit  *findings.Measure `json:"limit,omitempty"`
	Reason string            `json:"reason,omitempty"`
	Config string            `json:"cfg_sha,omitempty"`
	Title  string            `json:"title,omitempty"`
	Row    string            `json:"row,omitempty"` // "announced", "note", "reminder"
	Words  string            `json:"words"`
}

// JournalPage answers GET /api/journal.
type JournalPage struct {
	Records []JournalRecord `json:"records"`
	More    bool            `json:"more"`
	Next    int64           `json:"next"`
	Chain   Chain           `json:"chain"`
}

// History gives the journal back in words.
type History struct {
	records Records
	chain   func(ctx context.Context) (Chain, error)
	rows    map[findings.Key]alarms.Row
}

// NewHistory makes a history of what records holds; chain says how far it was checked.
func NewHistory(records Records, chain func(ctx context.Context) (Chain, error)) *History {
	h := &History{records: records, chain: chain, rows: map[findings.Key]alarms.Row{}}
	for _, r := range alarms.Catalogue() {
		h.rows[r.Key] = r
	}
	return h
}

// Journal returns a JournalPage as JSON: at most so many records with a number below before, 0 for the last one back.
func (h *History) Journal(ctx context.Context, before int64, most int, alarm string, since time.Time) ([]byte, error) {
	if before <= 0 {
		before = math.MaxInt64
	}
	page := JournalPage{Records: []JournalRecord{}}
	err := h.records.Before(ctx, before, most+1, alarm, since, func(text []byte) error {
		if len(page.Records) == most {
			page.More = true
			return nil
		}
		r, err := h.record(text)
		if err != nil {
			return fmt.Errorf("record below %d: %w", before, err)
		}
		page.Records = append(page.Records, r)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if page.More {
		page.Next = page.Records[most-1].Seq
	}
	if page.Chain, err = h.chain(ctx); err != nil {
		return nil, err
	}
	return json.Marshal(page)
}

// record reads a record of the journal and gives it its words.
func (h *History) record(text []byte) (JournalRecord, error) {
	var r JournalRecord
	var raw struct {
		*JournalRecord

		Value string `json:"value"`
		Limit string `json:"limit"`
	}
	raw.JournalRecord = &r
	if err := json.Unmarshal(text, &raw); err != nil {
		return r, err
	}
	if r.UTC != nil {
		t := r.UTC.Truncate(time.Millisecond)
		r.UTC = &t
	}
	var err error
	if r.Value, err = recordedMeasure(raw.Value); err != nil {
		return r, err
	}
	if r.Limit, err = recordedMeasure(raw.Limit); err != nil {
		return r, err
	}
	if row, ok := h.rows[r.Alarm]; ok {
		r.Title, r.Row = row.Title, row.Kind.String()
	} else {
		r.Title = string(r.Alarm)
	}
	r.Words = r.words()
	return r, nil
}

// words says what happened.
func (r *JournalRecord) words() string {
	if r.Kind != "alarm" {
		if r.Reason == "" {
			return strings.ReplaceAll(r.Kind, "-", " ")
		}
		return r.Reason
	}
	what := r.change()
	if r.Reason == "" {
		return what
	}
	if what == "" {
		return r.Reason
	}
	return what + ": " + r.Reason
}

// change says in a word or two what the change of an alarm is; empty where its state is as before.
func (r *JournalRecord) change() string {
	back := r.From == alarms.Shelved || r.From == alarms.OutOfService
	switch {
	case r.From == r.To && r.Actor != "" && !strings.HasPrefix(r.Reason, "refused "):
		return "note"
	case r.From == r.To:
		return ""
	case back && r.To != alarms.Shelved && r.To != alarms.OutOfService && r.To != alarms.Suppressed:
		if r.To == alarms.ActiveUnacked {
			return "shown again, and it still stands"
		}
		return "shown again"
	}
	switch r.To {
	case alarms.ActiveUnacked:
		if r.From == alarms.ActiveAcked {
			return "asks again"
		}
		if r.Row == "announced" {
			return "rang"
		}
		return "came"
	case alarms.ActiveAcked, alarms.LatchedAcked:
		return "acknowledged"
	case alarms.ReturnedUnacked:
		return "returned, nobody had acknowledged it"
	case alarms.LatchedUnacked:
		return "over, and held until it is reset"
	case alarms.Shelved:
		return "put off"
	case alarms.Suppressed:
		return "held back"
	case alarms.OutOfService:
		return "out of service"
	case alarms.Normal:
		if r.Actor != "" {
			return "acknowledged after it had returned"
		}
		return "returned"
	}
	return string(r.To)
}
