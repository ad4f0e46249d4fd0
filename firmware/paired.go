// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"log/slog"

	"airhold/firmware/alarms"
	"airhold/firmware/store"
	"airhold/firmware/tablet"
)

// pairings gives the page's gate the store's list of paired tablets.
type pairings struct{ to *store.Paired }

// openPairings opens the list; a damaged one is said and begun anew. Where it cannot be had the box runs without: no tablet
// can be paired then, and nothing else is lost.
func (b *Box) openPairings() tablet.Tablets {
	p, moved, err := b.o.Store.Paired()
	if err != nil {
		b.o.Log.Error("no tablet can be paired: the list of those that are cannot be opened", slog.Any("error", err))
		return nil
	}
	if moved != "" {
		b.o.Log.Error("the list of paired tablets was damaged: pair them again, with airhold pair", slog.String("moved_to", moved))
	}
	b.paired = p
	return pairings{p}
}

// All returns the tablets. One whose hash is none is left out: no cookie would ever fit.
func (p pairings) All(ctx context.Context) ([]tablet.Tablet, error) {
	all, err := p.to.All(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]tablet.Tablet, 0, len(all))
	for i := range all {
		t := tablet.Tablet{Name: all[i].Name, Role: alarms.Role(all[i].Role), Paired: all[i].Paired, Seen: all[i].Seen}
		if copy(t.Hash[:], all[i].Hash) == len(t.Hash) {
			out = append(out, t)
		}
	}
	return out, nil
}

// Keep adds or replaces a tablet.
func (p pairings) Keep(ctx context.Context, t tablet.Tablet) error {
	return p.to.Keep(ctx, store.PairedTablet{Name: t.Name, Hash: t.Hash[:], Role: string(t.Role), Paired: t.Paired, Seen: t.Seen})
}

// Drop forgets a tablet.
func (p pairings) Drop(ctx context.Context, name string) error { return p.to.Drop(ctx, name) }

// heardOfPairing puts a pairing into the journal.
func (b *Box) heardOfPairing(kind, text string) {
	if b.keep {
		b.o.Store.Event(b.o.Clock.Boot(), kind, text)
	}
}
