// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"airhold/firmware/tablet"
)

// wrong returns a code that is not the one given.
func wrong(code string) string {
	if code[0] == '0' {
		return "1" + code[1:]
	}
	return "0" + code[1:]
}

// says fails unless an answer has a status and its sentence these words.
func says(t *testing.T, what string, res reply, status int, words string) {
	t.Helper()
	if got := text(t, res); res.StatusCode != status || !strings.Contains(got, words) {
		t.Errorf("%s = %d %q; want %d and %q", what, res.StatusCode, got, status, words)
	}
}

func TestCodesThatDoNotPair(t *testing.T) {
	b := newGated(t, tablet.Options{})
	remote := func(n int) string { return fmt.Sprintf("192.168.4.%d:1", n) }
	says(t, "no code is open", b.try(remote(1), "12345678", "cab"), 410, "airhold pair")
	code := b.code()
	says(t, "7 digits", b.try(remote(2), code[1:], "cab"), 400, "8 digits")
	says(t, "letters", b.try(remote(2), "1234567a", "cab"), 400, "8 digits")
	says(t, "no name", b.try(remote(3), code, ""), 400, "up to 24")
	says(t, "a name of signs", b.try(remote(3), code, "<b>"), 400, "up to 24")
	says(t, "a long name", b.try(remote(3), code, strings.Repeat("n", 25)), 400, "up to 24")
	says(t, "no JSON", b.from(remote(4), "", "POST", "/api/pair", "{"), 400, "8 digits")
	says(t, "no media type", b.from(remote(4), "", "POST", "/api/pair", "", "X", "y"), 415, "application/json")
	says(t, "too long", b.from(remote(4), "", "POST", "/api/pair", strings.Repeat(" ", 64<<10+1)), 413, "64 KiB")
	says(t, "a foreign page", b.from(remote(5), "", "POST", "/api/pair", "{}", "Origin", "http://evil.example"), 403, "another site")
	says(t, "the box itself", b.try("127.0.0.1:1", code, "cab"), 409, "needs no pairing")
	says(t, "wrong code", b.try(remote(6), wrong(code), "cab"), 403, "4 more")
	if res := b.try(remote(6), code, "cab"); res.StatusCode != http.StatusOK {
		t.Fatalf("right code = %d %q; want 200", res.StatusCode, text(t, res))
	}
	says(t, "used twice", b.try(remote(7), code, "yard"), 410, "was used")
	code = b.code()
	says(t, "a name that is taken", b.try(remote(8), code, "CAB"), 409, `already`)
	if res := b.try(remote(8), code, "yard"); res.StatusCode != http.StatusOK {
		t.Errorf("the code after a name that is taken = %d; want 200: it has done nothing yet", res.StatusCode)
	}
	code = b.code()
	b.hand.pass(10*time.Minute - time.Second)
	says(t, "in its last second", b.try(remote(9), wrong(code), "shop"), 403, "4 more")
	b.hand.pass(time.Second)
	says(t, "over", b.try(remote(9), code, "shop"), 410, "ten minutes")
	first := b.code()
	if b.code() == first {
		t.Error("two codes are one: not drawn, or a chance of 1 in 100 million")
	}
	says(t, "an older code", b.try(remote(10), first, "shop"), 403, "not the code")
	if want := []string{"paired: tablet cab was paired; it may operate", "paired: tablet yard was paired; it may operate"}; !slices.Equal(b.notes, want) {
		t.Errorf("journal %q; want %q", b.notes, want)
	}
}

func TestFiveWrongCodesShutPairing(t *testing.T) {
	b := newGated(t, tablet.Options{})
	code := b.code()
	for i := range 5 { // each from another client, so that no limit of one client answers
		b.try(fmt.Sprintf("192.168.4.%d:1", 50+i), wrong(code), "cab")
	}
	res := b.try("192.168.4.60:1", code, "cab")
	says(t, "the right code after five wrong ones", res, 429, "10 min")
	says(t, "airhold pair meanwhile", b.from("127.0.0.1:1", "", "POST", "/api/pair/open", "{}"), 429, "10 min")
	b.hand.pass(9*time.Minute + 59*time.Second)
	says(t, "a second before", b.from("127.0.0.1:1", "", "POST", "/api/pair/open", "{}"), 429, "1 min")
	b.hand.pass(time.Second)
	b.pair("192.168.4.60:1", "cab")
}

