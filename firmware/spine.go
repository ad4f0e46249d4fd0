// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/clock"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/supply"
	"airhold/firmware/supply/leakwatch"
	"airhold/firmware/supply/overnight"
	"airhold/firmware/trust"
	"airhold/firmware/water"
)

// Event is something the journal keeps that is no alarm: a clock step, a fault code of the machine, acquisition that
// stands still.
type Event struct {
	At    time.Duration
	Kind  string // clock-step, machine-fault, no-data, data-back
	Text  string
	Fault *readings.MachineFault
}

// Estimate is a leak that was sized while the machine works.
type Estimate struct {
	At    time.Duration
	Key   findings.Key
	Where string
	Leak  findings.Measure
}

// Outputs takes what the spine says, on the spine's goroutine. Implementations must not keep it waiting.
type Outputs interface {
	Transition(t alarms.Transition)
	Run(r compressor.Run)
	Estimate(e Estimate)
	Event(e Event)
}

// The names under which the store keeps what a check has learned.
const (
	compressorMemory = "compressor"
	leakMemory       = "leakwatch"
	nightMemory      = "overnight"
	waterMemory      = "water"
	careMemory       = "care"
)

// SpineOptions configure a Spine.
type SpineOptions struct {
	Machine *config.Machine
	Table   *readings.Table
	Out     Outputs
	Saved   *alarms.Saved     // alarm state from before the start; nil: none
	Heard   findings.Sink     // is told every finding before the alarm engine; nil: nobody
	Learned map[string][]byte // what was learned before the start, by name; the leak-down test takes its signatures from it
	Memory  Memory            // takes what must be kept; nil: nobody
	Minutes Minutes           // takes each minute's summary; nil: none is made
}

// Spine owns all checks and alarms of one machine. It is pure: what it says follows from the entries it was given, in
// their order, and from nothing else. One goroutine owns it.
type Spine struct {
	o       SpineOptions
	table   *readings.Table
	engine  *alarms.Engine
	health  *alarms.Health
	frozen  *trust.Frozen
	trust   *trust.Trust
	comp    *compressor.Compressor
	supply  *supply.Supply
	leaks   *leakwatch.Watch
	night   *overnight.Overnight
	water   *water.Water
	care    *care.Care
	test    *session.Session
	est     clock.Estimate
	last    []lastValue
	speed   readings.Channel
	lowered readings.Channel
	drive   readings.Channel
	ign     readings.Channel

	students []student // in the order in which people are told what they learned
	keptAt   time.Duration

	keptHealth []byte
	told       map[string]toldLeak // leaks whose size is in the journal, by place
	leakNow    []leakwatch.Leak
	leakAt     time.Duration // when a leak was last raised
	leakSeen   bool
	tested     time.Time // when a leak-down test was last judged; zero: never, or not known

	first, now time.Duration
	begun      bool
	today      today
	dayEnded   bool // and nobody was told
	stood      bool // acquisition stands still
	working    bool // the planter is lowered and moves
	worked     bool // it did so since the start
	count      int64
	rules      map[alarms.Suppressor]bool
	minutes    *minutes // nil: none are made
}

type lastValue struct {
	value   float64 // of the last good reading
	good    bool    // there was one
	goodAt  time.Duration
	quality readings.Quality // of the last reading
	at      time.Duration
	since   time.Duration // the quality has been the same
	volts   float64       // of the last reading, V or A; 0 without a converter
	raw     int32
	heard   bool
}

