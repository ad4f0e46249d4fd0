// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"time"

	"airhold/firmware/publish"
	"airhold/firmware/store/trend"
	"airhold/firmware/tablet"
)

// Trend implements tablet.Trends.
func (b *Box) Trend(ctx context.Context, v url.Values) ([]byte, error) {
	q, err := trend.Parse(v, b.inputs.time.Better(b.o.Clock.Sample()))
	if err != nil {
		return nil, asked{err}
	}
	a, err := trend.Run(ctx, trend.Options{Dir: b.o.Store.Dir(), Present: b.o.Boot}, q)
	if errors.Is(err, trend.ErrRefused) {
		return nil, asked{err}
	}
	if err != nil {
		return nil, fmt.Errorf("draw a trend: %w", err)
	}
	return json.Marshal(a)
}

// seriesAtOnce is of how many series a day is held in memory.
const seriesAtOnce = 32

// daySummaries sums up a day of UTC over all its boots, from the minutes that are kept: of each series that has any.
func (b *Box) daySummaries(ctx context.Context, date string) ([]publish.Summary, error) {
	out := []publish.Summary{}
	from, err := time.Parse(time.DateOnly, date)
	if err != nil || !b.keep {
		return out, nil // a day without a date is that of a box that does not know the time
	}
	for some := range slices.Chunk(b.series, seriesAtOnce) {
		q := trend.Query{From: from, To: from.AddDate(0, 0, 1), Points: 24 * 60}
		for i := range some {
			q.Channels = append(q.Channels, some[i].ID)
		}
		a, err := trend.Run(ctx, trend.Options{Dir: b.o.Store.Dir(), Present: b.o.Boot}, q)
		if errors.Is(err, trend.ErrRefused) {
			return out, nil
		}
		if err != nil {
			return out, fmt.Errorf("sum a day up: %w", err)
		}
		for i := range a.Series {
			s := &a.Series[i]
			least, mean, most, count, bad := s.Total()
			if count == 0 && bad == 0 {
				continue
			}
			sum := publish.Summary{ID: s.ID, Unit: s.Unit, Reference: s.Reference, Count: uint32(count), Bad: uint32(bad)} //nolint:gosec // a day at 1000 a second is 86 million
			if count > 0 {
				sum.Min, sum.Mean, sum.Max = rounded(least), rounded(mean), rounded(most)
			}
			out = append(out, sum)
		}
	}
	return out, nil
}

// asked is a refusal as the page's server knows it.
type asked struct{ error }

// Is makes it a tablet.ErrAsked.
func (asked) Is(target error) bool { return target == tablet.ErrAsked }
