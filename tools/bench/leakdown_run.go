// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"math"
	"sync"
	"time"

	"airhold/firmware/leakdown"
)

// horizons are the times in s at which estimates are compared with the truth.
func horizons() []float64 { return []float64{60, 120, 180, 300, 600} }

// outcome is what became of one test. Flows are L/min ANR.
type outcome struct {
	trial   trial
	at      []leakdown.Interval // newest estimate at each horizon; NaN where there was none
	verdict leakdown.Verdict
	reasons []string
	decided float64   // s; the whole span where nothing was decided
	naive   []float64 // what the naive methods say
	taught  bool      // a signature was learned before
}

// judge runs one test through the estimator.
func judge(t trial) (outcome, error) {
	o := outcome{trial: t}
	for _, q := range t.quiet {
		q.setup.Signature = t.setup.Signature
		r, _, err := runTest(&q)
		if err != nil {
			return o, err
		}
		if r.Signature != nil {
			t.setup.Signature = r.Signature
		}
	}
	o.taught = t.setup.Signature != nil
	r, samples, err := runTest(&t)
	if err != nil {
		return o, err
	}
	o.verdict, o.reasons = r.Verdict, r.Reasons
	o.decided = testSpan
	if r.Verdict == leakdown.Pass || r.Verdict == leakdown.Fail {
		o.decided = r.DecidedAt.Seconds()
	}
	for _, h := range horizons() {
		o.at = append(o.at, newest(r.Updates, h))
	}
	for _, n := range naiveMethods() {
		o.naive = append(o.naive, n.leak(t.setup, samples))
	}
	return o, nil
}

// runTest hands a test's samples to the estimator one by one.
func runTest(t *trial) (leakdown.Result, []leakdown.Sample, error) {
	samples, err := t.samples()
	if err != nil {
		return leakdown.Result{}, nil, err
	}
	test, err := leakdown.New(t.setup)
	if err != nil {
		return leakdown.Result{}, nil, err
	}
	feed(test, samples)
	return test.Result(), samples, nil
}

func feed(test *leakdown.Test, samples []leakdown.Sample) {
	for _, s := range samples {
		test.Add(s)
	}
	test.Close()
}

// newest is the latest estimate at or before a time, in L/min. Half a second is left to the test to find its start.
func newest(updates []leakdown.Estimate, at float64) leakdown.Interval {
	found := leakdown.Interval{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}
	for _, u := range updates {
		if u.At.Seconds() <= at+0.5 {
			found = leakdown.Interval{Value: lmin(u.Leak.Value), Low: lmin(u.Leak.Low), High: lmin(u.Leak.High)}
		}
	}
	return found
}

func lmin(m3s float64) float64 { return m3s / litre * minute }

// runSet judges n tests of a set on the given number of cores, from test number first on. Tests that were not begun at
// the deadline (zero: none) are left out, always the last ones.
func runSet(ctx context.Context, r *ranges, seed uint64, first, n, cores int, deadline time.Time) ([]outcome, error) {
	var (
		mu   sync.Mutex
		next int
		errs []error
		wg   sync.WaitGroup
	)
	out := make([]outcome, n)
	take := func() (int, bool) {
		mu.Lock()
		defer mu.Unlock()
		if next >= n || ctx.Err() != nil || len(errs) > 0 || !deadline.IsZero() && time.Now().After(deadline) {
			return 0, false
		}
		next++
		return next - 1, true
	}
	for range cores {
		wg.Go(func() {
			for i, more := take(); more; i, more = take() {
				o, err := judge(draw(r, seed, first+i))
				mu.Lock()
				out[i] = o
				if err != nil {
					errs = append(errs, err)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return out[:next], errors.Join(errs...)
}
