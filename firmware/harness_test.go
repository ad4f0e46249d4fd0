// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

// stand is a whole box on the simulated machine, inside the test.
type stand struct {
	t     *testing.T
	box   *firmware.Box
	rig   *rig.Rig
	clock *clock.Virtual
	store *store.Store
	dir   string
	addr  firmware.Addresses
	up    chan struct{}
	end   context.CancelFunc
	done  chan struct{}
	err   error
}

// standOptions say which day a stand plays.
type standOptions struct {
	story  string
	skip   time.Duration
	rate   float64 // 0: as fast as it goes
	faults []rig.Event
	dir    string // empty: a new one
	boot   string // id; empty: "test"
	unset  bool   // nobody has set the box's wall clock
	whole  bool   // the log must hold every reading, although the day is played faster than the disk writes
	change func(*config.Machine)
	wires  func(firmware.Wires) firmware.Wires
	banner string
	box    func(*firmware.BoxOptions)
	script []cue
}

// cue is something that happens at a moment of simulated time, which stands still meanwhile.
type cue struct {
	at time.Duration
	do func(s *stand)
}

// neverSet is the clock of a box without a battery for it, which begins in 1970.
type neverSet struct{ *clock.Virtual }

func (c neverSet) Sample() clock.Sample {
	at := c.Boot()
	return clock.Sample{Boot: at, UTC: time.Unix(0, int64(at)).UTC()}
}