// NewSpine builds the checks a machine file asks for. The error is one of the file's alarm overrides.
func NewSpine(o SpineOptions) (*Spine, error) {
	ao := alarmOptions(o.Machine)
	if err := ao.Validate(); err != nil {
		return nil, err
	}
	s := &Spine{o: o, table: o.Table, last: make([]lastValue, o.Table.Len()), rules: map[alarms.Suppressor]bool{}, told: map[string]toldLeak{}}
	s.health = alarms.NewHealth(o.Learned[healthMemory])
	ao.Health = s.health
	s.engine = alarms.New(ao, transitions{s})
	if o.Saved != nil {
		s.engine.Restore(*o.Saved)
	}
	s.frozen = trust.NewFrozen(trust.FrozenOptions{}, o.Table)
	sink := newSieve(o.Machine, s.engine)
	if o.Heard != nil {
		sink = both{o.Heard, sink}
	}
	s.trust = trust.New(trustOptions(o.Machine, o.Table), o.Table, sink)
	co := compressorOptions(o.Machine, o.Table, runs{s})
	co.Saved, co.Notes, co.Use = o.Learned[compressorMemory], s, s.use
	s.comp = compressor.New(co, o.Table, unlessLeaks{sink, s})
	lo := leakOptions(o.Machine, o.Table, s.comp)
	lo.Saved, lo.Notes, lo.Sized = o.Learned[leakMemory], s, s.sized
	s.leaks = leakwatch.New(lo, o.Table, blame{sink, s})
	su := supplyOptions(o.Machine, o.Table, s.comp)
	su.Split, su.Measured = s.leaks, delivery{s}
	s.supply = supply.New(su, o.Table, sink)
	no := nightOptions(o.Machine, o.Table)
	no.Saved, no.Notes, no.UTC = o.Learned[nightMemory], s, s.trustedUTC
	s.night = overnight.New(no, o.Table)
	wo := waterOptions(o.Machine, o.Table, s.comp)
	wo.Saved, wo.Notes, wo.UTC = o.Learned[waterMemory], s, s.trustedUTC
	s.water = water.New(wo, o.Table, sink)
	to := CareOptions(o.Machine)
	to.Saved, to.Notes, to.UTC, to.Drained = o.Learned[careMemory], s, s.trustedUTC, s.water.Drained
	s.care = care.New(to, sink)
	s.tested = lastJudged(o.Learned[testedMemory])
	s.students = []student{
		{s.comp, compressorMemory, co.Saved},
		{s.leaks, leakMemory, lo.Saved},
		{s.night, nightMemory, no.Saved},
		{s.water, waterMemory, wo.Saved},
		{s.care, careMemory, to.Saved},
	}
	s.test = session.New(s.sessionOptions(), o.Table)
	if o.Minutes != nil {
		s.minutes = newMinutes(o.Minutes, o.Machine, o.Table)
	}
	s.speed, s.lowered, s.ign = o.Table.Find("speed"), o.Table.Find("lowered"), o.Table.Find("ignition")
	s.drive = readings.NoChannel
	if len(o.Machine.Compressors) > 0 {
		s.drive = o.Table.Find(o.Machine.Compressors[0].Drive)
	}
	return s, nil
}

// both tells two sinks.
type both struct{ first, second findings.Sink }

// Find tells one after the other.
func (b both) Find(f findings.Finding) {
	b.first.Find(f)
	b.second.Find(f)
}

// blame adds to a leak whether what else is wrong follows from it.
type blame struct {
	to findings.Sink
	s  *Spine
}

// Find passes a finding on.
func (b blame) Find(f findings.Finding) {
	f.Explains = f.Active && !f.Value.IsZero() && f.Value.SI >= b.s.shortfall()/2
	b.to.Find(f)
}

// shortfall is by how much more air goes than the compressor can give within its duty, or than it gives now, m3/s ANR;
// infinite where nothing is short or nobody knows, so that no leak explains it.
func (s *Spine) shortfall() float64 {
	b := s.supply.Budget()
	limit := 1.0
	if cs := s.o.Machine.Compressors; len(cs) > 0 && cs[0].DutyLimit > 0 {
		limit = cs[0].DutyLimit
	}
	short := b.Overhang
	if b.GivesKnown && b.UseKnown {
		short = max(short, b.Use-limit*b.Gives)
	}
	if short <= 0 {
		return math.Inf(1)
	}
	return short
}

// unlessLeaks holds back that the compressor gives less while air leaks: what is lost looks like what was not delivered.
type unlessLeaks struct {
	to findings.Sink
	s  *Spine
}

// Find passes a finding on.
func (u unlessLeaks) Find(f findings.Finding) {
	if f.Key == compressor.KeyDelivery && f.Sight == findings.Seen && u.s.leaked(f.At) {
		f = findings.Finding{Key: f.Key, Where: f.Where, At: f.At, Sight: findings.Unseen, Needs: "an hour of runs without a leak"}
	}
	u.to.Find(f)
}

// leaked says whether a leak is raised, or was within the hour whose runs the delivery is told from.
func (s *Spine) leaked(at time.Duration) bool {
	if s.leakNow = s.leaks.Leaks(s.leakNow[:0]); len(s.leakNow) > 0 {
		s.leakAt, s.leakSeen = at, true
	}
	return s.leakSeen && at-s.leakAt < time.Hour
}

type transitions struct{ s *Spine }

// Transition passes an alarm's change on.
func (t transitions) Transition(tr alarms.Transition) { t.s.o.Out.Transition(tr) }

// use is what bags, known drains and leaks take, m3/s ANR.
func (s *Spine) use() (float64, bool) {
	bags, bleed, leak, known := s.leaks.Flows()
	return bags.SI + bleed.SI + leak.SI, known
}

