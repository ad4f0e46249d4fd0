// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
)

// Journal gives records of the journal back, as JSON. It may be called from many goroutines and may wait for the disk.
type Journal interface {
	// Journal returns at most so many records with a number below before, newest first; 0 means from the last one back. An
	// empty alarm means all, the zero time any age.
	Journal(ctx context.Context, before int64, most int, alarm string, since time.Time) ([]byte, error)
}

// The bounds of a question to the journal.
const (
	usualRecords = 50
	mostRecords  = 200
	mostDays     = 1000
)

// journal answers GET /api/journal?before=N&limit=N&alarm=KEY&days=N.
func (s *Server) readJournal(limit *rates) http.HandlerFunc {
	known := map[string]bool{}
	for _, r := range alarms.Catalogue() {
		known[string(r.Key)] = true
	}
	return func(w http.ResponseWriter, r *http.Request) {
		if s.o.Journal == nil {
			http.Error(w, "The box keeps no journal now.", http.StatusNotFound)
			return
		}
		if who, ok := client(r); !ok || !limit.take(who) {
			tooMany(w)
			return
		}
		q := r.URL.Query()
		before, why := number(q.Get("before"), "before is the number of a record", 1<<53, 0)
		most, why2 := number(q.Get("limit"), "limit is how many records to give", mostRecords, usualRecords)
		days, why3 := number(q.Get("days"), "days is how many days to look back", mostDays, 0)
		for _, sentence := range []string{why, why2, why3} {
			if sentence != "" {
				http.Error(w, sentence, http.StatusBadRequest)
				return
			}
		}
		alarm := q.Get("alarm")
		if alarm != "" && !known[alarm] {
			http.Error(w, "There is no alarm "+quoted(alarm)+" in the catalogue.", http.StatusBadRequest)
			return
		}
		var since time.Time
		if days > 0 {
			now := s.o.Clock.Sample()
			if now.UTC.IsZero() || now.Quality == clock.Unset {
				http.Error(w, "The box's clock is not set, so it cannot count days. Ask without days.", http.StatusConflict)
				return
			}
			since = now.UTC.Add(-time.Duration(days) * 24 * time.Hour)
		}
		data, err := s.o.Journal.Journal(r.Context(), before, int(most), alarm, since)
		if err != nil {
			s.log.WarnContext(r.Context(), "journal not read", "err", err)
			http.Error(w, "The box could not read its journal. Ask again.", http.StatusServiceUnavailable)
			return
		}
		sendJSON(w, data)
	}
}

// number reads a whole number from 1 to most; usual where there is none. why is a sentence where it is none.
func number(text, is string, most, usual int64) (n int64, why string) {
	if text == "" {
		return usual, ""
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 1 || n > most {
		return 0, fmt.Sprintf("%s, from 1 to %d, not %s.", is, most, quoted(text))
	}
	return n, ""
}
