// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"
)

// gate checks the host and the origin of every request and sets the headers every answer has.
func (s *Server) gate(next http.Handler) http.Handler {
	names := map[string]bool{"localhost": true}
	for _, n := range s.o.AllowHosts {
		names[hostName(n)] = true
	}
	origin := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !hostAllowed(r, names) {
			s.count.hosts.Add(1)
			s.log.DebugContext(r.Context(), "request for a foreign host refused", "host", r.Host, "remote", r.RemoteAddr)
			http.Error(w, "This box does not go by the name "+quoted(r.Host)+". Open it by its address, or add the name under page: hosts: in the machine file.", http.StatusMisdirectedRequest)
			return
		}
		asked := r
		if r.Header.Get("Upgrade") != "" { // a live connection begins as a GET, which the check would let through
			asked = r.WithContext(r.Context())
			asked.Method = http.MethodPost
		}
		if err := origin.Check(asked); err != nil {
			s.count.origins.Add(1)
			s.log.DebugContext(r.Context(), "request of a foreign page refused", "origin", r.Header.Get("Origin"), "remote", r.RemoteAddr)
			refuse(w, http.StatusForbidden, "", "This was sent by a page of another site, so the box did not do it. Use the box's own page.")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// hostAllowed guards against names that an attacker lets point at the box (DNS rebinding): a browser names the
// attacker's host then. A bare address in Host cannot be rebound; it is taken where it is loopback or the very address
// the connection came in on.
func hostAllowed(r *http.Request, names map[string]bool) bool {
	name := hostName(r.Host)
	if names[name] {
		return true
	}
	addr, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	if addr.Unmap().IsLoopback() {
		return true
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return false
	}
	own, err := netip.ParseAddrPort(local.String())
	return err == nil && own.Addr().Unmap().WithZone("") == addr.Unmap()
}

// hostName strips port, brackets and a closing dot, and folds case.
func hostName(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

// quoted makes a name from outside safe to print: short, and nothing but plain letters.
func quoted(name string) string {
	out := strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' || strings.ContainsRune(`"<>&`, r) {
			return -1
		}
		return r
	}, name)
	if len(out) > 64 {
		out = out[:64]
	}
	return `"` + out + `"`
}

// client returns the address of the other end, without port.
func client(r *http.Request) (netip.Addr, bool) {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}, false
	}
	return ap.Addr().Unmap().WithZone(""), true
}

// passedOn says whether a request was passed on by another program (RFC 7239, and the older headers in use): it comes from
// wherever that one took it.
func passedOn(r *http.Request) bool {
	return slices.ContainsFunc([]string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"}, func(name string) bool { return len(r.Header.Values(name)) > 0 })
}

// How much one client may ask. It may send a burst of commands (a group of alarms is acknowledged one by one) and then
// ten a minute; questions twice that; codes five in ten minutes.
const (
	burst      = 20
	pressEvery = 6 * time.Second
	askEvery   = 3 * time.Second
	codeBurst  = 5
	codeRefill = 2 * time.Minute
	maxClients = 256
)

// rates holds a bucket a client; mu guards buckets.
type rates struct {
	clock   Clock
	burst   float64
	refill  time.Duration
	mu      sync.Mutex
	buckets map[netip.Addr]bucket
}

type bucket struct {
	left float64
	at   time.Duration
}

func newRates(c Clock, burst float64, refill time.Duration) *rates {
	return &rates{clock: c, burst: burst, refill: refill, buckets: map[netip.Addr]bucket{}}
}

// take says whether the client may send one more now.
func (t *rates) take(who netip.Addr) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.clock.Boot()
	b, known := t.buckets[who]
	if !known {
		if len(t.buckets) >= maxClients {
			t.sweep(now)
		}
		if len(t.buckets) >= maxClients {
			return false
		}
		b = bucket{left: t.burst, at: now}
	}
	b.left = min(t.burst, b.left+float64(now-b.at)/float64(t.refill))
	b.at = now
	ok := b.left >= 1
	if ok {
		b.left--
	}
	t.buckets[who] = b
	return ok
}

// sweep forgets clients whose bucket is full again.
func (t *rates) sweep(now time.Duration) {
	for who, b := range t.buckets {
		if b.left+float64(now-b.at)/float64(t.refill) >= t.burst {
			delete(t.buckets, who)
		}
	}
}
