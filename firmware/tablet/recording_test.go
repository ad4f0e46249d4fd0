// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"airhold/firmware/tablet"
)

// exportDesk takes every export and gives out what it was told to.
type exportDesk struct {
	err    error
	data   string // of the zip's one file; empty: there is none
	broken bool   // writing it breaks off
	asked  []tablet.ExportWish
	opened int
	closed int
}

type noExportError struct{}

func (noExportError) Error() string        { return "There is nothing to fetch." }
func (noExportError) Is(target error) bool { return target == tablet.ErrNoExport }

func (d *exportDesk) State() tablet.ExportState { return tablet.ExportState{State: "none"} }
func (d *exportDesk) Cancel() tablet.ExportState {
	return tablet.ExportState{State: "cancelled"}
}

func (d *exportDesk) Begin(w tablet.ExportWish) (tablet.ExportState, error) {
	d.asked = append(d.asked, w)
	return tablet.ExportState{State: "working", Wish: &w}, d.err
}

func (d *exportDesk) Open() (tablet.ExportFile, error) {
	if d.data == "" {
		return tablet.ExportFile{}, noExportError{}
	}
	d.opened++
	return tablet.ExportFile{Name: "a.zip", Close: func() { d.closed++ }, Write: func(to io.Writer) error {
		z := zip.NewWriter(to)
		w, err := z.Create("a.csv")
		if err != nil {
			return err
		}
		if _, err := io.WriteString(w, d.data); err != nil {
			return err
		}
		if d.broken {
			return errors.New("the disk broke")
		}
		return z.Close()
	}}, nil
}

func exportRequest(t *testing.T, method, path, from, body string) *http.Request {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, "http://localhost"+path, strings.NewReader(body))
	r.RemoteAddr = from
	r.Header.Set("Content-Type", "application/json")
	return r
}

func TestExportsAreForTheBoxItself(t *testing.T) {
	t.Parallel()
	d := &exportDesk{data: "x"}
	h := handler(t, tablet.Options{Exports: d})
	for _, c := range [][2]string{{http.MethodGet, "/api/export"}, {http.MethodPost, "/api/export"}, {http.MethodDelete, "/api/export"}, {http.MethodGet, "/api/export/file"}} {
		for _, from := range []string{"192.168.4.7:1", "[fe80::1]:1", "nowhere"} {
			got := ask(h, exportRequest(t, c[0], c[1], from, `{"format":"csv"}`))
			if words := text(t, got); got.StatusCode != http.StatusForbidden || !strings.Contains(words, "needs the secure page, not in this release") {
				t.Errorf("%s %s from %s = %d %q; want it refused", c[0], c[1], from, got.StatusCode, words)
			}
		}
	}
	if len(d.asked) != 0 || d.closed != 0 {
		t.Errorf("the box was asked %v all the same", d.asked)
	}
	if got := ask(h, exportRequest(t, http.MethodGet, "/api/export", "127.0.0.1:1", "")); got.StatusCode != http.StatusOK {
		t.Errorf("how far an export is = %d on the box itself; want it told", got.StatusCode)
	}
}

func TestWhatIsAskedForWronglyNeverReachesTheBox(t *testing.T) {
	t.Parallel()
	d := &exportDesk{}
	h := handler(t, tablet.Options{Exports: d})
	for body, want := range map[string]string{
		`{`:                                   "cannot be read",
		`[]`:                                  "cannot be read",
		`{}`:                                  "in which form",
		`{"format":"csv","from":"yesterday"}`: "cannot be read",
		`{"format":"csv","from":"2026-04-28T12:00:00Z","to":"2026-04-28T11:59:59Z"}`:   "is after to",
		`{"format":"csv","channels":[""]}`:                                             "name of a signal",
		`{"format":"csv","channels":["a\u0000b"]}`:                                     "name of a signal",
		`{"format":"csv","channels":[` + strings.Repeat(`"tank",`, 1000) + `"front"]}`: "More signals",
		`{"format":"csv","channels":["` + strings.Repeat("a", 121) + `"]}`:             "name of a signal",
	} {
		got := ask(h, exportRequest(t, http.MethodPost, "/api/export", "127.0.0.1:1", body))
		if words := text(t, got); got.StatusCode != http.StatusBadRequest || !strings.Contains(words, want) {
			t.Errorf("POST %.60s = %d %q; want 400 with %q", body, got.StatusCode, words, want)
		}
	}
	if len(d.asked) != 0 {
		t.Errorf("the box was asked %v", d.asked)
	}
	got := ask(h, exportRequest(t, http.MethodPost, "/api/export", "127.0.0.1:1", `{"format":"csv","later":1,"to":"2026-04-28T11:59:59+02:00"}`))
	var st tablet.ExportState
	if err := json.Unmarshal([]byte(text(t, got)), &st); err != nil || got.StatusCode != http.StatusAccepted || len(d.asked) != 1 || d.asked[0].To.UTC().Hour() != 9 {
		t.Errorf("POST = %d %+v, %v, asked %v; want it begun", got.StatusCode, st, err, d.asked)
	}
}

func TestAnExportIsFetchedWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	want := strings.Repeat("time,tank\n", 300_000)
	d := &exportDesk{data: want}
	s := httptest.NewServer(handler(t, tablet.Options{Exports: d}))
	defer s.Close()
	fetch := func() (status int, header http.Header, data []byte, err error) {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL+"/api/export/file", nil)
		if err != nil {
			t.Fatal(err)
		}
		got, err := http.DefaultClient.Do(r)
		if err != nil {
			return 0, nil, nil, err
		}
		defer got.Body.Close()
		data, err = io.ReadAll(got.Body)
		return got.StatusCode, got.Header, data, err
	}
	_, head, data, err := fetch()
	if err != nil {
		t.Fatal(err)
	}
	if head.Get("Content-Type") != "application/zip" || head.Get("Content-Disposition") != `attachment; filename="a.zip"` {
		t.Errorf("headers %v", head)
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil || len(z.File) != 1 || z.File[0].UncompressedSize64 != uint64(len(want)) {
		t.Errorf("the zip: %v", err)
	}
	d.broken = true
	if _, _, data, err := fetch(); err == nil {
		t.Errorf("%d bytes of half a file came as if they were whole", len(data))
	}
	if d.closed != d.opened || d.closed < 2 {
		t.Errorf("closed %d of %d times", d.closed, d.opened)
	}
	d.data = ""
	if status, _, data, err := fetch(); err != nil || status != http.StatusNotFound || string(data) != "There is nothing to fetch.\n" {
		t.Errorf("nothing to fetch = %q, %v", data, err)
	}
}