func TestOneClientTriesFiveTimesInTenMinutes(t *testing.T) {
	b := newGated(t, tablet.Options{})
	for range 5 {
		b.try(lan, "12345678", "cab")
	}
	res := b.try(lan, b.code(), "cab")
	if res.Header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	says(t, "the sixth try", res, 429, "two minutes")
	b.hand.pass(2 * time.Minute)
	if res := b.try(lan, b.code(), "cab"); res.StatusCode != http.StatusOK {
		t.Errorf("two minutes later = %d; want 200", res.StatusCode)
	}
}

func TestPairingsOutliveTheServerAndEndUnused(t *testing.T) {
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	again := newGated(t, tablet.Options{Tablets: b.shelf})
	press := func(g *gated) int {
		return g.from(lan, cookie, "POST", "/api/cmd/ack", `{"id":"a1","key":"air-leak"}`).StatusCode
	}
	if got := press(again); got != 200 {
		t.Fatalf("after a restart = %d; want 200", got)
	}
	again.hand.pass(179 * 24 * time.Hour)
	if got := press(again); got != 200 {
		t.Errorf("used after 179 days = %d; want 200", got)
	}
	again.hand.pass(179 * 24 * time.Hour) // 358 days since pairing, 179 since the last use
	if got := press(again); got != 200 {
		t.Errorf("used again after 179 days = %d; want 200", got)
	}
	again.hand.pass(181 * 24 * time.Hour)
	says(t, "unused for 181 days", again.from(lan, cookie, "POST", "/api/cmd/ack", good), 403, "180 days")
	again.pair("192.168.4.40:1", "cab") // its name is free again
	says(t, "the old cookie", again.from(lan, cookie, "POST", "/api/cmd/ack", good), 403, "does not know this tablet")
}

// A wall clock that is unset or jumps unpairs nobody.
func TestClocksThatAreWrongUnpairNobody(t *testing.T) {
	years := 20 * 365 * 24 * time.Hour
	may := func(g *gated, cookie string) bool {
		return !strings.Contains(text(t, g.from(lan, cookie, "GET", "/api/me", "")), "180 days")
	}
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	b.hand.wall(years, false)
	if !may(b, cookie) {
		t.Error("a jump of 20 years within a run ended a pairing")
	}
	b.hand.wall(-years, false)
	if !may(b, cookie) {
		t.Error("a jump back ended a pairing")
	}
	start := func(jump time.Duration, poor bool) *gated {
		g := newGated(t, tablet.Options{Tablets: b.shelf})
		g.hand.wall(jump, poor)
		return g
	}
	if g := start(years, true); !may(g, cookie) {
		t.Error("a clock that is not set ended a pairing")
	}
	g := start(years, false) // nobody can tell this from a box that lay 20 years in a shed
	if may(g, cookie) {
		t.Error("20 years on, the pairing still counts")
	}
	g.hand.wall(0, false)
	if !may(g, cookie) {
		t.Error("the clock was mended and the tablet is still shut out")
	}
	// Paired while the clock is not set: the time counts from the first use by a good clock.
	g = start(0, true)
	other := g.pair("192.168.4.40:1", "yard")
	if !g.shelf.kept["yard"].Paired.IsZero() {
		t.Error("a time of pairing by a clock that is not set")
	}
	g.hand.wall(0, false)
	if !may(g, other) || g.shelf.kept["yard"].Seen.IsZero() {
		t.Error("a pairing from before the clock was set does not count")
	}
}

