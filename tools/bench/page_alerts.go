// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"net"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

// The bars of an alert on its way to the driver's eye, and how many alarms a percentile needs.
const (
	alertHalf   = 150.0 // ms
	alertMost   = 400.0 // ms
	alertLeastN = 200
	offsetSlot  = 2 * time.Second

	cutOff = 500 * time.Microsecond // what a time that was cut to whole ms has lost, in the middle
)

// beginning is when an alarm became active, in the box's time and on its way.
type beginning struct {
	key, where string
	limit      float64       // Pa; of the tank
	mono       time.Duration // box's time of the transition
	heard      time.Duration // host's time at which a program beside the page had the message; 0: never
	page       float64       // ms, host's time at which the page had the message; 0: never
	dom, pixel float64       // ms, host's time
	due        time.Duration // box's time of the sample that completes the on-delay
}

// headline is what came to stand in the page's head.
type headline struct {
	Kind, Text, Ink, Key, Where string
	At, Dom, Frame, Pixel       float64
	Mono                        int64
}

// witness listens beside the page, on the host's clock, and acknowledges what rings, so that the next alarm takes the
// page's head.
type witness struct {
	mu     sync.Mutex
	begun  []beginning
	least  map[int64]time.Duration // host's time minus the box's, the least of each slot
	failed error
}

// pageAlerts plays loose plugs and follows each alarm from its sample to its pixel.
func pageAlerts(ctx context.Context, p *pageBench, t *pageTable) error {
	data := filepath.Join(p.dir, "data")
	b, err := startBox(ctx, p.binary, "--story", rig.PlugsStory, "--seed", strconv.FormatUint(p.seed, 10), "--listen", "127.0.0.1:0", "--mqtt", "off", "--data", data)
	if err != nil {
		return err
	}
	ended := sync.OnceFunc(b.end)
	defer ended()
	w := &witness{least: map[int64]time.Duration{}}
	client, err := b.subscribe(ctx, "bench-witness", "127.0.0.2", "airhold/v1/#", w.take(ctx, b.page))
	if err != nil {
		return err
	}
	defer client.Disconnect(100)
	var lines []headline
	env := []string{"AIRHOLD_URL=" + b.page + "/", "SECONDS=" + strconv.FormatFloat(p.duration.Seconds(), 'f', 0, 64)}
	err = script(ctx, "page_alerts.mjs", env, func(line []byte) error {
		h, err := parse[headline](line)
		lines = append(lines, h)
		return err
	})
	ended()
	if err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.failed != nil {
		return w.failed
	}
	due, err := dueTimes(data)
	if err != nil {
		return err
	}
	w.join(lines, due)
	w.tell(t)
	return nil
}

// take keeps when what was heard.
func (w *witness) take(ctx context.Context, page string) mqtt.MessageHandler {
	return func(_ mqtt.Client, m mqtt.Message) {
		at := monotonic()
		if m.Retained() {
			return
		}
		var said struct {
			Mono  int64            `json:"mono"`
			Key   string           `json:"key"`
			Where string           `json:"where"`
			State alarms.StateName `json:"state"`
			Limit findings.Measure `json:"limit"`
		}
		if json.Unmarshal(m.Payload(), &said) != nil {
			return
		}
		w.mu.Lock()
		defer w.mu.Unlock()
		mono := time.Duration(said.Mono)*time.Millisecond + cutOff
		if strings.HasSuffix(m.Topic(), "/now") {
			slot := int64(at / offsetSlot)
			if old, ok := w.least[slot]; !ok || at-mono < old {
				w.least[slot] = at - mono
			}
		}
		if !strings.Contains(m.Topic(), "/alarm/") || said.State != alarms.ActiveUnacked {
			return
		}
		w.begun = append(w.begun, beginning{key: said.Key, where: said.Where, limit: said.Limit.SI, mono: mono, heard: at})
		go func() { // ends with its question
			err := pause(ctx, time.Second)
			if err == nil {
				err = acknowledge(ctx, page, said.Key, said.Where, strconv.FormatInt(int64(at), 10))
			}
			if err != nil && ctx.Err() == nil {
				w.mu.Lock()
				w.failed = errors.Join(w.failed, err)
				w.mu.Unlock()
			}
		}()
	}
}

