// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"airhold/firmware/clock"
)

// Options of an Outlet.
type Options struct {
	Machine  string // topic segment; see Slug
	Boot     string // id of this run of the box
	Broker   Broker
	Username string
	Password []byte
	Wall     clock.Clock // for I/O deadlines and the stamp of the last will only
	Log      *slog.Logger
}

// Outlet says the box's state to a broker and keeps saying it: every retained topic is said again after each connect.
// Its Run goroutine owns the connection; the other methods only leave the newest word and never wait.
type Outlet struct {
	o      Options
	prefix string

	mu     sync.Mutex
	state  map[string]*word // retained topics
	order  []string         // topics with something new to say, oldest first
	now    []byte           // the newest snapshot
	fresh  []byte           // the same while it was not yet sent
	curve  word             // the newest curve of a test, and its topic
	curves string
	queues [classes][]saying // said once: the most important class first
	lost   int64             // events that did not fit
	wake   chan struct{}

	connected atomic.Bool
}

type word struct {
	payload []byte
	dirty   bool
}

// saying is said once.
type saying struct {
	topic    string
	payload  []byte
	retained bool
	class    class
}

// class is how important it is that something said once gets through: what is more important is said first, and dropped
// last.
type class uint8

// The classes, the most important first.
const (
	ofAlarms class = iota
	ofEvents
	ofSums
	classes
)

// maxEvents is how many alerts, events and sums wait together while the broker is away; of more, the oldest of the least
// important class is dropped and counted. A
// screen that misses an alert asks for it.
const maxEvents = 1024

// The connection's times. The redial pause is short because a cab screen covers itself after three seconds.
const (
	redialPause  = 500 * time.Millisecond
	tokenTimeout = 2 * time.Second
	keepAlive    = 5 * time.Second
)

// NewOutlet makes an outlet; Run serves it.
func NewOutlet(o Options) *Outlet {
	return &Outlet{o: o, prefix: topicRoot + o.Machine + "/", state: map[string]*word{}, wake: make(chan struct{}, 1)}
}

// Prefix returns the topics' common beginning, with its slash.
func (o *Outlet) Prefix() string { return o.prefix }

// Connected reports whether the broker is reached at the moment.
func (o *Outlet) Connected() bool { return o.connected.Load() }

// LostEvents returns how many events were dropped because the broker was away too long.
func (o *Outlet) LostEvents() int64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.lost
}

// Alarm leaves an alarm's whole state.
func (o *Outlet) Alarm(a Alarm) error { return o.retain(AlarmTopic(string(a.Key), a.Where), a) }

// Sum leaves the counts.
func (o *Outlet) Sum(s AlarmsSum) error { return o.retain("alarms", s) }

// About leaves the description of the box, with the contract it keeps.
func (o *Outlet) About(a About) error {
	var err error
	if a.Contract, err = aboutContract(); err != nil {
		return err
	}
	return o.retain("about", a)
}

// Now leaves the snapshot; an older one that was not yet sent is dropped.
func (o *Outlet) Now(n *Now) error {
	b, err := json.Marshal(n)
	if err != nil {
		return fmt.Errorf("write now: %w", err)
	}
	o.mu.Lock()
	o.now, o.fresh = b, b
	o.mu.Unlock()
	o.ring()
	return nil
}

// Latest returns the newest snapshot left and the retained payloads of all alarms, for those who ask over HTTP.
func (o *Outlet) Latest() (now []byte, alarms [][]byte) {
	o.mu.Lock()
	defer o.mu.Unlock()
	topics := make([]string, 0, len(o.state))
	for t := range o.state {
		if len(t) > 6 && t[:6] == "alarm/" {
			topics = append(topics, t)
		}
	}
	slices.Sort(topics)
	for _, t := range topics {
		alarms = append(alarms, o.state[t].payload)
	}
	return o.now, alarms
}

// Event leaves a journal record.
func (o *Outlet) Event(v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write event: %w", err)
	}
	o.once(saying{topic: "event", payload: b, class: ofEvents})
	return nil
}

// once leaves what is said once, after everything of its class that was left so before it.
func (o *Outlet) once(what saying) {
	o.mu.Lock()
	o.queues[what.class] = append(o.queues[what.class], what)
	n := 0
	for _, q := range o.queues {
		n += len(q)
	}
	for c := classes - 1; n > maxEvents; c-- {
		if len(o.queues[c]) > 0 {
			o.queues[c] = slices.Delete(o.queues[c], 0, 1)
			o.lost++
			break
		}
	}
	o.mu.Unlock()
	o.ring()
}

// waiting returns the first of the most important class that waits; false: nothing does. The caller holds mu.
func (o *Outlet) waiting() (saying, bool) {
	for _, q := range o.queues {
		if len(q) > 0 {
			return q[0], true
		}
	}
	return saying{}, false
}

func (o *Outlet) retain(topic string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write %s: %w", topic, err)
	}
	o.leave(topic, b)
	return nil
}

// leave leaves the newest word on a retained topic.
func (o *Outlet) leave(topic string, b []byte) {
	o.mu.Lock()
	w := o.state[topic]
	if w == nil {
		w = &word{}
		o.state[topic] = w
	}
	w.payload = b
	if !w.dirty {
		w.dirty = true
		o.order = append(o.order, topic)
	}
	o.mu.Unlock()
	o.ring()
}

