// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"airhold/firmware/tablet"
)

// teller answers trends as it is told.
type teller func(ctx context.Context, q url.Values) ([]byte, error)

func (d teller) Trend(ctx context.Context, q url.Values) ([]byte, error) { return d(ctx, q) }

type sentence struct{ error }

func (sentence) Is(target error) bool { return target == tablet.ErrAsked }

func TestTrendAnswers(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		trends tablet.Trends
		code   int
		body   string
	}{
		"nothing kept": {nil, http.StatusNotFound, "nothing to draw"},
		"drawn": {teller(func(_ context.Context, q url.Values) ([]byte, error) {
			return []byte(`{"asked":"` + q.Get("channels") + `"}`), nil
		}), http.StatusOK, `"tank"`},
		"a bad query": {teller(func(context.Context, url.Values) ([]byte, error) {
			return nil, sentence{errors.New("points is a whole number")}
		}), http.StatusBadRequest, "whole number"},
		"a bad disk": {teller(func(context.Context, url.Values) ([]byte, error) { return nil, errors.New("read /dev/sda: gone") }), http.StatusServiceUnavailable, "could not read"},
	} {
		got := ask(handler(t, tablet.Options{Trends: c.trends}), get("http://localhost/api/trend?channels=tank"))
		if body := text(t, got); got.StatusCode != c.code || !strings.Contains(body, c.body) || strings.Contains(body, "/dev") {
			t.Errorf("%s: %d %q; want %d with %q", name, got.StatusCode, body, c.code, c.body)
		}
	}
}

// One trend is drawn at a time; the next one waits a little and is then told so. Who hangs up ends his own.
func TestOneTrendAtATime(t *testing.T) {
	t.Parallel()
	inside, ended := make(chan struct{}), make(chan struct{})
	h := handler(t, tablet.Options{Trends: teller(func(ctx context.Context, q url.Values) ([]byte, error) {
		if q.Get("channels") == "quick" {
			return []byte("{}"), nil
		}
		close(inside)
		<-ctx.Done()
		close(ended)
		return nil, ctx.Err()
	})})
	ctx, hangUp := context.WithCancel(t.Context())
	go h.ServeHTTP(httptest.NewRecorder(), get("http://localhost/api/trend?channels=slow").WithContext(ctx))
	<-inside
	if got := ask(h, get("http://localhost/api/trend?channels=quick")); got.StatusCode != http.StatusTooManyRequests || got.Header.Get("Retry-After") == "" {
		t.Errorf("beside another one: %d %q; want 429 and when to ask again", got.StatusCode, text(t, got))
	}
	hangUp()
	select {
	case <-ended:
	case <-time.After(5 * time.Second):
		t.Fatal("a trend goes on although nobody waits for it")
	}
	if got := ask(h, get("http://localhost/api/trend?channels=quick")); got.StatusCode != http.StatusOK {
		t.Errorf("after it: %d %q; want 200", got.StatusCode, text(t, got))
	}
}
