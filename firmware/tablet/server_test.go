// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/tablet"
)

var noon = time.Date(2026, 4, 28, 12, 0, 0, 0, time.UTC)

// hands is a clock that a test moves.
type hands struct {
	mu   sync.Mutex
	boot time.Duration
	jump time.Duration // of the wall clock alone
	poor bool          // the wall clock is not set
}

func (h *hands) Boot() time.Duration {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.boot
}

func (h *hands) Sample() clock.Sample {
	h.mu.Lock()
	defer h.mu.Unlock()
	s := clock.Sample{Boot: h.boot, UTC: noon.Add(h.boot + h.jump), Quality: clock.Good}
	if h.poor {
		s.Quality = clock.Unset
	}
	return s
}

func (h *hands) wall(jump time.Duration, poor bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.jump, h.poor = jump, poor
}

func (h *hands) pass(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.boot += d
}

// box remembers what it was told.
type box struct {
	mu   sync.Mutex
	told []alarms.Command
	no   string
	err  error
}

func (b *box) Do(_ context.Context, c alarms.Command) (alarms.Answer, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.told = append(b.told, c)
	return alarms.Answer{ID: c.ID, OK: b.no == "", Error: b.no}, b.err
}

type said struct {
	now    []byte
	alarms []byte
}

func (s said) Now() ([]byte, bool) { return s.now, s.now != nil }
func (s said) Alarms() []byte      { return s.alarms }

func handler(tb testing.TB, o tablet.Options) http.Handler {
	tb.Helper()
	if o.Clock == nil {
		o.Clock = &hands{}
	}
	s, err := tablet.New(o)
	if err != nil {
		tb.Fatalf("New() = %v; want a server", err)
	}
	return s.Handler()
}

// reply is what came back.
type reply struct {
	StatusCode int
	Header     http.Header
	Body       io.Reader
}

func ask(h http.Handler, r *http.Request) reply {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return reply{w.Code, w.Header(), w.Body}
}

func get(target string, headers ...string) *http.Request {
	r := httptest.NewRequestWithContext(context.Background(), http.MethodGet, target, http.NoBody)
	r.RemoteAddr = "127.0.0.1:50000"
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	return r
}

