// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/export"
	"airhold/firmware/store/sealed"
	"airhold/firmware/store/trend"
)

// minuteLog keeps copies of the minutes it is given.
type minuteLog struct {
	all  []store.Minute
	to   *store.Store // nil: nobody else
	mute bool
	late int64
}

func (l *minuteLog) Minute(m *store.Minute, late int64) {
	l.late += late
	if l.to != nil {
		l.to.KeepMinute(m)
	}
	if !l.mute {
		l.all = append(l.all, store.Minute{Number: m.Number, Tallies: slices.Clone(m.Tallies), Clock: slices.Clone(m.Clock)})
	}
}

// Minutes on the spine's goroutine cost no memory either.
func TestMinutesAllocateNothing(t *testing.T) {
	m := config.ExampleMachine()
	s := &shop{table: firmware.NewTable(m)}
	var err error
	if s.spine, err = firmware.NewSpine(firmware.SpineOptions{Machine: m, Table: s.table, Out: &deaf{}, Minutes: &minuteLog{mute: true}}); err != nil {
		t.Fatal(err)
	}
	for range 30 * 60 {
		s.second(true)
	}
	if n := testing.AllocsPerRun(1, func() {
		for range 300 {
			s.second(true)
		}
	}); n != 0 {
		t.Errorf("%v allocations in five minutes of readings, ticks and minutes; want 0", n)
	}
}

// What a box keeps of each minute is what a replay of its log sums up again, and the channels are what the log's own rows
// say, reckoned here.
func TestKeptMinutesAreThoseOfTheLog(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: minutes of a box; others run under the detector")
	}
	s := play(t, standOptions{story: "faults", whole: true, script: []cue{{5*time.Minute + 30*time.Second, func(*stand) {}}}})
	kept := keptMinutes(t, s.dir, "test")
	boot := readBoot(t, s.dir)
	m, problems := config.Parse("snapshot", boot.snap.Machine)
	if m == nil {
		t.Fatal(problems)
	}
	again := &minuteLog{}
	sp, err := firmware.NewSpine(firmware.SpineOptions{Machine: m, Table: boot.table, Out: &deaf{}, Saved: &boot.snap.Alarms, Learned: boot.snap.Learned, Minutes: again})
	if err != nil {
		t.Fatal(err)
	}
	brute := map[int64][]raw{}
	for i := range boot.entries {
		e := &boot.entries[i]
		if e.Kind == store.IsReading {
			brute[int64(e.Reading.At/time.Minute)] = append(brute[int64(e.Reading.At/time.Minute)], raw{Reading: e.Reading})
		}
		sp.Apply(e)
	}
	sp.Close()
	if len(kept) < 6 || len(kept) != len(again.all) {
		t.Fatalf("%d minutes were kept, a replay makes %d; want the same, 6 or more", len(kept), len(again.all))
	}
	for i := range kept {
		if kept[i].Number != again.all[i].Number || !reflect.DeepEqual(kept[i].Tallies, clean(again.all[i].Tallies)) {
			t.Errorf("minute %d is kept as %v, a replay makes minute %d, %v", kept[i].Number, kept[i].Tallies, again.all[i].Number, again.all[i].Tallies)
		}
		for c := range readings.Channel(boot.table.Len()) {
			want := reckon(brute[kept[i].Number], func(r *raw) bool { return r.Channel == c })
			if got := kept[i].Tallies[c]; !want.like(float64(got.Min), got.Mean, got.Max, int64(got.Count), int64(got.Bad)) {
				t.Errorf("minute %d of %s: %+v; the log's rows say %+v", kept[i].Number, boot.table.Info(c).ID, got, want)
			}
		}
	}
	if again.late != 0 {
		t.Errorf("%d readings came too late for their minute; want 0", again.late)
	}
}

// clean is a minute as it comes back: what was not counted is zero.
func clean(all []store.Tally) []store.Tally {
	out := slices.Clone(all)
	for i := range out {
		if out[i].Count == 0 {
			out[i] = store.Tally{Bad: out[i].Bad}
		}
		if out[i].Min == out[i].Max {
			out[i].Mean = out[i].Min
		}
	}
	return out
}