// sized passes on a leak's size. The journal gets the first one, and each one that contradicts what stands there.
func (s *Spine) sized(at time.Duration, l leakwatch.Leak) {
	told, ok := s.told[l.Where]
	fresh := !ok || told.raised != l.Raised
	other := told.flow < l.Flow.Low/resized || told.flow > l.Flow.High*resized
	if fresh || other && at-told.at >= tellSizeEvery {
		s.told[l.Where] = toldLeak{l.Raised, at, l.Flow.SI}
		text := fmt.Sprintf("Air leak, %s: now about %s.", l.Where, leakWords(l.Flow))
		if fresh {
			text = fmt.Sprintf("Air leak, %s: about %s. It began about %s before it was found.", l.Where, leakWords(l.Flow), roughly(l.Raised-l.Since))
		}
		s.Note(at, "leak-sized", text)
	}
	s.o.Out.Estimate(Estimate{At: at, Key: leakwatch.KeyLeak, Where: l.Where, Leak: l.Flow})
}

// toldLeak is a leak's size as the journal has it.
type toldLeak struct {
	raised, at time.Duration
	flow       float64
}

// A size is told again when it is another one by more than its interval and this factor, and not too often.
const (
	resized       = 1.25
	tellSizeEvery = 10 * time.Minute
)

