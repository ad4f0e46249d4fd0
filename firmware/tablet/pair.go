// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/json"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

const (
	codeDigits = 8
	codeOpen   = 10 * time.Minute // how long a code may be used
	codeTries  = 5                // wrong codes until it is shut
	codeShut   = 10 * time.Minute // how long pairing is shut then
	longName   = 24               // letters
)

// pairing holds the code that is open, in memory alone; mu guards it.
type pairing struct {
	clock Clock

	mu    sync.Mutex
	code  string // empty: none is open
	until time.Duration
	shut  time.Duration // after too many wrong codes, none can be opened or tried before
	tries int
	used  bool // the last code has done its work
}

// open draws a new code in place of the one there was. why is a sentence where it must wait.
func (p *pairing) open() (code string, left time.Duration, why string, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.clock.Boot()
	if now < p.shut {
		return "", p.shut - now, tooManyCodes(p.shut - now), nil
	}
	n, err := rand.Int(rand.Reader, big.NewInt(100_000_000))
	if err != nil {
		return "", 0, "", fmt.Errorf("draw a code: %w", err)
	}
	p.code, p.until, p.tries, p.used = fmt.Sprintf("%0*d", codeDigits, n), now+codeOpen, 0, false
	return p.code, codeOpen, "", nil
}

// tooManyCodes says for how long pairing is shut, in whole minutes.
func tooManyCodes(left time.Duration) string {
	return fmt.Sprintf("Five wrong codes: pairing is shut. In %d min, get a new code at the box: airhold pair.", int64((left+time.Minute-1)/time.Minute))
}

// try compares a code and, where it is right, has pair do the rest; a code has done its work once pair returns no
// sentence. A status of 0 means that it did.
func (p *pairing) try(ctx context.Context, code string, pair func(context.Context) (status int, why string)) (status int, why string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.clock.Boot()
	if p.code != "" && now >= p.until {
		p.code = ""
	}
	switch {
	case now < p.shut:
		return http.StatusTooManyRequests, tooManyCodes(p.shut - now)
	case p.code == "" && p.used:
		return http.StatusGone, "The code was used, and each is good for one tablet. Get a new one at the box: airhold pair."
	case p.code == "":
		return http.StatusGone, "No code is open: each is good for ten minutes. Get a new one at the box: airhold pair."
	case subtle.ConstantTimeCompare([]byte(code), []byte(p.code)) != 1:
		p.tries++
		if p.tries >= codeTries {
			p.code, p.shut = "", now+codeShut
			return http.StatusTooManyRequests, tooManyCodes(codeShut)
		}
		return http.StatusForbidden, fmt.Sprintf("That is not the code. %d more tries before pairing is shut.", codeTries-p.tries)
	}
	if status, why = pair(ctx); status == 0 {
		p.code, p.used = "", true
	}
	return status, why
}

// isName says whether a tablet may be called that: up to 24 letters, digits, spaces and hyphens, one of them no space.
func isName(name string) bool {
	odd := func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != ' ' && r != '-' }
	return utf8.ValidString(name) && strings.TrimSpace(name) == name && name != "" && utf8.RuneCountInString(name) <= longName && !strings.ContainsFunc(name, odd)
}

const noMemory = "This box keeps nothing, or cannot open what it keeps, so it cannot keep a pairing either. Its log says why."

