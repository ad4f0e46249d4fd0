// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/intake"
	"airhold/firmware/rig"
)

// post sends JSON to an address of the page and returns status and body.
func (s *stand) post(path string, what any) (int, []byte) {
	s.t.Helper()
	body, err := json.Marshal(what)
	if err != nil {
		s.t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(context.Background(), http.MethodPost, s.addr.Page+path, strings.NewReader(string(body)))
	if err != nil {
		s.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	got, err := (&http.Client{Timeout: 10 * time.Second}).Do(r)
	if err != nil {
		s.t.Errorf("POST %s: %v", path, err)
		return 0, nil
	}
	defer got.Body.Close()
	b, err := io.ReadAll(got.Body)
	if err != nil {
		s.t.Errorf("POST %s: %v", path, err)
	}
	return got.StatusCode, b
}

// settle waits for a snapshot of this moment: the box makes one each half second of real time, and simulated time stands.
func (s *stand) settle() {
	s.t.Helper()
	for range 40 {
		if s.now().Mono >= (s.clock.Boot() - time.Second).Milliseconds() {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	s.t.Fatalf("no snapshot of %v", s.clock.Boot())
}

func (s *stand) setup() (v firmware.Setup) {
	s.t.Helper()
	s.settle()
	code, body := s.get("/api/setup")
	// A bitrate's unit is none that findings reads back, so it is left out here.
	var loose map[string]any
	if code != http.StatusOK || json.Unmarshal(body, &loose) != nil {
		s.t.Fatalf("GET /api/setup = %d %.300s", code, body)
	}
	links, _ := loose["links"].([]any)
	for _, l := range links {
		delete(l.(map[string]any), "bitrate")
	}
	body, err := json.Marshal(loose)
	if err == nil {
		err = json.Unmarshal(body, &v)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	return v
}

func (s *stand) check(ask map[string]any) (v firmware.SetupChecked) {
	s.t.Helper()
	code, body := s.post("/api/setup/check", ask)
	if code != http.StatusOK || json.Unmarshal(body, &v) != nil {
		s.t.Fatalf("POST /api/setup/check = %d %.300s", code, body)
	}
	return v
}

// wired counts the example's channels that a converter board reads.
func wired() (n int) {
	for _, c := range config.ExampleMachine().Channels {
		if c.Kind == config.FromADC {
			n++
		}
	}
	return n
}

// The set-up tells who is on the simulated bus and what of it is understood, at the rates of the standards: wheel-based speed
// and the hitch each 100 ms (ISO 11783-7), engine speed as the rig sends it each 50 ms, position each 100 ms (NMEA 2000).
func TestASetupTellsWhatIsHeardAndNeeded(t *testing.T) {
	t.Parallel()
	play(t, standOptions{story: rig.ShopStory, faults: []rig.Event{{What: rig.Unplug, Where: "load_2"}}, script: []cue{{20 * time.Second, func(s *stand) {
		v := s.setup()
		if v.State != "running" || len(v.Links) != 1 || !v.Links[0].Open || v.WhyNot == "" || !v.Simulated {
			t.Fatalf("%+v; want one link, and no place to save", v)
		}
		l := v.Links[0]
		if l.Checked || l.Sent != nil || !strings.Contains(l.Words, "No wire") {
			t.Errorf("a simulated link says %q, checked %v, sent %v; nobody counted", l.Words, l.Checked, l.Sent)
		}
		count := map[int]int{}
		undecoded := false
		for _, k := range l.Talkers {
			for _, m := range k.Messages {
				count[m.PGN] = len(m.Strip)
				undecoded = undecoded || !m.Decoded && m.Words == "not decoded" && k.Address == 16
				if slices.ContainsFunc(m.Strip, func(at float64) bool { return at < 0 || at > 1 }) {
					t.Errorf("%s: strip %v leaves its second", m.Words, m.Strip)
				}
			}
		}
		for pgn, want := range map[int]int{65096: 10, 65093: 10, 61444: 20, 129025: 10} {
			if d := count[pgn] - want; d < -1 || d > 1 {
				t.Errorf("PGN %d came %d times in the last second; want about %d", pgn, count[pgn], want)
			}
		}
		if !undecoded {
			t.Error("the rank control's own message is not told as not decoded")
		}
		state := map[string]string{}
		for _, n := range v.Needs {
			state[n.ID] = n.State
			if n.State == "not_heard" && n.Then == "" {
				t.Errorf("%s is not heard, and nothing says what follows", n.ID)
			}
		}
		for id, want := range map[string]string{"speed": "twice", "lowered": "heard", "drive": "heard", "position": "heard"} {
			if state[id] != want {
				t.Errorf("%s is %q; want %q", id, state[id], want)
			}
		}
		i := slices.IndexFunc(v.Inputs, func(in firmware.SetupInput) bool { return in.ID == "load_2" })
		if i < 0 || v.Inputs[i].Status != "open" || v.Inputs[i].Value != nil || !strings.Contains(v.Inputs[i].Sentence, "P5") {
			t.Errorf("the unplugged input: %+v; want it open, without a value, at plug P5", v.Inputs)
		}
		if len(v.Inputs) != wired() {
			t.Errorf("%d inputs; want the example's %d", len(v.Inputs), wired())
		}
		code, body := s.get("/api/sensor?id=load_2")
		var one firmware.Sensor
		if code != http.StatusOK || json.Unmarshal(body, &one) != nil {
			t.Fatalf("GET /api/sensor = %d %.300s", code, body)
		}
		if one.Says != "no signal" || one.Name != "Load sensor 2" || one.Plug != "P5" || one.Alarm == "" || one.Priority == "none" || one.Then == "" || one.Since == nil || one.Electrical == nil || one.Electrical.Supply == nil {
			t.Errorf("%+v; want no signal, its alarm, its supply and since when", one)
		}
		if r := one.Rank; r == nil || !r.AsZero || r.Others != 2 || math.Abs(r.Shift.SI+r.Rest.SI/3) > 1e-3*math.Abs(r.Rest.SI) || len(r.Sensors) != 3 {
			t.Errorf("rank %+v; a sensor without a value that counts as zero takes a third off the average of three", one.Rank)
		}
		if code, _ := s.get("/api/sensor?id=nobody"); code != http.StatusNotFound {
			t.Errorf("an unknown channel = %d; want 404", code)
		}
	}}}})
}

// What was typed is written, checked, saved beside the machine file, found at the next start and read by the box's own
// reader. Nothing is ever overwritten, and a machine file that is changed by hand afterwards counts more.
func TestASetupIsSavedBesideTheMachineFile(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "machine.yaml")
	if err := os.WriteFile(file, config.Example(), 0o600); err != nil {
		t.Fatal(err)
	}
	var saved []string
	play(t, standOptions{story: rig.ShopStory, box: func(o *firmware.BoxOptions) { o.File = file }, script: []cue{{20 * time.Second, func(s *stand) {
		s.settle()
		for answer, says := range map[string]string{
			"38": "without a unit", "38 kg": "no unit of volume", "38,5 L": "not a comma",
		} {
			c := s.check(map[string]any{"answers": map[string]string{"tank.volume": answer}})
			if c.OK || len(c.Problems) != 1 || c.Problems[0].Path != "tank.volume" || !strings.Contains(c.Problems[0].Message, says) || !strings.Contains(c.Problems[0].Allowed, "m3") {
				t.Errorf("%q: %+v; want it refused by %q, with the units there are", answer, c.Problems, says)
			}
			if code, body := s.post("/api/setup/save", map[string]any{"answers": map[string]string{"tank.volume": answer}}); code != http.StatusConflict {
				t.Errorf("saving %q = %d %s; want 409", answer, code, body)
			}
		}
		if c := s.check(map[string]any{"text": "tank: ["}); c.OK || len(c.Problems) == 0 || c.Problems[0].Line != 1 {
			t.Errorf("broken YAML: %+v; want a problem with its place", c)
		}
		if c := s.check(map[string]any{"text": strings.Replace(string(config.Example()), "machine_selected_speed.speed", "no_such.speed", 1)}); c.OK {
			t.Errorf("a signal that the catalogue does not have is taken: %+v", c.Problems)
		}
		if code, body := s.post("/api/setup/check", map[string]any{"answers": map[string]string{"mqtt.broker": "x"}}); code != http.StatusBadRequest {
			t.Errorf("an answer to no question = %d %s; want 400", code, body)
		}
		ask := map[string]any{"answers": map[string]string{"tank.volume": "10 gal"}}
		c := s.check(ask)
		if !c.OK || len(c.Changed) != 1 || !strings.Contains(strings.Split(c.Text, "\n")[c.Changed[0]-1], "10 gal") {
			t.Errorf("ok %v, changed %v, %v; want the one line of the volume", c.OK, c.Changed, c.Problems)
		}
		for range 2 {
			code, body := s.post("/api/setup/save", ask)
			var at firmware.SetupSaved
			if code != http.StatusOK || json.Unmarshal(body, &at) != nil || !strings.Contains(at.Words, "next start") {
				t.Fatalf("save = %d %s", code, body)
			}
			saved = append(saved, at.File)
		}
	}}}})
	if len(saved) != 2 || saved[0] == saved[1] || filepath.Dir(saved[0]) != filepath.Dir(file) {
		t.Fatalf("saved as %v; want two files beside %s", saved, file)
	}
	if now, err := os.ReadFile(file); err != nil || string(now) != string(config.Example()) {
		t.Errorf("the machine file is not as it was (%v)", err)
	}
	m, problems, err := config.Load(saved[1])
	if m == nil || err != nil || math.Abs(float64(m.Tank.Volume)-10*3.785411784e-3) > 1e-9 { // NIST SP 811: the US gallon
		t.Errorf("the saved file: %v, %v", problems, err)
	}
	if got := firmware.SavedSetup(file, t.TempDir()); got != saved[1] {
		t.Errorf("found at the next start: %q; want the newer %q", got, saved[1])
	}
	if err := os.WriteFile(file, append(config.Example(), "# by hand\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := firmware.SavedSetup(file, t.TempDir()); got != "" {
		t.Errorf("the machine file was changed since, and %q still counts more", got)
	}
}

// Anybody may have a text checked. It must tell nothing of the box's files: not whether they are there, not what is in them.
func TestASetupReadsNoOtherFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file, far := filepath.Join(dir, "machine.yaml"), filepath.Join(t.TempDir(), "far.dbc")
	description, err := os.ReadFile(filepath.Join("..", "config", "example.dbc"))
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{file: config.Example(), far: description, filepath.Join(dir, "near.dbc"): description, filepath.Join(dir, "secret"): []byte("hush")} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("/etc/passwd", filepath.Join(dir, "out.dbc")); err != nil {
		t.Fatal(err)
	}
	play(t, standOptions{story: rig.ShopStory, box: func(o *firmware.BoxOptions) { o.File = file }, script: []cue{{20 * time.Second, func(s *stand) {
		named := func(dbc string) firmware.SetupChecked {
			return s.check(map[string]any{"text": strings.Replace(string(config.Example()), "kettle_ridge: example.dbc", "kettle_ridge: "+dbc, 1)})
		}
		for _, dbc := range []string{"example.dbc", "near.dbc", "./near.dbc"} {
			if c := named(dbc); !c.OK {
				t.Errorf("%s: %+v; want it read", dbc, c.Problems)
			}
		}
		if c := named("nosuch.dbc"); c.OK || !strings.Contains(c.Problems[0].Message, "there is no file") {
			t.Errorf("nosuch.dbc: %+v", c.Problems)
		}
		told := ""
		for _, dbc := range []string{"/etc/passwd", "/etc/nosuch", "/etc/nosuch.dbc", far, "../" + filepath.Base(filepath.Dir(far)) + "/far.dbc", "secret", "machine.yaml", "out.dbc", "/dev/zero", "/proc/self/environ"} {
			c := named(dbc)
			if c.OK || len(c.Problems) != 1 {
				t.Errorf("%s: %+v; want one problem", dbc, c.Problems)
				continue
			}
			says := strings.ReplaceAll(c.Problems[0].Message, dbc, "FILE")
			if dbc == "out.dbc" {
				if !strings.Contains(says, "it is no message description") {
					t.Errorf("a link that leads out: %q", says)
				}
				continue
			}
			if told == "" {
				told = says
			}
			if says != told || !strings.Contains(says, "in the folder of the machine file") {
				t.Errorf("%s: %q; want what is said of every other file: %q", dbc, says, told)
			}
		}
	}}}})
}

// A folder that may not be written gives way to the box's own; a machine that moves is not set up.
func TestASetupNeedsAStandingMachineAndAPlace(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	play(t, standOptions{
		story: "planting-day", skip: 260 * time.Minute, box: func(o *firmware.BoxOptions) { o.File, o.Folder = "/proc/airhold/machine.yaml", folder },
		script: []cue{{10 * time.Second, func(s *stand) {
			v := s.setup()
			if v.WhyNot == "" {
				t.Error("the machine plants, and the set-up would be saved")
			}
			for _, n := range v.Needs {
				if n.State != "heard" && n.State != "twice" {
					t.Errorf("%s is %s while the invented machine plants", n.ID, n.State)
				}
			}
			if code, body := s.post("/api/setup/save", map[string]any{"answers": map[string]string{"tank.volume": "40 L"}}); code != http.StatusConflict || !strings.Contains(string(body), "Stop first") {
				t.Errorf("save while moving = %d %s; want 409", code, body)
			}
		}}},
	})
	play(t, standOptions{
		story: rig.ShopStory, box: func(o *firmware.BoxOptions) { o.File, o.Folder = "/proc/airhold/machine.yaml", folder },
		script: []cue{{10 * time.Second, func(s *stand) {
			s.settle()
			code, body := s.post("/api/setup/save", map[string]any{"answers": map[string]string{"tank.volume": "40 L"}})
			var at firmware.SetupSaved
			if code != http.StatusOK || json.Unmarshal(body, &at) != nil || filepath.Dir(at.File) != folder {
				t.Errorf("save = %d %s; want it in %s", code, body, folder)
			}
		}}},
	})
}

// A box without any accepted machine file says so, hears what there is, and writes a first file from what is typed.
func TestABoxWithoutAMachineFileIsSetUp(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "machine.yaml")
	_, problems := config.Parse("machine.yaml", []byte("tank: {volume: 38}\n"))
	if len(problems) == 0 {
		t.Fatal("the file of this test is accepted")
	}
	bare := func(m *config.Machine) {
		*m = config.Machine{Name: "Machine file refused", Logging: m.Logging, Page: m.Page, MQTT: m.MQTT, Links: []config.Link{{Name: "can0"}}}
	}
	typed := map[string]string{"name": "Yard 12", "tank.volume": "38 L", "tank.safe_working_pressure": "10 bar", "tank.relief_setting": "9 bar", "ranks[0].rows": "6"}
	var saved firmware.SetupSaved
	play(t, standOptions{story: rig.ShopStory, change: bare, box: func(o *firmware.BoxOptions) { o.File, o.Text, o.Problems = file, nil, problems }, script: []cue{{20 * time.Second, func(s *stand) {
		v := s.setup()
		if v.State != "refused" || v.From != "first" || len(v.Problems) != len(problems) || v.Problems[len(v.Problems)-1].Column != 16 || !strings.Contains(v.Problems[len(v.Problems)-1].Allowed, "m3") {
			t.Errorf("%s, %s, %+v; want the problems with their places", v.State, v.From, v.Problems)
		}
		var now struct{ Setup string }
		if _, body := s.get("/api/now"); json.Unmarshal(body, &now) != nil || now.Setup != "needed" {
			t.Errorf("the snapshot says set-up %q; want needed", now.Setup)
		}
		if c := s.check(map[string]any{"answers": map[string]string{}}); c.OK {
			t.Error("a first file is accepted before its tank was typed in")
		}
		c := s.check(map[string]any{"answers": typed})
		m, _ := config.Parse("x", []byte(c.Text))
		if !c.OK || m == nil {
			t.Fatalf("refused: %+v\n%s", c.Problems, c.Text)
		}
		for _, id := range []string{"tank", "speed", "lowered", "drive", "barometer"} {
			if _, ok := m.Channel(id); !ok {
				t.Errorf("the first file lacks the channel %q, which is heard", id)
			}
		}
		code, body := s.post("/api/setup/save", map[string]any{"answers": typed})
		if code != http.StatusOK || json.Unmarshal(body, &saved) != nil {
			t.Errorf("save = %d %s", code, body)
		}
	}}}})
	if got := firmware.SavedSetup(file, ""); got != saved.File || got == "" {
		t.Fatalf("found at the next start: %q; want %q", got, saved.File)
	}
	m, loaded, err := config.Load(saved.File)
	if m == nil || err != nil {
		t.Fatalf("%v, %v", loaded, err)
	}
	// The box starts on it: here on the simulated machine's wires.
	play(t, standOptions{story: rig.ShopStory, change: func(old *config.Machine) {
		m.Page, m.MQTT, m.Logging, m.Simulated = old.Page, old.MQTT, old.Logging, true
		*old = *m
	}, script: []cue{{10 * time.Second, func(s *stand) {
		if n := s.now(); n.Tank.Pressure == nil {
			t.Errorf("a box on the first file sees no tank: %+v", n)
		}
	}}}})
}

// A link that is not listening only is not heard, and the set-up says why and what helps.
func TestASetupTellsOfALinkThatMaySend(t *testing.T) {
	t.Parallel()
	play(t, standOptions{story: rig.ShopStory, wires: func(w firmware.Wires) firmware.Wires {
		w.Link = func(context.Context, int, config.Link) (intake.FrameSource, error) {
			return nil, errors.New("can0: not in listen-only mode: it would acknowledge on the machine's bus; set it with: sudo airhold link can0 --bitrate 250000")
		}
		return w
	}, script: []cue{{20 * time.Second, func(s *stand) {
		v := s.setup()
		if l := v.Links[0]; l.Open || l.Checked || l.Sent != nil || !strings.Contains(l.Words, "sudo airhold link can0") || len(l.Talkers) != 0 {
			t.Errorf("%+v; want it closed, with the remedy", l)
		}
		for _, n := range v.Needs {
			if n.State != "not_heard" {
				t.Errorf("%s is %s on a link that is closed", n.ID, n.State)
			}
		}
	}}}})
	play(t, standOptions{story: rig.ShopStory, unset: true, change: func(m *config.Machine) {
		m.Links = nil
		m.Channels = slices.DeleteFunc(m.Channels, func(c config.Channel) bool { return c.Kind == config.FromCAN })
	}, script: []cue{{10 * time.Second, func(s *stand) {
		if v := s.setup(); len(v.Links) != 0 || len(v.Needs) == 0 || len(v.Inputs) != wired() {
			t.Errorf("a box without links: %+v", v)
		}
		var one firmware.Sensor
		if _, body := s.get("/api/sensor?id=tank"); json.Unmarshal(body, &one) != nil || one.Since != nil || one.Lasts == nil {
			t.Errorf("%+v; a box whose clock nobody set, and no bus tells the time, knows how long and not since when", one)
		}
	}}}})
}
