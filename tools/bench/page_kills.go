// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"airhold/firmware/publish"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

const (
	killEvery = 6 * time.Second
	killRate  = 20 // times real time: an alarm about each quarter of a second
	// catchUp is how long a tablet may take to have everything once the box is back.
	catchUp = 30 * time.Second
)

// tablet follows the alerts by the rules of the contract: it shows those with a higher number than it has, and where the
// number before is not the one it has, it asks for what is missing first. It keeps its line and number, as a page would in
// its own storage, and finds the box again by itself.
type tablet struct {
	page   string
	stall  chan struct{} // while it is open, the tablet takes nothing off its socket; nil: it never stalls
	raised chan struct{} // hears that an alarm has just begun; nil: nobody asks

	mu    sync.Mutex
	line  string
	seq   int64
	shown []string
	asked int
}

// join connects a tablet, for good.
func (f *tablet) join(ctx context.Context, id string) mqtt.Client {
	o := mqtt.NewClientOptions().AddBroker("ws" + strings.TrimPrefix(f.page, "http") + "/mqtt").SetClientID(id)
	o.SetConnectTimeout(2 * time.Second).SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).SetMaxReconnectInterval(300 * time.Millisecond).SetKeepAlive(5 * time.Second)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { f.hear(ctx, m) })
	o.SetOnConnectHandler(func(c mqtt.Client) {
		c.SubscribeMultiple(map[string]byte{"airhold/v1/+/alert/#": 1, "airhold/v1/+/alarm/#": 1}, nil)
	})
	c := mqtt.NewClient(o)
	c.Connect()
	return c
}

func (f *tablet) hear(ctx context.Context, m mqtt.Message) {
	if f.stall != nil {
		select {
		case <-f.stall:
		case <-ctx.Done():
			return
		}
	}
	switch topic := m.Topic(); {
	case strings.HasSuffix(topic, "/alert"):
		var a publish.Alert
		if json.Unmarshal(m.Payload(), &a) != nil {
			return
		}
		f.mu.Lock()
		defer f.mu.Unlock()
		switch {
		case a.Line == f.line && a.Seq <= f.seq:
		case a.Line == f.line && a.Prev == f.seq:
			f.show(&a)
		default:
			f.ask(ctx)
		}
	case strings.HasSuffix(topic, "/alert/last"):
		var l publish.LastAlert
		if json.Unmarshal(m.Payload(), &l) != nil {
			return
		}
		f.mu.Lock()
		defer f.mu.Unlock()
		if l.Line != f.line || l.Seq > f.seq {
			f.ask(ctx)
		}
	case f.raised != nil && !m.Retained() && strings.Contains(string(m.Payload()), `"active_unacked"`):
		select {
		case f.raised <- struct{}{}:
		default:
		}
	}
}

func (f *tablet) show(a *publish.Alert) {
	f.line, f.seq, f.shown = a.Line, a.Seq, append(f.shown, a.ID)
}

// ask gets what is missing, page by page, and tries again until the box answers.
func (f *tablet) ask(ctx context.Context) {
	for {
		list, err := f.list(ctx)
		if err != nil {
			if pause(ctx, 100*time.Millisecond) != nil {
				return
			}
			continue
		}
		f.asked++
		for i := range list.Alerts {
			f.show(&list.Alerts[i])
		}
		if !list.More {
			return
		}
	}
}

func (f *tablet) list(ctx context.Context) (publish.AlertList, error) {
	var list publish.AlertList
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	where := f.page + "/api/alerts?since=" + strconv.FormatInt(f.seq, 10) + "&line=" + url.QueryEscape(f.line)
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, where, nil)
	if err != nil {
		return list, err
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		return list, err
	}
	defer r.Body.Close() //nolint:errcheck // only read
	text, err := io.ReadAll(r.Body)
	if err != nil {
		return list, err
	}
	if r.StatusCode != http.StatusOK {
		return list, fmt.Errorf("GET %s: %s", where, r.Status)
	}
	return list, json.Unmarshal(text, &list)
}

// number is the last alert it has shown.
func (f *tablet) number() int64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.seq
}

// killing is a box that is killed again and again, with a broker of its own first and with another one then.
type killing struct {
	p       *pageBench
	data    string
	listen  string
	dice    *rand.Rand
	raised  chan struct{}
	brokers int // kills of the other broker
}

func (k *killing) start(ctx context.Context, broker *mosquitto) (*box, error) {
	flags := []string{
		"--story", rig.PlugsStory, "--rate", strconv.Itoa(killRate), "--data", k.data, "--listen", k.listen, "--mqtt", "off", "--seed", strconv.FormatUint(k.p.seed, 10),
	}
	if broker != nil {
		flags = append(flags, "--broker", "tcp://"+broker.tcp)
	}
	return startBox(ctx, k.p.binary, flags...)
}

// within returns after a moment of a drawn length.
func (k *killing) within(ctx context.Context, most time.Duration) error {
	return pause(ctx, time.Duration(k.dice.Int64N(int64(most))))
}

// alarm waits for the next alarm that begins, and a moment more: before it is on the disk, or just after.
func (k *killing) alarm(ctx context.Context) error {
	select {
	case <-k.raised:
	default:
	}
	select {
	case <-k.raised:
	case <-time.After(catchUp):
		return fmt.Errorf("no alarm came to the tablet within %s", catchUp)
	case <-ctx.Done():
		return ctx.Err()
	}
	return k.within(ctx, 200*time.Millisecond)
}