func press(verb, body string) *http.Request {
	r := httptest.NewRequestWithContext(context.Background(), http.MethodPost, "http://localhost/api/cmd/"+verb, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:50000"
	r.Header.Set("Content-Type", "application/json")
	return r
}

func answerOf(tb testing.TB, res reply) alarms.Answer {
	tb.Helper()
	var a alarms.Answer
	data, err := io.ReadAll(res.Body)
	if err != nil {
		tb.Fatalf("read the answer: %v", err)
	}
	if err := json.Unmarshal(data, &a); err != nil {
		tb.Fatalf("answer %q is no JSON: %v", data, err)
	}
	return a
}

const good = `{"id":"a1","key":"air-leak","where":"front rank","t":"2026-04-28T11:59:50Z"}`

// The matrix of who, by which host name, from which page, may do what. Status codes by RFC 9110; the origin rules are
// those of Fetch Metadata (W3C) that net/http documents for CrossOriginProtection.
func TestCommandMatrix(t *testing.T) {
	const (
		lan     = "192.168.4.31:40000"
		self    = "127.0.0.1:40000"
		self6   = "[::1]:40000"
		mapped  = "[::ffff:127.0.0.1]:40000"
		same    = "same-origin"
		foreign = "cross-site"
	)
	for _, c := range []struct {
		name, remote, host, site, origin, verb string
		want                                   int
		done                                   bool
	}{
		{"forget, by a page", self, "localhost", same, "http://localhost", "forget", 200, true}, // and the box refuses it: operate
		{"forget, by a program on the box", self, "localhost", "", "", "forget", 200, true},
		{"forget, from the network", lan, "air.box", "", "", "forget", 403, false},
		{"forget, by a foreign page", self, "localhost", foreign, "http://evil.example", "forget", 403, false},
		{"care, by a program on the box", self, "localhost", "", "", "care-done", 200, true},
		{"care, from the network", lan, "air.box", same, "", "care-done", 403, false},
		{"care, by a foreign page", self, "localhost", foreign, "http://evil.example", "care-done", 403, false},
		{"own page on the box", self, "localhost:8080", same, "http://localhost:8080", "ack", 200, true},
		{"own page by address", self, "127.0.0.1:8080", same, "http://127.0.0.1:8080", "ack", 200, true},
		{"own page by IPv6", self6, "[::1]:8080", same, "http://[::1]:8080", "ack", 200, true},
		{"IPv4 in IPv6 is loopback", mapped, "localhost", same, "", "ack", 200, true},
		{"a script without a browser", self, "localhost:8080", "", "", "ack", 200, true},
		{"a configured name", self, "Air.Box.:8080", same, "http://air.box:8080", "ack", 200, true},
		{"acknowledge", self, "localhost", same, "", "ack", 200, true},
		{"unshelve", self, "localhost", same, "", "unshelve", 200, true},
		{"reset", self, "localhost", same, "", "reset", 200, true},
		{"care", self, "localhost", same, "", "care-done", 200, true},
		{"note", self, "localhost", same, "", "note", 200, true},
		{"put off without a time", self, "localhost", same, "", "shelve", 400, false},
		{"unknown verb", self, "localhost", same, "", "open-valve", 404, false},
		{"a tablet that is not paired", lan, "air.box", same, "", "ack", 403, false},
		{"a foreign site", self, "localhost:8080", foreign, "http://evil.example", "ack", 403, false},
		{"a foreign origin in an old browser", self, "localhost:8080", "", "http://evil.example", "ack", 403, false},
		{"another port of the box", self, "localhost:8080", "same-site", "http://localhost:9999", "ack", 403, false},
		{"a rebound name", self, "evil.example:8080", same, "http://evil.example:8080", "ack", 421, false},
		{"a look-alike of loopback", self, "127.0.0.1.evil.example", same, "", "ack", 421, false},
		{"a foreign address", self, "192.0.2.7:8080", same, "", "ack", 421, false},
		{"an odd remote", "nowhere", "localhost", same, "", "ack", 403, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := &box{}
			h := handler(t, tablet.Options{Commands: b, AllowHosts: []string{"air.box"}})
			r := press(c.verb, good)
			r.RemoteAddr, r.Host = c.remote, c.host
			if c.site != "" {
				r.Header.Set("Sec-Fetch-Site", c.site)
			}
			if c.origin != "" {
				r.Header.Set("Origin", c.origin)
			}
			res := ask(h, r)
			if res.StatusCode != c.want {
				t.Errorf("status = %d; want %d", res.StatusCode, c.want)
			}
			if done := len(b.told) == 1; done != c.done {
				t.Errorf("the box was told = %v; want %v", done, c.done)
			}
			// By hand: only a program on the box, which names no page, may make it forget; everything else is operating.
			role, via := alarms.Operate, "page"
			if c.site == "" && c.origin == "" {
				via = "cli"
				if c.verb == "forget" {
					role = alarms.Service
				}
			}
			if c.done && (b.told[0].Role != role || b.told[0].Via != via || string(b.told[0].Verb) != c.verb) {
				t.Errorf("told %+v; want role %s, via %s, verb %s", b.told[0], role, via, c.verb)
			}
			if !c.done && c.want != 421 {
				if a := answerOf(t, res); a.OK || !strings.HasSuffix(a.Error, ".") {
					t.Errorf("answer = %+v; want a sentence", a)
				}
			}
		})
	}
}