// leakWords writes a flow with its interval, with as many digits as make sense.
func leakWords(m findings.Measure) string {
	digits := func(si float64) string {
		v := m.Unit.From(si)
		if v < 9.95 {
			return strconv.FormatFloat(v, 'f', 1, 64)
		}
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return fmt.Sprintf("%s L/min ANR (%s to %s)", digits(m.SI), digits(m.Low), digits(m.High))
}

// roughly writes a span as people say it.
func roughly(d time.Duration) string {
	if d < 90*time.Second {
		return fmt.Sprintf("%d s", int(max(0, d).Seconds()))
	}
	return fmt.Sprintf("%d min", int(math.Round(d.Minutes())))
}

type runs struct{ s *Spine }

// Run passes a compressor's run on.
func (r runs) Run(run compressor.Run) { r.s.o.Out.Run(run) }

// Apply takes one entry. It returns the answer to a command, and the zero Answer for everything else.
func (s *Spine) Apply(e *store.Entry) alarms.Answer {
	if !s.begun {
		s.begun, s.first = true, e.At
	}
	if e.At > s.now {
		s.now = e.At
	}
	if s.minutes != nil {
		s.minutes.begin(e.At)
	}
	switch e.Kind {
	case store.IsReading:
		s.read(e.Reading)
	case store.IsTick:
		s.tick(e.At)
	case store.IsCommand:
		switch {
		case e.Command.Verb.IsTest():
			return s.testCommand(e.At, e.Command)
		case e.Command.Verb.IsCare():
			return s.careCommand(e.At, e.Command)
		}
		return s.engine.Command(e.At, *e.Command)
	case store.IsClock:
		s.setClock(e.Clock)
	case store.IsFault:
		s.fault(e.Fault)
	}
	return alarms.Answer{}
}

func (s *Spine) read(r readings.Reading) {
	if r.Channel < 0 || int(r.Channel) >= len(s.last) {
		return
	}
	s.count++
	if s.minutes != nil {
		s.minutes.read(&r)
	}
	r = s.frozen.Read(r)
	l := &s.last[r.Channel]
	if !l.heard || l.quality != r.Quality {
		l.since = r.At
	}
	l.quality, l.at, l.heard, l.volts, l.raw = r.Quality, r.At, true, r.Volts, r.Raw
	if r.Quality == readings.Good {
		l.value, l.goodAt, l.good = r.Value, r.At, true
	}
	s.trust.Read(r)
	s.comp.Read(r)
	s.supply.Read(r)
	s.leaks.Read(r)
	s.night.Read(r)
	s.water.Read(r)
	s.test.Read(r)
}

func (s *Spine) tick(at time.Duration) {
	if since, on := s.frozen.Since(); on != s.stood {
		s.stood = on
		if on {
			s.o.Out.Event(Event{At: at, Kind: "no-data", Text: fmt.Sprintf(
				"The readings stand still to the last digit for %s: treated as no data.", (at - since).Round(time.Second))})
		} else {
			s.o.Out.Event(Event{At: at, Kind: "data-back", Text: "The readings move again."})
		}
	}
	s.test.Tick(at)
	s.suppress(at)
	s.comp.Tick(at)
	s.leaks.Hold(s.test.Active(), at)
	s.leaks.Tick(at)
	s.night.Tick(at)
	s.supply.Tick(at)
	s.water.Tick(at)
	s.care.Tick(at, s.careInputs(at))
	s.trust.Tick(at)
	s.engine.Tick(at)
	s.tickHealth(at)
	s.keep(at, false)
	if s.minutes != nil {
		s.minutes.tick(s, at)
	}
}

// The limits of the rules that hide alarms: hmi figures, common practice, no source.
const (
	slowSpeed   = 0.5 // m/s
	stillDrive  = 0.5 // 1/s, 30 turns a minute
	silentAfter = 5 * time.Second
)

// suppress sets the rules that depend on what the machine does. A rule whose channel is not seen does not hold.
func (s *Spine) suppress(at time.Duration) {
	raised, seen := s.value(s.lowered, at)
	slow, moving := s.value(s.speed, at)
	s.rule(alarms.S3, (seen && raised < 0.5) || (moving && slow < slowSpeed), at)
	s.working = seen && raised > 0.5 && moving && slow > slowSpeed
	s.worked = s.worked || s.working
	s.rule(alarms.S4, s.test.Running(), at)
	turns, turning := s.value(s.drive, at)
	on, keyed := s.value(s.ign, at)
	s.rule(alarms.S5, (turning && turns < stillDrive) || (keyed && on < 0.5) || s.keyedOff(at), at)
}

// keyedOff takes it for the key being off when the bus fell silent while the machine stood, until the compressor is seen
// running: most machines have no wire that says it.
func (s *Spine) keyedOff(at time.Duration) bool {
	if s.speed == readings.NoChannel {
		return false
	}
	l := &s.last[s.speed]
	if !l.good || l.value >= slowSpeed || at-l.goodAt <= silentAfter {
		return false
	}
	state, since := s.comp.State()
	return state != compressor.On || since < l.goodAt
}

func (s *Spine) rule(which alarms.Suppressor, holds bool, at time.Duration) {
	if s.rules[which] == holds {
		return
	}
	s.rules[which] = holds
	s.engine.Suppress(which, "", holds, at)
}

// value returns a channel's last good value while it is fresh.
func (s *Spine) value(c readings.Channel, at time.Duration) (float64, bool) {
	if c < 0 || int(c) >= len(s.last) {
		return 0, false
	}
	l := &s.last[c]
	return l.value, l.good && at-l.goodAt <= silentAfter && l.quality == readings.Good
}

func (s *Spine) setClock(c clock.Sample) {
	if s.minutes != nil {
		s.minutes.clock(c)
	}
	was := s.est.UTC(c.Boot)
	step := s.est.Set(c)
	if step > -clock.StepThreshold && step < clock.StepThreshold {
		return
	}
	s.o.Out.Event(Event{At: c.Boot, Kind: "clock-step", Text: fmt.Sprintf(
		"The wall clock stepped by %s, from %s to %s (%s). Durations and order go by the boot clock and are not touched.",
		step.Round(time.Millisecond), was.Format(time.RFC3339), c.UTC.Format(time.RFC3339), c.Quality)})
}

func (s *Spine) fault(f readings.MachineFault) {
	verb, often := "reports", ""
	if f.Gone {
		verb = "no longer reports"
	}
	if f.CountKnown() {
		often = fmt.Sprintf(" (occurrence %d by its count)", f.Count)
	}
	s.o.Out.Event(Event{At: f.At, Kind: "machine-fault", Fault: &f, Text: fmt.Sprintf(
		"The controller at address %d %s fault SPN %d FMI %d%s.", f.Source, verb, f.SPN, f.FMI, often)})
}

// Close ends a recording: a run that is still open is handed on, and what was learned is kept.
func (s *Spine) Close() {
	s.comp.Close()
	s.keep(s.now, true)
	if s.minutes != nil {
		s.minutes.end(s)
	}
}

// Engine returns the alarm engine, for its states and counts.
func (s *Spine) Engine() *alarms.Engine { return s.engine }

// Compressor returns the compressor's watch.
func (s *Spine) Compressor() *compressor.Compressor { return s.comp }

// Leaks returns the leak watch.
func (s *Spine) Leaks() *leakwatch.Watch { return s.leaks }

// Night returns the overnight hold.
func (s *Spine) Night() *overnight.Overnight { return s.night }

// Water returns the water balance.
func (s *Spine) Water() *water.Water { return s.water }

// Care returns the care list.
func (s *Spine) Care() *care.Care { return s.care }

// Supply returns the tank's watch.
func (s *Spine) Supply() *supply.Supply { return s.supply }

// UTC returns the wall time at a boot time, the zero time without a clock.
func (s *Spine) UTC(at time.Duration) time.Time { return s.est.UTC(at) }

// trustedUTC returns the wall time at a boot time, and whether days and nights may be counted by it.
func (s *Spine) trustedUTC(at time.Duration) (time.Time, bool) {
	return s.est.UTC(at), s.est.Quality() != clock.Unset && !s.est.UTC(at).IsZero()
}

// Clock returns the quality of the wall clock.
func (s *Spine) Clock() clock.Quality { return s.est.Quality() }

// Span returns the first and the newest time the spine was given, and how many readings.
func (s *Spine) Span() (first, last time.Duration, count int64) { return s.first, s.now, s.count }
