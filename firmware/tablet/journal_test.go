// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"airhold/firmware/tablet"
)

// book is a journal that says what it was asked.
type book struct {
	asked []string
	err   error
}

func (b *book) Journal(_ context.Context, before int64, most int, alarm string, since time.Time) ([]byte, error) {
	when := ""
	if !since.IsZero() {
		when = since.Format(time.RFC3339)
	}
	b.asked = append(b.asked, fmt.Sprintf("%d %d %q %q", before, most, alarm, when))
	return []byte(`{"records":[]}`), b.err
}

func TestJournalIsAskedForPageByPage(t *testing.T) {
	set := &hands{}
	since := set.Sample().UTC.Add(-7 * 24 * time.Hour).Format(time.RFC3339)
	for query, c := range map[string]struct {
		status int
		asked  string
		says   string
	}{
		"": {http.StatusOK, `0 50 "" ""`, "records"},
		"?before=71&limit=7&alarm=tank-low&days=7": {http.StatusOK, fmt.Sprintf("71 7 %q %q", "tank-low", since), "records"},
		"?before=0":             {http.StatusBadRequest, "", "before is the number of a record"},
		"?before=x%3Cb":         {http.StatusBadRequest, "", "before is the number of a record"},
		"?limit=201":            {http.StatusBadRequest, "", "limit is how many records to give, from 1 to 200"},
		"?limit=-1":             {http.StatusBadRequest, "", "limit is how many"},
		"?days=0":               {http.StatusBadRequest, "", "days is how many days"},
		"?days=1e3":             {http.StatusBadRequest, "", "days is how many days"},
		"?alarm=engine-on-fire": {http.StatusBadRequest, "", `There is no alarm "engine-on-fire"`},
		"?alarm=%22%3E":         {http.StatusBadRequest, "", "There is no alarm"},
	} {
		b := &book{}
		r := ask(handler(t, tablet.Options{Journal: b, Clock: set}), get("http://localhost/api/journal"+query))
		if got, said := strings.Join(b.asked, ";"), text(t, r); r.StatusCode != c.status || got != c.asked || !strings.Contains(said, c.says) {
			t.Errorf("GET /api/journal%s = %d %q, asked %q; want %d, %q, asked %q", query, r.StatusCode, said, got, c.status, c.says, c.asked)
		}
	}
	if r := ask(handler(t, tablet.Options{}), get("http://localhost/api/journal")); r.StatusCode != http.StatusNotFound {
		t.Errorf("without a journal: %d; want 404", r.StatusCode)
	}
	if r := ask(handler(t, tablet.Options{Journal: &book{err: errors.New("disk")}}), get("http://localhost/api/journal")); r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("with a broken disk: %d; want 503", r.StatusCode)
	}
}

// Without a clock days mean nothing; everything else is answered.
func TestJournalOfABoxWithoutAClock(t *testing.T) {
	b := &book{}
	h := handler(t, tablet.Options{Journal: b, Clock: &hands{poor: true}})
	if r := ask(h, get("http://localhost/api/journal?days=7")); r.StatusCode != http.StatusConflict || !strings.Contains(text(t, r), "Ask without days") {
		t.Errorf("days without a clock: %d; want 409 and what to do", r.StatusCode)
	}
	if r := ask(h, get("http://localhost/api/journal?limit=3")); r.StatusCode != http.StatusOK {
		t.Errorf("without days: %d; want 200", r.StatusCode)
	}
}