func TestCommandBodies(t *testing.T) {
	long := strings.Repeat("x", 121)
	for _, c := range []struct {
		name, verb, kind, body string
		want                   int
		says                   string
	}{
		{"good", "ack", "application/json", good, 200, ""},
		{"without a time", "ack", "application/json", `{"id":"a","key":"tank-low"}`, 200, ""},
		{"with more fields", "ack", "application/json; charset=utf-8", `{"id":"a","key":"tank-low","new":{"x":1}}`, 200, ""},
		{"put off", "shelve", "application/json", `{"id":"a","key":"tank-low","for":"10m"}`, 200, ""},
		{"put off for ever", "shelve", "application/json", `{"id":"a","key":"tank-low","for":"9000h"}`, 400, "12 hours"},
		{"put off backwards", "shelve", "application/json", `{"id":"a","key":"tank-low","for":"-10m"}`, 400, "12 hours"},
		{"a time on ack", "ack", "application/json", `{"id":"a","key":"tank-low","for":"10m"}`, 400, "putting off"},
		{"a note without a key", "note", "application/json", `{"id":"a","why":"bag changed"}`, 200, ""},
		{"pressed half a minute ago", "ack", "application/json", `{"id":"a","key":"tank-low","t":"2026-04-28T11:59:30Z"}`, 200, ""},
		{"pressed too long ago", "ack", "application/json", `{"id":"a","key":"tank-low","t":"2026-04-28T11:59:29Z"}`, 409, "31s old"},
		{"pressed in the future", "ack", "application/json", `{"id":"a","key":"tank-low","t":"2026-04-28T12:00:31Z"}`, 409, "by the box's clock"},
		{"no id", "ack", "application/json", `{"key":"tank-low"}`, 400, "no id"},
		{"an id with a quote", "ack", "application/json", `{"id":"a\"b","key":"tank-low"}`, 400, "no id"},
		{"no key", "ack", "application/json", `{"id":"a"}`, 400, "needs a key"},
		{"a key with a slash", "ack", "application/json", `{"id":"a","key":"../x"}`, 400, "catalogue"},
		{"a long place", "ack", "application/json", `{"id":"a","key":"tank-low","where":"` + long + `"}`, 400, "too long"},
		{"a control sign", "ack", "application/json", `{"id":"a","key":"tank-low","why":"a\u0000b"}`, 400, "cannot be printed"},
		{"no JSON", "ack", "application/json", `id=a&key=b`, 400, "no JSON"},
		{"empty", "ack", "application/json", ``, 400, "no JSON"},
		{"a list", "ack", "application/json", `[]`, 400, "no JSON"},
		{"a form", "ack", "application/x-www-form-urlencoded", good, 415, "application/json"},
		{"no kind", "ack", "", good, 415, "application/json"},
		{"64 KiB", "ack", "application/json", good + strings.Repeat(" ", 64<<10-len(good)), 200, ""},
		{"a byte more", "ack", "application/json", good + strings.Repeat(" ", 64<<10-len(good)+1), 413, "64 KiB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := &box{}
			r := press(c.verb, c.body)
			r.Header.Set("Content-Type", c.kind)
			res := ask(handler(t, tablet.Options{Commands: b}), r)
			if res.StatusCode != c.want {
				t.Errorf("status = %d; want %d", res.StatusCode, c.want)
			}
			a := answerOf(t, res)
			if a.OK != (c.want == 200) || !strings.Contains(strings.ToLower(a.Error), strings.ToLower(c.says)) {
				t.Errorf("answer = %+v; want %q in it", a, c.says)
			}
			if told := len(b.told) == 1; told != (c.want == 200) {
				t.Errorf("the box was told = %v; want %v", told, c.want == 200)
			}
		})
	}
}

func TestShelveCarriesItsTime(t *testing.T) {
	b := &box{}
	ask(handler(t, tablet.Options{Commands: b}), press("shelve", `{"id":"a","key":"tank-low","where":"","for":"10m"}`))
	if len(b.told) != 1 || b.told[0].For != 10*time.Minute || b.told[0].By != "terminal" {
		t.Errorf("told = %+v; want 10 min by a terminal, which names no page", b.told)
	}
}

func TestBoxRefusesInItsOwnWords(t *testing.T) {
	for _, c := range []struct {
		name string
		box  tablet.Commands
		want int
		says string
	}{
		{"refused", &box{no: "A High alarm cannot be put off."}, 409, "A High alarm cannot be put off."},
		{"broken", &box{err: errors.New("spine gone")}, 503, "Press again"},
		{"none", nil, 503, "takes no commands"},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := ask(handler(t, tablet.Options{Commands: c.box}), press("ack", good))
			if a := answerOf(t, res); res.StatusCode != c.want || a.OK || a.ID != "a1" || !strings.Contains(a.Error, c.says) {
				t.Errorf("answer = %d %+v; want %d with %q for id a1", res.StatusCode, a, c.want, c.says)
			}
		})
	}
}

