// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"net/http"
	"net/netip"
	"sync"
)

// How many live connections there may be. A tablet that has lost its Wi-Fi leaves one behind that the box still counts.
const (
	clientSockets = 3
	allSockets    = 16
)

// sockets counts the live connections; mu guards open.
type sockets struct {
	mu   sync.Mutex
	open map[*socket]struct{}
}

type socket struct {
	who  netip.Addr
	name string
	end  context.CancelFunc
}

func (s *sockets) take(n *socket) (status int, why string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	own := 0
	for o := range s.open {
		if o.who == n.who {
			own++
		}
	}
	switch {
	case own >= clientSockets:
		return http.StatusTooManyRequests, "This tablet has three live connections already. Close the page where it is open twice, or wait two minutes."
	case len(s.open) >= allSockets:
		return http.StatusServiceUnavailable, "Sixteen screens are connected, which is as many as the box serves. Close the page on one of them."
	}
	s.open[n] = struct{}{}
	return 0, ""
}

func (s *sockets) give(n *socket) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, n)
}

// end closes the live connections of a tablet.
func (s *sockets) end(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for o := range s.open {
		if o.name == name {
			o.end()
		}
	}
}

// bounded lets no more live connections through than there may be.
func (s *Server) bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		who, _ := client(r)
		ctx, cancel := context.WithCancel(r.Context())
		defer cancel()
		n := &socket{who: who, name: callerOf(r).name, end: cancel}
		if status, why := s.sockets.take(n); status != 0 {
			s.count.refused.Add(1)
			http.Error(w, why, status)
			return
		}
		defer s.sockets.give(n)
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}