// eachItsOwn sends each press from a loopback address of its own: the box takes ten commands a minute from one tablet, and here
// rings more.
var eachItsOwn = &http.Client{Transport: &http.Transport{ //nolint:gochecknoglobals // a client is made to be shared
	DisableKeepAlives: true,
	DialContext: func(ctx context.Context, network, addr string) (net.Conn, error) {
		n := presses.Add(1)
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 1, byte(n>>8), byte(n)|1)}}
		return d.DialContext(ctx, network, addr)
	},
}}

var presses atomic.Uint32 //nolint:gochecknoglobals // counts for eachItsOwn

// acknowledge does what a press on Seen does.
func acknowledge(ctx context.Context, page, key, where, id string) error {
	body, err := json.Marshal(map[string]string{"id": "bench-" + id, "key": key, "where": where})
	if err != nil {
		return err
	}
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, page+"/api/cmd/ack", bytes.NewReader(body))
	if err != nil {
		return err
	}
	q.Header.Set("Content-Type", "application/json")
	r, err := eachItsOwn.Do(q)
	if err != nil {
		return err
	}
	defer r.Body.Close() //nolint:errcheck // only read
	if said, err := io.ReadAll(r.Body); err != nil || r.StatusCode != http.StatusOK {
		return errors.Join(fmt.Errorf("acknowledge %s %s: %s %s", key, where, r.Status, said), err)
	}
	return nil
}

// sampled is a reading as far as an alarm of this story needs it.
type sampled struct {
	at    time.Duration
	fault bool
	value float64
}

// pressureShort is the alarm of this story that comes from a value and a limit; the others come from a fault.
const pressureShort = "tank-short"

// bad says whether the newest of some samples is a fault or, with a limit, whether the mean of the last second is below it:
// the box looks at means of a second.
func bad(all []sampled, limit float64) bool {
	newest := all[len(all)-1]
	if limit == 0 {
		return newest.fault
	}
	sum, n := 0.0, 0
	for i := len(all) - 1; i >= 0 && newest.at-all[i].at < time.Second; i-- {
		sum += all[i].value
		n++
	}
	return sum/float64(n) < limit
}

// dueTimes reads a recorded boot and returns for an alarm when the sample came that completed its on-delay: the first one that
// is bad once every sample has been bad for so long.
func dueTimes(data string) (func(b *beginning) (time.Duration, bool), error) {
	found, err := filepath.Glob(filepath.Join(data, "boot-*.db"))
	if err != nil || len(found) != 1 {
		return nil, errors.Join(fmt.Errorf("%d recorded boots in %s; want one", len(found), data), err)
	}
	boot, err := store.OpenBoot(found[0])
	if err != nil {
		return nil, err
	}
	defer boot.Close() //nolint:errcheck // only read
	table := boot.Table()
	samples := map[string][]sampled{}
	var e store.Entry
	for err = boot.Next(&e); err == nil; err = boot.Next(&e) {
		if e.Kind == store.IsReading {
			id := table.Info(e.Reading.Channel).ID
			samples[id] = append(samples[id], sampled{e.At, e.Reading.Quality != readings.Good, e.Reading.Value})
		}
	}
	if !errors.Is(err, io.EOF) {
		return nil, err
	}
	delays := map[string]time.Duration{}
	for _, r := range alarms.Catalogue() {
		delays[string(r.Key)] = r.OnDelay
	}
	return func(b *beginning) (time.Duration, bool) {
		all, limit := samples[b.where], 0.0
		if b.key == pressureShort {
			all, limit = samples["tank"], b.limit
		}
		// The newest sample that the box had when the alarm became active.
		i, _ := slices.BinarySearchFunc(all, b.mono+cutOff, func(s sampled, at time.Duration) int { return cmp.Compare(s.at, at) })
		i--
		delay, known := delays[b.key]
		if !known || i < 0 || !bad(all[:i+1], limit) {
			return 0, false
		}
		first := i
		for first > 0 && bad(all[:first], limit) {
			first--
		}
		for j := first; j <= i; j++ {
			if all[j].at >= all[first].at+delay {
				return all[j].at, true
			}
		}
		return 0, false
	}, nil
}

