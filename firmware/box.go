// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"airhold/bus"
	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/intake"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
	"airhold/firmware/store/trend"
	"airhold/firmware/tablet"
	"airhold/systemd/notify"
)

// BoxOptions configure a Box.
type BoxOptions struct {
	Machine   *config.Machine
	Text      []byte // the machine file's bytes, for the log's snapshot
	Banner    string // a standing sentence for every screen; empty: none
	Clock     clock.Clock
	Wires     Wires
	Store     *store.Store // nil: nothing is kept, and the page says so
	Boot      string       // id of this run
	Software  string
	Simulated bool
	Story     string
	Rate      float64 // times real time; 0 is 1
	Log       *slog.Logger
	Notify    *notify.Conn // systemd; nil: none
	Ready     func(Addresses)
	Pairing   bool // a tablet can be paired from the start, for ten minutes; the log says the code

	File     string           // the machine file; empty: the box runs without one of its own, as a demo does
	Folder   string           // where a set-up is saved that may not be saved beside File
	Problems []config.Problem // of File; with an error among them the box runs on something else, or on nothing
}

// Addresses are where a running box can be reached.
type Addresses struct {
	Page string // http://...
	MQTT string // tcp://..., empty where there is none
}

// Box is a running box.
type Box struct {
	o       BoxOptions
	table   *readings.Table
	spine   *Spine
	mail    *mailbox
	inputs  *inputs
	tap     *store.Tap // nil: raw frames are not recorded
	broker  publish.Broker
	outlet  *publish.Outlet
	memory  *store.Outbox // nil: nothing is kept
	paired  *store.Paired // nil: no tablet can be paired
	alerts  *publish.Outbox
	history *store.History // nil: nothing is kept
	server  *tablet.Server
	keep    bool
	seq     uint64
	now     atomic.Pointer[publish.Now]
	sensors atomic.Pointer[sensors]
	tests   tests
	papers  papers
	healthy healthDesk
	bell    *bell          // nil: no sounder
	series  []store.Series // of a minute's summary
	started atomic.Int64   // spine ticks, for whoever asks after its health

	begun      time.Duration // boot time at which this log began
	calibrated []store.Calibration
	counted    counted
	shelf      bootShelf
	exports    *exporter // nil: nothing is kept
}

