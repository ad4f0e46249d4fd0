// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/tablet"
)

// drawer keeps paired tablets as a disk would.
type drawer struct {
	mu   sync.Mutex
	kept map[string]tablet.Tablet
	err  error
}

func (s *drawer) All(context.Context) ([]tablet.Tablet, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Collect(maps.Values(s.kept)), s.err
}

func (s *drawer) Keep(_ context.Context, t tablet.Tablet) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.kept == nil {
		s.kept = map[string]tablet.Tablet{}
	}
	if s.err == nil {
		s.kept[t.Name] = t
	}
	return s.err
}

func (s *drawer) Drop(_ context.Context, name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.kept, name)
	return s.err
}

// gated is a box with tablets, behind its gate.
type gated struct {
	t     *testing.T
	h     http.Handler
	hand  *hands
	shelf *drawer
	told  *box
	notes []string
}

const lan = "192.168.4.31:40000"

func newGated(t *testing.T, o tablet.Options) *gated {
	t.Helper()
	b := &gated{t: t, hand: &hands{}, shelf: &drawer{}, told: &box{}}
	if o.Tablets != nil {
		b.shelf, _ = o.Tablets.(*drawer)
	}
	o.Assets = fstest.MapFS{"index.html": {Data: []byte("page")}} // the built page would be packed anew for each box
	o.Clock, o.Tablets, o.Commands, o.AllowHosts = b.hand, b.shelf, b.told, []string{"air.box"}
	o.Event = func(kind, text string) { b.notes = append(b.notes, kind+": "+text) }
	b.h = handler(t, o)
	return b
}

// from sends a request as somebody: by an address, with a cookie or without.
func (b *gated) from(remote, cookie, method, target, body string, more ...string) reply {
	b.t.Helper()
	r := httptest.NewRequestWithContext(b.t.Context(), method, "http://air.box"+target, strings.NewReader(body))
	r.RemoteAddr = remote
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	if cookie != "" {
		r.Header.Set("Cookie", "sid="+cookie)
	}
	for i := 0; i+1 < len(more); i += 2 {
		r.Header.Set(more[i], more[i+1])
	}
	return ask(b.h, r)
}

// code opens pairing as airhold pair does.
func (b *gated) code() string {
	b.t.Helper()
	res := b.from("127.0.0.1:1", "", "POST", "/api/pair/open", "{}")
	var got struct {
		Code    string
		Seconds int
	}
	if err := json.NewDecoder(res.Body).Decode(&got); err != nil || res.StatusCode != http.StatusOK || got.Seconds != 600 {
		b.t.Fatalf("airhold pair got %d %+v, %v; want a code for 600 s", res.StatusCode, got, err)
	}
	return got.Code
}

func (b *gated) try(remote, code, name string) reply {
	b.t.Helper()
	return b.from(remote, "", "POST", "/api/pair", fmt.Sprintf(`{"code":%q,"name":%q}`, code, name))
}

// pair pairs a tablet and returns its token.
func (b *gated) pair(remote, name string) string {
	b.t.Helper()
	res := b.try(remote, b.code(), name)
	if res.StatusCode != http.StatusOK {
		b.t.Fatalf("pairing %s = %d %q; want 200", name, res.StatusCode, text(b.t, res))
	}
	return cookieOf(b.t, res).Value
}

func cookieOf(t *testing.T, res reply) *http.Cookie {
	t.Helper()
	c, err := http.ParseSetCookie(res.Header.Get("Set-Cookie"))
	if err != nil {
		t.Fatalf("Set-Cookie %q: %v", res.Header.Get("Set-Cookie"), err)
	}
	return c
}

// Who may do what, written from hmi.md, section 4 (rows roles and http fallback) and 3.2 (reset is service's). Columns:
// anybody: whoever reaches the box. looking: anybody, or paired tablets where the machine file says so.
// tablet: the box and paired tablets. box: the box itself. terminal: a program on the box.
const (
	anybody  = "anybody"
	looking  = "looking"
	operates = "tablet"
	boxOnly  = "box"
	terminal = "terminal"
)