// pairTablet answers POST /api/pair.
func (s *Server) pairTablet(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		who, ok := client(r)
		switch {
		case s.book.keep == nil:
			refuse(w, http.StatusServiceUnavailable, "", noMemory)
			return
		case callerOf(r).box:
			refuse(w, http.StatusConflict, "", "This is the box's own screen. It needs no pairing.")
			return
		case !ok || !limit.take(who):
			s.count.refused.Add(1)
			w.Header().Set("Retry-After", strconv.Itoa(int(codeRefill/time.Second)))
			refuse(w, http.StatusTooManyRequests, "", "Too many codes from this tablet. Wait two minutes, look at the code again and press it anew.")
			return
		}
		data, status, sentence := readBody(w, r)
		if status != 0 {
			refuse(w, status, "", sentence)
			return
		}
		var b struct{ Code, Name string }
		switch err := json.Unmarshal(data, &b); {
		case err != nil || len(b.Code) != codeDigits || strings.Trim(b.Code, "0123456789") != "":
			refuse(w, http.StatusBadRequest, "", "A code is 8 digits, as airhold pair shows them at the box.")
			return
		case !isName(b.Name):
			refuse(w, http.StatusBadRequest, "", "A tablet's name is up to 24 letters, digits, spaces and hyphens, as cab.")
			return
		}
		var token string
		status, why := s.code.try(r.Context(), b.Code, func(ctx context.Context) (int, string) {
			got, why, err := s.book.add(ctx, b.Name)
			if err != nil {
				s.log.WarnContext(ctx, "pairing not kept", "tablet", b.Name, "err", err)
				return http.StatusServiceUnavailable, "The box could not keep the pairing. Press the code again."
			}
			if why != "" {
				return http.StatusConflict, why
			}
			token = got
			return 0, ""
		})
		if status != 0 {
			s.count.refused.Add(1)
			refuse(w, status, "", why)
			return
		}
		s.journal(r.Context(), "paired", fmt.Sprintf("tablet %s was paired; it may operate", b.Name))
		setCookie(w, r, token)
		s.sayWho(w, &caller{via: "tablet", name: b.Name, tls: r.TLS != nil})
	}
}

// journal keeps a sentence about pairing.
func (s *Server) journal(ctx context.Context, kind, text string) {
	s.log.InfoContext(ctx, "pairing", "kind", kind, "text", text)
	if s.o.Event != nil {
		s.o.Event(kind, text)
	}
}

// me says who the sender is to the box, and what they may do.
type me struct {
	Place  string   `json:"place"` // "box" or "tablet"
	Paired bool     `json:"paired"`
	Name   string   `json:"name,omitempty"`
	Role   string   `json:"role"`   // view or operate; none where it may not even look
	Secure bool     `json:"secure"` // over TLS
	May    []string `json:"may"`
	Why    string   `json:"why,omitempty"` // why a pairing it shows does not count
}

// who answers GET /api/me, and lengthens the life of the cookie it was asked with.
func (s *Server) who(w http.ResponseWriter, r *http.Request) {
	c := callerOf(r)
	if c.name != "" {
		setCookie(w, r, c.token)
	}
	s.sayWho(w, c)
}

func (s *Server) sayWho(w http.ResponseWriter, c *caller) {
	m := me{Place: "tablet", Paired: c.name != "", Name: c.name, Role: string(c.role("")), Secure: c.tls, May: s.mayDo(c), Why: c.why}
	if c.box {
		m.Place = "box"
	}
	if len(m.May) == 0 {
		m.Role = "none"
	}
	s.sendValue(w, m)
}

func (s *Server) sendValue(w http.ResponseWriter, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		s.log.Error("an answer cannot be written", "err", err)
		http.Error(w, "The box could not write its answer. Ask again.", http.StatusInternalServerError)
		return
	}
	sendJSON(w, append(data, '\n'))
}

// opened is the answer to airhold pair.
type opened struct {
	Code    string   `json:"code"`
	Seconds int64    `json:"seconds"` // how long it is good
	Open    []string `json:"open"`    // addresses of the page
}

