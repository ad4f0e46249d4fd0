// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"
)

// Trends draws recorded time, as JSON. Trend is called from many goroutines, but one at a time, and blocks until it has its
// answer or ctx ends. An error that wraps ErrAsked is a sentence for who asked.
type Trends interface {
	Trend(ctx context.Context, q url.Values) ([]byte, error)
}

// ErrAsked says that a question cannot be answered as it was put.
var ErrAsked = errors.New("asked in a way that cannot be answered")

// trendPatience is how long a trend waits for the one before it.
const trendPatience = 2 * time.Second

// trend answers GET /api/trend. One is drawn at a time: the box has other things to do.
func (s *Server) trend() http.HandlerFunc {
	turn := make(chan struct{}, 1)
	return func(w http.ResponseWriter, r *http.Request) {
		if s.o.Trends == nil {
			http.Error(w, "The box keeps nothing to draw a trend of now.", http.StatusNotFound)
			return
		}
		patience := time.NewTimer(trendPatience) //nolint:forbidigo // how long a person waits is not the box's time
		defer patience.Stop()
		select {
		case turn <- struct{}{}:
		case <-r.Context().Done():
			return
		case <-patience.C:
			w.Header().Set("Retry-After", "2")
			http.Error(w, "Another trend is being drawn. Ask again in a moment.", http.StatusTooManyRequests)
			return
		}
		data, err := s.draw(r.Context(), r.URL.Query(), turn)
		switch {
		case r.Context().Err() != nil: // nobody waits for it any more
		case errors.Is(err, ErrAsked):
			http.Error(w, err.Error(), http.StatusBadRequest)
		case err != nil:
			s.log.WarnContext(r.Context(), "trend not drawn", "err", err)
			http.Error(w, "The box could not read its recordings. Ask again.", http.StatusServiceUnavailable)
		default:
			sendJSON(w, data)
		}
	}
}

// draw draws one, and gives the turn on before it is sent: a slow reader keeps nobody else waiting.
func (s *Server) draw(ctx context.Context, q url.Values, turn <-chan struct{}) ([]byte, error) {
	defer func() { <-turn }()
	return s.o.Trends.Trend(ctx, q)
}