// stands says whether a headline tells of the alarm: by its place or, for the tank, which has none, by its ink.
func (b *beginning) stands(h *headline) bool {
	if b.key == pressureShort {
		return h.Ink == "high"
	}
	return strings.Contains(h.Text, ", "+b.where)
}

// join puts together what the page, the witness and the log say of each alarm.
func (w *witness) join(lines []headline, due func(b *beginning) (time.Duration, bool)) {
	for i := range w.begun {
		b := &w.begun[i]
		at, ok := due(b)
		if !ok {
			continue // it stood before the page was opened, or is no sensor's
		}
		b.due = at
		for _, h := range lines {
			switch {
			case h.Kind == "heard" && b.page == 0 && h.Key == b.key && h.Where == b.where && h.Mono == b.mono.Milliseconds():
				b.page = h.At
			case h.Kind == "shown" && b.page != 0 && h.Dom >= b.page && h.Dom < b.page+900 && b.stands(&h):
				b.dom, b.pixel = h.Dom, h.Pixel
			}
			if b.pixel != 0 {
				break
			}
		}
	}
}

// offset is the host's time of the box's time zero around a moment: the least of what was seen in some seconds, because
// a message can only come late.
func (w *witness) offset(at time.Duration) time.Duration {
	least := time.Duration(math.MaxInt64)
	slot := int64(at / offsetSlot)
	for s := slot - 1; s <= slot+1; s++ {
		if d, ok := w.least[s]; ok {
			least = min(least, d)
		}
	}
	return least
}

// tell puts the figures into the table.
func (w *witness) tell(t *pageTable) {
	var whole, inBox, toProgram, toPage, draw, frame []float64
	by := map[string][]float64{}
	lost := 0
	for i := range w.begun {
		b := &w.begun[i]
		if b.due == 0 || b.page == 0 {
			continue // the page was not open
		}
		if b.pixel == 0 {
			lost++
			continue
		}
		off := w.offset(b.heard)
		whole = append(whole, b.pixel-inMS(b.due+off))
		by[b.key] = append(by[b.key], b.pixel-inMS(b.due+off))
		inBox = append(inBox, inMS(b.mono-b.due))
		toProgram = append(toProgram, inMS(b.heard-b.mono-off))
		toPage = append(toPage, b.page-inMS(b.mono+off))
		draw = append(draw, b.dom-b.page)
		frame = append(frame, b.pixel-b.dom)
	}
	n := strconv.Itoa(len(whole))
	for _, kind := range slices.Sorted(maps.Keys(by)) {
		t.add("  of "+kind, strconv.Itoa(len(by[kind])), spread(by[kind]))
	}
	half, most := share(whole, 0.5), share(whole, 0.99)
	t.hold("sample to pixel, half of all", n, fmt.Sprintf("p50 %.0f ms", half), fmt.Sprintf("%.0f ms", alertHalf), half <= alertHalf)
	t.hold("sample to pixel, all but 1 %", n, fmt.Sprintf("p99 %.0f ms, most %.0f ms", most, share(whole, 1)), fmt.Sprintf("%.0f ms", alertMost), most <= alertMost)
	t.hold("alarms that came to the page and were not shown", n, strconv.Itoa(lost), "0", lost == 0)
	t.hold("alarms of which this is told", n, n, fmt.Sprintf("%d or more", alertLeastN), len(whole) >= alertLeastN)
	t.add("  in the box: sample to the alarm", n, spread(inBox))
	t.add("  outlet and broker: alarm to a program's socket", n, spread(toProgram))
	t.add("  the same to the page's socket", n, spread(toPage))
	t.add("  in the page: socket to the document", n, spread(draw))
	t.add("  in the browser: document to the painted frame", n, spread(frame))
	t.note("The pixel is the first task after the animation frame that follows the change of the document: that frame is laid out")
	t.note("and painted then, and only the compositor's and the screen's own time is missing. The box's time is laid on the host's by")
	t.note("the least delay of its snapshots within some seconds; it may run up to 5 ms ahead, so times in the box and on the way are exact to 5 ms.")
}
