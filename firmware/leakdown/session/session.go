// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Tank is the tank as the machine file declares it. Pressures are Pa gauge, volumes m3.
type Tank struct {
	Pressure    readings.Channel
	Volume      float64
	Uncertainty float64 // half width, as a ratio; 0: the estimator's default
	FullScale   float64 // Pa, of its sensor; 0: the estimator's default
	SafeWorking float64 // rated limit; a test never asks for more
	Relief      float64 // setting of the relief valve; a test never asks for more
}

// Rank is one rank as the machine file declares it.
type Rank struct {
	Name               string
	Pressure           readings.Channel // readings.NoChannel: not seen
	Target             readings.Channel
	Volume             float64 // m3, at the pressure of the first watch
	Stretch            float64 // 1/Pa
	StretchUncertainty float64 // as a ratio
	FullScale          float64
	PowerOff           zones.PowerOff
	ShutOff            zones.ShutOff
}

// Options describe the machine. A channel that it does not have is readings.NoChannel.
type Options struct {
	Tank  Tank
	Ranks []Rank

	Running, Drive, Speed, Lowered, Wall, Ambient, Barometer readings.Channel

	Air       float64 // Pa absolute, where no barometer is read; 0: 101325
	Limit     float64 // m3/s ANR; 0: 3 L/min
	Discharge float64 // of the equivalent hole; 0: 0.61
	LineDrop  float64 // Pa, between tank and ranks
	Simulated bool

	CutIn, CutOut func() (float64, bool)           // Pa gauge, declared or learned; nil: not known
	Need          func() (float64, bool)           // Pa gauge that the tank must keep for its ranks; nil: not known
	UTC           func(at time.Duration) time.Time // zero without a clock; nil: no clock
	Signatures    map[string]leakdown.Signature    // by the volume's name: tank, or a rank's
	Out           Outputs                          // nil: nobody listens
}

// Outputs takes what a test says, on the session's goroutine.
type Outputs interface {
	// Said is a sentence for the journal; kind is test-start, test-step, test-verdict, test-void, test-stop or
	// test-refused.
	Said(at time.Duration, kind, text string)
	// Finished is a test that has come to its result, stopped ones included.
	Finished(r *Result)
	// Learned is how a volume's air cools, after a clean test.
	Learned(volume string, s leakdown.Signature)
}

// Verb is what a person may tell a test.
type Verb string

// The verbs.
const (
	Start  Verb = "test-start" // Args: zone, phases, limit, target, shade
	Go     Verb = "test-step"  // Args: tick (an id; toggles) or next
	Finish Verb = "test-stop"
)

// Command is what a person told the test.
type Command struct {
	ID   string
	Verb Verb
	Args map[string]string
	By   string
}

// Answer is what the test says to it; Error is a sentence for the person, empty when it was done.
type Answer struct {
	OK    bool
	Error string
}

// The limits of a session; common practice, no source.
const (
	moving      = 0.5 // m/s: more than this is driving
	turning     = 0.5 // 1/s: a shaft below 30 /min drives nothing
	freshFor    = 5 * time.Second
	slowFor     = time.Minute // of temperatures and the barometer
	forgotten   = time.Hour   // nobody went on: the test is put away
	keepAnswers = 256

	litreMinute = 1e-3 / 60
	defaultAir  = 101325.0
)

// Session leads one test after the other. One goroutine owns it.
type Session struct {
	o       Options
	volumes []*volume // the tank first
	now     time.Duration
	seen    map[readings.Channel]*value
	wallNew bool
	version uint64

	answers map[string]Answer
	order   []string
	sign    map[string]leakdown.Signature

	run *run // nil: none yet
}

// value is a channel's last good reading.
type value struct {
	v  float64
	at time.Duration
	ok bool
}