func TestRateLimitIsPerClientAndHeals(t *testing.T) {
	hand := &hands{}
	h := handler(t, tablet.Options{Commands: &box{}, Clock: hand})
	from := func(remote string) int {
		r := press("ack", `{"id":"a","key":"tank-low"}`)
		r.RemoteAddr = remote
		return ask(h, r).StatusCode
	}
	for i := range 20 {
		if got := from("127.0.0.1:1"); got != 200 {
			t.Fatalf("press %d = %d; want 200", i+1, got)
		}
	}
	if got := from("127.0.0.1:2"); got != http.StatusTooManyRequests {
		t.Errorf("press 21 = %d; want 429: another port is the same client", got)
	}
	if got := from("[::1]:1"); got != 200 {
		t.Errorf("another client = %d; want 200", got)
	}
	hand.pass(6 * time.Second) // ten a minute, sustained
	if a, b := from("127.0.0.1:1"), from("127.0.0.1:1"); a != 200 || b != 429 {
		t.Errorf("after 6 s = %d, %d; want 200, 429", a, b)
	}
}

func TestPageIsServedWithItsHeaders(t *testing.T) {
	h := handler(t, tablet.Options{})
	res := ask(h, get("http://localhost/", "Accept-Encoding", "br;q=1.0, gzip;q=0.8"))
	if res.StatusCode != http.StatusOK || res.Header.Get("Content-Encoding") != "gzip" || res.Header.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("GET / = %d %v; want packed HTML", res.StatusCode, res.Header)
	}
	z, err := gzip.NewReader(res.Body)
	if err != nil {
		t.Fatalf("GET / is no gzip: %v", err)
	}
	packed, err := io.ReadAll(z)
	if err != nil {
		t.Fatalf("GET / breaks off: %v", err)
	}
	plainRes := ask(h, get("http://localhost/"))
	plain, _ := io.ReadAll(plainRes.Body)
	if !bytes.Equal(packed, plain) || !bytes.Contains(plain, []byte("<main")) && !bytes.Contains(plain, []byte(`id="page"`)) {
		t.Errorf("packed and plain page differ, or are not the page: %q", plain)
	}
	if a, b := res.Header.Get("ETag"), plainRes.Header.Get("ETag"); a == b || a == "" {
		t.Errorf("ETags = %s, %s; want two different ones", a, b)
	}
	csp := res.Header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "font-src 'self'", "connect-src 'self'", "img-src 'self' data:", "frame-ancestors 'none'", "base-uri 'none'"} {
		if !slices.Contains(strings.Split(csp, "; "), want) {
			t.Errorf("policy %q lacks %q", csp, want)
		}
	}
	if again := ask(h, get("http://localhost/", "Accept-Encoding", "gzip", "If-None-Match", `"old", W/`+res.Header.Get("ETag"))); again.StatusCode != http.StatusNotModified {
		t.Errorf("GET / with its ETag = %d; want 304", again.StatusCode)
	}
	if refused := ask(h, get("http://localhost/", "Accept-Encoding", "gzip;q=0")); refused.Header.Get("Content-Encoding") != "" {
		t.Errorf("gzip;q=0 got a packed page")
	}
	for name, kind := range map[string]string{
		"page.js": "text/javascript; charset=utf-8", "link.js": "text/javascript; charset=utf-8", "index.css": "text/css; charset=utf-8",
		"inter-latin-wght-normal.woff2": "font/woff2", "inter-licence.txt": "text/plain; charset=utf-8",
		"languages/de.json": "application/json",
	} {
		if r := ask(h, get("http://localhost/"+name)); r.StatusCode != http.StatusOK || r.Header.Get("Content-Type") != kind {
			t.Errorf("GET /%s = %d %s; want 200 %s", name, r.StatusCode, r.Header.Get("Content-Type"), kind)
		}
	}
	for _, name := range []string{"nothing", "dist", "../server.go", "page/src/page.tsx", "mqtt"} {
		if r := ask(h, get("http://localhost/"+name)); r.StatusCode == http.StatusOK {
			t.Errorf("GET /%s = 200; want none", name)
		}
	}
}

// The budget of the first load is a promise of the page's design: 160 kB packed, the font not counted.
func TestFirstLoadStaysInItsBudget(t *testing.T) {
	h := handler(t, tablet.Options{})
	var sum int64
	for _, name := range []string{"", "page.js", "link.js", "index.css"} {
		res := ask(h, get("http://localhost/"+name, "Accept-Encoding", "gzip"))
		n, err := io.Copy(io.Discard, res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("GET /%s = %d, %v", name, res.StatusCode, err)
		}
		sum += n
	}
	if sum > 160_000 {
		t.Errorf("first load = %d bytes packed; want 160000 at most", sum)
	}
}

