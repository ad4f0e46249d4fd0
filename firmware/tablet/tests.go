// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"errors"
	"net/http"
)

const noTest = "There was no leak-down test since the box started. Begin one on the page, or by airhold leakdown."

// test answers with the state of the present leak-down test.
func (s *Server) test(w http.ResponseWriter, _ *http.Request) {
	var state []byte
	if s.o.Tests != nil {
		state, _ = s.o.Tests.Test()
	}
	if state == nil {
		http.Error(w, noTest, http.StatusNotFound)
		return
	}
	sendJSON(w, state)
}

// testCurve answers with its curve.
func (s *Server) testCurve(w http.ResponseWriter, _ *http.Request) {
	var curve []byte
	if s.o.Tests != nil {
		_, curve = s.o.Tests.Test()
	}
	if curve == nil {
		http.Error(w, "There is no curve yet: it begins with the watch.", http.StatusNotFound)
		return
	}
	sendJSON(w, curve)
}

// history answers with the finished tests, newest first.
func (s *Server) history(w http.ResponseWriter, r *http.Request) {
	if s.o.Tests == nil {
		sendJSON(w, []byte("[]"))
		return
	}
	sendJSON(w, s.o.Tests.History(r.URL.Query().Get("zone")))
}

// result answers with one finished test.
func (s *Server) result(w http.ResponseWriter, r *http.Request) {
	run := r.PathValue("run")
	if s.o.Tests != nil && isToken(run, 64) {
		if data, ok := s.o.Tests.Result(run); ok {
			sendJSON(w, data)
			return
		}
	}
	noSuchTest(w, run)
}

// paper answers with a test's report or with the picture of its curve.
func (s *Server) paper(w http.ResponseWriter, r *http.Request) {
	run, kind := r.PathValue("run"), r.PathValue("paper")
	if kind != "report" && kind != "curve.png" {
		http.Error(w, "Of a test there is report and curve.png, not "+quoted(kind)+".", http.StatusNotFound)
		return
	}
	if s.o.Tests == nil || !isToken(run, 64) {
		noSuchTest(w, run)
		return
	}
	data, contentType, err := s.o.Tests.Paper(run, kind)
	switch {
	case errors.Is(err, ErrNoTest):
		noSuchTest(w, run)
	case err != nil:
		s.log.WarnContext(r.Context(), "report not made", "run", run, "err", err)
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
	default:
		w.Header().Set("Content-Type", contentType)
		w.Header().Set("Cache-Control", "no-store")
		if kind == "report" {
			// The sheet stands alone: its style is inside it, and nothing is fetched.
			w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'")
		}
		_, _ = w.Write(data) //nolint:gosec // made by the report's own template, which escapes; a browser that has gone needs no answer
	}
}

func noSuchTest(w http.ResponseWriter, run string) {
	http.Error(w, "There is no finished test "+quoted(run)+". /api/tests lists those there are.", http.StatusNotFound)
}
