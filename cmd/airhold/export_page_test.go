// SPDX-License-Identifier: Apache-2.0

package main

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"airhold/firmware/store/rawlog"
	"airhold/firmware/store/sealed"
	"airhold/firmware/tablet"
)

// asked sends a request to a page and returns status and body.
func asked(t *testing.T, method, url, body string) (int, []byte) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	got, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatalf("%s %s: %v", method, url, err)
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		t.Fatalf("%s %s: %v", method, url, err)
	}
	return got.StatusCode, text
}

// soon asks an address until its answer is wanted.
func soon[T any](t *testing.T, url string, want func(T) bool) (got T) {
	t.Helper()
	deadline := time.Now().Add(4 * time.Minute) // an export rests as long as it works
	for {
		code, text := asked(t, http.MethodGet, url, "")
		got = *new(T)
		if code == http.StatusOK {
			if err := json.Unmarshal(text, &got); err != nil {
				t.Fatalf("%s: %v in %s", url, err, text)
			}
			if want(got) {
				return got
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s is after four minutes still %d %.600s", url, code, text)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// demoHere runs the demo inside the test, as its command does, and returns where its page is.
func demoHere(t *testing.T, args ...string) (page string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, in := io.Pipe()
	done := make(chan int, 1)
	var errs bytes.Buffer
	go func() {
		code := run(ctx, append([]string{"demo", "--listen", "127.0.0.1:0", "--mqtt", "off"}, args...), strings.NewReader(""), in, &errs)
		_ = in.Close()
		done <- code
	}()
	ended := false
	stop = func() {
		if ended {
			return
		}
		ended = true
		cancel()
		if code := <-done; code != exitOK {
			t.Errorf("the demo ended with %d: %s", code, errs.String())
		}
	}
	t.Cleanup(stop)
	page = pageIn(out)
	go func() { _, _ = io.Copy(io.Discard, out) }()
	if page == "" {
		stop()
		t.Fatal("the demo does not say where its page is")
	}
	return page, stop
}

// pageIn finds the address of a page in what a demo prints.
func pageIn(out io.Reader) string {
	var text []byte
	for b := make([]byte, 256); ; {
		n, err := out.Read(b)
		text = append(text, b[:n]...)
		if m := regexp.MustCompile(`page +(http://[0-9.:]+)/\n`).FindSubmatch(text); m != nil {
			return string(m[1])
		}
		if err != nil {
			return ""
		}
	}
}

// fetched exports by the page and returns what is in the zip.
func fetched(t *testing.T, page string, wish map[string]any) (tablet.ExportState, map[string][]byte) {
	t.Helper()
	body, err := json.Marshal(wish)
	if err != nil {
		t.Fatal(err)
	}
	if code, text := asked(t, http.MethodPost, page+"/api/export", string(body)); code != http.StatusAccepted {
		t.Fatalf("POST /api/export %s = %d %s", body, code, text)
	}
	st := soon(t, page+"/api/export", func(s tablet.ExportState) bool { return s.State != "working" })
	if st.State != "done" || !st.Simulated || !strings.Contains(st.Name, "simulated") {
		t.Fatalf("the export of %s is %+v; want it done, and simulated in its name", body, st)
	}
	code, data := asked(t, http.MethodGet, page+"/api/export/file", "")
	if code != http.StatusOK {
		t.Fatalf("GET /api/export/file = %d %s", code, data)
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatalf("%s in the zip: %v", f.Name, err)
		}
		_ = r.Close()
	}
	if about := string(files["about.txt"]); !strings.HasPrefix(about, "SIMULATED recording of Kettle Ridge 16") {
		t.Errorf("about.txt is %q; want its title to say that it is simulated", about)
	}
	delete(files, "about.txt")
	return st, files
}

// An hour that two boots have a share in, the second of them being recorded: what the page of the running box exports is
// what the command exports later, in each form, and the recording went on meanwhile without a hole.
func TestExportByThePageIsThatOfTheCommand(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: an hour of a box; exports of a shorter one run under the detector")
	}
	data := t.TempDir()
	noon := time.Date(2026, 4, 28, 14, 0, 0, 0, time.Local).UTC() // when the demo's story in the shop begins
	const earlier, rate = 3420 * time.Second, "60"
	from, to := noon.Add(-earlier-time.Minute), noon.Add(2*time.Minute)
	inventedAt(t, data, "before", from, int(earlier/time.Second))
	page, stop := demoHere(t, "--story", "shop", "--rate", rate, "--data", data)
	begun := soon(t, page+"/api/log", func(l tablet.Recording) bool { return l.T != nil && l.T.After(to.Add(10*time.Second)) })
	if l := begun; l.Frames.Heard == 0 || l.Frames.Sent != 0 || l.Since == nil || !l.Since.Equal(noon) || len(l.Boots) != 2 || !l.Boots[0].Present || l.Boots[1].Torn {
		t.Errorf("/api/log is %+v; want frames heard, none sent, since %s, and two whole boots", l, noon)
	}
	signals := []string{"tank", "front", "speed"}
	type result struct {
		st    tablet.ExportState
		files map[string][]byte
	}
	got := map[string]result{}
	for _, format := range []string{"csv", "parquet", "candump", "pcapng", "geojson"} {
		wish := map[string]any{"format": format, "from": from, "to": to}
		if format == "csv" || format == "parquet" {
			wish["channels"] = signals
		}
		st, files := fetched(t, page, wish)
		got[format] = result{st, files}
	}
	ended := soon(t, page+"/api/log", func(tablet.Recording) bool { return true })
	if ended.Seconds <= begun.Seconds || len(ended.Holes) != 0 || ended.Lost != (tablet.LostReadings{}) || ended.Frames.Lost != 0 || ended.State != "recording" {
		t.Errorf("after the exports /api/log says %+v; want the recording gone on without a hole", ended)
	}
	stop()
	for format, g := range got {
		out := filepath.Join(t.TempDir(), format)
		args := []string{"export", "--data", data, "--out", out, "--format", format, "--from", from.Format(time.RFC3339), "--to", to.Format(time.RFC3339)}
		if format == "csv" || format == "parquet" {
			args = append(args, "--channels", strings.Join(signals, ","))
		}
		if code, _, errs := call(t, args...); code != exitOK {
			t.Fatalf("export %s = %d %s", format, code, errs)
		}
		same(t, format, out, g.files)
		if format == "pcapng" {
			tsharkCounts(t, g.st, g.files)
		}
	}
}

// same compares what came by the page with the files of the command, and both with nothing: each boot has a share.
func same(t *testing.T, format, dir string, page map[string][]byte) {
	t.Helper()
	found := 0
	for name, data := range page {
		path := filepath.Join(dir, strings.TrimPrefix(name, "simulated-"))
		want, err := os.ReadFile(path)
		if err != nil || !strings.HasPrefix(name, "simulated-boot-") {
			t.Errorf("%s: the page exports %s; the command: %v", format, name, err)
			continue
		}
		found++
		if format != "parquet" {
			if !bytes.Equal(data, want) || len(data) < 1000 {
				t.Errorf("%s of the page has %d bytes, of the command %d; want them the same", name, len(data), len(want))
			}
			continue
		}
		rows, err := parquet.Read[sealed.Reading](bytes.NewReader(data), int64(len(data)))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		theirs, err := parquet.ReadFile[sealed.Reading](path)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if !reflect.DeepEqual(rows, theirs) || len(rows) < 1000 {
			t.Errorf("%s of the page has %d rows, of the command %d; want them the same", name, len(rows), len(theirs))
		}
	}
	if found != 2 {
		t.Errorf("%s: %d files; want one of each boot", format, found)
	}
}

// tsharkCounts has Wireshark count the frames.
func tsharkCounts(t *testing.T, st tablet.ExportState, files map[string][]byte) {
	t.Helper()
	bin, err := exec.LookPath("tshark")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("tshark is missing: apt-get install tshark")
		}
		t.Log("tshark is missing, so nobody else has counted the frames: apt-get install tshark")
		return
	}
	for i := range st.Files {
		path := filepath.Join(t.TempDir(), "x.pcapng")
		if err := os.WriteFile(path, files[st.Files[i].Name], 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.CommandContext(t.Context(), bin, "-r", path, "-T", "fields", "-e", "can.id").Output()
		if n := int64(bytes.Count(out, []byte("\n"))); err != nil || n != st.Files[i].Frames || n == 0 {
			t.Errorf("tshark counts %d frames in %s (%v); the box says %d", n, st.Files[i].Name, err, st.Files[i].Frames)
		}
	}
}

// A box that is killed in the middle of an export leaves no half file behind once it has started again; and what it says
// no to, it says in a sentence.
func TestKilledBoxLeavesNoHalfExport(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: its boxes are programs of their own")
	}
	bin, data := program(t), t.TempDir()
	inventedAt(t, data, "before", time.Date(2026, 4, 28, 9, 0, 0, 0, time.UTC), 12_000)
	start := func() (*exec.Cmd, string) {
		cmd := exec.CommandContext(t.Context(), bin, "demo", "--listen", "127.0.0.1:0", "--mqtt", "off", "--story", "shop", "--data", data)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
		page := pageIn(out)
		if page == "" {
			t.Fatal("the demo does not say where its page is")
		}
		soon(t, page+"/api/now", func(struct{}) bool { return true })
		return cmd, page
	}
	folder := filepath.Join(data, rawlog.ExportFolder)
	cmd, page := start()
	for _, c := range []struct {
		body string
		code int
		says string
	}{
		{`{"format":"csv","channels":["tnak"]}`, http.StatusConflict, `Did you mean "tank"?`},
		{`{"format":"xml"}`, http.StatusBadRequest, "There is no form"},
		{`{"format":"pcapng","channels":["tank"]}`, http.StatusBadRequest, "Raw frames hold no signals"},
		{`{"format":"csv","from":"2026-04-28T12:00:00Z","to":"2026-04-28T11:00:00Z"}`, http.StatusBadRequest, "is after to"},
		{`{"format":"csv","from":"2031-01-01T00:00:00Z"}`, http.StatusConflict, "Nothing is recorded from 2031-01-01 00:00:00 UTC."},
		{`{"format":"csv"}`, http.StatusAccepted, `"working"`},
		{`{"format":"csv"}`, http.StatusConflict, "One export goes on"},
	} {
		if code, text := asked(t, http.MethodPost, page+"/api/export", c.body); code != c.code || !strings.Contains(string(text), c.says) {
			t.Errorf("POST %s = %d %s; want %d with %q", c.body, code, text, c.code, c.says)
		}
	}
	if code, text := asked(t, http.MethodGet, page+"/api/export/file", ""); code != http.StatusNotFound {
		t.Errorf("a file was given out before it was done: %d %.100s", code, text)
	}
	deadline := time.Now().Add(20 * time.Second)
	for half := int64(0); half == 0; {
		names, err := filepath.Glob(filepath.Join(folder, "*.csv.part"))
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range names {
			if st, err := os.Stat(n); err == nil {
				half = st.Size()
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("there is no half file in %s: %v", folder, names)
		}
		time.Sleep(5 * time.Millisecond)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if left, err := os.ReadDir(folder); err != nil || len(left) == 0 {
		t.Fatalf("the kill left %v, %v; want a half file, else this proves nothing", left, err)
	}
	_, page = start()
	if left, err := os.ReadDir(folder); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("after the start %s holds %v, %v; want it gone", folder, left, err)
	}
	st := soon(t, page+"/api/export", func(tablet.ExportState) bool { return true })
	code, text := asked(t, http.MethodGet, page+"/api/export/file", "")
	if st.State != "none" || code != http.StatusNotFound || !strings.Contains(string(text), "nothing to fetch") {
		t.Errorf("after the start the export is %+v, its file %d %s; want none", st, code, text)
	}
	// Cancelled, it is gone as well.
	if code, text := asked(t, http.MethodPost, page+"/api/export", `{"format":"parquet"}`); code != http.StatusAccepted {
		t.Errorf("POST = %d %s", code, text)
	}
	code, text = asked(t, http.MethodDelete, page+"/api/export", "")
	if _, err := os.Stat(folder); code != http.StatusOK || !strings.Contains(string(text), `"cancelled"`) || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("DELETE = %d %s, folder %v; want it cancelled and the folder gone", code, text, err)
	}
}
