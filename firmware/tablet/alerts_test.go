// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"airhold/firmware/tablet"
)

// alertShelf is a memory of alerts that says what it was asked.
type alertShelf struct {
	asked []string
	why   string
	err   error
}

func (s *alertShelf) Replay(_ context.Context, name, line string, since int64) ([]byte, error) {
	s.asked = append(s.asked, fmt.Sprintf("replay %q %q %d", name, line, since))
	return []byte(`{"alerts":[]}`), s.err
}

func (s *alertShelf) Got(_ context.Context, name, line string, seq int64) (string, error) {
	s.asked = append(s.asked, fmt.Sprintf("got %q %q %d", name, line, seq))
	return s.why, s.err
}

func post(target, body string) *http.Request {
	r := httptest.NewRequestWithContext(context.Background(), http.MethodPost, target, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:50000"
	r.Header.Set("Content-Type", "application/json")
	return r
}

func text(t *testing.T, r reply) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestAlertsAreAskedForByNumber(t *testing.T) {
	const ask1, ask2 = "/api/alerts?since=7&line=00ff", "/api/alerts?tablet=cab"
	for target, c := range map[string]struct {
		status int
		asked  string
		says   string
	}{
		"/api/alerts":              {http.StatusOK, `replay "" "" 0`, "alerts"},
		ask1:                       {http.StatusOK, `replay "" "00ff" 7`, "alerts"},
		ask2:                       {http.StatusOK, `replay "cab" "" -1`, "alerts"},
		"/api/alerts?since=-1":     {http.StatusBadRequest, "", "since is the number"},
		"/api/alerts?since=x%3Cb":  {http.StatusBadRequest, "", "since is the number"},
		"/api/alerts?tablet=a%20b": {http.StatusBadRequest, "", "letters, digits"},
		"/api/alerts?line=" + strings.Repeat("a", 65): {http.StatusBadRequest, "", "letters, digits"},
	} {
		s := &alertShelf{}
		r := ask(handler(t, tablet.Options{Alerts: s}), get("http://localhost"+target))
		if got, said := strings.Join(s.asked, ";"), text(t, r); r.StatusCode != c.status || got != c.asked || !strings.Contains(said, c.says) {
			t.Errorf("GET %s = %d %q, asked %q; want %d, %q, asked %q", target, r.StatusCode, said, got, c.status, c.says, c.asked)
		}
	}
	if r := ask(handler(t, tablet.Options{}), get("http://localhost/api/alerts")); r.StatusCode != http.StatusNotFound {
		t.Errorf("without a memory: %d; want 404", r.StatusCode)
	}
	if r := ask(handler(t, tablet.Options{Alerts: &alertShelf{err: errors.New("disk")}}), get("http://localhost/api/alerts")); r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("with a broken disk: %d; want 503", r.StatusCode)
	}
}

func TestShownAlertsAreKept(t *testing.T) {
	const good = `{"tablet":"cab","line":"00ff","seq":7}`
	for name, c := range map[string]struct {
		body       string
		change     func(*http.Request)
		alertShelf alertShelf
		status     int
		says       string
	}{
		"kept":           {good, nil, alertShelf{}, http.StatusNoContent, ""},
		"never said":     {good, nil, alertShelf{why: "The box never said alert 7."}, http.StatusConflict, "never said alert 7"},
		"broken disk":    {good, nil, alertShelf{err: errors.New("disk")}, http.StatusServiceUnavailable, "Say it again"},
		"no JSON":        {"{", nil, alertShelf{}, http.StatusBadRequest, "names itself"},
		"no name":        {`{"line":"00ff","seq":7}`, nil, alertShelf{}, http.StatusBadRequest, "names itself"},
		"no number":      {`{"tablet":"cab","line":"00ff"}`, nil, alertShelf{}, http.StatusBadRequest, "names itself"},
		"a number aside": {`{"tablet":"cab","line":"00ff","seq":1e40}`, nil, alertShelf{}, http.StatusBadRequest, "names itself"},
		"too long":       {`{"tablet":"` + strings.Repeat("a", 70<<10) + `"}`, nil, alertShelf{}, http.StatusRequestEntityTooLarge, "64 KiB"},
		"a form":         {good, func(r *http.Request) { r.Header.Set("Content-Type", "text/plain") }, alertShelf{}, http.StatusUnsupportedMediaType, "application/json"},
		"from elsewhere": {good, func(r *http.Request) { r.RemoteAddr = "192.168.4.7:50000" }, alertShelf{}, http.StatusForbidden, "not paired"},
		"foreign page":   {good, func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere.test") }, alertShelf{}, http.StatusForbidden, "another site"},
	} {
		r := post("http://localhost/api/alerts/got", c.body)
		if c.change != nil {
			c.change(r)
		}
		got := ask(handler(t, tablet.Options{Alerts: &c.alertShelf}), r)
		if said := text(t, got); got.StatusCode != c.status || !strings.Contains(said, c.says) {
			t.Errorf("%s: %d %q; want %d and %q", name, got.StatusCode, said, c.status, c.says)
		}
		if asked := len(c.alertShelf.asked) > 0; asked != (c.alertShelf.err != nil || c.alertShelf.why != "" || c.status == http.StatusNoContent) {
			t.Errorf("%s: the memory was asked: %v", name, asked)
		}
	}
}

// One tablet that asks without end is told to wait, and another one is served.
func TestAskingWithoutEndHarmsNobody(t *testing.T) {
	clock := &hands{}
	h := handler(t, tablet.Options{Alerts: &alertShelf{}, Clock: clock})
	from := func(addr string) reply {
		r := get("http://localhost/api/alerts")
		r.RemoteAddr = addr
		return ask(h, r)
	}
	last := 0
	for range 40 {
		last = from("192.168.4.7:1").StatusCode
	}
	if last != http.StatusTooManyRequests {
		t.Errorf("the fortieth question at once = %d; want 429", last)
	}
	if r := from("192.168.4.8:1"); r.StatusCode != http.StatusOK {
		t.Errorf("another tablet = %d; want 200", r.StatusCode)
	}
	clock.pass(time.Minute)
	if r := from("192.168.4.7:1"); r.StatusCode != http.StatusOK {
		t.Errorf("a minute later = %d; want 200", r.StatusCode)
	}
}

func TestContractIsServed(t *testing.T) {
	h := handler(t, tablet.Options{Contract: fstest.MapFS{"asyncapi.json": {Data: []byte(`{}`)}, "schemas/now.json": {Data: []byte(`{"title":"Now"}`)}}})
	for target, want := range map[string]int{"/contract/asyncapi.json": 200, "/contract/schemas/now.json": 200, "/contract/schemas/../../x": 404, "/contract/": 404} {
		r := ask(h, get("http://localhost"+target))
		if got := r.StatusCode; got != want && (want != 404 || got != http.StatusTemporaryRedirect && got != http.StatusMovedPermanently) {
			t.Errorf("GET %s = %d; want %d", target, got, want)
		}
		if kind := r.Header.Get("Content-Type"); want == 200 && kind != "application/json" {
			t.Errorf("GET %s is %q; want application/json", target, kind)
		}
	}
	if r := ask(handler(t, tablet.Options{}), get("http://localhost/contract/asyncapi.json")); r.StatusCode != http.StatusNotFound {
		t.Errorf("without a contract: %d; want 404", r.StatusCode)
	}
}
