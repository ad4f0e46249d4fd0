// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"time"
)

// Alerts gives a tablet the alerts it missed, and keeps what it has shown. Its methods may be called from many goroutines
// and may wait for the disk.
type Alerts interface {
	// Replay returns alerts after a number as JSON, oldest first; a negative number stands for the one the tablet confirmed
	// last. Numbers of another line than the present one count as 0.
	Replay(ctx context.Context, tablet, line string, since int64) ([]byte, error)
	// Got keeps that a tablet has shown all alerts up to a number; why is a sentence where that cannot be.
	Got(ctx context.Context, tablet, line string, seq int64) (why string, err error)
}

const noAlerts = "The box keeps no alerts now. Its alarms are at /api/alarms."

// alerts answers GET /api/alerts?since=N&line=L&tablet=T.
func (s *Server) alerts(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if s.o.Alerts == nil {
			http.Error(w, noAlerts, http.StatusNotFound)
			return
		}
		if who, ok := client(r); !ok || !limit.take(who) {
			tooMany(w)
			return
		}
		q := r.URL.Query()
		tablet, line, since := q.Get("tablet"), q.Get("line"), int64(0)
		if text := q.Get("since"); text != "" {
			n, err := strconv.ParseInt(text, 10, 64)
			if err != nil || n < 0 {
				http.Error(w, "since is the number of the last alert the tablet has shown, from 0 up, not "+quoted(text)+".", http.StatusBadRequest)
				return
			}
			since = n
		} else if tablet != "" {
			since = -1
		}
		if tablet != "" && !isToken(tablet, 64) || line != "" && !isToken(line, 64) {
			http.Error(w, "The names of a tablet and of a line are up to 64 letters, digits, hyphens, underscores and points.", http.StatusBadRequest)
			return
		}
		if name := callerOf(r).name; name != "" && tablet != "" {
			tablet = name // a paired tablet is known by its own name
		}
		data, err := s.o.Alerts.Replay(r.Context(), tablet, line, since)
		if err != nil {
			s.log.WarnContext(r.Context(), "alerts not read", "err", err)
			http.Error(w, "The box could not read its alerts. Ask again.", http.StatusServiceUnavailable)
			return
		}
		sendJSON(w, data)
	}
}

// got answers POST /api/alerts/got.
func (s *Server) got(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		who, ok := client(r)
		switch {
		case !ok || !limit.take(who):
			s.count.refused.Add(1)
			tooMany(w)
			return
		case s.o.Alerts == nil:
			refuse(w, http.StatusNotFound, "", noAlerts)
			return
		}
		data, status, sentence := readBody(w, r)
		if status != 0 {
			refuse(w, status, "", sentence)
			return
		}
		var b struct {
			Tablet string `json:"tablet"`
			Line   string `json:"line"`
			Seq    int64  `json:"seq"`
		}
		err := json.Unmarshal(data, &b)
		if name := callerOf(r).name; name != "" {
			b.Tablet = name // a paired tablet cannot speak for another
		} else if !isToken(b.Tablet, 64) {
			b.Tablet = ""
		}
		if err != nil || b.Tablet == "" || !isToken(b.Line, 64) || b.Seq < 1 {
			refuse(w, http.StatusBadRequest, "", "The tablet names itself, the line and the number of the last alert it has shown: {\"tablet\":\"cab\",\"line\":\"...\",\"seq\":7}.")
			return
		}
		why, err := s.o.Alerts.Got(r.Context(), b.Tablet, b.Line, b.Seq)
		switch {
		case err != nil:
			s.count.failed.Add(1)
			s.log.WarnContext(r.Context(), "shown alerts not kept", "tablet", b.Tablet, "err", err)
			refuse(w, http.StatusServiceUnavailable, "", "The box could not keep the number. Say it again.")
		case why != "":
			refuse(w, http.StatusConflict, "", why)
		default:
			w.Header().Set("Cache-Control", "no-store")
			w.WriteHeader(http.StatusNoContent)
		}
	}
}

func tooMany(w http.ResponseWriter) {
	w.Header().Set("Retry-After", strconv.Itoa(int(askEvery/time.Second)))
	http.Error(w, "Too many questions at once. Wait a few seconds and ask again.", http.StatusTooManyRequests)
}
