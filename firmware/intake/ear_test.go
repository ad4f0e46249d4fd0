// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"airhold/bus"
	"airhold/bus/socketcan"
	"airhold/firmware/intake"
)

// queue is a link that brings what it holds, and then fails or stays silent.
type queue struct {
	frames []bus.Frame
	state  string
	err    error
	closed bool
}

func (q *queue) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	if n := copy(buf, q.frames); n > 0 {
		q.frames = q.frames[n:]
		return n, nil
	}
	if q.err != nil {
		return 0, q.err
	}
	<-ctx.Done()
	return 0, ctx.Err()
}

func (q *queue) Link() socketcan.Link { return socketcan.Link{State: q.state} }
func (q *queue) Close() error         { q.closed = true; return nil }

// What an installer is told of a link, once; readings come either way.
func TestEar(t *testing.T) {
	speed := frame(t, 0, "0CFE4846#A00FFFFFFFFFFFFF")
	var lone []bus.Frame // a public bench note: 3,144 a second at 500 kbit/s
	for i := range 1000 {
		f := frame(t, time.Duration(i)*time.Second/3144, "18FEAE30#FFFFFEFEFFFFFFFF")
		lone = append(lone, f)
	}
	for name, c := range map[string]struct {
		link     queue
		words    string // in the error; empty: none
		readings int
	}{
		"sound":            {queue{frames: []bus.Frame{speed, speed}}, "", 2},
		"key off":          {queue{}, "Nothing is heard", 0},
		"wrong bitrate":    {queue{frames: []bus.Frame{errorReport(0x204, 0, 0x10, 0, 0, 0, 0, 0, 128)}}, "bitrate is probably wrong", 0},
		"passive at start": {queue{state: "passive"}, "bitrate is probably wrong", 0},
		"left the bus":     {queue{state: "off"}, "has left the bus", 0},
		"one device alone": {queue{frames: lone}, "nobody acknowledges", 0},
		"pulled out":       {queue{frames: []bus.Frame{speed}, err: errors.New("interface is gone")}, "interface is gone", 1},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		out := &sink{}
		err := intake.Ear{
			Name: "can0", Table: canTable(), Out: out, Signals: wantedSignals(t)[:1],
			Open: func(context.Context) (intake.FrameSource, error) { return &c.link, nil },
		}.Listen(ctx)
		cancel()
		if (err == nil) != (c.words == "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v; want %q", name, err, c.words)
		}
		if n := len(out.take()); n != c.readings || !c.link.closed {
			t.Errorf("%s: %d readings, closed %v; want %d, true", name, n, c.link.closed, c.readings)
		}
	}
	refused := errors.New("not in listen-only mode")
	err := intake.Ear{Name: "can0", Table: canTable(), Out: &sink{}, Open: func(context.Context) (intake.FrameSource, error) { return nil, refused }}.Listen(t.Context())
	if !errors.Is(err, refused) {
		t.Errorf("a link that is refused: %v; want why", err)
	}
	err = intake.Ear{Name: "can0", Table: canTable(), Out: &sink{}, Signals: []intake.Signal{{Channel: "nobody", Signal: "wheel_speed.speed"}}}.Listen(t.Context())
	if !errors.Is(err, intake.ErrSignal) {
		t.Errorf("a signal that cannot be used: %v; want %v", err, intake.ErrSignal)
	}
}