// openPairing answers POST /api/pair/open.
func (s *Server) openPairing(w http.ResponseWriter, r *http.Request) {
	addrs, reachable := s.addresses()
	switch {
	case s.book.keep == nil:
		refuse(w, http.StatusServiceUnavailable, "", noMemory)
		return
	case !reachable:
		refuse(w, http.StatusConflict, "", "The page listens on "+s.o.Listen+", where no tablet reaches it. In the machine file write page: {listen: 0.0.0.0:8080}, and start the box again.")
		return
	}
	code, left, why, err := s.code.open()
	switch {
	case err != nil:
		s.log.ErrorContext(r.Context(), "no code", "err", err)
		refuse(w, http.StatusServiceUnavailable, "", "The box could not draw a code. Ask again.")
	case why != "":
		w.Header().Set("Retry-After", strconv.FormatInt(int64(left/time.Second), 10))
		refuse(w, http.StatusTooManyRequests, "", why)
	default:
		s.sendValue(w, opened{code, int64(left / time.Second), addrs})
	}
}

// openAtStart opens pairing as the box starts, and says so in the service's log alone.
func (s *Server) openAtStart(ctx context.Context) {
	addrs, reachable := s.addresses()
	if !s.o.PairAtStart || s.book.keep == nil || !reachable {
		return
	}
	code, _, _, err := s.code.open()
	if err != nil {
		s.log.ErrorContext(ctx, "no code", "err", err)
		return
	}
	s.log.InfoContext(ctx, "For ten minutes a tablet can be paired: open the page on it, choose Menu, This tablet, and press this code.", "code", code, "open", strings.Join(addrs, " "))
}

// listed is a paired tablet as airhold pair list shows it.
type listed struct {
	Name   string    `json:"name"`
	Role   string    `json:"role"`
	Paired time.Time `json:"paired,omitzero"`
	Seen   time.Time `json:"seen,omitzero"`
	Ended  bool      `json:"ended"`
}

// pairedTablets answers GET /api/pair.
func (s *Server) pairedTablets(w http.ResponseWriter, _ *http.Request) {
	all, ended := s.book.list()
	out := make([]listed, len(all))
	for i := range all {
		t := &all[i]
		out[i] = listed{t.Name, string(t.Role), t.Paired.UTC(), t.Seen.UTC(), ended[i]}
	}
	s.sendValue(w, map[string][]listed{"tablets": out})
}

// revoke answers DELETE /api/pair/{name}.
func (s *Server) revoke(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	was, found, err := s.book.drop(r.Context(), name)
	switch {
	case err != nil:
		s.log.WarnContext(r.Context(), "pairing not taken back", "tablet", name, "err", err)
		refuse(w, http.StatusServiceUnavailable, "", "The box could not take the pairing back. Ask again.")
	case !found:
		refuse(w, http.StatusNotFound, "", "No tablet "+quoted(name)+" is paired. Those that are: airhold pair list.")
	default:
		s.sockets.end(was)
		s.journal(r.Context(), "unpaired", fmt.Sprintf("tablet %s was unpaired at the box", was))
		s.sendValue(w, map[string]string{"unpaired": was})
	}
}

// addresses are those a tablet may open, and whether there may be any: false where the page listens to the box alone.
func (s *Server) addresses() (open []string, reachable bool) {
	at := s.at.Load()
	if at == nil {
		return []string{}, true // somebody else listens, and knows
	}
	own, err := netip.ParseAddrPort((*at).String())
	if err != nil {
		return []string{}, true
	}
	show := func(host string) string {
		return "http://" + net.JoinHostPort(host, strconv.Itoa(int(own.Port()))) + "/"
	}
	if !own.Addr().IsUnspecified() {
		return []string{show(own.Addr().Unmap().String())}, !own.Addr().Unmap().IsLoopback()
	}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return []string{}, true
	}
	var v6 []string
	for _, a := range all {
		p, err := netip.ParsePrefix(a.String())
		switch ip := p.Addr().Unmap(); {
		case err != nil || ip.IsLoopback() || ip.IsLinkLocalUnicast():
		case ip.Is4():
			open = append(open, show(ip.String()))
		default:
			v6 = append(v6, show(ip.String()))
		}
	}
	return slices.Concat([]string{}, open, v6), true
}
