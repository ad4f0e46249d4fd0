// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/alarms"
	"airhold/firmware/tablet"
)

// shelf is what a box has to tell of its leak-down tests.
type shelf struct {
	state, curve []byte
	broken       bool
}

func (s shelf) Test() (state, curve []byte) { return s.state, s.curve }
func (shelf) History(zone string) []byte    { return []byte(`[{"zone":"` + zone + `"}]`) }
func (shelf) Result(run string) ([]byte, bool) {
	return []byte(`{"run":"a-1"}`), run == "a-1"
}

func (s shelf) Paper(run, kind string) ([]byte, string, error) {
	switch {
	case s.broken:
		return nil, "", errors.New("the sheet could not be set")
	case run != "a-1":
		return nil, "", fmt.Errorf("%w: %s", tablet.ErrNoTest, run)
	case kind == "report":
		return []byte("<!DOCTYPE html>"), "text/html; charset=utf-8", nil
	default:
		return []byte("\x89PNG"), "image/png", nil
	}
}

func TestLeakDownTestIsServed(t *testing.T) {
	full := shelf{state: []byte(`{"run":"a-1"}`), curve: []byte(`{"measured":[]}`)}
	for _, c := range []struct {
		name  string
		tests tablet.Tests
		path  string
		code  int
		body  string
	}{
		{"none on this box", nil, "/api/test", 404, "no leak-down test"},
		{"none yet", shelf{}, "/api/test", 404, "no leak-down test"},
		{"state", full, "/api/test", 200, `{"run":"a-1"}`},
		{"no curve yet", shelf{state: full.state}, "/api/test/curve", 404, "begins with the watch"},
		{"curve", full, "/api/test/curve", 200, "measured"},
		{"no history on this box", nil, "/api/tests", 200, "[]"},
		{"history", full, "/api/tests?zone=front", 200, `"front"`},
		{"result", full, "/api/tests/a-1", 200, "a-1"},
		{"no such result", full, "/api/tests/b", 404, "no finished test"},
		{"a name that is none", full, "/api/tests/%3Cb%3E", 404, "no finished test"},
		{"report", full, "/api/tests/a-1/report", 200, "<!DOCTYPE"},
		{"picture", full, "/api/tests/a-1/curve.png", 200, "PNG"},
		{"no such report", full, "/api/tests/b/report", 404, "no finished test"},
		{"no such paper", full, "/api/tests/a-1/passwd", 404, "report and curve.png"},
		{"paper not made", shelf{broken: true}, "/api/tests/a-1/report", 503, "could not be set"},
		{"paper on a box without tests", nil, "/api/tests/a-1/report", 404, "no finished test"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://localhost"+c.path, nil)
			w := httptest.NewRecorder()
			handler(t, tablet.Options{Tests: c.tests}).ServeHTTP(w, r)
			if w.Code != c.code || !strings.Contains(w.Body.String(), c.body) {
				t.Errorf("GET %s = %d %q; want %d with %q", c.path, w.Code, w.Body, c.code, c.body)
			}
			if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") {
				t.Errorf("policy = %q; want nothing fetched", csp)
			}
		})
	}
}

func TestTestCommandsCarryTheirArguments(t *testing.T) {
	for _, c := range []struct {
		name, verb, body string
		code             int
		want             map[string]string
	}{
		{"start", "test-start", `{"id":"1","by":"Ada","args":{"zone":"front","limit":"3 L/min"}}`, 200, map[string]string{"zone": "front", "limit": "3 L/min"}},
		{"tick", "test-step", `{"id":"1","args":{"tick":"park"}}`, 200, map[string]string{"tick": "park"}},
		{"stop", "test-stop", `{"id":"1"}`, 200, nil},
		{"no id", "test-stop", `{}`, 400, nil},
		{"long argument", "test-start", `{"id":"1","args":{"zone":"` + strings.Repeat("x", 65) + `"}}`, 400, nil},
		{"odd name", "test-start", `{"id":"1","args":{"zo ne":"x"}}`, 400, nil},
		{"not text", "test-start", `{"id":"1","args":{"phases":2}}`, 400, nil},
		{"arguments of an alarm", "ack", `{"id":"1","key":"tank-low","args":{"zone":"x"}}`, 400, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := &box{}
			r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "http://localhost/api/cmd/"+c.verb, strings.NewReader(c.body))
			r.Header.Set("Content-Type", "application/json")
			r.RemoteAddr = "127.0.0.1:4000"
			w := httptest.NewRecorder()
			handler(t, tablet.Options{Commands: b}).ServeHTTP(w, r)
			if w.Code != c.code {
				t.Fatalf("POST = %d %s; want %d", w.Code, w.Body, c.code)
			}
			if c.code != http.StatusOK {
				if len(b.told) != 0 {
					t.Errorf("the box was told %+v", b.told)
				}
				return
			}
			if got := b.told[0]; got.Verb != alarms.Verb(c.verb) || cmp.Diff(c.want, got.Args) != "" {
				t.Errorf("the box was told %+v; want %s %v", got, c.verb, c.want)
			}
		})
	}
}