// once starts the box, lets it live and kills it in mid-alert.
func (k *killing) once(ctx context.Context, broker *mosquitto) error {
	b, err := k.start(ctx, broker)
	if err != nil {
		return err
	}
	defer b.stop()
	if err := k.within(ctx, killEvery/2); err != nil {
		return err
	}
	if broker != nil {
		if err := k.alarm(ctx); err != nil {
			return err
		}
		broker.kill()
		k.brokers++
		if err := k.within(ctx, time.Second); err != nil {
			return err
		}
		if err := broker.start(ctx); err != nil {
			return err
		}
	}
	if err := k.alarm(ctx); err != nil {
		return err
	}
	return b.kill()
}

// pageKills kills the box over and over while tablets follow it, and holds what they have shown against the journal.
func pageKills(ctx context.Context, p *pageBench, t *pageTable) error {
	kills := max(2, int(p.duration/killEvery))
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	listen, err := freeAddress(ctx)
	if err != nil {
		return err
	}
	broker, err := newMosquitto(ctx, p.dir)
	if err != nil {
		return err
	}
	defer func() { broker.kill() }()
	dice := rand.New(rand.NewPCG(p.seed, 6)) //nolint:gosec // repeatable moments, no secret
	k := &killing{p: p, data: filepath.Join(p.dir, "data"), listen: listen, raised: make(chan struct{}, 1), dice: dice}
	page := "http://" + listen
	tablets := map[string]*tablet{
		"a prompt tablet":         {page: page, raised: k.raised},
		"a stalled tablet":        {page: page, stall: make(chan struct{})},
		"a tablet that came late": {page: page},
	}
	for i, who := range []string{"a prompt tablet", "a stalled tablet"} {
		defer tablets[who].join(ctx, "bench-tablet-"+strconv.Itoa(i)).Disconnect(0)
	}
	for i := range kills {
		with := broker
		if i < (kills+1)/2 {
			with = nil
		}
		if err := k.once(ctx, with); err != nil {
			return fmt.Errorf("kill %d: %w", i+1, err)
		}
	}
	before, err := announced(k.data)
	if err != nil {
		return err
	}
	if len(before) == 0 {
		return errors.New("the journal has no alarm: nothing was proved")
	}
	b, err := k.start(ctx, broker)
	if err != nil {
		return err
	}
	defer b.end()
	close(tablets["a stalled tablet"].stall)
	defer tablets["a tablet that came late"].join(ctx, "bench-tablet-late").Disconnect(0)
	goal := before[len(before)-1].Seq
	for end := time.Now().Add(catchUp); time.Now().Before(end); {
		if !slices.ContainsFunc([]string{"a prompt tablet", "a stalled tablet", "a tablet that came late"}, func(who string) bool { return tablets[who].number() < goal }) {
			break
		}
		if err := pause(ctx, 100*time.Millisecond); err != nil {
			return err
		}
	}
	b.end()
	all, err := announced(k.data)
	if err != nil {
		return err
	}
	boots := map[string]bool{}
	for _, r := range before {
		boots[r.Boot] = true
	}
	t.add("kills of the box in mid-alert", strconv.Itoa(kills), fmt.Sprintf("%d boots with alarms in the journal", len(boots)))
	t.add("kills of Mosquitto in mid-alert, in the second half", strconv.Itoa(k.brokers), "")
	for _, who := range []string{"a prompt tablet", "a stalled tablet", "a tablet that came late"} {
		f := tablets[who]
		f.mu.Lock()
		lost, twice, strange := compare(f.shown, f.seq, goal, all)
		t.hold(who+": lost, shown twice, not in the journal", strconv.Itoa(len(f.shown)), fmt.Sprintf("%d, %d, %d; asked %d times", lost, twice, strange, f.asked), "0, 0, 0",
			lost+twice+strange == 0)
		f.mu.Unlock()
	}
	t.note("Of %d alerts in the journal at the last kill. A tablet may be behind by what came after that, never before.", len(before))
	return nil
}

// announced returns the journal's records of alarms, after its chain was found whole.
func announced(data string) ([]store.Record, error) {
	s, err := store.Open(data, store.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer s.Close() //nolint:errcheck // only read
	if v, err := s.Verify(); err != nil || !v.OK {
		return nil, errors.Join(fmt.Errorf("the journal's chain does not hold: %+v", v), err)
	}
	all, err := s.ReadJournal(time.Time{})
	return slices.DeleteFunc(all, func(r store.Record) bool { return r.Kind != "alarm" }), err
}

// compare counts what a tablet that has come to a number, and should have come to goal, did not show, showed twice or out
// of turn, and showed although the journal does not have it.
func compare(shown []string, seq, goal int64, journal []store.Record) (lost, twice, strange int) {
	times := map[string]int{}
	for _, id := range shown {
		times[id]++
	}
	turn := 0
	for i := range journal {
		id := journal[i].Hash[:16]
		switch n := times[id]; {
		case n == 0 && journal[i].Seq <= max(seq, goal):
			lost++
		case n > 1:
			twice += n - 1
		case n == 1 && (turn >= len(shown) || shown[turn] != id):
			twice++ // out of turn
		}
		turn += times[id]
		delete(times, id)
	}
	for _, n := range times {
		strange += n
	}
	return lost, twice, strange
}
