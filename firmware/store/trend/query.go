// SPDX-License-Identifier: Apache-2.0

package trend

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/clock"
)

// The limits of a query.
const (
	leastPoints, mostPoints = 2, 2000
	usualPoints             = 600
	usualSpan               = 8 * time.Hour
	mostSpan                = 400 * 24 * time.Hour
	mostChannels            = 64

	// fineSpan is up to where the readings themselves are drawn. A few hundred readings a second make a million an hour.
	fineSpan = 65 * time.Minute
)

// Query is a question that was understood.
type Query struct {
	Channels []string
	From, To time.Time
	Points   int // buckets at most, about: one more where the first is cut

	now      clock.Sample
	relative bool // both ends are counted from now
}

// ErrRefused says that a question cannot be answered as it was put. The text is a sentence for who asked.
var ErrRefused = errors.New("trend refused")

type refusal string

func (r refusal) Error() string        { return string(r) }
func (r refusal) Is(target error) bool { return target == ErrRefused }

func refuse(format string, a ...any) error { return refusal(fmt.Sprintf(format, a...)) }

// Parse understands channels=tank,front&from=-8h&to=now&points=600. From and to are RFC 3339, "now", or a span back from
// now as "-8h" or "-10d"; without them it is the last eight hours. Now is the box's clock. An error wraps ErrRefused.
func Parse(v url.Values, now clock.Sample) (Query, error) {
	q := Query{Points: usualPoints, now: now}
	for key := range v {
		if !slices.Contains([]string{"channels", "from", "to", "points"}, key) {
			return q, refuse("There is no parameter %q. There are channels, from, to and points.", key)
		}
		if len(v[key]) > 1 {
			return q, refuse("The parameter %s stands there %d times. Give it once.", key, len(v[key]))
		}
	}
	for id := range strings.SplitSeq(v.Get("channels"), ",") {
		if id = strings.TrimSpace(id); id != "" && !slices.Contains(q.Channels, id) {
			q.Channels = append(q.Channels, id)
		}
	}
	if len(q.Channels) == 0 {
		return q, refuse("Name the channels to draw, as channels=tank,front.")
	}
	if len(q.Channels) > mostChannels {
		return q, refuse("These are %d channels. Ask for at most %d at a time.", len(q.Channels), mostChannels)
	}
	if text := v.Get("points"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < leastPoints || n > mostPoints {
			return q, refuse("points is a whole number from %d to %d, not %q.", leastPoints, mostPoints, text)
		}
		q.Points = n
	}
	if now.UTC.IsZero() {
		return q, refuse("The box has no clock to count from now. Give from and to as times, as 2026-04-28T07:00:00Z.")
	}
	to, back1, err := moment("to", v.Get("to"), now.UTC, 0)
	if err != nil {
		return q, err
	}
	from, back2, err := moment("from", v.Get("from"), now.UTC, usualSpan)
	if err != nil {
		return q, err
	}
	q.From, q.To, q.relative = from, to, back1 && back2
	switch span := to.Sub(from); {
	case span <= 0:
		return q, refuse("from (%s) is not before to (%s).", from.Format(time.RFC3339), to.Format(time.RFC3339))
	case span > mostSpan:
		return q, refuse("From %s to %s is more than 400 days. Ask for less at a time.", from.Format(time.RFC3339), to.Format(time.RFC3339))
	case from.Year() < 1971 || to.Year() > 2261:
		return q, refuse("Times are from the year 1971 to 2261, not %s to %s.", from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	return q, nil
}

// moment understands one end of the time; back says that it is counted from now.
func moment(name, text string, now time.Time, usual time.Duration) (t time.Time, back bool, err error) {
	switch {
	case text == "":
		return now.Add(-usual), true, nil
	case text == "now":
		return now, true, nil
	case strings.HasPrefix(text, "-"):
		if days, ok := strings.CutSuffix(text, "d"); ok {
			if n, err := strconv.Atoi(days); err == nil && n > -4000 {
				return now.Add(time.Duration(n) * 24 * time.Hour), true, nil
			}
		} else if d, err := time.ParseDuration(text); err == nil && d > -4000*24*time.Hour {
			return now.Add(d), true, nil
		}
	default:
		if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
			return t.UTC(), false, nil
		}
	}
	return t, false, refuse("%s is a time as 2026-04-28T07:00:00Z, or now, or a span back from now as -8h, -90m or -10d, not %q.", name, text)
}

// fineStep is the length of buckets that are made of readings; 0 where minutes do.
func fineStep(span time.Duration, points int) time.Duration {
	if span > fineSpan {
		return 0
	}
	return shortest(span, points, time.Millisecond, 100, 200, 500, 1000, 2000, 5000, 10_000, 15_000, 20_000, 30_000)
}

// shortest is the first of some steps of which so many span it all; 0 where none does.
func shortest(span time.Duration, points int, unit time.Duration, steps ...int64) time.Duration {
	for _, n := range steps {
		if step := int64(unit) * n; int64(span) <= step*int64(points) {
			return time.Duration(step)
		}
	}
	return 0
}

// coarseStep is the length of buckets that are made of minutes.
func coarseStep(span time.Duration, points int) time.Duration {
	if step := shortest(span, points, time.Minute, 1, 2, 3, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360, 720); step > 0 {
		return step
	}
	const day = int64(24 * time.Hour)
	days := (int64(span)/int64(points))/day + 1
	return time.Duration(days * day)
}