func TestRevokedAtOnce(t *testing.T) {
	b := newGated(t, tablet.Options{})
	cookie := b.pair(lan, "cab")
	var list struct {
		Tablets []struct {
			Name, Role   string
			Paired, Seen time.Time
			Ended        bool
		}
	}
	res := b.from("127.0.0.1:1", "", "GET", "/api/pair", "")
	if err := json.NewDecoder(res.Body).Decode(&list); err != nil || len(list.Tablets) != 1 || list.Tablets[0].Name != "cab" || list.Tablets[0].Role != "operate" ||
		!list.Tablets[0].Paired.Equal(noon) || !list.Tablets[0].Seen.Equal(noon) || list.Tablets[0].Ended {
		t.Errorf("the list is %+v, %v", list, err)
	}
	says(t, "revoking nobody", b.from("127.0.0.1:1", "", "DELETE", "/api/pair/nobody", ""), 404, "pair list")
	says(t, "revoking from a tablet", b.from(lan, cookie, "DELETE", "/api/pair/cab", ""), 403, notHere)
	says(t, "revoking by a foreign page", b.from("127.0.0.1:1", "", "DELETE", "/api/pair/cab", "", "Origin", "http://evil.example"), 403, "another site")
	says(t, "revoking", b.from("127.0.0.1:1", "", "DELETE", "/api/pair/Cab", ""), 200, "cab")
	says(t, "a press then", b.from(lan, cookie, "POST", "/api/cmd/ack", good), 403, "does not know this tablet")
	if want := "unpaired: tablet cab was unpaired at the box"; !slices.Contains(b.notes, want) {
		t.Errorf("journal %q has no %q", b.notes, want)
	}
}

func TestSeventeenthTabletIsNotPaired(t *testing.T) {
	b := newGated(t, tablet.Options{})
	for i := range 16 {
		b.pair(fmt.Sprintf("192.168.4.%d:1", 100+i), fmt.Sprintf("tablet %d", i+1))
	}
	says(t, "the 17th", b.try("192.168.4.200:1", b.code(), "one more"), 409, "Sixteen tablets")
}

func TestDisksThatFailPairNobody(t *testing.T) {
	b := newGated(t, tablet.Options{})
	code := b.code()
	b.shelf.err = errors.New("no room left")
	says(t, "a disk that is full", b.try(lan, code, "cab"), 503, "Press the code again")
	b.shelf.err = nil
	if res := b.try(lan, code, "cab"); res.StatusCode != http.StatusOK {
		t.Errorf("the same code once there is room = %d; want 200", res.StatusCode)
	}
	if _, err := tablet.New(tablet.Options{Clock: &hands{}, Tablets: &drawer{err: errors.New("damaged")}}); err == nil || !strings.Contains(err.Error(), "paired tablets") {
		t.Errorf("New() on a list that cannot be read = %v", err)
	}
	h := handler(t, tablet.Options{})
	says(t, "a box that keeps nothing", ask(h, post("http://localhost/api/pair", "{}")), 503, "keeps nothing")
}

func TestPairedTabletsSpeakForThemselves(t *testing.T) {
	alerts := &alertShelf{}
	b := newGated(t, tablet.Options{Alerts: alerts})
	cookie := b.pair(lan, "cab 2")
	if res := b.from(lan, cookie, "POST", "/api/alerts/got", `{"line":"00ff","seq":7,"tablet":"yard"}`); res.StatusCode != http.StatusNoContent {
		t.Errorf("got = %d %q; want 204", res.StatusCode, text(t, res))
	}
	b.from(lan, cookie, "GET", "/api/alerts?tablet=yard", "")
	if want := []string{`got "cab 2" "00ff" 7`, `replay "cab 2" "" -1`}; !slices.Equal(alerts.asked, want) {
		t.Errorf("the alerts were asked %q; want %q", alerts.asked, want)
	}
	says(t, "unpaired", b.from(lan, "", "POST", "/api/alerts/got", `{"line":"00ff","seq":7,"tablet":"yard"}`), 403, "not paired")
	b.from(lan, cookie, "POST", "/api/cmd/note", `{"id":"a","why":"words","by":"somebody else"}`)
	if len(b.told.told) != 1 || b.told.told[0].By != "cab 2" {
		t.Errorf("the box was told %+v; want it by cab 2", b.told.told)
	}
}