// run is one test.
type run struct {
	id, zone, by string
	asked        *volume
	phases       int
	phase        int
	limit        float64
	target       float64 // Pa gauge; 0: none
	shade        bool
	started      time.Duration
	touched      time.Duration // when a person last did something
	step         Step
	ticks        []Tick
	confirmed    bool // the person has said that isolating is done
	rose         bool // pressure rose during the fill
	reached      bool // and came to the target
	begun        time.Duration
	lowered      float64
	turned       bool // the drive turned when the watch began
	phasesDone   []zones.Phase
	first        *leakdown.Result // of the asked volume, from the first watch
	firstCurve   *Curve
	shutIn       time.Duration // when the air of the first watch was shut in
	stages       []Stage
	away         time.Duration // since when the planter drives
	result       *Result
}

// New makes a session for a machine.
func New(o Options, _ *readings.Table) *Session {
	if o.Air == 0 {
		o.Air = defaultAir
	}
	if o.Limit == 0 {
		o.Limit = 3 * litreMinute
	}
	if o.Discharge == 0 {
		o.Discharge = 0.61
	}
	s := &Session{o: o, seen: map[readings.Channel]*value{}, answers: map[string]Answer{}, sign: map[string]leakdown.Signature{}}
	maps.Copy(s.sign, o.Signatures)
	for _, c := range []readings.Channel{o.Running, o.Drive, o.Speed, o.Lowered, o.Wall, o.Ambient, o.Barometer} {
		if c != readings.NoChannel {
			s.seen[c] = &value{}
		}
	}
	s.volumes = append(s.volumes, &volume{name: zones.TankName, where: "tank side", rank: -1, ch: o.Tank.Pressure, supply: -1})
	for i, r := range o.Ranks {
		s.volumes = append(s.volumes, &volume{name: r.Name, where: r.Name + " rank", rank: i, ch: r.Pressure, supply: -1})
		if r.Target != readings.NoChannel {
			s.seen[r.Target] = &value{}
		}
	}
	return s
}

// Read takes a reading of any channel.
func (s *Session) Read(r readings.Reading) {
	s.now = max(s.now, r.At)
	if v := s.seen[r.Channel]; v != nil && r.Quality == readings.Good {
		v.v, v.at, v.ok = r.Value, r.At, true
		s.wallNew = s.wallNew || r.Channel == s.o.Wall || r.Channel == s.o.Ambient
	}
	for _, v := range s.volumes {
		if v.ch != r.Channel || v.ch == readings.NoChannel {
			continue
		}
		x := leakdown.Sample{At: r.At, Pressure: r.Value, Bad: r.Quality != readings.Good}
		if s.wallNew && v.rank < 0 && s.Active() {
			x.Wall, x.Ambient = s.fresh(s.o.Wall), s.fresh(s.o.Ambient)
			s.wallNew = false
		}
		v.read(x, r.Quality, s.Active())
	}
}

// fresh is the last value of a channel that changes slowly; zero where there is none.
func (s *Session) fresh(c readings.Channel) float64 {
	if v := s.seen[c]; v != nil && v.ok && s.now-v.at <= slowFor {
		return v.v
	}
	return 0
}

// get is a channel's last value while it is fresh.
func (s *Session) get(c readings.Channel) (float64, bool) {
	v := s.seen[c]
	if v == nil || !v.ok || s.now-v.at > freshFor {
		return 0, false
	}
	return v.v, true
}

// Tick takes the time, once a second.
func (s *Session) Tick(at time.Duration) {
	s.now = max(s.now, at)
	if !s.Active() {
		return
	}
	r := s.run
	if s.now-r.touched > forgotten && r.step != Watch {
		s.stop("Nobody went on for an hour, so the test was put away.")
		return
	}
	if s.drivesAway() {
		return
	}
	switch r.step {
	case Fill:
		r.rose = r.rose || r.asked.rises()
		r.reached = r.reached || r.target > 0 && r.asked.alive(s.now) && r.asked.now >= r.target*(1-fillNear)
	case Isolate:
		s.isolated()
	case Watch:
		s.watch()
	case MakeSafe, Done:
	}
}

