// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
)

// Tablet is one paired tablet.
type Tablet struct {
	Name   string
	Hash   [sha256.Size]byte // of its cookie's token, which the box does not keep
	Role   alarms.Role
	Paired time.Time // zero: the clock was not set
	Seen   time.Time // last use, to the hour; zero: none while the clock was set
}

// Tablets keeps which tablets are paired, over a restart and a power cut. Its methods may be called from many goroutines
// and may wait for the disk; each may be repeated.
type Tablets interface {
	// All returns the tablets in any order.
	All(ctx context.Context) ([]Tablet, error)
	// Keep adds a tablet, or replaces the one of its name.
	Keep(ctx context.Context, t Tablet) error
	// Drop forgets a tablet; one it does not know is no error.
	Drop(ctx context.Context, name string) error
}

const (
	idle        = 180 * 24 * time.Hour // without use, a pairing ends
	mostTablets = 16
	tokenBytes  = 32
	seenEvery   = time.Hour // how often a use is written
	stepSlack   = time.Hour // a wall clock that runs off further within one run has jumped
)

// book holds the paired tablets; mu guards what follows it.
//
// A pairing ends by the box's wall clock, which may be unset or wrong, so: only a clock of quality Good counts; while it is
// less, nobody's pairing ends and no use is written. Within one run the clock counts as going on from its first good
// sample: a jump forward is believed at the next start. A date of last use never goes back. And nothing is deleted: who
// was shut out by a wrong clock is let in when it is mended.
type book struct {
	clock Clock
	keep  Tablets // nil: no tablet can be paired
	log   *slog.Logger

	mu       sync.Mutex
	tablets  []Tablet
	anchor   clock.Sample
	anchored bool
}

func newBook(ctx context.Context, c Clock, keep Tablets, log *slog.Logger) (*book, error) {
	b := &book{clock: c, keep: keep, log: log}
	if keep == nil {
		return b, nil
	}
	var err error
	if b.tablets, err = keep.All(ctx); err != nil {
		return nil, fmt.Errorf("read the paired tablets: %w", err)
	}
	return b, nil
}

// now returns the wall time that counts; false where there is none.
func (b *book) now() (time.Time, bool) {
	s := b.clock.Sample()
	if s.Quality != clock.Good {
		return time.Time{}, false
	}
	if !b.anchored {
		b.anchor, b.anchored = s, true
	}
	on := b.anchor.UTC.Add(s.Boot - b.anchor.Boot)
	switch {
	case s.UTC.After(on.Add(stepSlack)):
		return on, true
	case s.UTC.Before(on.Add(-stepSlack)):
		b.anchor = s
	}
	return s.UTC, true
}

// expired says whether a pairing has ended for want of use.
func expired(t *Tablet, now time.Time, known bool) bool {
	return known && !t.Seen.IsZero() && now.Sub(t.Seen) > idle
}

// The cookie's names. A browser takes __Host- only over TLS and only for the very host, so no neighbour can plant it.
const (
	plainCookie  = "sid"
	secureCookie = "__Host-sid"
)

func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return secureCookie
	}
	return plainCookie
}

// setCookie gives the browser its token, for another 180 days.
func setCookie(w http.ResponseWriter, r *http.Request, token string) {
	http.SetCookie(w, &http.Cookie{ //nolint:gosec // Secure is set where there is TLS: over plain http a browser would drop it
		Name: cookieName(r), Value: token, Path: "/", MaxAge: int(idle / time.Second), Secure: r.TLS != nil, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
}

const (
	saysUnknown = "The box does not know this tablet any more: its pairing was taken back, or is another box's. Pair it again: Menu, This tablet."
	saysExpired = "This tablet was not used for 180 days, so its pairing has ended. Pair it again: Menu, This tablet."
)

// who returns the name of the tablet whose cookie a request has, and that cookie's token, or a sentence where it has none
// that counts. Cookies know no port: another program on the box's address may have given the browser one of the same name,
// so each is looked at.
func (b *book) who(r *http.Request) (name, token, why string) {
	for _, cookie := range r.CookiesNamed(cookieName(r)) {
		name, no := b.whose(r.Context(), cookie.Value)
		if name != "" {
			return name, cookie.Value, ""
		}
		if why != saysExpired {
			why = no
		}
	}
	return "", "", why
}

// whose returns the name of the tablet that a token was given to, or a sentence.
func (b *book) whose(ctx context.Context, token string) (name, why string) {
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(raw) != tokenBytes {
		return "", saysUnknown
	}
	hash := sha256.Sum256(raw)
	b.mu.Lock()
	defer b.mu.Unlock()
	// How long the search takes tells of hashes only, and from a hash nobody finds a token.
	i := slices.IndexFunc(b.tablets, func(t Tablet) bool { return t.Hash == hash })
	if i < 0 {
		return "", saysUnknown
	}
	t := &b.tablets[i]
	now, known := b.now()
	if expired(t, now, known) {
		return "", saysExpired
	}
	if known && now.Sub(t.Seen) > seenEvery {
		t.Seen = now
		if err := b.keep.Keep(context.WithoutCancel(ctx), *t); err != nil {
			b.log.WarnContext(ctx, "last use of a tablet not kept", "tablet", t.Name, "err", err)
		}
	}
	return t.Name, ""
}

// list returns the tablets by name, and which of them have ended.
func (b *book) list() (all []Tablet, ended []bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	all = slices.SortedFunc(slices.Values(b.tablets), func(x, y Tablet) int { return strings.Compare(x.Name, y.Name) })
	now, known := b.now()
	for i := range all {
		ended = append(ended, expired(&all[i], now, known))
	}
	return all, ended
}

// add pairs a tablet and returns its token. why is a sentence where it cannot be. A name whose pairing has ended is free.
func (b *book) add(ctx context.Context, name string) (token, why string, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now, known := b.now()
	left := make([]Tablet, 0, len(b.tablets)+1)
	for i := range b.tablets {
		t := &b.tablets[i]
		same := strings.EqualFold(t.Name, name)
		switch {
		case same && !expired(t, now, known):
			return "", "There is a tablet " + quoted(t.Name) + " already. Choose another name, or take the old pairing back at the box: airhold pair revoke.", nil
		case same:
			if err := b.keep.Drop(ctx, t.Name); err != nil {
				return "", "", err
			}
		default:
			left = append(left, *t)
		}
	}
	b.tablets = left
	if len(left) >= mostTablets {
		return "", "Sixteen tablets are paired, which is as many as the box takes. Take one back at the box: airhold pair list, then airhold pair revoke.", nil
	}
	raw := make([]byte, tokenBytes)
	if _, err := rand.Read(raw); err != nil {
		return "", "", fmt.Errorf("draw a token: %w", err)
	}
	t := Tablet{Name: name, Hash: sha256.Sum256(raw), Role: alarms.Operate}
	if known {
		t.Paired, t.Seen = now, now
	}
	if err := b.keep.Keep(ctx, t); err != nil {
		return "", "", err
	}
	b.tablets = append(b.tablets, t)
	return base64.RawURLEncoding.EncodeToString(raw), "", nil
}

// drop takes a pairing back; false where there is none of that name.
func (b *book) drop(ctx context.Context, name string) (was string, found bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	i := slices.IndexFunc(b.tablets, func(t Tablet) bool { return strings.EqualFold(t.Name, name) })
	if i < 0 {
		return "", false, nil
	}
	was = b.tablets[i].Name
	if err := b.keep.Drop(ctx, was); err != nil {
		return "", false, err
	}
	b.tablets = slices.Delete(b.tablets, i, i+1)
	return was, true, nil
}