// A language comes packed: some 150 kB of sentences, fetched once when it is chosen, over a cab's Wi-Fi.
func TestALanguageIsServedPacked(t *testing.T) {
	h := handler(t, tablet.Options{})
	res := ask(h, get("http://localhost/languages/de.json", "Accept-Encoding", "gzip"))
	n, err := io.Copy(io.Discard, res.Body)
	if err != nil || res.StatusCode != http.StatusOK || res.Header.Get("Content-Encoding") != "gzip" || n > 50_000 {
		t.Errorf("GET /languages/de.json = %d, %q, %d bytes, %v; want it packed, 50000 bytes at most", res.StatusCode, res.Header.Get("Content-Encoding"), n, err)
	}
}

func TestEveryAddressIsBehindTheHostCheck(t *testing.T) {
	reached := 0
	h := handler(t, tablet.Options{
		Snapshot: said{now: []byte("{}"), alarms: []byte("[]")},
		WS:       http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { reached++; w.WriteHeader(http.StatusSwitchingProtocols) }),
	})
	for _, path := range []string{"/", "/page.js", "/mqtt", "/api/now", "/api/alarms", "/healthz", "/metrics"} {
		for host, want := range map[string]bool{"localhost:8080": true, "127.0.0.1": true, "evil.example": false, "10.0.0.5": false, "": false, "localhost.evil.example": false} {
			r := get("http://x"+path, "Upgrade", "websocket", "Connection", "Upgrade")
			r.Host = host
			res := ask(h, r)
			if refused := res.StatusCode == http.StatusMisdirectedRequest; refused == want {
				t.Errorf("GET %s for host %q = %d; want refused %v", path, host, res.StatusCode, !want)
			}
		}
	}
	if reached != 2 {
		t.Errorf("the broker's handler was reached %d times; want 2, for the box's own names", reached)
	}
}

func TestOwnAddressOfTheConnectionIsAHost(t *testing.T) {
	h := handler(t, tablet.Options{})
	local := &net.TCPAddr{IP: net.ParseIP("192.168.4.1"), Port: 8080}
	for host, want := range map[string]int{"192.168.4.1:8080": 200, "192.168.4.2:8080": 421} {
		r := get("http://x/healthz")
		r.Host = host
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(local)))
		if got := ask(h, r).StatusCode; got != want {
			t.Errorf("host %s on a connection to %s = %d; want %d", host, local, got, want)
		}
	}
}

func TestSnapshotsHealthAndMetrics(t *testing.T) {
	sick := errors.New("the log has stopped: disk full")
	h := handler(t, tablet.Options{
		Snapshot: said{now: []byte(`{"v":1}`), alarms: []byte(`[]`)},
		Health:   func() error { return sick },
		Metrics:  func(w io.Writer) { fmt.Fprintln(w, "# TYPE airhold_frames counter\nairhold_frames_total 3") },
	})
	bare := handler(t, tablet.Options{Snapshot: said{alarms: []byte(`[]`)}})
	for _, c := range []struct {
		h          http.Handler
		path, want string
		status     int
	}{
		{h, "/api/now", `{"v":1}`, 200},
		{h, "/api/alarms", `[]`, 200},
		{bare, "/api/now", "There is no snapshot yet", 503},
		{bare, "/healthz", "ok\n", 200},
		{h, "/healthz", sick.Error(), 503},
		{handler(t, tablet.Options{}), "/api/alarms", "no list", 503},
		{handler(t, tablet.Options{}), "/mqtt", "There is nothing", 404},
	} {
		res := ask(c.h, get("http://localhost"+c.path))
		body, _ := io.ReadAll(res.Body)
		if res.StatusCode != c.status || !strings.Contains(string(body), c.want) {
			t.Errorf("GET %s = %d %q; want %d with %q", c.path, res.StatusCode, body, c.status, c.want)
		}
	}
	ask(h, press("open-valve", good))
	res := ask(h, get("http://localhost/metrics"))
	body, _ := io.ReadAll(res.Body)
	text := string(body)
	for _, want := range []string{"airhold_frames_total 3\n", `airhold_page_commands_total{outcome="refused"} 1` + "\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("metrics lack %q:\n%s", want, text)
		}
	}
	// OpenMetrics 1.0: the exposition ends with "# EOF" and a line feed, and has it once.
	if !strings.HasSuffix(text, "\n# EOF\n") || strings.Count(text, "# EOF") != 1 || !strings.HasPrefix(res.Header.Get("Content-Type"), "application/openmetrics-text") {
		t.Errorf("metrics are no OpenMetrics text: %s %q", res.Header.Get("Content-Type"), text)
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	if _, err := tablet.New(tablet.Options{}); err == nil {
		t.Error("New without a clock = nil error; want one")
	}
	_, err := tablet.New(tablet.Options{Clock: &hands{}, Assets: fstest.MapFS{"x.js": {Data: []byte("1")}}})
	if err == nil || !strings.Contains(err.Error(), "npm run build") {
		t.Errorf("New without index.html = %v; want the fix in it", err)
	}
}