// drivesAway ends a test whose planter is being driven.
func (s *Session) drivesAway() bool {
	r := s.run
	v, ok := s.get(s.o.Speed)
	if !ok || math.Abs(v) <= moving {
		r.away = -1
		return false
	}
	if r.step == Watch {
		s.void(leakdown.PlanterMoved)
		return true
	}
	if r.away < 0 {
		r.away = s.now
	}
	if s.now-r.away < freshFor {
		return false
	}
	s.stop("The planter is driven, so the test was put away.")
	return true
}

// Active says whether a test is under way, from its start to its result.
func (s *Session) Active() bool { return s.run != nil && s.run.step != Done }

// Running says whether a test moves or watches the air, so that alarms about it are to be held back.
func (s *Session) Running() bool { return s.Active() && s.run.step != MakeSafe }

// Step returns where the test is, and in which watch; the empty step where there was none yet.
func (s *Session) Step() (step Step, phase int) {
	if s.run == nil {
		return "", 0
	}
	return s.run.step, s.run.phase
}

// Version goes up with each change that a screen should be told of at once.
func (s *Session) Version() uint64 { return s.version }

// Command does what a person asks, or says why not. A repeated id is answered as before.
func (s *Session) Command(at time.Duration, c Command) Answer {
	s.now = max(s.now, at)
	if old, ok := s.answers[c.ID]; ok {
		return old
	}
	var why string
	switch c.Verb {
	case Start:
		why = s.start(c)
	case Go:
		why = s.goOn(c)
	case Finish:
		if s.Active() {
			s.stop("Stopped by " + who(c.By) + ".")
		} else {
			why = "no test is under way"
		}
	default:
		why = fmt.Sprintf("there is no command %q", string(c.Verb))
	}
	if why != "" {
		s.said("test-refused", fmt.Sprintf("%s by %s: %s.", c.Verb, who(c.By), why))
	}
	a := Answer{OK: why == "", Error: why}
	if len(s.order) >= keepAnswers {
		delete(s.answers, s.order[0])
		s.order = s.order[1:]
	}
	s.answers[c.ID] = a
	s.order = append(s.order, c.ID)
	return a
}

func who(by string) string {
	if by == "" {
		return "somebody"
	}
	return by
}

func (s *Session) said(kind, text string) {
	if s.o.Out != nil {
		s.o.Out.Said(s.now, kind, text)
	}
}

// start begins a test; the sentence says why it cannot.
func (s *Session) start(c Command) string {
	if s.Active() {
		return fmt.Sprintf("a test of the %s is under way; stop it first", s.run.asked.where)
	}
	if v, ok := s.get(s.o.Speed); ok && math.Abs(v) > moving {
		return "the planter moves: stop first"
	}
	zone := c.Args["zone"]
	if zone == "" {
		zone = zones.TankName
	}
	i := slices.IndexFunc(s.volumes, func(v *volume) bool { return v.name == zone })
	if i < 0 {
		names := make([]string, 0, len(s.volumes))
		for _, v := range s.volumes {
			names = append(names, v.name)
		}
		return fmt.Sprintf("there is no zone %q; zones: %s", zone, strings.Join(names, ", "))
	}
	v := s.volumes[i]
	if v.ch == readings.NoChannel {
		return fmt.Sprintf("the %s has no pressure channel in the machine file, so nobody would see it fall", v.where)
	}
	r := &run{zone: zone, asked: v, by: c.By, phases: 1, phase: 1, limit: s.o.Limit, started: s.now, touched: s.now, step: MakeSafe, away: -1}
	if r.by == "" {
		r.by = c.Args["by"]
	}
	r.shade = c.Args["shade"] != "" && c.Args["shade"] != "0"
	for _, check := range []func(*run, map[string]string) string{s.askPhases, s.askLimit, s.askTarget} {
		if why := check(r, c.Args); why != "" {
			return why
		}
	}
	r.id = s.name(c.ID)
	r.ticks = safeTicks()
	for _, v := range s.volumes {
		v.clear()
	}
	s.run = r
	s.change()
	s.said("test-start", fmt.Sprintf("Leak-down test of the %s begun by %s, limit %s.", v.where, who(r.by), flowWords(r.limit)))
	return ""
}