func (o *Outlet) ring() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// Run keeps the connection until ctx ends; then it says online:false and hangs up.
func (o *Outlet) Run(ctx context.Context) error {
	reported := false
	for ctx.Err() == nil {
		err := o.session(ctx)
		o.connected.Store(false)
		if !reported && ctx.Err() == nil {
			o.o.Log.WarnContext(ctx, "broker lost, dialling again twice a second", "err", err)
		}
		reported = err != nil && !errors.Is(err, errHungUp)
		t := time.NewTimer(redialPause) //nolint:forbidigo // an outlet's own I/O pause, not the box's time
		select {
		case <-ctx.Done():
			t.Stop()
		case <-t.C:
		}
	}
	return nil
}

var (
	errHungUp = errors.New("the broker hung up")
	errSlow   = errors.New("the broker does not acknowledge")
)

// session is one connection: everything retained first, then whatever is new.
func (o *Outlet) session(ctx context.Context) error {
	lost := make(chan error, 1)
	client := paho.NewClient(o.clientOptions(ctx, lost))
	tok := client.Connect()
	if !tok.WaitTimeout(tokenTimeout + dialTimeout) {
		client.Disconnect(0)
		return errSlow
	}
	if err := tok.Error(); err != nil {
		return err
	}
	defer client.Disconnect(100)
	o.mark()
	if err := o.say(client, "online", o.online(true), true); err != nil {
		return err
	}
	o.connected.Store(true)
	o.o.Log.InfoContext(ctx, "broker connected")
	for {
		if err := o.flush(client); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return o.say(client, "online", o.online(false), true)
		case err := <-lost:
			return errors.Join(errHungUp, err)
		case <-o.wake:
		}
	}
}

func (o *Outlet) clientOptions(ctx context.Context, lost chan<- error) *paho.ClientOptions {
	opts := paho.NewClientOptions()
	opts.AddBroker("tcp://box")
	opts.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		return o.o.Broker.Dial(ctx)
	})
	opts.SetClientID(boxClientPrefix + o.o.Machine + "-" + o.o.Boot)
	if o.o.Username != "" {
		opts.SetUsername(o.o.Username).SetPassword(string(o.o.Password))
	}
	opts.SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false)
	opts.SetKeepAlive(keepAlive).SetPingTimeout(tokenTimeout).SetConnectTimeout(dialTimeout)
	opts.SetWriteTimeout(tokenTimeout).SetOrderMatters(false)
	opts.SetBinaryWill(o.prefix+"online", o.online(false), 1, true)
	opts.SetConnectionLostHandler(func(_ paho.Client, err error) {
		select {
		case lost <- err:
		default:
		}
	})
	return opts
}

func (o *Outlet) online(is bool) []byte {
	b, err := json.Marshal(Online{Online: is, T: o.o.Wall.Sample().UTC.Truncate(time.Millisecond), Boot: o.o.Boot})
	if err != nil {
		return nil
	}
	return b
}

// mark makes everything retained new again.
func (o *Outlet) mark() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.order = o.order[:0]
	for t, w := range o.state {
		w.dirty = true
		o.order = append(o.order, t)
	}
	slices.Sort(o.order)
}

// flush says all that is new. What is not acknowledged stays new.
func (o *Outlet) flush(c paho.Client) error {
	for {
		o.mu.Lock()
		var topic, curves string
		var payload, now, curve []byte
		event, waits := o.waiting()
		switch {
		case len(o.order) > 0:
			topic = o.order[0]
			payload = o.state[topic].payload
		case waits:
		default:
			now, o.fresh = o.fresh, nil
			if o.curve.dirty {
				curve, curves, o.curve.dirty = o.curve.payload, o.curves, false
			}
		}
		o.mu.Unlock()
		switch {
		case topic != "":
			if err := o.say(c, topic, payload, true); err != nil {
				return err
			}
			o.mu.Lock()
			w := o.state[topic]
			o.order = o.order[1:]
			if w.dirty = !slices.Equal(w.payload, payload); w.dirty {
				o.order = append(o.order, topic)
			}
			o.mu.Unlock()
		case waits:
			if err := o.say(c, event.topic, event.payload, event.retained); err != nil {
				return err
			}
			o.mu.Lock()
			if q := o.queues[event.class]; len(q) > 0 && &q[0].payload[0] == &event.payload[0] { // not dropped meanwhile for want of room
				o.queues[event.class] = q[1:]
			}
			o.mu.Unlock()
		default:
			if now != nil && c.IsConnectionOpen() {
				// Quality of service 0: the next one comes in half a second.
				c.Publish(o.prefix+"now", 0, false, now)
			}
			if curve != nil && c.IsConnectionOpen() {
				c.Publish(o.prefix+curves, 0, false, curve) // the same: the next one comes within seconds
			}
			return nil
		}
	}
}

// say publishes with quality of service 1 and waits for the acknowledgement.
func (o *Outlet) say(c paho.Client, topic string, payload []byte, retained bool) error {
	if !c.IsConnectionOpen() {
		return errHungUp
	}
	tok := c.Publish(o.prefix+topic, 1, retained, payload)
	if !tok.WaitTimeout(tokenTimeout) {
		return fmt.Errorf("say %s: %w", topic, errSlow)
	}
	return tok.Error()
}
