// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/intake"
	"airhold/sensors/sounder"
)

// bell sounds what the alarms announce, on the box's own sounder. Its run goroutine alone owns the pin; ring may be called
// by the spine's. What repeats, and what is silent, the alarm engine decides: an acknowledgement ends it, and there is no
// way to mute the sounder.
type bell struct {
	open   func() (intake.Pin, error)
	low    bool
	say    func(kind, text string)
	log    *slog.Logger
	mu     sync.Mutex
	next   sounder.Urgency // waits; 0: nothing
	plays  sounder.Urgency
	cancel context.CancelFunc // of what plays
	wake   chan struct{}
}

// newBell returns the sounder of a machine file, nil where it has none or the box has no pins.
func newBell(b *Box) *bell {
	s := b.o.Machine.Box.Sounder
	if s.Pin == "" || b.o.Wires.Pin == nil {
		return nil
	}
	return &bell{
		open: func() (intake.Pin, error) { return b.o.Wires.Pin(s.Pin) },
		low:  s.ActiveLow, log: b.o.Log, wake: make(chan struct{}, 1),
		say: func(kind, text string) {
			b.o.Log.Warn("sounder", slog.String("text", text))
			if b.keep {
				b.o.Store.Event(b.o.Clock.Boot(), kind, text)
			}
		},
	}
}

// ring asks for a sound; 0 asks for none. It never waits. What is more urgent breaks off what plays, and of what waits the
// most urgent is heard.
func (l *bell) ring(p alarms.Priority) {
	if l == nil || p == 0 {
		return
	}
	u := sounder.Low
	switch p {
	case alarms.High:
		u = sounder.High
	case alarms.Medium:
		u = sounder.Medium
	case alarms.Low:
	}
	l.mu.Lock()
	l.next = max(l.next, u)
	if u > l.plays && l.cancel != nil {
		l.cancel()
	}
	l.mu.Unlock()
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// run plays until ctx ends, and leaves the pin off. A pin that cannot be opened, or fails, is a sentence in the journal and
// never more than that.
func (l *bell) run(ctx context.Context) {
	pin, err := l.open()
	if err != nil {
		l.say("sounder-off", "The sounder cannot be used until the box is started anew: "+err.Error()+".")
		return
	}
	s := sounder.New(pin, sounder.Options{ActiveLow: l.low})
	failed := false
	told := func(err error) {
		switch {
		case err != nil && !failed:
			l.say("sounder-off", "The sounder is not heard: "+err.Error()+". It is tried again at the next alarm.")
		case err == nil && failed:
			l.say("sounder-back", "The sounder is heard again.")
		}
		failed = err != nil
	}
	told(s.Off())
	defer func() {
		if err := errors.Join(s.Off(), pin.Close()); err != nil {
			l.log.WarnContext(ctx, "the sounder's pin cannot be given back", slog.Any("error", err))
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.wake:
		}
		l.mu.Lock()
		playing, cancel := context.WithCancel(ctx)
		u := l.next
		l.next, l.plays, l.cancel = 0, u, cancel
		l.mu.Unlock()
		if u > 0 {
			told(s.Play(playing, u))
		}
		l.mu.Lock()
		l.plays, l.cancel = 0, nil
		l.mu.Unlock()
		cancel()
		rest(ctx, betweenRhythms)
	}
}

// betweenRhythms keeps two announcements apart, so that their pulses can be counted.
const betweenRhythms = 300 * time.Millisecond

func rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d) //nolint:forbidigo // how a sound is heard, not the box's time
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