// The log alone says the code, as the box starts, where a tablet can reach it.
func TestTheLogSaysTheCodeAtTheStart(t *testing.T) {
	for listen, reachable := range map[string]bool{"127.0.0.1:0": false, "0.0.0.0:0": true} {
		var log bytes.Buffer
		ctx, cancel := context.WithCancel(t.Context())
		up := make(chan net.Addr, 1)
		s, err := tablet.New(tablet.Options{Clock: &hands{}, Tablets: &drawer{}, Assets: fstest.MapFS{"index.html": {}}, Listen: listen, PairAtStart: true, Ready: func(a net.Addr) { up <- a }, Logger: slog.New(slog.NewTextHandler(&log, nil))})
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		addr := <-up
		says(t, "a first try on "+listen, ask(s.Handler(), func() *http.Request {
			r := post("http://localhost/api/pair", `{"code":"00000000","name":"cab"}`)
			r.RemoteAddr = lan
			return r
		}()), map[bool]int{false: 410, true: 403}[reachable], "code")
		open := ask(s.Handler(), post("http://localhost/api/pair/open", "{}"))
		if words := text(t, open); (open.StatusCode == http.StatusOK) != reachable || !reachable && !strings.Contains(words, "listen: 0.0.0.0:8080") {
			t.Errorf("airhold pair on %s = %d %q", listen, open.StatusCode, words)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		_, port, err := net.SplitHostPort(addr.String())
		if err != nil {
			t.Fatal(err)
		}
		code := regexp.MustCompile(`code=\d{8} open="?http://.*:` + port)
		if got := log.String(); code.MatchString(got) != reachable || strings.Count(got, "code=") > 1 {
			t.Errorf("the log on %s:\n%s", listen, got)
		}
	}
}

// Live connections: three a client, sixteen in all; the 17th is told so, and a revoked tablet's end.
func TestLiveConnectionsAreCounted(t *testing.T) {
	var wait sync.WaitGroup
	in := make(chan struct{}, 32)
	ws := http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		in <- struct{}{}
		<-r.Context().Done()
	})
	b := newGated(t, tablet.Options{WS: ws, ViewPaired: true})
	cookie := b.pair(lan, "cab")
	connect := func(remote, cookie string) context.CancelFunc {
		ctx, cancel := context.WithCancel(t.Context())
		r := httptest.NewRequestWithContext(ctx, http.MethodGet, "http://air.box/mqtt", http.NoBody)
		r.RemoteAddr = remote
		r.Header.Set("Cookie", "sid="+cookie)
		wait.Go(func() { ask(b.h, r) })
		<-in
		return cancel
	}
	ends := []context.CancelFunc{connect("127.0.0.1:1", ""), connect("127.0.0.1:2", ""), connect("127.0.0.1:3", "")}
	says(t, "the fourth of one client", b.from("127.0.0.1:4", "", "GET", "/mqtt", ""), 429, "three live connections")
	says(t, "an unpaired one", b.from("192.168.4.99:1", "", "GET", "/mqtt", ""), 403, "paired tablets only")
	for i := range 13 {
		ends = append(ends, connect(fmt.Sprintf("192.168.4.%d:1", 10+i), cookie))
	}
	says(t, "the 17th", b.from("192.168.4.80:1", cookie, "GET", "/mqtt", ""), 503, "Sixteen screens")
	ends[0]()
	for deadline, status := time.Now().Add(5*time.Second), 429; status == 429; { // 200 once one that ended is not counted any more
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		r := get("http://localhost/mqtt").WithContext(ctx)
		status = ask(b.h, r).StatusCode
		cancel()
		if time.Now().After(deadline) {
			t.Fatal("a connection that ended is still counted")
		}
	}
	says(t, "revoking", b.from("127.0.0.1:1", "", "DELETE", "/api/pair/cab", ""), 200, "cab")
	ends[1]()
	ends[2]()
	wait.Wait() // only if those of the revoked tablet end
}