// NewBox builds everything and begins the log of this boot; addresses, buses and links are opened by Run.
func NewBox(o BoxOptions) (*Box, error) {
	if o.Rate == 0 {
		o.Rate = 1
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	b := &Box{o: o, table: NewTable(o.Machine), mail: newMailbox(o.Simulated)}
	b.healthy.days = make(chan publish.SumDay, 16)
	so := SpineOptions{Machine: o.Machine, Table: b.table, Out: voice{b}, Memory: voice{b}, Minutes: voice{b}}
	b.series = SeriesOf(o.Machine, b.table)
	b.counted.counts = make([]int64, b.table.Len())
	var tap *store.Tap
	var err error
	if o.Store != nil {
		if so.Saved, so.Learned, tap, err = b.startLog(); err != nil {
			return nil, err
		}
	}
	if b.spine, err = NewSpine(so); err != nil {
		return nil, err
	}
	sysfs := o.Machine.Box.Sysfs
	if sysfs == "" {
		sysfs = "/"
	}
	in := inputOptions{
		machine: o.Machine, table: b.table, clock: o.Clock, out: b.mail, wires: o.Wires, log: o.Log,
		logDir: o.Machine.Logging.Dir, sysfs: sysfs,
	}
	if tap != nil {
		in.tap, b.tap = frames{tap}, tap
	}
	if b.inputs, err = newInputs(in); err != nil {
		return nil, err
	}
	if err := b.newOutlets(); err != nil {
		return nil, err
	}
	b.takeBack()
	b.bell = newBell(b)
	return b, nil
}

// startLog begins the log of this boot and returns the alarms as they were when the last one ended, and what was learned.
func (b *Box) startLog() (*alarms.Saved, map[string][]byte, *store.Tap, error) {
	saved, err := b.o.Store.Alarms()
	if err != nil {
		return nil, nil, nil, err
	}
	learned, err := b.o.Store.Learned()
	if err != nil {
		return nil, nil, nil, err
	}
	if err := b.loadTests(learned); err != nil {
		return nil, nil, nil, err
	}
	b.begun, b.calibrated = b.o.Clock.Boot(), calibrations(b.o.Machine, b.table)
	err = b.o.Store.StartBoot(store.Snapshot{
		Boot: b.o.Boot, Software: b.o.Software, Machine: b.o.Text, Alarms: saved, Learned: learned, Calibrations: b.calibrated, Simulated: b.o.Simulated,
	}, b.table)
	if err != nil {
		return nil, nil, nil, err
	}
	b.keep = true
	if err := b.o.Store.StartMinutes(b.series); err != nil {
		b.o.Log.Error("no minutes are kept for the trends", slog.Any("error", err)) // the log itself is not touched by it
	}
	b.noteChanges(learned)
	if b.exports, err = newExporter(b.exporterOptions()); err != nil {
		return nil, nil, nil, err
	}
	var tap *store.Tap
	if b.o.Machine.Logging.Raw && len(b.o.Machine.Links) > 0 {
		names := make([]string, 0, len(b.o.Machine.Links))
		for _, l := range b.o.Machine.Links {
			names = append(names, l.Name)
		}
		if tap, err = b.o.Store.Frames(names); err != nil {
			return nil, nil, nil, err
		}
	}
	return &saved, learned, tap, nil
}

type frames struct{ to *store.Tap }

// Frame records a frame as it came.
func (f frames) Frame(fr bus.Frame) { f.to.Write(&fr) }

func (b *Box) newOutlets() error {
	m := b.o.Machine
	id := m.MQTT.ID
	if id == "" {
		id = publish.Slug(m.Name)
	}
	var user string
	var password []byte
	if m.MQTT.Broker == "" {
		listen := m.MQTT.Listen
		if listen == "off" {
			listen = ""
		}
		b.broker = publish.NewEmbedded(listen, b.o.Log)
	} else {
		addr, err := brokerAddress(m.MQTT.Broker)
		if err != nil {
			return err
		}
		if m.MQTT.Password != "" {
			if password, err = os.ReadFile(m.MQTT.Password); err != nil {
				return fmt.Errorf("the broker's password file: %w", err)
			}
		}
		user = m.MQTT.Username
		b.broker = &publish.External{Addr: addr, Username: user, Password: password}
	}
	b.outlet = publish.NewOutlet(publish.Options{
		Machine: id, Boot: b.o.Boot, Broker: b.broker, Username: user,
		Password: password, Wall: b.o.Clock, Log: b.o.Log,
	})
	contract, err := publish.Contract()
	if err != nil {
		return fmt.Errorf("open the contract: %w", err)
	}
	var alerts tablet.Alerts
	var tablets tablet.Tablets
	var trends tablet.Trends
	var journal tablet.Journal
	var exports tablet.Exports
	if b.keep {
		tablets, trends = b.openPairings(), b
		if b.memory, err = b.o.Store.Outbox(); err != nil {
			return err
		}
		b.alerts = publish.NewOutbox(b.memory, b.outlet, b.o.Log)
		if b.history, err = b.o.Store.History(); err != nil {
			return err
		}
		journal = publish.NewHistory(b.history, b.chain)
		alerts, exports = b.alerts, b.exports
	}
	b.server, err = tablet.New(tablet.Options{
		Alerts:     alerts,
		Journal:    journal,
		Contract:   contract,
		MaxAge:     time.Duration(b.o.Rate * float64(pressedWithin)),
		Listen:     m.Page.Listen,
		AllowHosts: m.Page.Hosts,
		Commands:   b,
		Snapshot:   b,
		Tests:      b,
		Care:       b,
		Bus:        b.buses,
		Trends:     trends,
		Recording:  b.recording,
		Exports:    exports,
		AlarmRates: b.alarmHealth,
		Setup:      b,
		Sensors:    b,
		Clock:      b.o.Clock,
		Logger:     b.o.Log,
		Ready:      b.pageUp,
		WS:         publish.WebSocket(b.broker, b.o.Log),
		Health:     b.health,
		Metrics:    b.metrics,

		Tablets: tablets, ViewPaired: m.Page.View == "paired", PairAtStart: b.o.Pairing, Event: b.heardOfPairing,
	})
	return err
}

// pressedWithin is how old a press may be by a person's own time: simulated time may run faster.
const pressedWithin = 30 * time.Second

// Run runs the box until ctx ends, then stops it in order: intake first, then the spine with what waits, then the
// log and the outlets. It returns early with the error of the part that cannot run at all.
func (b *Box) Run(ctx context.Context) (err error) {
	if b.memory != nil {
		defer func() { err = errors.Join(err, b.memory.Close(), b.history.Close()) }()
	}
	if b.paired != nil {
		defer func() { err = errors.Join(err, b.paired.Close()) }()
	}
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	outer, stopOuter := context.WithCancel(context.WithoutCancel(ctx))
	defer stopOuter()
	// Simulated time must not run off before everyone has joined it.
	joined, stopTicks := func() {}, func() {}
	if c, ok := b.o.Clock.(interface{ Join() func() }); ok {
		joined, stopTicks = c.Join(), c.Join()
	}
	var outlets, spine, senders sync.WaitGroup
	must := func(wg *sync.WaitGroup, ctx context.Context, what string, run func(context.Context) error) {
		wg.Go(func() {
			if err := run(ctx); err != nil {
				fail(fmt.Errorf("%s: %w", what, err))
			}
		})
	}
	if e, ok := b.broker.(*publish.Embedded); ok { // its address is taken, or refused, before anything else starts
		if err := e.Start(outer); err != nil {
			joined()
			stopTicks()
			return err
		}
		outlets.Go(func() { <-outer.Done(); e.Stop() })
	} else {
		must(&outlets, outer, "broker", b.broker.Run)
	}
	must(&outlets, outer, "mqtt", b.outlet.Run)
	must(&outlets, outer, "page", b.server.Run)
	if b.alerts != nil {
		must(&outlets, outer, "alerts", b.alerts.Run)
		must(&outlets, outer, "journal", b.checkJournal)
	}
	if b.keep {
		must(&outlets, outer, "log", b.o.Store.Run)
		outlets.Go(func() { b.tidy(ctx) })
		outlets.Go(func() { <-ctx.Done(); b.exports.stop() })
	}
	outlets.Go(func() { b.sayDays(outer) })
	if b.bell != nil {
		outlets.Go(func() { b.bell.run(ctx) })
	}
	b.said(b.outlet.About(b.about()))
	taking, stopTaking := context.WithCancel(context.WithoutCancel(ctx))
	defer stopTaking()
	must(&spine, taking, "spine", b.own)
	for _, r := range b.inputs.runners {
		must(&senders, ctx, "intake", r.Run)
	}
	must(&senders, ctx, "clock", func(ctx context.Context) error {
		defer stopTicks()
		return b.tick(ctx)
	})
	b.inputs.starting.Wait()
	joined()
	<-ctx.Done()
	b.said(b.o.Notify.Stopping())
	waitAtMost(&senders, stopPatience)
	stopTaking()
	spine.Wait()
	b.mail.close()
	stopOuter()
	outlets.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// tidy seals earlier boots, and deletes sealed ones that are older than the machine file wants them kept, once the time
// is good: that may be minutes after the start, from the network or the bus.
func (b *Box) tidy(ctx context.Context) {
	dir := b.o.Machine.Logging.Dir
	trend.Mend(ctx, b.o.Store.Dir(), b.o.Boot, b.o.Log)
	sealed.Folder(ctx, dir, b.o.Boot, b.o.Log)
	for b.o.Machine.Logging.Keep > 0 && ctx.Err() == nil {
		now := b.inputs.time.Better(b.o.Clock.Sample())
		if now.Quality == clock.Good {
			sealed.Expire(ctx, dir, b.o.Machine.Logging.Keep, now, b.o.Log)
			return
		}
		wait := time.NewTimer(time.Minute) //nolint:forbidigo // when to look again is nobody's time
		select {
		case <-ctx.Done():
		case <-wait.C:
		}
		wait.Stop()
	}
}

// stopPatience is how long a stop waits for intake: a transaction that hangs in the kernel would keep it for ever.
const stopPatience = 3 * time.Second

func waitAtMost(wg *sync.WaitGroup, d time.Duration) {
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	t := time.NewTimer(d) //nolint:forbidigo // a deadline of the shutdown, not the box's time
	defer t.Stop()
	select {
	case <-done:
	case <-t.C:
	}
}

// tick sends a tick and a clock sample each second.
func (b *Box) tick(ctx context.Context) error {
	for {
		now := b.o.Clock.Boot()
		next := now.Truncate(time.Second) + time.Second
		if b.o.Clock.Sleep(ctx, next-now) != nil {
			return nil //nolint:nilerr // the clock ends with ctx, which is how a box stops
		}
		s := b.inputs.time.Better(b.o.Clock.Sample())
		if off, q := b.inputs.time.Offset(s.Boot); q != clock.Unset && b.tap != nil {
			b.tap.Offset(s.Boot, off, q)
		}
		b.mail.put(letter{entry: store.Entry{Kind: store.IsClock, At: s.Boot, Clock: s}})
		if c := b.table.Find(readings.BoxClock); c != readings.NoChannel {
			b.mail.Reading(readings.Reading{At: s.Boot, Channel: c, Value: float64(s.Quality)})
		}
		b.mail.put(letter{entry: store.Entry{Kind: store.IsTick, At: s.Boot}})
	}
}

// snapshotPeriod is how often screens are told, by the wall clock.
const snapshotPeriod = 500 * time.Millisecond

// own is the spine's goroutine: it alone touches checks and alarms.
func (b *Box) own(ctx context.Context) error {
	beat := time.NewTicker(snapshotPeriod) //nolint:forbidigo // how often screens are told, not the box's time
	defer beat.Stop()
	first := b.o.Clock.Sample()
	b.apply(&letter{entry: store.Entry{Kind: store.IsClock, At: first.Boot, Clock: first}})
	batch := make([]letter, 0, 256)
	var lost int64
	for {
		var err error
		batch, err = b.mail.take(ctx, beat.C, batch)
		for i := range batch {
			b.apply(&batch[i])
		}
		if n := b.mail.dropped(); n != lost {
			lost = n
			if c := b.table.Find(readings.BoxLost); c != readings.NoChannel {
				at := b.o.Clock.Boot()
				b.apply(&letter{entry: store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{At: at, Channel: c, Value: float64(n)}}})
			}
		}
		if errors.Is(err, errBeat) {
			b.tell()
			continue
		}
		if err != nil {
			b.spine.Close()
			b.tell()
			return nil
		}
	}
}

// simulationQueue is how many entries may wait for the disk before simulated time waits too.
const simulationQueue = 4096

// apply logs an entry and gives it to the spine.
func (b *Box) apply(l *letter) {
	e := &l.entry
	switch e.Kind {
	case store.IsReading:
		// A number that is none never enters: the log could not keep it, and a replay would differ.
		if math.IsNaN(e.Reading.Value) || math.IsInf(e.Reading.Value, 0) || math.IsNaN(e.Reading.Volts) || math.IsInf(e.Reading.Volts, 0) {
			e.Reading.Value, e.Reading.Volts = 0, 0
			if e.Reading.Quality == readings.Good {
				e.Reading.Quality = readings.Implausible
			}
		}
		b.counted.reading(e.Reading.Channel)
	case store.IsCommand:
		e.At = b.o.Clock.Boot()
	default:
	}
	if b.keep {
		if b.o.Simulated && e.Kind == store.IsTick && b.o.Store.Health().Queued > simulationQueue {
			// Simulated time can wait for the disk; a real box must not. The store has logged an error by itself.
			_ = b.o.Store.Commit()
		}
		b.o.Store.Append(*e)
	}
	answer := b.spine.Apply(e)
	b.bell.ring(b.spine.engine.Sounded())
	switch {
	case e.Kind == store.IsTick:
		b.lendHands()
	case e.Kind == store.IsCommand && e.Command.Verb.IsTest():
		b.lendHands()
		b.tellTest()
	case e.Kind == store.IsCommand && e.Command.Verb.IsCare():
		b.tellCare()
	}
	if l.answer != nil {
		l.answer <- answer
	}
	if e.Kind == store.IsTick {
		b.started.Add(1)
		b.sum()
		b.tellHealth(e.At)
		if err := b.o.Notify.Watchdog(); err != nil {
			b.o.Log.Warn("watchdog", slog.Any("error", err))
		}
	}
}

// Do takes a command from the page and waits for the spine's answer.
func (b *Box) Do(ctx context.Context, c alarms.Command) (alarms.Answer, error) {
	answer := make(chan alarms.Answer, 1)
	b.mail.put(letter{entry: store.Entry{Kind: store.IsCommand, Command: &c}, answer: answer})
	select {
	case a := <-answer:
		return a, nil
	case <-ctx.Done():
		return alarms.Answer{}, fmt.Errorf("the box did not answer in time: %w", ctx.Err())
	}
}

// voice is what the spine says, on its goroutine.
type voice struct{ b *Box }

// Transition tells the journal and the screens.
func (v voice) Transition(t alarms.Transition) {
	b := v.b
	if b.keep {
		b.o.Store.Transition(t)
		b.o.Store.KeepAlarms(b.spine.Engine().Save())
	}
	b.said(b.outlet.Alarm(b.alarm(&t.State)))
	b.said(b.outlet.Event(b.transitionEvent(&t)))
}

// Run has nothing to tell: screens know the runs from the snapshot.
func (voice) Run(compressor.Run) {}

// Estimate tells the screens.
func (v voice) Estimate(e Estimate) {
	b := v.b
	b.said(b.outlet.Event(struct {
		publish.Stamp

		Kind  string           `json:"kind"`
		Key   findings.Key     `json:"key"`
		Where string           `json:"where"`
		Leak  findings.Measure `json:"leak"`
	}{b.stamp(e.At), "estimate", e.Key, e.Where, e.Leak}))
}

// Event tells the journal, the log and the screens.
func (v voice) Event(e Event) {
	b := v.b
	if b.keep {
		b.o.Store.Event(e.At, e.Kind, e.Text)
	}
	b.o.Log.Info("event", slog.String("kind", e.Kind), slog.String("text", e.Text))
	b.said(b.outlet.Event(struct {
		publish.Stamp

		Kind string `json:"kind"`
		Text string `json:"text"`
	}{b.stamp(e.At), e.Kind, e.Text}))
}

func (b *Box) said(err error) {
	if err != nil {
		b.o.Log.Error("a state cannot be written", slog.Any("error", err))
	}
}

func (b *Box) stamp(at time.Duration) publish.Stamp {
	b.seq++
	return publish.Stamp{
		V: 1, T: b.spine.UTC(at).Truncate(time.Millisecond), Clk: b.spine.Clock().String(), Boot: b.o.Boot,
		Mono: at.Milliseconds(), Seq: b.seq,
	}
}

func (b *Box) tell() {
	n := b.spine.Now()
	_, last, _ := b.spine.Span()
	b.counted.turn(last, b.heard())
	n.Stamp = b.stamp(last)
	n.Simulated, n.Rate, n.Banner = b.o.Simulated, b.o.Rate, b.o.Banner
	if n.Banner == "" && b.keep {
		h := b.o.Store.Health()
		if h.Err != nil {
			n.Banner = "The log is not being written: " + h.Err.Error()
		}
		for i := range h.Raw {
			if s := h.Raw[i].State; n.Banner == "" && s != "" && s != "recording" {
				n.Banner = "The log is " + s
			}
		}
	}
	if b.refused() {
		n.Setup = "needed"
	}
	b.now.Store(n)
	b.sensors.Store(b.spine.sensorsNow())
	b.said(b.outlet.Now(n))
	b.tellTest()
	b.tellCare()
}

func (b *Box) sum() {
	s := b.spine.Engine().Sum()
	_, last, _ := b.spine.Span()
	b.said(b.outlet.Sum(publish.AlarmsSum{
		Stamp: b.stamp(last), Unacked: s.Unacked, Active: s.Active, Standing: s.Standing, Shelved: s.Shelved, Out: s.Out,
		Highest: s.Highest.String(), FirstOut: s.FirstOut, Flood: s.Flood,
	}))
}

// health answers the service manager: the spine ticks, the log is written, the broker is reached.
func (b *Box) health() error {
	if b.started.Load() == 0 {
		return errors.New("starting: no tick yet")
	}
	var problems []error
	if !b.outlet.Connected() {
		problems = append(problems, errors.New("the MQTT broker is not reached"))
	}
	if b.keep {
		if err := b.o.Store.Health().Err; err != nil {
			problems = append(problems, fmt.Errorf("the log is not being written: %w", err))
		}
	}
	return errors.Join(problems...)
}

// Now implements tablet.Snapshot.
func (b *Box) Now() ([]byte, bool) {
	now, _ := b.outlet.Latest()
	return now, now != nil
}

// Alarms implements tablet.Snapshot.
func (b *Box) Alarms() []byte {
	_, all := b.outlet.Latest()
	raw := make([]json.RawMessage, len(all))
	for i := range all {
		raw[i] = all[i]
	}
	out, err := json.Marshal(raw)
	if err != nil {
		return []byte("[]")
	}
	return out
}

// buses tells what goes on on each CAN link, as JSON; nil where the machine has none.
func (b *Box) buses() []byte {
	if len(b.inputs.links) == 0 {
		return nil
	}
	text, err := intake.PicturesJSON(b.inputs.links)
	b.said(err)
	return text
}

func (b *Box) metrics(w io.Writer) {
	var last int64
	if n := b.now.Load(); n != nil {
		last = n.Mono
	}
	var t strings.Builder
	family := func(name, kind, suffix string, value int64) {
		fmt.Fprintf(&t, "# TYPE %s %s\n%s%s %d\n", name, kind, name, suffix, value)
	}
	family("airhold_boot_seconds", "gauge", "", last/1000)
	family("airhold_ticks", "counter", "_total", b.started.Load())
	family("airhold_readings_dropped", "counter", "_total", b.mail.dropped())
	family("airhold_events_dropped", "counter", "_total", b.outlet.LostEvents())
	if b.keep {
		h := b.o.Store.Health()
		family("airhold_log_readings_thinned", "counter", "_total", h.Lost)
		family("airhold_log_queue", "gauge", "", int64(h.Queued))
		family("airhold_frames_dropped", "counter", "_total", h.Frames)
	}
	if _, err := io.WriteString(w, t.String()); err != nil {
		b.o.Log.Debug("metrics", slog.Any("error", err)) // whoever asked has gone
	}
}
