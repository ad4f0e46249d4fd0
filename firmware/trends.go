// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"

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

// asked is a refusal as the page's server knows it.
type asked struct{ error }

// Is makes it a tablet.ErrAsked.
func (asked) Is(target error) bool { return target == tablet.ErrAsked }
