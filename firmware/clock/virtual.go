// SPDX-License-Identifier: Apache-2.0

package clock

import (
	"container/heap"
	"context"
	"sync"
	"time"
)

// Virtual is the clock of the simulated machine. It stands still while any participant works and jumps to the next
// wake-up once all sleep, but never runs ahead of the wall clock times its rate by more than a few milliseconds. So a fast simulation samples as
// evenly as a slow one: work takes no simulated time.
//
// A participant is a goroutine that called Join; it must sleep only through this clock. Sleepers that did not join
// are woken like the others and do not hold time up while they work.
type Virtual struct {
	rate  float64
	start time.Time // of the simulated day
	wall  time.Time // when the simulation began

	mu       sync.Mutex
	now      time.Duration
	joined   int // participants
	asleep   int // participants that sleep
	queue    wakeups
	pacing   *time.Timer
	due      time.Time     // of pacing
	burst    time.Time     // until when what is due runs without a timer of its own
	stepped  time.Duration // offset of the wall clock against the simulated day
	quality  Quality
	sequence uint64
}

type wakeup struct {
	at     time.Duration
	order  uint64
	ready  chan struct{}
	joined bool
	index  int
}

type wakeups []*wakeup //nolint:recvcheck // container/heap wants Push and Pop on the pointer, the rest on the value

func (w wakeups) Len() int { return len(w) }
func (w wakeups) Less(i, j int) bool {
	if w[i].at != w[j].at {
		return w[i].at < w[j].at
	}
	return w[i].order < w[j].order
}
func (w wakeups) Swap(i, j int) { w[i], w[j] = w[j], w[i]; w[i].index, w[j].index = i, j }
func (w *wakeups) Push(x any)   { e := x.(*wakeup); e.index = len(*w); *w = append(*w, e) } //nolint:errcheck,forcetypeassert // heap of our own type
func (w *wakeups) Pop() any {
	old := *w
	e := old[len(old)-1]
	*w = old[:len(old)-1]
	e.index = -1
	return e
}

// NewVirtual makes a clock whose boot time is zero at start and which runs at rate times real time. Rate zero means
// as fast as the participants work.
func NewVirtual(start time.Time, rate float64) *Virtual {
	return &Virtual{rate: rate, start: start.UTC(), wall: time.Now(), quality: Good}
}

// Rate returns how many times real time the clock may run.
func (v *Virtual) Rate() float64 { return v.rate }

// Join makes the calling goroutine a participant until it calls the function returned.
func (v *Virtual) Join() (leave func()) {
	v.mu.Lock()
	v.joined++
	v.mu.Unlock()
	return func() {
		v.mu.Lock()
		v.joined--
		v.settle()
		v.mu.Unlock()
	}
}

// Step moves the wall clock by d against the boot clock, as a wrong battery clock or a late satellite fix does.
func (v *Virtual) Step(d time.Duration) {
	v.mu.Lock()
	v.stepped += d
	v.mu.Unlock()
}

// Boot returns the simulated boot time.
func (v *Virtual) Boot() time.Duration {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.now
}

// Sample pairs simulated boot and wall time.
func (v *Virtual) Sample() Sample {
	v.mu.Lock()
	defer v.mu.Unlock()
	return Sample{Boot: v.now, UTC: v.start.Add(v.now + v.stepped), Quality: v.quality}
}

// Sleep waits for d of simulated time. Call it as a participant only from the goroutine that joined.
func (v *Virtual) Sleep(ctx context.Context, d time.Duration) error { return v.wait(ctx, d, true) }

// SleepApart waits like Sleep for a goroutine that did not join.
func (v *Virtual) SleepApart(ctx context.Context, d time.Duration) error {
	return v.wait(ctx, d, false)
}

func (v *Virtual) wait(ctx context.Context, d time.Duration, joined bool) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d < 0 {
		d = 0
	}
	v.mu.Lock()
	v.sequence++
	w := &wakeup{at: v.now + d, order: v.sequence, ready: make(chan struct{}), joined: joined}
	heap.Push(&v.queue, w)
	if joined {
		v.asleep++
	}
	v.settle()
	v.mu.Unlock()
	select {
	case <-w.ready:
		return ctx.Err()
	case <-ctx.Done():
		v.mu.Lock()
		if w.index >= 0 {
			heap.Remove(&v.queue, w.index)
			if joined {
				v.asleep--
			}
		}
		v.settle()
		v.mu.Unlock()
		return ctx.Err()
	}
}

// settle moves time to the next wake-up if everyone sleeps and the wall clock allows. The caller holds mu.
func (v *Virtual) settle() {
	for v.asleep >= v.joined && len(v.queue) > 0 {
		next := v.queue[0]
		if lead := v.lead(next.at); lead > 0 && time.Now().Add(lead).After(v.burst) {
			v.pace(lead)
			return
		}
		heap.Pop(&v.queue)
		if next.at > v.now {
			v.now = next.at
		}
		if next.joined {
			v.asleep--
		}
		close(next.ready)
	}
}

// lead returns how long the wall clock still needs until at is due. Where the participants cannot keep up, the lag is
// forgotten, so that a slow moment is not followed by a rush.
func (v *Virtual) lead(at time.Duration) time.Duration {
	if v.rate <= 0 {
		return 0
	}
	lead := time.Duration(float64(at)/v.rate) - time.Since(v.wall)
	if lead < -maxLag {
		v.wall = v.wall.Add(-lead)
	}
	return lead
}

// maxLag is how far the simulation may fall behind the wall clock and still catch up.
const maxLag = 250 * time.Millisecond

// burst is how far ahead of the wall clock what follows a wake-up may run: a converter's many short waits then cost one
// timer and not one each. Simulated times are not touched by it.
const burst = 5 * time.Millisecond

// pace settles again after d, unless a timer for an earlier time already runs.
func (v *Virtual) pace(d time.Duration) {
	due := time.Now().Add(d)
	if v.pacing != nil && !due.Before(v.due) {
		return
	}
	if v.pacing != nil {
		v.pacing.Stop()
	}
	v.due = due
	var t *time.Timer
	t = time.AfterFunc(d, func() {
		v.mu.Lock()
		defer v.mu.Unlock()
		if v.pacing == t {
			v.pacing = nil
		}
		v.burst = time.Now().Add(burst)
		v.settle()
	})
	v.pacing = t
}