func hmi4() map[string]string {
	return map[string]string{
		"ack": operates, "shelve": operates, "unshelve": operates, "note": operates, "care-done": operates, // "a paired tablet may acknowledge, shelve and record care or drain"
		"test-start": boxOnly, "test-step": boxOnly, "test-stop": boxOnly, // "tests, limits, export and users need https"
		"out-of-service": boxOnly, "in-service": boxOnly, "reset": boxOnly, "forget": boxOnly, // service's
		"GET /": anybody, "GET /contract/{file}": anybody, "GET /healthz": anybody, "GET /api/me": anybody, "POST /api/pair": anybody,
		"GET /mqtt": looking, "GET /metrics": looking, "GET /api/now": looking, "GET /api/alarms": looking, "GET /api/alarm-health": looking, "GET /api/alerts": looking,
		"GET /api/test": looking, "GET /api/test/curve": looking, "GET /api/tests": looking, "GET /api/tests/{run}": looking, "GET /api/tests/{run}/{paper}": looking,
		"GET /api/care": looking, "GET /api/learned": looking, "GET /api/bus": looking, "GET /api/sensor": looking, "GET /api/setup": looking,
		"POST /api/setup/check": looking, "POST /api/setup/save": boxOnly, // it shows and changes nothing; it changes the machine file, as limits
		"POST /api/alerts/got": operates,
		"GET /api/journal":     looking, "GET /api/trend": looking, "GET /api/log": looking,
		"GET /api/export": boxOnly, "POST /api/export": boxOnly, "DELETE /api/export": boxOnly, "GET /api/export/file": boxOnly, // "export need https"
		"GET /api/pair": boxOnly, "DELETE /api/pair/{name}": boxOnly, // users
		"POST /api/pair/open": terminal,
	}
}

const notHere = "needs the secure page, not in this release"

// TestRoleMatrix walks every verb and route of openapi.json for everybody who may come.
func TestRoleMatrix(t *testing.T) {
	for _, viewPaired := range []bool{false, true} {
		b := newGated(t, tablet.Options{
			ViewPaired: viewPaired, Alerts: &alertShelf{}, Snapshot: said{[]byte("{}"), []byte("[]")},
			WS: http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}), Contract: fstest.MapFS{"asyncapi.json": {Data: []byte("{}")}},
		})
		ended := b.pair("192.168.4.40:1", "ended")
		b.hand.pass(181 * 24 * time.Hour)
		paired, revoked := b.pair("192.168.4.41:1", "cab"), b.pair("192.168.4.42:1", "lost")
		if res := b.from("127.0.0.1:1", "", "DELETE", "/api/pair/lost", ""); res.StatusCode != http.StatusOK {
			t.Fatalf("revoke = %d", res.StatusCode)
		}
		who := map[string]struct{ remote, cookie, origin string }{
			"loopback page": {"127.0.0.1:1", "", "http://air.box"}, "loopback program": {"[::1]:1", "", ""},
			"paired": {lan, paired, "http://air.box"}, "unpaired": {lan, "", "http://air.box"}, "expired": {lan, ended, "http://air.box"},
			"forged": {lan, strings.Repeat("A", len(paired)), ""}, "revoked": {lan, revoked, ""}, "no token": {lan, "x", ""},
		}
		want := func(name, grade string) bool {
			box, stranger := strings.HasPrefix(name, "loopback"), name != "paired" && !strings.HasPrefix(name, "loopback")
			switch grade {
			case anybody:
				return true
			case looking:
				return !viewPaired || !stranger
			case operates:
				return !stranger
			case boxOnly:
				return box
			default:
				return name == "loopback program"
			}
		}
		table := hmi4()
		for path, item := range openAPI(t) {
			for method, op := range item {
				method = strings.ToUpper(method)
				whats := []string{method + " " + path}
				if path == "/api/cmd/{verb}" {
					whats = nil
					for _, p := range op.Parameters {
						whats = append(whats, p.Schema.Enum...)
					}
				}
				for _, what := range whats {
					grade, known := table[what]
					if !known {
						t.Errorf("%s is in openapi.json and in no row here: say in hmi4 who may, by hmi.md section 4, and in grades", what)
						continue
					}
					target := strings.NewReplacer("{file}", "asyncapi.json", "{verb}", what, "{run}", "none", "{paper}", "report", "{name}", "nobody").Replace(path)
					for name, w := range who {
						body := ""
						if method == http.MethodPost {
							body = `{"id":"a","key":"air-leak","where":"drain","why":"words","tablet":"cab","line":"00ff","seq":1,"code":"x"}`
							if what == "shelve" {
								body = `{"id":"a","key":"air-leak","for":"30m"}`
							}
						}
						b.told.told = nil
						b.hand.pass(10 * time.Minute) // so that no limit of rates answers in the table's place
						more := []string{}
						if w.origin != "" {
							more = append(more, "Origin", w.origin)
						}
						res := b.from(w.remote, w.cookie, method, target, body, more...)
						says := text(t, res)
						may := want(name, grade)
						if refused := res.StatusCode == http.StatusForbidden; refused == may {
							t.Errorf("%s by %s, view paired %v: %d %q; may it: %v", what, name, viewPaired, res.StatusCode, says, may)
						}
						if !may && !strings.Contains(says, ".") || grade == boxOnly && !may && !strings.Contains(says, notHere) {
							t.Errorf("%s by %s is refused with %q; want a sentence of what to do", what, name, says)
						}
						if !may && len(b.told.told) > 0 {
							t.Errorf("%s by %s reached the box", what, name)
						}
						if may && !strings.Contains(what, " ") && (len(b.told.told) != 1 || name == "paired" && (b.told.told[0].By != "cab" || b.told.told[0].Role != alarms.Operate || b.told.told[0].Via != "tablet")) {
							t.Errorf("%s by %s told the box %+v", what, name, b.told.told)
						}
					}
				}
			}
		}
	}
}

