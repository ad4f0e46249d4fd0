// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// watched is a bench with a health that is told of every second.
type watched struct {
	*bench

	health *alarms.Health
	date   string
	off    bool
	ended  int
}

func watch(t *testing.T, saved []byte, o alarms.Options) *watched {
	t.Helper()
	w := &watched{health: alarms.NewHealth(saved)}
	o.Health = w.health
	w.bench = newBench(t, o)
	w.pass(0)
	return w
}

// pass tells the health that the bench's time has come so far.
func (w *watched) pass(d time.Duration) {
	w.now += d
	w.Tick(w.now)
	if w.health.Tick(w.now, alarms.Moment{Date: w.date, Operating: !w.off, Sum: w.Sum()}) {
		w.ended++
	}
}

// find says a flag at places, once, and lets a second pass.
func (w *watched) find(key findings.Key, on bool, where ...string) {
	w.now += sec
	for _, p := range where {
		w.Find(findings.Finding{Key: key, Where: p, At: w.now, Active: on})
	}
	w.pass(0)
}

func (w *watched) figure(name string) alarms.HealthFigure {
	for _, f := range w.health.Today().Figures {
		if f.Name == name {
			return f
		}
	}
	w.t.Fatalf("no figure %q", name)
	return alarms.HealthFigure{}
}

// quick has no delays: what is said is so.
func quick() alarms.Options {
	return alarms.Options{Rows: []alarms.Row{
		{Key: "root", Priority: alarms.High, Children: []findings.Key{"kid"}},
		{Key: "kid", Priority: alarms.Medium},
		{Key: "low", Priority: alarms.Low},
		{Key: "slow", Priority: alarms.Low, OffDelay: 30 * sec},
		{Key: "note", Kind: alarms.ShopNote, Priority: alarms.Low},
		{Key: "care", Kind: alarms.Reminder, Priority: alarms.Low},
	}}
}

// A hand-counted day: two hours of operation, of three that the box ran, with five announcements.
func TestHealthOfADayIsWhatWasCounted(t *testing.T) {
	t.Parallel()
	w := watch(t, nil, quick())
	w.date, w.off = "2026-04-28", true
	w.pass(time.Hour)
	w.off = false
	w.find("root", true, "")
	w.find("kid", true, "a") // inside the root's place: counted with it
	w.find("low", true, "a", "b")
	w.find("note", true, "a", "b", "c")
	w.find("care", true, "")
	w.pass(30 * time.Minute)
	w.find("slow", true, "")
	w.pass(time.Hour)
	w.find("low", false, "a")
	w.find("low", true, "a")
	w.must(alarms.Ack, "root", alarms.Operate, 0)
	if a := w.Command(w.now, alarms.Command{ID: "put", Verb: alarms.Shelve, Key: "low", Where: "b", Role: alarms.Operate, For: time.Minute}); !a.OK {
		t.Fatal(a.Error)
	}
	if a := w.Command(w.now, alarms.Command{ID: "note", Verb: alarms.Shelve, Key: "note", Where: "b", Role: alarms.Operate, For: time.Minute}); !a.OK {
		t.Fatal(a.Error)
	}
	w.must(alarms.TakeOut, "slow", alarms.Service, 0)
	w.pass(3*time.Hour - w.now)
	d := w.health.Today()
	if d.Announced != 5 || d.High != 1 || d.Medium != 0 || d.Low != 4 {
		t.Errorf("announced %d: %d high, %d medium, %d low; want 5: 1, 0, 4", d.Announced, d.High, d.Medium, d.Low)
	}
	if got := fmt.Sprint(d.Keys); got != "[{low 3} {root 1} {slow 1}]" {
		t.Errorf("by key %s; want low 3, root 1, slow 1", got)
	}
	if d.Busiest != 3 || d.Floods != 0 || d.Shelved != 1 || d.Out != 1 || len(d.Fleeting) != 0 || len(d.Chattering) != 0 {
		t.Errorf("%+v; want 3 in ten minutes, one put aside, one taken out, nothing else", d)
	}
	if h, o := d.Running.SI/3600, d.Operating.SI/3600; h != 3 || o != 2 {
		t.Errorf("ran %g h, operated %g h; want 3 and 2", h, o)
	}
	if f := w.figure("rate"); f.Judged != "over" || f.Value.Unit.From(f.Value.SI) != 2.5 || f.Words != "2.5 alarms an hour of operation; at most 2, the aim is 0.5." {
		t.Errorf("rate %+v; want 2.5/h, over", f)
	}
	if f := w.figure("most-frequent"); f.Judged != "unknown" || f.Value != nil {
		t.Errorf("most frequent of five: %+v; want that it is not known", f)
	}
}

