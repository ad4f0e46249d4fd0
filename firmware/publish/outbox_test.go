// SPDX-License-Identifier: Apache-2.0

package publish_test

import (
	"context"
	"encoding/json"
	"errors"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"airhold/firmware/alarms"
	"airhold/firmware/publish"
	"airhold/firmware/store"
)

// follower is a tablet: it shows each alert once, and asks for what is missing as the contract says.
type follower struct {
	t     *testing.T
	box   *publish.Outbox
	stall chan struct{} // while it is open, nothing that is said gets through; nil: it never stalls

	mu    sync.Mutex
	line  string
	seq   int64
	shown []string
}

func (f *follower) hear(topic string, payload []byte) {
	if f.stall != nil {
		<-f.stall
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	switch topic {
	case prefix + "alert":
		var a publish.Alert
		if err := json.Unmarshal(payload, &a); err != nil {
			f.t.Error(err)
		}
		switch {
		case a.Line == f.line && a.Seq <= f.seq:
		case a.Line == f.line && a.Prev == f.seq:
			f.seq, f.shown = a.Seq, append(f.shown, a.Why)
		default:
			f.ask()
		}
	case prefix + "alert/last":
		var l publish.LastAlert
		if err := json.Unmarshal(payload, &l); err != nil {
			f.t.Error(err)
		}
		if l.Line != f.line || l.Seq > f.seq {
			f.ask()
		}
	}
}

// ask gets what is missing, page by page, as GET /api/alerts gives it.
func (f *follower) ask() {
	for {
		text, err := f.box.Replay(context.Background(), "", f.line, f.seq)
		var list publish.AlertList
		if err = errors.Join(err, json.Unmarshal(text, &list)); err != nil {
			f.t.Error(err)
			return
		}
		for _, a := range list.Alerts {
			f.line, f.seq, f.shown = a.Line, a.Seq, append(f.shown, a.Why)
		}
		if !list.More {
			return
		}
	}
}

func (f *follower) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.shown)
}

// Alerts come faster than they can be said, the broker is killed and comes back, one tablet stalls all the while and one
// comes late: each shows every alert once and in order, and the stalled one holds nobody up. On both brokers.
func TestNoAlertIsLostOnTheWay(t *testing.T) {
	for name, open := range map[string]func(*testing.T) *bench{"embedded": embeddedBench, "mosquitto": mosquittoBench} {
		t.Run(name, func(t *testing.T) {
			b := open(t)
			web := webServer(t, b.broker) // where a tablet finds the broker again
			s, err := store.Open(t.TempDir(), store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			memory, err := s.Outbox()
			if err != nil {
				t.Fatal(err)
			}
			out, stop := startOutlet(t, b.broker)
			box := publish.NewOutbox(memory, out, quiet())
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- box.Run(ctx) }()
			defer func() {
				stop()
				cancel()
				if err := errors.Join(<-done, memory.Close(), s.Close()); err != nil {
					t.Error(err)
				}
			}()
			raised := 0
			raise := func(n int) {
				for range n {
					raised++
					s.Transition(alarms.Transition{To: alarms.ActiveUnacked, From: alarms.Normal, Reason: strconv.Itoa(raised), State: alarms.State{Key: "tank-low"}})
					if raised%5 == 0 {
						s.Event(0, "data-back", "The readings move again.")
					}
				}
				if err := s.Commit(); err != nil {
					t.Fatal(err)
				}
			}
			join := func(id string, f *follower) {
				o := paho.NewClientOptions().AddBroker("ws" + strings.TrimPrefix(web.URL, "http") + "/mqtt").SetClientID(id).SetConnectTimeout(2 * time.Second).SetMaxReconnectInterval(time.Second)
				o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { f.hear(m.Topic(), m.Payload()) })
				o.SetOnConnectHandler(func(c paho.Client) { c.Subscribe(prefix+"alert/#", 1, nil) })
				c := paho.NewClient(o)
				if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
					t.Fatalf("%s: %v", id, tok.Error())
				}
				t.Cleanup(func() { c.Disconnect(0) })
			}
			all := func(f *follower, who string) {
				t.Helper()
				for end := time.Now().Add(30 * time.Second); f.count() < raised; time.Sleep(10 * time.Millisecond) {
					if time.Now().After(end) {
						t.Fatalf("%s shows %d of %d alerts", who, f.count(), raised)
					}
				}
			}
			prompt := &follower{t: t, box: box}
			stalled := &follower{t: t, box: box, stall: make(chan struct{})}
			join("prompt", prompt)
			join("stalled", stalled)
			raise(3)
			all(prompt, "the prompt tablet")
			raise(2500) // more than the outlet keeps for a broker
			all(prompt, "the prompt tablet")
			b.kill()
			raise(50)
			time.Sleep(300 * time.Millisecond)
			b.revive()
			raise(7)
			all(prompt, "the prompt tablet")
			if n := stalled.count(); n != 0 {
				t.Errorf("the stalled tablet shows %d; it was to stand still", n)
			}
			late := &follower{t: t, box: box}
			join("late", late)
			close(stalled.stall)
			for who, f := range map[string]*follower{"the prompt tablet": prompt, "the stalled tablet": stalled, "the late tablet": late} {
				all(f, who)
				var want []string
				for i := range raised {
					want = append(want, strconv.Itoa(i+1))
				}
				f.mu.Lock()
				if got := strings.Join(f.shown, " "); got != strings.Join(want, " ") {
					t.Errorf("%s shows %d alerts that are not 1 to %d in order", who, len(f.shown), raised)
				}
				f.mu.Unlock()
			}
			t.Logf("%d alerts on three tablets; %d words for the broker dropped on the way", raised, out.LostEvents())
		})
	}
}
