// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"airhold/firmware/tablet"
)

// RFC 6454 section 7 (Origin, null among it) and the Fetch standard (Sec-Fetch-Site): a live connection begins as a GET, so
// a page of another site could open one where only what changes something is looked at.
func TestALiveConnectionIsTheBoxsOwnPages(t *testing.T) {
	opened := 0
	b := newGated(t, tablet.Options{WS: http.HandlerFunc(func(http.ResponseWriter, *http.Request) { opened++ })})
	for name, c := range map[string]struct {
		header []string
		opens  bool
	}{
		"no page":               {nil, true},
		"the box's own":         {[]string{"Origin", "http://air.box"}, true},
		"a browser's own":       {[]string{"Origin", "http://air.box", "Sec-Fetch-Site", "same-origin"}, true},
		"another site":          {[]string{"Origin", "http://evil.example"}, false},
		"a file or a sandbox":   {[]string{"Origin", "null"}, false},
		"another port":          {[]string{"Origin", "http://air.box:8081"}, false},
		"another site, no name": {[]string{"Sec-Fetch-Site", "cross-site"}, false},
		"a name like the box's": {[]string{"Origin", "http://air.box.evil.example"}, false},
	} {
		before := opened
		res := b.from(lan, "", "GET", "/mqtt", "", append([]string{"Upgrade", "websocket", "Connection", "Upgrade"}, c.header...)...)
		if (opened > before) != c.opens {
			t.Errorf("%s: the connection opens: %v; want %v", name, opened > before, c.opens)
		}
		if !c.opens {
			says(t, name, res, 403, "another site")
		}
	}
}

// RFC 7239 and the headers before it: behind a program of the box that passes requests on, every neighbour comes from
// loopback.
func TestWhatWasPassedOnIsNotTheBoxItself(t *testing.T) {
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	for header, value := range map[string]string{"Forwarded": "for=192.168.4.66", "X-Forwarded-For": "192.168.4.66", "X-Real-IP": "192.168.4.66", "Via": "1.1 porch"} {
		says(t, header+", a press", b.from("127.0.0.1:1", "", "POST", "/api/cmd/ack", good, header, value), 403, "not paired")
		says(t, header+", a test", b.from("[::1]:1", "", "POST", "/api/cmd/test-start", good, header, value), 403, notHere)
		says(t, header+", a code", b.from("127.0.0.1:1", "", "POST", "/api/pair/open", "{}", header, value), 403, "terminal only")
		says(t, header+", from far", b.from(lan, "", "POST", "/api/cmd/ack", good, header, "127.0.0.1"), 403, "not paired")
		if res := b.from("127.0.0.1:1", cookie, "POST", "/api/cmd/ack", good, header, value); res.StatusCode != http.StatusOK {
			t.Errorf("%s, a paired tablet's press = %d %q; want 200", header, res.StatusCode, text(t, res))
		}
	}
}

// Cookies know no port (RFC 6265 section 8.5), and one of a longer path comes first (section 5.4): any other program on the
// box's address may have given the browser a sid of its own.
func TestAnotherProgramsCookieUnpairsNobody(t *testing.T) {
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	for _, c := range []string{"junk; sid=" + cookie, cookie + "; sid=junk", strings.Repeat("A", 43) + "; sid=; sid=" + cookie} {
		res := b.from(lan, c, "GET", "/api/me", "")
		if got := cookieOf(t, res).Value; got != cookie {
			t.Errorf("sid=%s: the cookie that is renewed is %s; want the tablet's own", c, got)
		}
		says(t, "sid="+c, res, 200, `"name":"cab"`)
	}
	says(t, "two that are nobody's", b.from(lan, "a; sid=b", "GET", "/api/me", ""), 200, "does not know this tablet")
}

func TestWhatIsNotThereIsSaidInWords(t *testing.T) {
	b := newGated(t, tablet.Options{})
	for _, c := range []struct {
		method, target string
		status         int
		words          string
	}{
		{"GET", "/nosuch", 404, `nothing at "/nosuch" on this box. Its page is at /`},
		{"GET", "/api/nosuch", 404, "/contract/openapi.json"},
		{"POST", "/api/cmd/ack/", 404, "nothing at"},
		{"GET", "/%2e%2e/%2e%2e/etc/passwd", 404, "nothing at"},
		{"GET", "/%3Cscript%3E", 404, `nothing at "/script"`},
		{"PUT", "/api/now", 405, `"PUT" does nothing at "/api/now". This address takes GET, HEAD.`},
		{"TRACE", "/", 405, "takes GET, HEAD"},
		{"GET", "/api/cmd/ack", 405, "takes POST"},
	} {
		res := b.from(lan, "", c.method, c.target, "")
		says(t, c.method+" "+c.target, res, c.status, c.words)
		if kind := res.Header.Get("Content-Type"); !strings.HasPrefix(kind, "text/plain") {
			t.Errorf("%s %s is %q; want plain text", c.method, c.target, kind)
		}
	}
	if res := b.from("127.0.0.1:1", "", "GET", "/api//now", ""); res.Header.Get("Location") != "/api/now" {
		t.Errorf("/api//now leads to %q; want /api/now", res.Header.Get("Location"))
	}
}

// stuck is the connection of a tablet that takes nothing.
type stuck struct {
	*httptest.ResponseRecorder

	writing, free chan struct{}
}

func (s stuck) Write(b []byte) (int, error) {
	close(s.writing)
	<-s.free
	return len(b), nil
}

func TestASlowReaderKeepsNoOtherTrendWaiting(t *testing.T) {
	t.Parallel()
	h := handler(t, tablet.Options{Trends: teller(func(context.Context, url.Values) ([]byte, error) { return []byte("{}"), nil })})
	slow := stuck{httptest.NewRecorder(), make(chan struct{}), make(chan struct{})}
	done := make(chan struct{})
	go func() {
		defer close(done)
		h.ServeHTTP(slow, get("http://localhost/api/trend?channels=tank"))
	}()
	<-slow.writing
	if got := ask(h, get("http://localhost/api/trend?channels=tank")); got.StatusCode != http.StatusOK {
		t.Errorf("beside a slow reader: %d %q; want 200", got.StatusCode, text(t, got))
	}
	close(slow.free)
	<-done
}

// counting is a set-up that takes long to tell.
type counting struct{ asked int }

func (c *counting) Setup() []byte {
	c.asked++
	data, err := json.Marshal(c.asked)
	if err != nil {
		return nil
	}
	return data
}
func (*counting) Check(tablet.SetupAsk) ([]byte, error) { return nil, errors.New("not asked here") }
func (*counting) Save(tablet.SetupAsk) ([]byte, error)  { return nil, errors.New("not asked here") }

func TestTheSetupIsToldTwiceASecondAtMost(t *testing.T) {
	c := &counting{}
	b := newGated(t, tablet.Options{Setup: c})
	for range 200 {
		says(t, "at once", b.from(lan, "", "GET", "/api/setup", ""), 200, "1")
	}
	b.hand.pass(500 * time.Millisecond)
	says(t, "half a second later", b.from(lan, "", "GET", "/api/setup", ""), 200, "2")
	if c.asked != 2 {
		t.Errorf("the box was asked %d times; want 2", c.asked)
	}
}