func keptMinutes(t *testing.T, dir, id string) (out []store.Minute) {
	t.Helper()
	m, err := store.OpenMinutes(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	all, err := m.Boots(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i := range all {
		if all[i].ID != id {
			continue
		}
		if err := m.Rows(t.Context(), &all[i], 0, math.MaxInt32, func(minute int64, tallies []store.Tally) {
			out = append(out, store.Minute{Number: minute, Tallies: slices.Clone(tallies)})
		}); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// raw is a reading with where it belongs, by the test's own reckoning.
type raw struct {
	readings.Reading

	boot string
	utc  time.Time // of the reading
	mid  time.Time // of the middle of its minute of the boot clock
}

// sums is what a bucket should hold.
type sums struct {
	count, bad     int64
	min, mean, max float64
}

// reckon sums up in the plainest way.
func reckon(all []raw, in func(*raw) bool) (s sums) {
	total := 0.0
	for i := range all {
		r := &all[i]
		switch {
		case !in(r):
		case r.Quality != readings.Good:
			s.bad++
		default:
			if s.count++; s.count == 1 {
				s.min, s.max = r.Value, r.Value
			}
			s.min, s.max = math.Min(s.min, r.Value), math.Max(s.max, r.Value)
			total += r.Value
		}
	}
	if s.count > 0 {
		s.mean = total / float64(s.count)
	}
	return s
}

func (s sums) like(least, mean, most float64, count, bad int64) bool {
	near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b)) }
	return s.count == count && s.bad == bad && (count == 0 || near(least, s.min) && near(mean, s.mean) && near(most, s.max))
}

// season is a folder of recorded boots, and all that was recorded.
type season struct {
	t     *testing.T
	dir   string
	table *readings.Table
	m     *config.Machine
	all   []raw
	rand  *rand.Rand
}

// day is one boot of a season.
type day struct {
	id    string
	from  time.Duration // boot clock at its begin
	long  time.Duration
	clock func(at time.Duration) clock.Sample // what the box's clock said
	truth func(at time.Duration) time.Time    // where it belongs; zero: nobody knows
	end   string                              // closed, torn, open
}

// record has a box's store and spine take a boot: tank and front twice a second, some of them bad, some up to 20 s late,
// none in the fourth minute.
func (s *season) record(d day) *store.Store {
	s.t.Helper()
	kept, err := store.Open(s.dir, store.Options{Queue: 1 << 20})
	if err != nil {
		s.t.Fatal(err)
	}
	if err := kept.StartBoot(store.Snapshot{Boot: d.id, Machine: config.Example()}, s.table); err != nil {
		s.t.Fatal(err)
	}
	if err := kept.StartMinutes(firmware.SeriesOf(s.m, s.table)); err != nil {
		s.t.Fatal(err)
	}
	sp, err := firmware.NewSpine(firmware.SpineOptions{Machine: s.m, Table: s.table, Out: &deaf{}, Minutes: &minuteLog{mute: true, to: kept}})
	if err != nil {
		s.t.Fatal(err)
	}
	apply := func(e store.Entry) {
		kept.Append(e)
		sp.Apply(&e)
	}
	var late []readings.Reading
	for at := d.from; at < d.from+d.long; at += time.Second {
		c := d.clock(at)
		c.Boot = at
		apply(store.Entry{Kind: store.IsClock, At: at, Clock: c})
		apply(store.Entry{Kind: store.IsTick, At: at})
		for i := range 4 {
			r := readings.Reading{
				At: at + time.Duration(i%2)*500*time.Millisecond, Channel: s.table.Find([]string{"tank", "front"}[i/2]),
				Value: 700e3 + 1e4*s.rand.NormFloat64(), Volts: 1, Raw: int32(i),
			}
			if s.rand.IntN(20) == 0 {
				r.Quality = readings.Open
			}
			if int64((at-d.from)/time.Minute) == 3 {
				continue
			}
			own := raw{Reading: r, boot: d.id, utc: d.truth(r.At), mid: d.truth(r.At.Truncate(time.Minute) + 30*time.Second)}
			s.all = append(s.all, own)
			if s.rand.IntN(10) == 0 && at < d.from+d.long-30*time.Second {
				late = append(late, r)
				continue
			}
			apply(store.Entry{Kind: store.IsReading, At: r.At, Reading: r})
		}
		for len(late) > 0 && late[0].At < at-20*time.Second {
			apply(store.Entry{Kind: store.IsReading, At: late[0].At, Reading: late[0]})
			late = late[1:]
		}
		if int64(at/time.Second)%7 == 0 {
			if err := kept.Commit(); err != nil {
				s.t.Fatal(err)
			}
		}
	}
	for _, r := range late {
		apply(store.Entry{Kind: store.IsReading, At: r.At, Reading: r})
	}
	switch d.end {
	case "closed":
		sp.Close()
		err = kept.Close()
	case "torn": // what is on the disk when the power goes is what the next boot finds
		err = errors.Join(kept.Commit(), s.powerCut(), kept.Close())
	default:
		err = kept.Commit()
	}
	if err != nil {
		s.t.Fatal(err)
	}
	return kept
}

func (s *season) powerCut() error {
	to := s.t.TempDir()
	err := os.CopyFS(to, os.DirFS(s.dir))
	s.dir = to
	return err
}

// ask draws and checks every bucket against the season's own list.
func (s *season) ask(present, query string, now time.Time) *trend.Answer {
	s.t.Helper()
	v, err := url.ParseQuery(query)
	if err != nil {
		s.t.Fatal(err)
	}
	q, err := trend.Parse(v, clock.Sample{Boot: time.Hour, UTC: now, Quality: clock.Good})
	if err != nil {
		s.t.Fatal(err)
	}
	a, err := trend.Run(s.t.Context(), trend.Options{Dir: s.dir, Present: present}, q)
	if err != nil {
		s.t.Fatal(err)
	}
	for i := range a.Series {
		c := &a.Series[i]
		if c.Kind != "channel" {
			continue
		}
		id, step, kPa := s.table.Find(c.ID), time.Duration(c.Step.SI*1e9), s.table.Info(s.table.Find(c.ID)).Unit
		var found int64
		for k := range c.Count {
			from := c.First.Add(time.Duration(k) * step)
			want := reckon(s.all, func(r *raw) bool {
				t := r.utc
				if c.Source == "minutes" {
					t = r.mid
				}
				return r.Channel == id && !t.IsZero() && !t.Before(from) && t.Before(from.Add(step))
			})
			found += want.count
			if c.Count[k] == 0 && !math.IsNaN(c.Mean[k]) {
				s.t.Errorf("%s: bucket %d is empty and has a mean of %v", query, k, c.Mean[k])
			}
			if !want.like(kPa.SI(c.Min[k]), kPa.SI(c.Mean[k]), kPa.SI(c.Max[k]), c.Count[k], c.Bad[k]) {
				s.t.Errorf("%s: %s, bucket %d from %s: %v %v %v, %d good, %d bad; want %+v", query, c.ID, k, from, c.Min[k], c.Mean[k], c.Max[k], c.Count[k], c.Bad[k], want)
			}
		}
		var total sums
		total.min, total.mean, total.max, total.count, total.bad = c.Total()
		whole := reckon(s.all, func(r *raw) bool {
			t := r.utc
			if c.Source == "minutes" {
				t = r.mid
			}
			return r.Channel == id && !t.IsZero() && !t.Before(c.First) && t.Before(c.First.Add(time.Duration(len(c.Count))*step))
		})
		if !whole.like(kPa.SI(total.min), kPa.SI(total.mean), kPa.SI(total.max), total.count, total.bad) {
			s.t.Errorf("%s: %s is %+v in all; want %+v", query, c.ID, total, whole)
		}
		if found == 0 {
			s.t.Errorf("%s: nothing of %s was to be found, so this shows nothing", query, c.ID)
		}
	}
	return a
}

// TestTrendsAreWhatWasRecorded draws several boots: one whose clock was set after five minutes, one without any clock, one whose
// clock jumped an hour, one that lost its power, and one that goes on. Each bucket is held against the raw readings.
func TestTrendsAreWhatWasRecorded(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: its boots are written and read one after the other")
	}
	m := config.ExampleMachine()
	s := &season{t: t, dir: t.TempDir(), m: m, table: firmware.NewTable(m), rand: rand.New(rand.NewPCG(1, 2))}
	noon := time.Date(2026, 4, 28, 12, 0, 0, 0, time.UTC)
	good := func(offset time.Time) func(time.Duration) clock.Sample {
		return func(at time.Duration) clock.Sample { return clock.Sample{UTC: offset.Add(at), Quality: clock.Good} }
	}
	// Boot clocks that do not begin at zero, and minutes that begin at odd seconds of the wall clock.
	first, jumps, torn, last := noon.Add(17*time.Second), noon.Add(3*time.Hour+29*time.Second), noon.Add(5*time.Hour+41*time.Second), noon.Add(7*time.Hour+8*time.Second)
	s.record(day{
		id: "first", from: 40 * time.Second, long: 12 * time.Minute, end: "closed",
		clock: func(at time.Duration) clock.Sample {
			if at < 5*time.Minute {
				return clock.Sample{UTC: time.Unix(int64(at.Seconds()), 0)}
			}
			return good(first)(at)
		}, truth: first.Add,
	})
	s.record(day{
		id: "lost", long: 5 * time.Minute, end: "closed",
		clock: func(at time.Duration) clock.Sample { return clock.Sample{UTC: time.Unix(int64(at.Seconds()), 0)} },
		truth: func(time.Duration) time.Time { return time.Time{} },
	})
	jumped := func(at time.Duration) time.Time {
		if at < 6*time.Minute {
			return jumps.Add(at)
		}
		return jumps.Add(at + time.Hour)
	}
	s.record(day{
		id: "jumps", long: 10 * time.Minute, end: "closed", truth: jumped,
		clock: func(at time.Duration) clock.Sample { return clock.Sample{UTC: jumped(at), Quality: clock.Good} },
	})
	s.record(day{id: "torn", from: time.Hour + 13*time.Second, long: 9*time.Minute + 20*time.Second, end: "torn", clock: good(torn), truth: torn.Add})
	trend.Mend(t.Context(), s.dir, "last", slog.New(slog.DiscardHandler))
	if err := sealed.Seal(t.Context(), filepath.Join(s.dir, "boot-first.db")); err != nil {
		t.Fatal(err)
	}
	live := s.record(day{id: "last", long: 20*time.Minute + 25*time.Second, end: "open", clock: good(last), truth: last.Add})
	defer live.Close()
	now := last.Add(20*time.Minute + 25*time.Second)

	a := s.ask("last", "channels=tank,front,compressor.duty,need.front&from=-10h&to=now", now)
	var boots []string
	for _, b := range a.Boots {
		boots = append(boots, b.Boot+" "+b.Clock)
	}
	if want := []string{"first good", "jumps good", "torn good", "last good"}; !slices.Equal(boots, want) {
		t.Errorf("boots are %q; want %q", boots, want)
	}
	if len(a.Notes) != 1 || !strings.Contains(a.Notes[0], "lost") {
		t.Errorf("the notes are %q; want one, of the boot that nobody can place", a.Notes)
	}
	if len(a.Jumps) != 1 || a.Jumps[0].Boot != "jumps" || math.Abs(a.Jumps[0].By.SI-3600) > 1 {
		t.Errorf("the jumps are %+v; want one of an hour", a.Jumps)
	}
	if len(a.Unset) != 1 || a.Unset[0].Boot != "first" || a.Unset[0].To.Sub(first.Add(5*time.Minute)).Abs() > 2*time.Second {
		t.Errorf("the clock was not set in %+v; want the first five minutes of the first boot", a.Unset)
	}
	for _, query := range []string{
		"channels=tank&from=-15m&points=200",                                         // of the boot that goes on
		"channels=front&from=-65m&points=300",                                        // and before it nothing
		"channels=tank&from=2026-04-28T12:00:00Z&to=2026-04-28T12:20:00Z&points=500", // sealed, and before the clock was set
		"channels=tank&from=2026-04-28T15:01:00Z&to=2026-04-28T15:20:00Z",            // up to the jump
		"channels=tank,front&from=2026-04-28T18:00:00Z&to=2026-04-28T18:30:00Z",      // torn
		"channels=tank&from=-10h&points=20", "channels=tank&from=-30d&points=2000",
	} {
		s.ask("last", query, now)
	}
	s.alike("2026-04-28T12:04:00Z", "2026-04-28T12:09:00Z")
}

