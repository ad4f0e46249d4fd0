// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"errors"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/rig"
	"airhold/firmware/store"
	"airhold/firmware/tablet"
)

// rang lists what was announced to a person: alarms, not shop notes and reminders.
func rang(records []store.Record) []string {
	kinds := map[string]alarms.Kind{}
	for _, r := range alarms.Catalogue() {
		kinds[string(r.Key)] = r.Kind
	}
	return announced(slices.DeleteFunc(slices.Clone(records), func(r store.Record) bool { return kinds[r.Alarm] != alarms.Announced }))
}

func do(what rig.Action, where string, amount float64) func(*stand) {
	return func(s *stand) {
		if err := s.rig.Do(rig.Event{What: what, Where: where, Amount: amount}); err != nil {
			s.t.Error(err)
		}
	}
}

// TestFaultsRingWhereTheyAre breaks the wiring in four ways, one after the other. Each must ring under the right key at
// the right place within the catalogue's delay and the time it takes to see it, and must be over when it is mended;
// meanwhile the box goes on ticking and serving. The delays are the alarm catalogue's, the times to see a fault are
// derived beside each case.
func TestFaultsRingWhereTheyAre(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: minutes of a box; others run under the detector")
	}
	const tick = time.Second
	at := func(m, sec int) time.Duration { return time.Duration(m)*time.Minute + time.Duration(sec)*time.Second }
	var during nowShown
	s := play(t, standOptions{story: "quiet", script: []cue{
		{at(2, 0), do(rig.Unplug, "front", 0)},
		{at(3, 0), do(rig.Plug, "front", 0)},
		{at(4, 0), do(rig.Stall, "", 1)},
		{at(4, 40), func(s *stand) { during = s.fresh() }},
		{at(4, 50), do(rig.Stall, "", 0)},
		{at(6, 0), do(rig.Silence, "", 1)},
		{at(6, 40), do(rig.Silence, "", 0)},
		{at(8, 0), do(rig.ChipOff, "0x49", 0)},
		{at(8, 40), do(rig.ChipOn, "0x49", 0)},
		{at(10, 0), func(*stand) {}},
	}})
	records := journal(t, s.dir)
	for _, c := range []struct {
		name, key, where string
		begun, seen      time.Duration // when it began; how soon it can be seen, with delay
		mended, over     time.Duration
	}{
		// An open input reads out of its band with the next sample; 2 s delay. Over 10 s after.
		{"plug out", "pressure-fault", "front", at(2, 0), 2*time.Second + 2*tick, at(3, 0), 10*time.Second + 3*tick},
		// A transaction counts as hanging after 2 s, looked at each second; 2 s delay.
		{"bus stalled", "pressure-fault", "tank", at(4, 0), 2*time.Second + tick + 2*time.Second + 2*tick, at(4, 50), 10*time.Second + 8*tick},
		{"bus stalled", "load-fault", "load_4", at(4, 0), 2*time.Second + tick + 2*time.Second + 2*tick, at(4, 50), 10*time.Second + 8*tick},
		// Silent after 2 s without a frame, 2 s delay.
		{"silent bus", "can-silent", "can0", at(6, 0), 4*time.Second + 2*tick, at(6, 40), 2*time.Second + 3*tick},
		// Ten failed reads at 20 Hz make a dead board; revived at most 5 s after it is back.
		{"converter off", "load-fault", "load_1", at(8, 0), 2*time.Second + 2*tick, at(8, 40), 10*time.Second + 8*tick},
	} {
		t.Run(c.name+" "+c.where, func(t *testing.T) {
			times := raised(records, c.key, c.where)
			i := slices.IndexFunc(times, func(d time.Duration) bool { return d >= c.begun })
			if i < 0 || times[i] > c.begun+c.seen {
				t.Errorf("%s (%s) rang at %v; want it between %v and %v", c.key, c.where, times, c.begun, c.begun+c.seen)
			}
			left := returned(records, c.key, c.where)
			i = slices.IndexFunc(left, func(d time.Duration) bool { return d >= c.mended })
			if i < 0 || left[i] > c.mended+c.over {
				t.Errorf("%s (%s) was over at %v; want it between %v and %v", c.key, c.where, left, c.mended, c.mended+c.over)
			}
		})
	}
	t.Run("nothing else rings", func(t *testing.T) {
		for _, line := range rang(records) {
			if !strings.Contains(line, "pressure-fault") && !strings.Contains(line, "load-fault") && !strings.Contains(line, "can-silent") {
				t.Errorf("also rang: %s", line)
			}
		}
		for _, line := range rang(records) {
			// The unplugged sensor alone, in its minute, not its neighbours.
			if d, err := time.ParseDuration(strings.Fields(line)[0]); err != nil || (d < at(4, 0) && !strings.HasSuffix(line, "pressure-fault front")) {
				t.Errorf("before the stall also rang: %s", line)
			}
		}
	})
	t.Run("page in the stall", func(t *testing.T) {
		if during.Tank.Pressure != nil || during.Tank.Age < 30000 {
			t.Errorf("40 s into the stall the page was told a tank of %+v; want none, and its age", during.Tank)
		}
	})
	t.Run("ticks go on", func(t *testing.T) {
		boot := readBoot(t, s.dir)
		var last time.Duration
		count := 0
		for i := range boot.entries {
			if e := &boot.entries[i]; e.Kind == store.IsTick {
				if last > 0 && e.At-last != time.Second {
					t.Errorf("tick at %v follows one at %v", e.At, last)
				}
				last = e.At
				count++
			}
		}
		if count < 598 || count > 601 {
			t.Errorf("%d ticks in ten minutes; want 600", count)
		}
	})
}