func TestRunNamesATakenPort(t *testing.T) {
	var lc net.ListenConfig
	l, err := lc.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	s, err := tablet.New(tablet.Options{Clock: &hands{}, Listen: l.Addr().String()})
	if err != nil {
		t.Fatal(err)
	}
	err = s.Run(t.Context())
	if !errors.Is(err, tablet.ErrPortInUse) || !strings.Contains(err.Error(), l.Addr().String()) || !strings.Contains(err.Error(), "another port") {
		t.Errorf("Run on a taken port = %v; want ErrPortInUse with the address and the fix", err)
	}
}

func TestRunServesAndStops(t *testing.T) {
	ready := make(chan net.Addr, 1)
	s, err := tablet.New(tablet.Options{Clock: &hands{}, Listen: "127.0.0.1:0", Ready: func(a net.Addr) { ready <- a }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	addr := <-ready
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+addr.String()+"/healthz", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("GET /healthz = %v, %v; want 200", res, err)
	}
	res.Body.Close()
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("Run = %v after its end; want nil", err)
	}
}

// FuzzCommand sends any bytes as a command: the answer is always whole JSON, and what reaches the box is bounded.
func FuzzCommand(f *testing.F) {
	verbs := []string{"ack", "shelve", "note", "care-done", "forget", "test-start"}
	f.Fuzz(func(t *testing.T, verb uint8, data []byte) {
		b := &box{}
		res := ask(handler(t, tablet.Options{Commands: b, Assets: fstest.MapFS{"index.html": {Data: []byte("x")}}}), press(verbs[int(verb)%len(verbs)], string(data)))
		a := answerOf(t, res)
		if a.OK != (res.StatusCode == http.StatusOK) || a.OK != (len(b.told) == 1) || (!a.OK && a.Error == "") {
			t.Fatalf("answer %d %+v, told %d times", res.StatusCode, a, len(b.told))
		}
		for _, c := range b.told {
			if len(c.ID) == 0 || len(c.ID) > 64 || len(c.Key) > 64 || len(c.Where) > 120 || len(c.By) > 64 || len(c.Why) > 500 || c.For < 0 || c.For > 12*time.Hour || (c.Role != alarms.Operate) != (c.Verb == alarms.Forget) {
				t.Fatalf("told %+v; out of bounds", c)
			}
			if c.Verb.IsCare() && (strings.TrimSpace(c.Where) == "" || c.Key != "") || len(c.Args) > 12 {
				t.Fatalf("told %+v; care names an item, no alarm", c)
			}
			for k, v := range c.Args {
				if len(k) == 0 || len(k) > 32 || len(v) > 64 {
					t.Fatalf("told %+v; an argument is out of bounds", c)
				}
			}
		}
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	seeds, err := filepath.Glob("testdata/fuzz/FuzzCommand/*")
	if err != nil || len(seeds) == 0 {
		t.Fatalf("no seeds for FuzzCommand: %v, %v", seeds, err)
	}
	for _, s := range seeds {
		if data, err := os.ReadFile(s); err != nil || !bytes.HasPrefix(data, []byte("go test fuzz v1\n")) {
			t.Errorf("seed %s = %q, %v; want a Go fuzz file", s, data, err)
		}
	}
}