// newStand builds a box and plays nothing yet.
func newStand(t *testing.T, o standOptions) *stand {
	t.Helper()
	s, err := tryStand(t, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// tryStand is newStand for a box that may be refused.
func tryStand(t *testing.T, o standOptions) (*stand, error) {
	t.Helper()
	r, err := rig.New(rig.Options{Seed: 1, Story: o.story, Skip: o.skip, Faults: o.faults, StallTimesOut: true})
	if err != nil {
		return nil, err
	}
	s := &stand{t: t, rig: r, dir: o.dir, up: make(chan struct{}), done: make(chan struct{})}
	if s.dir == "" {
		s.dir = t.TempDir()
	}
	m := config.ExampleMachine()
	m.Simulated, m.Page.Listen, m.MQTT.Listen, m.Logging.Dir = true, "127.0.0.1:0", "127.0.0.1:0", s.dir
	if o.change != nil {
		o.change(m)
	}
	s.clock = clock.NewVirtual(r.Clock(0), o.rate)
	so := store.Options{Clock: s.clock}
	if o.whole {
		so.Queue = 1 << 22
	}
	if s.store, err = store.Open(s.dir, so); err != nil {
		return nil, err
	}
	wires := firmware.RigWires(r, s.clock)
	if o.wires != nil {
		wires = o.wires(wires)
	}
	if o.boot == "" {
		o.boot = "test"
	}
	var boxClock clock.Clock = s.clock
	if o.unset {
		boxClock = neverSet{s.clock}
	}
	bo := firmware.BoxOptions{
		Machine: m, Text: config.Example(), Banner: o.banner, Clock: boxClock, Wires: wires, Store: s.store, Boot: o.boot,
		Software: "test", Simulated: true, Story: o.story, Log: slog.New(slog.DiscardHandler),
		Ready: func(a firmware.Addresses) { s.addr = a; close(s.up) },
	}
	if o.box != nil {
		o.box(&bo)
	}
	s.box, err = firmware.NewBox(bo)
	if err != nil {
		return nil, err
	}
	return s, nil
}

// play runs the whole script and stops the box after its last cue. It is then closed, and its files are at rest.
func play(t *testing.T, o standOptions) *stand {
	t.Helper()
	s := newStand(t, o)
	s.start(o.script...)
	s.wait(4 * time.Minute)
	return s
}

// start runs the box. With a script it ends by itself, else by stop.
func (s *stand) start(script ...cue) {
	s.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	s.end = cancel
	var hands sync.WaitGroup
	if len(script) > 0 {
		leave := s.clock.Join() // before time begins
		hands.Go(func() {
			defer cancel()
			defer leave()
			<-s.up
			for _, c := range script {
				if s.clock.Sleep(ctx, c.at-s.clock.Boot()) != nil {
					return
				}
				c.do(s)
			}
		})
	}
	go func() {
		defer close(s.done)
		defer func() { _ = s.rig.Close() }()
		s.err = s.box.Run(ctx)
		cancel()
		hands.Wait()
		if err := s.store.Close(); err != nil && s.err == nil {
			s.err = err
		}
	}()
	select {
	case <-s.up:
	case <-s.done:
	}
	s.t.Cleanup(func() { cancel(); <-s.done })
}

// wait waits for the end of the script.
func (s *stand) wait(most time.Duration) {
	s.t.Helper()
	select {
	case <-s.done:
	case <-time.After(most):
		s.end()
		s.t.Fatalf("the day did not end within %v; it is %v there", most, s.clock.Boot())
	}
	if s.err != nil {
		s.t.Fatalf("Run = %v", s.err)
	}
}

// stop stops a box that has no script.
func (s *stand) stop() {
	s.t.Helper()
	s.end()
	s.wait(30 * time.Second)
}

// do sends a command as the page does.
func (s *stand) do(c alarms.Command) {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	c.Role, c.Via = alarms.Operate, "page"
	a, err := s.box.Do(ctx, c)
	if err != nil || !a.OK {
		s.t.Errorf("at %v: %s %s: %+v, %v; want it done", s.clock.Boot(), c.Verb, c.Key, a, err)
	}
}

// get asks an address of the page and returns status and body.
func (s *stand) get(path string) (int, []byte) {
	s.t.Helper()
	c := http.Client{Timeout: 10 * time.Second}
	r, err := c.Get(s.addr.Page + path)
	if err != nil {
		s.t.Errorf("GET %s: %v", path, err)
		return 0, nil
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		s.t.Errorf("GET %s: %v", path, err)
	}
	return r.StatusCode, b
}

// nowShown is the part of the snapshot that these tests look at.
type nowShown struct {
	Mono      int64  `json:"mono"`
	Simulated bool   `json:"simulated"`
	State     string `json:"state"`
	Do        string `json:"do"`
	Banner    string `json:"banner"`
	Facts     []struct {
		Words string `json:"words"`
	} `json:"facts"`
	Tank struct {
		Pressure *struct {
			Value float64 `json:"value"`
			Unit  string  `json:"unit"`
		} `json:"pressure"`
		Age     int64  `json:"age"`
		Quality string `json:"quality"`
	} `json:"tank"`
}

// now returns the last snapshot; it waits for the first one.
func (s *stand) now() nowShown {
	s.t.Helper()
	var n nowShown
	var code int
	var b []byte
	for range 500 {
		if code, b = s.get("/api/now"); code != http.StatusServiceUnavailable {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if code != http.StatusOK {
		s.t.Fatalf("GET /api/now = %d %s; want 200", code, b)
	}
	if err := json.Unmarshal(b, &n); err != nil {
		s.t.Errorf("/api/now: %v in %s", err, b)
	}
	return n
}

// journal reads what the box wrote, its files being at rest.
func journal(t *testing.T, dir string) []store.Record {
	t.Helper()
	s, err := store.Open(dir, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	v, err := s.Verify()
	if err != nil || !v.OK {
		t.Errorf("Verify = %+v, %v; want a chain that holds", v, err)
	}
	records, err := s.ReadJournal(time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	return records
}

// raised lists when an alarm was announced, by place.
func raised(records []store.Record, key, where string) []time.Duration {
	var out []time.Duration
	for i := range records {
		r := &records[i]
		if r.Kind == "alarm" && r.Alarm == key && r.Where == where && r.To == string(alarms.ActiveUnacked) && r.From != r.To {
			out = append(out, time.Duration(r.MonoMS)*time.Millisecond)
		}
	}
	return out
}

// announced lists every alarm that rang, in order.
func announced(records []store.Record) []string {
	var out []string
	for i := range records {
		if r := &records[i]; r.Kind == "alarm" && r.To == string(alarms.ActiveUnacked) {
			out = append(out, (time.Duration(r.MonoMS)*time.Millisecond).String()+" "+r.Alarm+" "+r.Where)
		}
	}
	return slices.Clip(out)
}