// alike compares a fine and a coarse bucket with the table that an export writes, read as text.
func (s *season) alike(from, to string) {
	s.t.Helper()
	out := s.t.TempDir()
	begin, err1 := time.Parse(time.RFC3339, from)
	end, err2 := time.Parse(time.RFC3339, to)
	if err := errors.Join(err1, err2); err != nil {
		s.t.Fatal(err)
	}
	if _, err := export.Run(s.t.Context(), export.Options{Data: s.dir, Out: out, Format: export.CSV, From: begin, To: end, Channels: []string{"tank"}}); err != nil {
		s.t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(out, "boot-first.csv"))
	if err != nil {
		s.t.Fatal(err)
	}
	q := url.Values{"channels": {"tank"}, "from": {from}, "to": {to}, "points": {"10"}}
	for _, long := range []string{"", "2026-04-29T12:00:00Z"} {
		if long != "" {
			q.Set("to", long)
			q.Set("points", "2000")
		}
		query, err := trend.Parse(q, clock.Sample{UTC: end})
		if err != nil {
			s.t.Fatal(err)
		}
		a, err := trend.Run(s.t.Context(), trend.Options{Dir: s.dir, Present: "last"}, query)
		if err != nil {
			s.t.Fatal(err)
		}
		c := &a.Series[0]
		step := time.Duration(c.Step.SI * 1e9)
		k := 2
		lo, hi := c.First.Add(time.Duration(k)*step), c.First.Add(time.Duration(k+1)*step)
		if c.Source == "minutes" { // this boot's minutes begin at 17 s; the bucket's one is that whose middle lies in it
			for lo = lo.Truncate(time.Minute).Add(17 * time.Second); lo.Add(30 * time.Second).Before(c.First.Add(time.Duration(k) * step)); {
				lo = lo.Add(time.Minute)
			}
			hi = lo.Add(time.Minute)
		}
		var values []float64
		for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
			cells := strings.Split(lines.Text(), ",")
			at, err := time.Parse(time.RFC3339Nano, cells[0])
			if err != nil || len(cells) < 2 || cells[1] == "" || at.Before(lo) || !at.Before(hi) {
				continue
			}
			v, err := strconv.ParseFloat(cells[1], 64)
			if err != nil {
				s.t.Fatal(err)
			}
			values = append(values, v)
		}
		sum := 0.0
		for _, v := range values {
			sum += v
		}
		if len(values) < 20 || int64(len(values)) != c.Count[k] || slices.Min(values) != c.Min[k] || slices.Max(values) != c.Max[k] || math.Abs(sum/float64(len(values))-c.Mean[k]) > 1e-9*sum {
			s.t.Errorf("of %s, bucket %d of %v: %v %v %v of %d; the exported table has %v %v %v of %d from %s to %s", c.Source, k, step, c.Min[k], c.Mean[k], c.Max[k], c.Count[k],
				slices.Min(append(values, math.Inf(1))), sum/float64(max(1, len(values))), slices.Max(append(values, math.Inf(-1))), len(values), lo, hi)
		}
	}
}