// name makes the test's id: its time, and the end of the command's id against two in one second.
func (s *Session) name(id string) string {
	tail := slug(id)
	if len(tail) > 6 {
		tail = tail[len(tail)-6:]
	}
	at := fmt.Sprintf("boot-%d", int64(s.now/time.Second))
	if t := s.utc(s.now); !t.IsZero() {
		at = t.UTC().Format("20060102t150405")
	}
	return strings.Trim(at+"-"+tail, "-")
}

func slug(id string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r - 'A' + 'a'
		default:
			return -1
		}
	}, id)
}

func (s *Session) utc(at time.Duration) time.Time {
	if s.o.UTC == nil {
		return time.Time{}
	}
	return s.o.UTC(at)
}

func (s *Session) askPhases(r *run, args map[string]string) string {
	switch args["phases"] {
	case "", "1":
		return ""
	case "2":
	default:
		return fmt.Sprintf("phases is 1 or 2, not %q", args["phases"])
	}
	for _, v := range s.volumes[1:] {
		if v.ch != readings.NoChannel {
			r.phases = 2
			return ""
		}
	}
	return "a second watch is made with the ranks vented, and no rank's pressure is seen on this machine"
}

func (s *Session) askLimit(r *run, args map[string]string) string {
	text := args["limit"]
	if text == "" {
		return ""
	}
	v, err := units.Parse(text, units.FlowRate)
	if err != nil {
		return "the limit cannot be read: " + err.Error()
	}
	if !(v.SI > 0 && v.SI <= 2000*litreMinute) {
		return "a limit is more than nothing and at most 2000 L/min"
	}
	r.limit = v.SI
	return ""
}

// most is the highest pressure a test may ask for.
func (s *Session) most() float64 {
	most := math.Inf(1)
	for _, p := range []float64{s.o.Tank.SafeWorking, s.o.Tank.Relief} {
		if p > 0 {
			most = math.Min(most, p)
		}
	}
	return most
}

func (s *Session) askTarget(r *run, args map[string]string) string {
	most := s.most()
	if text := args["target"]; text != "" {
		v, err := units.Parse(text, units.Pressure)
		switch {
		case err != nil:
			return "the pressure to fill to cannot be read: " + err.Error()
		case v.SI > most:
			return fmt.Sprintf("%s is above the %s that the tank's plate and its relief valve allow; a test never asks for that", kPa(v.SI), kPa(most))
		case v.SI < leastOf(r.asked):
			return fmt.Sprintf("%s is too low to judge: %s at least", kPa(v.SI), kPa(leastOf(r.asked)))
		}
		r.target = v.SI
		return ""
	}
	r.target = s.usualTarget(r.asked)
	if r.target > most {
		return fmt.Sprintf("the %s of the machine file is above the %s that the tank's plate and its relief valve allow; a test never asks for that",
			kPa(r.target), kPa(most))
	}
	return ""
}

// usualTarget is the pressure to fill to when nobody named one; zero where none is known.
func (s *Session) usualTarget(v *volume) float64 {
	if v.rank >= 0 {
		if t, ok := s.get(s.o.Ranks[v.rank].Target); ok && t >= leastOf(v) {
			return t
		}
		return 0
	}
	if s.o.CutOut != nil {
		if p, ok := s.o.CutOut(); ok {
			return p
		}
	}
	return 0
}

// leastOf is the pressure below which nothing is judged: the estimator's own limits with some room.
func leastOf(v *volume) float64 {
	if v.rank >= 0 {
		return 35e3
	}
	return 220e3
}

func (s *Session) change() { s.version++ }

// Signatures returns how the volumes' air cools, as learned so far, by the volume's name.
func (s *Session) Signatures() map[string]leakdown.Signature { return maps.Clone(s.sign) }

// ForgetSignature drops how a volume's air cools: the next clean test learns it anew. It reports whether there was one.
func (s *Session) ForgetSignature(volume string) bool {
	_, ok := s.sign[volume]
	delete(s.sign, volume)
	return ok
}
