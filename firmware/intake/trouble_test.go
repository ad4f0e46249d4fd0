// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/bus/signals"
	"airhold/bus/socketcan"
	"airhold/bus/traffic"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
)

// errorReport is a report of the controller; the bits are those of linux/can/error.h.
func errorReport(class uint32, data ...byte) bus.Frame {
	f := bus.Frame{Frame: can.Frame{ID: class, Length: 8}, Class: bus.Error}
	copy(f.Data[:], data)
	return f
}

// trouble is a listener on fake links, one for each opening, each with the state its kernel told.
type trouble struct {
	t        *testing.T
	c        bubbleClock
	out      *sink
	record   *tap
	links    []*toldLink
	refusals []error // instead of openings, in order; nil opens the next link
	listener *intake.Listener
	stop     func()
}

type toldLink struct {
	*fakeLink

	link socketcan.Link
}

func (l *toldLink) Link() socketcan.Link { return l.link }

func newTrouble(t *testing.T, bitrate int64, refusals []error, states ...string) *trouble {
	t.Helper()
	k := &trouble{t: t, c: newClock(), out: &sink{}, record: &tap{}, refusals: refusals}
	for _, s := range states {
		k.links = append(k.links, &toldLink{newLink(), socketcan.Link{Name: "can0", State: s, Bitrate: 500_000}})
	}
	opened := 0
	k.listener = must[*intake.Listener](t)(intake.NewListener(intake.ListenerOptions{
		Name: "can0", Bitrate: bitrate, Clock: k.c, Table: canTable(), Out: k.out, Tap: k.record, Signals: wantedSignals(t),
		Open: func(context.Context) (intake.FrameSource, error) {
			if len(k.refusals) > 0 {
				err := k.refusals[0]
				k.refusals = k.refusals[1:]
				if err != nil {
					return nil, err
				}
			}
			opened++
			return k.links[opened-1], nil
		},
	}))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- k.listener.Run(ctx) }()
	k.stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v; want nil", err)
		}
	}
	return k
}

// newest returns the newest value of one of the link's channels, after at least a second.
func (k *trouble) newest(suffix string) float64 {
	k.t.Helper()
	wait(1100 * time.Millisecond)
	all := of(k.out.take(), canTable().Find("can0"+suffix))
	if len(all) == 0 {
		k.t.Fatalf("no reading of can0%s", suffix)
	}
	return all[len(all)-1].Value
}

func (k *trouble) remark() string {
	p := k.listener.Picture()
	return strings.Join(p.Remarks, " ")
}

func (k *trouble) expect(what string, state traffic.State, up float64, remark string) {
	k.t.Helper()
	if s := k.newest(readings.LinkState); s != float64(state) {
		k.t.Errorf("%s: state %v; want %v (%v)", what, s, float64(state), state)
	}
	if u := k.newest(readings.LinkUp); u != up {
		k.t.Errorf("%s: up %v; want %v", what, u, up)
	}
	if got := k.remark(); remark == "" && got != "" || !strings.Contains(got, remark) {
		k.t.Errorf("%s: said %q; want %q", what, got, remark)
	}
}

// A public bench note: one device alone repeats this frame 3,144 times a second at 500 kbit/s. It must neither fill the
// record nor flood what is behind, and every frame is counted.
func TestALoneTalkerDoesNotFillTheRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newTrouble(t, 500_000, nil, "active")
		defer k.stop()
		const seconds, rate = 10, 3144
		f := frame(t, 0, "18FEAE30#FFFFFEFEFFFFFFFF")
		for i := range seconds * rate {
			f.Boot = k.c.Boot()
			k.links[0].frames <- f
			if i%rate == 0 && i > 0 {
				k.out.take()
			}
			wait(time.Second / rate)
		}
		p := k.listener.Picture()
		if n := len(k.record.frames); p.Frames != seconds*rate || n > 250 || n < 200 || p.Alone == nil || p.Thinned != p.Frames-int64(n) {
			t.Errorf("%d frames heard, %d recorded, %d thinned, alone %v; want all heard, about 210 recorded, the rest thinned", p.Frames, n, p.Thinned, p.Alone)
		}
		if frames := k.newest(readings.LinkFrames); frames > rate {
			t.Errorf("%v frames a second told", frames)
		}
		// A second device answers.
		for range 50 {
			k.links[0].frames <- frame(t, k.c.Boot(), "0CFE4846#A00FFFFFFFFFFFFF")
			k.links[0].frames <- frame(t, k.c.Boot(), "0CF00400#F39191AA1800F3FF")
			wait(10 * time.Millisecond)
		}
		if a := k.newest(readings.LinkAlone); a != 0 {
			t.Errorf("alone = %v with two devices; want 0", a)
		}
		if n := len(k.record.frames); n < 300 {
			t.Errorf("%d frames recorded; want the 100 of the two devices among them", n)
		}
	})
}

func TestAloneIsToldOnceASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newTrouble(t, 0, nil, "")
		defer k.stop()
		f := frame(t, 0, "18FEAE30#FFFFFEFEFFFFFFFF")
		stop := make(chan struct{})
		go func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				f.Boot = k.c.Boot()
				k.links[0].frames <- f
				wait(time.Second / 3144)
			}
		}()
		if a := k.newest(readings.LinkAlone); a != 1 {
			t.Errorf("alone = %v; want 1", a)
		}
		if got := k.remark(); !strings.Contains(got, "nobody acknowledges") {
			t.Errorf("said %q; want that nobody acknowledges", got)
		}
		close(stop)
		wait(2 * time.Second)
		if a := k.newest(readings.LinkAlone); a != 0 {
			t.Errorf("alone = %v after silence; want 0", a)
		}
	})
}

// What can go wrong with a link, one after the other: it was passive when it was opened, recovers, leaves the bus, goes
// down in the middle of a batch, comes back, is pulled out, comes back not silent, and is silenced again.
func TestTheLifeOfALink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newTrouble(t, 250_000, nil, "passive", "", "")
		defer k.stop()
		speed := func(l *toldLink) { l.frames <- frame(t, k.c.Boot(), "0CFE4846#A00FFFFFFFFFFFFF") }
		report := func(l *toldLink, class uint32, data ...byte) {
			f := errorReport(class, data...)
			f.Boot = k.c.Boot()
			l.frames <- f
		}
		first := k.links[0]
		k.expect("opened passive, nothing heard", traffic.Passive, 1, "bitrate is probably wrong")
		report(first, 0x204, 0, 0x10, 0, 0, 0, 0, 0, 135)
		k.expect("only errors", traffic.Passive, 1, "bitrate is probably wrong")
		speed(first)
		report(first, 0x204, 0, 0x40, 0, 0, 0, 0, 0, 90)
		k.expect("recovered", traffic.Active, 1, "")
		report(first, 0x40)
		k.expect("left the bus", traffic.Off, 1, "has left the bus")
		report(first, 0x100)
		k.expect("started anew", traffic.Active, 1, "")

		// Down with frames still in the batch: they count, and the link is opened again.
		recorded := len(k.record.frames)
		k.refusals = []error{errors.New("can0: link is down"), errors.New("can0: not in listen-only mode")}
		speed(first)
		first.fail <- errors.New("network is down")
		wait(100 * time.Millisecond) // the next attempts come after 0.25 and 0.5 s
		if len(k.record.frames) != recorded+1 || !first.closed.Load() {
			t.Errorf("%d frames after going down, closed %v; want the last one kept", len(k.record.frames)-recorded, first.closed.Load())
		}
		wait(2 * time.Second)
		k.expect("silenced and back", traffic.Unknown, 1, "")
		second := k.links[1]
		speed(second)
		k.expect("back", traffic.Active, 1, "")
		if n := len(of(k.out.take(), canTable().Find("speed"))); n != 0 {
			t.Errorf("%d speeds are left; each was taken", n)
		}

		k.refusals = []error{errors.New("can0: no such interface"), errors.New("can0: no such interface"), errors.New("can0: gone"), errors.New("can0: gone"), errors.New("can0: gone")}
		second.fail <- errors.New("no such device")
		k.expect("pulled out", traffic.Active, 0, "")
		wait(30 * time.Second)
		k.expect("plugged in again", traffic.Unknown, 1, "Nothing has been heard for 3")
		p := k.listener.Picture()
		if p.Controller.Counts.Off != 1 || p.Controller.Counts.Restarts != 1 || p.Frames != 3 {
			t.Errorf("counts %+v, %d frames; want one bus off, one restart, three frames over all openings", p.Controller.Counts, p.Frames)
		}
	})
}

// What the kernel is asked to pass when the machine file limits a link: the groups of the file, of the signals, and what
// no link can do without; everything where a signal has no group of its own.
func TestHearing(t *testing.T) {
	catalogue := []intake.Signal{{Channel: "speed", Signal: "wheel_speed.speed", Address: -1}} // PGN 65096
	own := must[*signals.DBC](t)(signals.ParseDBC("own.dbc", []byte(ownDBC)))
	for name, c := range map[string]struct {
		list   []uint32
		wanted []intake.Signal
		want   []uint32
	}{
		"everything":     {nil, catalogue, nil},
		"one group":      {[]uint32{129029}, catalogue, []uint32{60160, 60416, j1939.PGNAddressClaim, 65096, j1939.PGNDM1, 129029}},
		"twice the same": {[]uint32{65096, 60416}, catalogue, []uint32{60160, 60416, j1939.PGNAddressClaim, 65096, j1939.PGNDM1}},
		"11-bit signal":  {[]uint32{129029}, []intake.Signal{{Channel: "own", DBC: own, Message: "AIR", Signal: "Tank", Address: -1}}, nil},
	} {
		got := intake.Hearing(c.list, c.wanted)
		if len(got) != len(c.want) {
			t.Errorf("%s: %v; want %v", name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: %v; want %v", name, got, c.want)
				break
			}
		}
	}
}