// A boot whose clock nobody sets is drawn back from now while it is the present one.
func TestTrendWithoutAClock(t *testing.T) {
	t.Parallel()
	m := config.ExampleMachine()
	s := &season{t: t, dir: t.TempDir(), m: m, table: firmware.NewTable(m), rand: rand.New(rand.NewPCG(3, 4))}
	wrong := time.Date(1980, 1, 6, 0, 0, 0, 0, time.UTC)
	live := s.record(day{id: "b", long: 5 * time.Minute, end: "open", truth: wrong.Add, clock: func(at time.Duration) clock.Sample { return clock.Sample{UTC: wrong.Add(at)} }})
	defer live.Close()
	ask := func(query string) (*trend.Answer, error) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		q, err := trend.Parse(v, clock.Sample{Boot: 5 * time.Minute, UTC: wrong.Add(5 * time.Minute)})
		if err != nil {
			return nil, err
		}
		return trend.Run(t.Context(), trend.Options{Dir: s.dir, Present: "b"}, q)
	}
	a, err := ask("channels=tank&from=-10m")
	if err != nil {
		t.Fatal(err)
	}
	var good int64
	for _, n := range a.Series[0].Count {
		good += n
	}
	want := reckon(s.all, func(r *raw) bool { return r.Channel == s.table.Find("tank") })
	if good != want.count || a.Clock != "unset" || len(a.Notes) != 1 || len(a.Boots) != 1 || a.Boots[0].Clock != "unset" {
		t.Errorf("%d good, clock %s, notes %q, boots %+v; want %d, and that the clock is not set", good, a.Clock, a.Notes, a.Boots, want.count)
	}
	for query, says := range map[string]string{
		"from=-1h": "Name the channels", "channels=tonk": `Did you mean "tank"`, "channels=tank&points=1": "from 2 to 2000", "channels=tank&points=2001": "from 2 to 2000",
		"channels=tank&from=-401d": "400 days", "channels=tank&from=yesterday": "is a time as", "channels=tank&from=now&to=-1h": "is not before", "channels=tank&form=-1h": "no parameter",
		"channels=tank&channels=front": "Give it once", "channels=tank&to=2026-04-28": "is a time as",
	} {
		if _, err := ask(query); !errors.Is(err, trend.ErrRefused) || !strings.Contains(cmp.Or(err, errors.New("")).Error(), says) {
			t.Errorf("%s: %v; want a refusal that says %q", query, err, says)
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	q, err := trend.Parse(url.Values{"channels": {"tank"}}, clock.Sample{UTC: wrong})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := trend.Run(ended, trend.Options{Dir: s.dir, Present: "b"}, q); !errors.Is(err, context.Canceled) {
		t.Errorf("with an ended context: %v; want it to say so", err)
	}
}