// A route that nobody has graded is the box's own.
func TestWhatIsNotInTheTableIsShut(t *testing.T) {
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	for _, target := range []string{"/api/cmd/open-valve", "/api/cmd/"} {
		if res := b.from(lan, "", "POST", target, "{}"); res.StatusCode != http.StatusForbidden && res.StatusCode != http.StatusNotFound {
			t.Errorf("%s from a stranger = %d", target, res.StatusCode)
		}
	}
	if res := b.from(lan, cookie, "POST", "/api/cmd/open-valve", "{}"); res.StatusCode != http.StatusNotFound || len(b.told.told) > 0 {
		t.Errorf("an unknown verb from a paired tablet = %d %q; want 404", res.StatusCode, text(t, res))
	}
	if res := b.from(lan, cookie, "POST", "/api/unheard-of", "{}"); res.StatusCode != http.StatusNotFound {
		t.Errorf("an unknown route = %d; want 404", res.StatusCode)
	}
}

func TestMeSaysWhatOneMay(t *testing.T) {
	type me struct {
		Place, Name, Role, Why string
		Paired, Secure         bool
		May                    []string
	}
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	all := []string{"look", "ack", "shelve", "unshelve", "note", "care-done", "test", "export", "revoke"}
	for name, c := range map[string]struct {
		remote, cookie string
		want           me
	}{
		"the box":  {"127.0.0.1:1", "", me{Place: "box", Role: "operate", May: all}},
		"paired":   {lan, cookie, me{Place: "tablet", Paired: true, Name: "cab", Role: "operate", May: all[:6]}},
		"unpaired": {lan, "", me{Place: "tablet", Role: "view", May: all[:1]}},
		"forged":   {lan, "x", me{Place: "tablet", Role: "view", May: all[:1], Why: "The box does not know this tablet any more: its pairing was taken back, or is another box's. Pair it again: Menu, This tablet."}},
	} {
		var got me
		res := b.from(c.remote, c.cookie, "GET", "/api/me", "")
		if err := json.NewDecoder(res.Body).Decode(&got); err != nil || fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: /api/me = %+v, %v; want %+v", name, got, err, c.want)
		}
		if renewed := res.Header.Get("Set-Cookie") != ""; renewed != (name == "paired") {
			t.Errorf("%s: the cookie is renewed: %v", name, renewed)
		}
	}
}

// The cookie's attributes by RFC 6265bis: 180 days are 15 552 000 s; __Host- asks for Secure, Path=/ and no Domain.
func TestCookieIsShutIn(t *testing.T) {
	b := newGated(t, tablet.Options{})
	got := b.try(lan, b.code(), "cab").Header.Get("Set-Cookie")
	for _, want := range []string{"sid=", "HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=15552000"} {
		if !strings.Contains(got, want) {
			t.Errorf("Set-Cookie %q has no %s", got, want)
		}
	}
	if strings.Contains(got, "Secure") || strings.Contains(got, "Domain") || strings.Contains(got, "__Host-") {
		t.Errorf("Set-Cookie %q: over plain http a browser would drop it", got)
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "https://air.box/api/pair", strings.NewReader(fmt.Sprintf(`{"code":%q,"name":"yard"}`, b.code())))
	r.RemoteAddr, r.TLS = lan, &tls.ConnectionState{}
	r.Header.Set("Content-Type", "application/json")
	res := ask(b.h, r)
	c := cookieOf(t, res)
	if c.Name != "__Host-sid" || !c.Secure || c.Path != "/" || c.Domain != "" || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode {
		t.Errorf("over TLS the cookie is %+v", c)
	}
	if len(c.Value) != 43 { // 256 bits in base64 without padding (RFC 4648)
		t.Errorf("the token has %d signs; want 43", len(c.Value))
	}
	for _, k := range b.shelf.kept {
		if strings.Contains(fmt.Sprintf("%+v", k), c.Value) {
			t.Error("the token itself is kept")
		}
	}
}