// The limits are those of ISA-18.2 and EEMUA 191 as commonly quoted (from memory): more than ten in ten minutes are a flood,
// fewer than five end it.
func TestHealthOfAFlood(t *testing.T) {
	t.Parallel()
	w := watch(t, nil, quick())
	w.date = "2026-04-28"
	w.pass(10 * time.Minute)
	for i := range 11 {
		w.find("low", true, string(rune('a'+i)))
	}
	for range 20 * 60 {
		w.pass(sec)
	}
	d := w.health.Today()
	// The seventh is ten minutes old first, and then four are left within them: 600 s less the four seconds between.
	if d.Floods != 1 || d.Busiest != 11 || d.Flooded.SI < 590 || d.Flooded.SI > 605 {
		t.Errorf("%d floods, %d in ten minutes, %g s in flood; want 1, 11, about 600", d.Floods, d.Busiest, d.Flooded.SI)
	}
	if f := w.figure("flooded"); f.Judged != "over" || !strings.Contains(f.Words, "once") {
		t.Errorf("flooded %+v; want over 1 %%", f)
	}
	if f := w.figure("busiest-10-min"); f.Judged != "over" {
		t.Errorf("busiest %+v; want over", f)
	}
}

func TestHealthSeesChatterAndWhatOnlyFlits(t *testing.T) {
	t.Parallel()
	w := watch(t, nil, quick())
	w.date = "2026-04-28"
	for range 3 {
		w.find("low", true, "")
		w.find("low", false, "")
	}
	for range 3 {
		w.find("note", true, "")
		w.find("note", false, "")
	}
	w.find("slow", true, "")
	for range 40 {
		w.find("slow", false, "") // gone after a second; its off-delay does not make it last
	}
	w.find("kid", true, "")
	w.pass(11 * sec)
	w.find("kid", false, "")
	d := w.health.Today()
	if got := fmt.Sprint(d.Chattering); got != "[{low 1}]" {
		t.Errorf("chattering %s; want low, once", got)
	}
	// The third time it was damped, and has not cleared yet.
	if got := fmt.Sprint(d.Fleeting); got != "[{low 2} {slow 1}]" {
		t.Errorf("fleeting %s; want low twice, slow once", got)
	}
}

// What is active for more than a day of running time leaves the list of the announced once somebody has seen it, wherever
// the power was off meanwhile; a high one stays there.
func TestStandingCountsRunningTimeOverPowerOff(t *testing.T) {
	t.Parallel()
	w := watch(t, nil, quick())
	w.date = "2026-04-28"
	w.find("low", true, "")
	w.find("root", true, "")
	w.find("slow", true, "")
	w.must(alarms.Ack, "low", alarms.Operate, 0)
	w.pass(20 * time.Hour)
	saved, counted := w.Save(), w.health.Save()

	c := watch(t, counted, quick())
	c.Engine = alarms.New(alarms.Options{Rows: quick().Rows, Hold: -1, Health: c.health}, c.rec)
	c.Restore(saved)
	c.date = "2026-05-30" // a month on the shelf is no running time
	c.find("low", true, "")
	c.find("root", true, "")
	c.find("slow", true, "")
	c.must(alarms.Ack, "low", alarms.Operate, 0)
	c.pass(3*time.Hour + 59*time.Minute)
	c.must(alarms.Ack, "root", alarms.Operate, 0)
	if c.state("low").Standing || c.Sum().Stale != 0 {
		t.Fatalf("after 23:59 h of running time: %+v", c.Sum())
	}
	c.pass(2 * time.Minute)
	low, root, slow := c.state("low"), c.state("root"), c.state("slow") // seen; seen and high; not seen
	if s := c.Sum(); !low.Standing || root.Standing || slow.Standing || s.Standing != 1 || s.Stale != 3 || s.Active != 2 {
		t.Errorf("after 24:01 h low stands %v, root %v, slow %v, %+v; want low alone in the standing list", low.Standing, root.Standing, slow.Standing, s)
	}
	if last := c.rec.list[len(c.rec.list)-1]; last.State.Key != "low" || !strings.Contains(last.Reason, "24 h") {
		t.Errorf("the journal's last record %+v; want that low stands", last)
	}
	if d := c.health.Today(); d.Stale != 3 {
		t.Errorf("stale %d; want 3", d.Stale)
	}
	c.find("low", false, "")
	if st := c.state("low"); st.Standing || c.Save().Alarms[0].Key != "root" {
		t.Errorf("gone, %+v; want it out of the list and forgotten", st)
	}

	// Seen to be over after the restart, its days begin anew.
	f := watch(t, nil, quick())
	f.Engine = alarms.New(alarms.Options{Rows: quick().Rows, Hold: -1}, f.rec)
	f.Restore(saved)
	f.find("low", false, "")
	f.find("low", false, "")
	f.find("low", true, "")
	f.must(alarms.Ack, "low", alarms.Operate, 0)
	f.pass(5 * time.Hour)
	if f.state("low").Standing {
		t.Error("stands although it was over in between")
	}
}