// fresh returns a snapshot of the present second of simulated time, which stands still meanwhile.
func (s *stand) fresh() nowShown {
	s.t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		n := s.now()
		if time.Duration(n.Mono)*time.Millisecond >= s.clock.Boot()-time.Second {
			return n
		}
		if time.Now().After(deadline) {
			s.t.Errorf("the snapshot is of %d ms, the box is at %v", n.Mono, s.clock.Boot())
			return n
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// returned lists when an alarm's condition was over.
func returned(records []store.Record, key, where string) []time.Duration {
	var out []time.Duration
	for i := range records {
		r := &records[i]
		active := r.From == string(alarms.ActiveUnacked) || r.From == string(alarms.ActiveAcked)
		over := r.To == string(alarms.ReturnedUnacked) || r.To == string(alarms.Normal)
		if r.Alarm == key && r.Where == where && active && over {
			out = append(out, time.Duration(r.MonoMS)*time.Millisecond)
		}
	}
	return out
}

func TestSecondInstanceIsTold(t *testing.T) {
	first := newStand(t, standOptions{story: "quiet", rate: 1})
	first.start()
	port := func(addr string) string {
		_, p, err := net.SplitHostPort(addr[strings.Index(addr, "//")+2:])
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	for name, c := range map[string]struct {
		change func(*config.Machine)
		port   string
		fix    string
	}{
		"page port": {func(m *config.Machine) { m.Page.Listen = "127.0.0.1:" + port(first.addr.Page) }, port(first.addr.Page), "another port"},
		"mqtt port": {func(m *config.Machine) { m.MQTT.Listen = "127.0.0.1:" + port(first.addr.MQTT) }, port(first.addr.MQTT), "another"},
	} {
		t.Run(name, func(t *testing.T) {
			second := newStand(t, standOptions{story: "quiet", rate: 1, change: c.change})
			second.start()
			select {
			case <-second.done:
			case <-time.After(20 * time.Second):
				t.Fatal("the second box runs on a port that the first one has")
			}
			if second.err == nil || !strings.Contains(second.err.Error(), c.port) || !strings.Contains(second.err.Error(), c.fix) {
				t.Errorf("Run = %v; want port %s and what to do", second.err, c.port)
			}
			if name == "page port" && !errors.Is(second.err, tablet.ErrPortInUse) {
				t.Errorf("Run = %v; want tablet.ErrPortInUse", second.err)
			}
		})
	}
	t.Run("data folder", func(t *testing.T) {
		_, err := tryStand(t, standOptions{story: "quiet", rate: 1, dir: first.dir})
		if !errors.Is(err, store.ErrInUse) || !strings.Contains(err.Error(), first.dir) {
			t.Errorf("a second box on the same folder: %v; want store.ErrInUse and the folder's name", err)
		}
	})
	if n := first.now(); !n.Simulated {
		t.Errorf("the first box's snapshot is %+v; want it simulated, and still served", n)
	}
	first.stop()
}

// TestDeadDiskDoesNotStopTheBox makes every further write of the process fail, by the limit that POSIX puts on file
// sizes (setrlimit, RLIMIT_FSIZE: EFBIG), while a box runs, and then lets it write again. The limit is the process's, so
// the box gets a process of its own: this test binary again.
func TestDeadDiskDoesNotStopTheBox(t *testing.T) {
	const inside = "AIRHOLD_TEST_DEAD_DISK"
	if os.Getenv(inside) == "" {
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestDeadDiskDoesNotStopTheBox$", "-test.v", "-test.timeout=2m")
		cmd.Env = append(os.Environ(), inside+"=1")
		out, err := cmd.CombinedOutput()
		if err != nil || !strings.Contains(string(out), "--- PASS: TestDeadDiskDoesNotStopTheBox") {
			t.Errorf("in its own process: %v\n%s", err, out)
		}
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	var whole syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &whole); err != nil {
		t.Fatal(err)
	}
	set := func(l syscall.Rlimit) {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &l); err != nil {
			t.Fatal(err)
		}
	}
	s := newStand(t, standOptions{story: "quiet", rate: 5, whole: true})
	s.start()
	s.until(20*time.Second, "it ticks", func() bool { return s.clock.Boot() > 10*time.Second })

	none := whole
	none.Cur = 1
	set(none)
	defer set(whole)
	s.until(20*time.Second, "a banner about the log", func() bool { return strings.Contains(s.now().Banner, "log") })
	dead := s.now()
	if !strings.Contains(dead.Banner, "not being written") || !strings.Contains(dead.Banner, s.dir) {
		t.Errorf("banner %q; want what stands still, and where", dead.Banner)
	}
	s.until(20*time.Second, "it goes on", func() bool { return s.now().Mono > dead.Mono+20_000 })
	if code, body := s.get("/healthz"); code != http.StatusServiceUnavailable || !strings.Contains(string(body), "log") {
		t.Errorf("/healthz = %d %s; want 503 and the log named", code, body)
	}

	set(whole)
	s.until(20*time.Second, "no banner", func() bool { return s.now().Banner == "" })
	s.stop()
	journal(t, s.dir)
	boot := readBoot(t, s.dir)
	if len(boot.lost) > 0 {
		t.Errorf("the log lost something although memory had room: %q", boot.lost)
	}
}

// until waits for something of a box that runs in real time.
func (s *stand) until(most time.Duration, what string, ok func() bool) {
	s.t.Helper()
	deadline := time.Now().Add(most)
	for !ok() {
		if time.Now().After(deadline) {
			s.t.Fatalf("not within %v: %s; the snapshot is %+v", most, what, s.now())
		}
		time.Sleep(20 * time.Millisecond)
	}
}