// Day boundaries: by the clock, by running time without one, and over jumps of the clock both ways.
func TestHealthDays(t *testing.T) {
	t.Parallel()
	type step struct {
		date string
		run  time.Duration
		n    int // announcements before it
	}
	tests := []struct {
		name  string
		steps []step
		want  []string // newest first: date, by, announced, hours
	}{
		{"by the clock", []step{{"2026-04-28", 8 * time.Hour, 1}, {"2026-04-29", 9 * time.Hour, 2}}, []string{"2026-04-29 clock 2 9", "2026-04-28 clock 1 8"}},
		{"without a clock a day is 24 h of running time", []step{{"", 10 * time.Hour, 1}, {"", 14 * time.Hour, 1}, {"", time.Hour, 1}}, []string{" running 1 1", " running 2 24"}},
		{"the clock is set in the day", []step{{"", 2 * time.Hour, 1}, {"2026-04-28", 3 * time.Hour, 1}}, []string{"2026-04-28 both 2 5"}},
		{"the clock is lost: the day goes on", []step{{"2026-04-28", 2 * time.Hour, 1}, {"", 3 * time.Hour, 1}}, []string{"2026-04-28 clock 2 5"}},
		{
			"a jump forth and back joins the day",
			[]step{{"2026-04-28", 2 * time.Hour, 1}, {"2030-01-01", 10 * sec, 0}, {"2026-04-28", 3 * time.Hour, 1}},
			[]string{"2026-04-28 clock 2 5"},
		},
		{
			"a jump back in which much happened keeps both",
			[]step{{"2030-01-01", 2 * time.Hour, 3}, {"2026-04-28", 3 * time.Hour, 1}},
			[]string{"2026-04-28 clock 1 3", "2030-01-01 clock 3 2"},
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w := watch(t, nil, quick())
			for i, s := range tc.steps {
				w.date = s.date
				w.pass(0)
				for k := range s.n {
					w.Find(findings.Finding{Key: "low", Where: fmt.Sprint(i, k), At: w.now, Active: true})
				}
				w.pass(s.run)
				// A power-off between any two steps changes nothing.
				if again := alarms.NewHealth(w.health.Save()); !bytes.Equal(again.Save(), w.health.Save()) {
					t.Fatalf("saved and read again: %s; want %s", again.Save(), w.health.Save())
				}
			}
			var got []string
			for _, d := range w.health.Days() {
				got = append(got, fmt.Sprintf("%s %s %d %.3g", d.Date, d.By, d.Announced, d.Running.SI/3600))
			}
			if fmt.Sprint(got) != fmt.Sprint(tc.want) {
				t.Errorf("days %q; want %q", got, tc.want)
			}
		})
	}
}

func TestHealthKeepsAMonth(t *testing.T) {
	t.Parallel()
	w := watch(t, nil, quick())
	day := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	for i := range 40 {
		w.date = day.AddDate(0, 0, i).Format(time.DateOnly)
		w.pass(0)
		w.pass(time.Hour)
	}
	days := w.health.Days()
	if len(days) != 32 || days[0].Date != "2026-05-10" || days[31].Date != "2026-04-09" || w.ended != 39 {
		t.Errorf("%d days, %s to %s, %d ended; want 31 and the open one", len(days), days[len(days)-1].Date, days[0].Date, w.ended)
	}
	if got := alarms.NewHealth([]byte("{torn")).Days(); len(got) != 1 {
		t.Errorf("damaged: %d days; want to begin anew", len(got))
	}
}

// Shelf time is running time: neither a jump of the wall clock nor a night without power ends it, and the box counts what
// of it has run.
func TestShelfRunsInRunningTime(t *testing.T) {
	t.Parallel()
	w := watch(t, nil, quick())
	w.date = "2026-04-28"
	w.find("low", true, "")
	w.must(alarms.Shelve, "low", alarms.Operate, 30*time.Minute)
	w.date = "2027-01-01" // the clock jumps; the engine never hears of it
	w.pass(10 * time.Minute)
	saved := w.Save()
	c := watch(t, nil, quick())
	c.Engine = alarms.New(alarms.Options{Rows: quick().Rows, Hold: -1}, c.rec)
	c.Restore(saved)
	c.find("low", true, "")
	c.pass(19 * time.Minute)
	if got := c.name("low"); got != alarms.Shelved {
		t.Errorf("after 29 min of running time: %s; want shelved", got)
	}
	c.pass(time.Minute)
	if got := c.name("low"); got != alarms.ActiveUnacked {
		t.Errorf("after 30 min of running time: %s; want active and unacknowledged", got)
	}
}
