// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/config"
	"airhold/sensors/units"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before you keep it")

// TestInvalidSamples holds every message to its golden file. Each was read by eye: does it say what, where, and what to
// do, to someone with the file open and the machine outside?
func TestInvalidSamples(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/invalid/*.yaml")
	if err != nil || len(files) < 25 {
		t.Fatalf("%d invalid samples, want 25 or more: %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			t.Parallel()
			m, problems, err := config.Load(file)
			if err != nil {
				t.Fatal(err)
			}
			if len(problems) == 0 {
				t.Error("no problem found")
			}
			if (m == nil) != config.Refused(problems) {
				t.Errorf("machine %v with problems %v", m, problems)
			}
			var b strings.Builder
			for _, p := range problems {
				if p.Line < 1 || p.Column < 1 {
					t.Errorf("no place: %v", p)
				}
				p.File = filepath.Base(p.File)
				b.WriteString(string(p.Severity) + " " + p.String() + "\n")
			}
			golden := strings.TrimSuffix(file, ".yaml") + ".golden"
			if *update {
				if err := os.WriteFile(golden, []byte(b.String()), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), b.String()); diff != "" {
				t.Errorf("messages differ from %s (-want +got):\n%s", golden, diff)
			}
		})
	}
}

func TestValidSamples(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/valid/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no valid samples: %v", err)
	}
	warned := map[string]bool{"nameless": true, "unloader": false} // no name, no delivery
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".yaml")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, problems, err := config.Load(file)
			if err != nil || m == nil {
				t.Fatalf("refused: %v %v", err, problems)
			}
			if len(problems) > 0 && !warned[name] {
				t.Errorf("problems: %v", problems)
			}
			if m.SHA256 == "" || m.Path != file {
				t.Errorf("SHA256 %q, Path %q", m.SHA256, m.Path)
			}
		})
	}
}

// load reads a sample that must be accepted.
func load(t *testing.T, name string) *config.Machine {
	t.Helper()
	m, problems, err := config.Load(filepath.Join("testdata", "valid", name+".yaml"))
	if err != nil || m == nil {
		t.Fatalf("%s refused: %v %v", name, err, problems)
	}
	return m
}

func TestMinimalMachineTakesTheDocumentedDefaults(t *testing.T) {
	t.Parallel()
	m := load(t, "minimal")
	want := config.Machine{
		Name: "Test bench",
		Tank: config.Tank{Channel: "tank", Volume: 0.038, VolumeUncertainty: 0.03, SafeWorkingPressure: 1e6, ReliefSetting: 9e5},
		Compressors: []config.Compressor{{
			Name: "compressor", Control: config.Switch, Delivery: 0.003, DutyLimit: 0.6, DutyWindow: 10 * 60e9, CheckValve: true,
		}},
		Channels: []config.Channel{{
			ID: "tank", Quantity: units.QPressure, Reference: units.Gauge, Unit: units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1e3},
			Kind: config.FromCSV, CSV: config.CSVSource{Column: "P_TANK", Unit: units.Unit{Code: "bar", Dim: units.Pressure, Factor: 1e5}},
			At: config.Place{Line: 12, Column: 3},
		}},
		Limits: config.Limits{LineDrop: 20e3, WantedContact: 0.9, ContactLoad: 50, Barometer: 101325, Altitude: math.NaN(), DischargeFactor: 0.61},
		Display: config.Display{
			Pressure: units.Preferred(units.Pressure), Force: units.Preferred(units.Force), Flow: units.Preferred(units.FlowRate),
			Temperature: units.Preferred(units.Temperature), Speed: m.Display.Speed, Length: units.Preferred(units.Length), Language: "en",
		},
		Logging: config.Logging{Dir: "/var/lib/airhold/log", Raw: true, Sync: time.Second, Full: 0.85},
		MQTT:    config.MQTT{ID: "test-bench", Listen: "127.0.0.1:1883"},
		Page:    config.Page{Listen: "127.0.0.1:8080", View: "open"},
		Box:     config.Box{HotLimit: 348.15, Sysfs: "/"},
		SHA256:  m.SHA256, Path: m.Path,
	}
	nearly := cmp.Comparer(func(a, b float64) bool {
		return a == b || math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) <= 1e-12*math.Abs(a)
	})
	if diff := cmp.Diff(&want, m, nearly); diff != "" {
		t.Errorf("minimal.yaml (-want +got):\n%s", diff)
	}
	if m.Display.Speed.Code != "km/h" {
		t.Errorf("speed is shown in %q; want km/h", m.Display.Speed.Code)
	}
}

// TestExampleIsTheInventedMachine holds the example to the facts of the invented machine: 38 L, 16 rows, two ranks of
// eight bags, five load sensors, and to one transducer by hand.
func TestExampleIsTheInventedMachine(t *testing.T) {
	t.Parallel()
	m, problems, err := config.Load("example.yaml")
	if err != nil || len(problems) != 0 {
		t.Fatalf("example.yaml: %v %v", err, problems)
	}
	if m.Name != "Kettle Ridge 16" || m.MQTT.ID != "kettle-ridge-16" || m.Simulated {
		t.Errorf("name %q, id %q, simulated %v", m.Name, m.MQTT.ID, m.Simulated)
	}
	if math.Abs(float64(m.Tank.Volume)-0.038) > 1e-12 || m.Tank.SafeWorkingPressure != 1e6 || m.Tank.ReliefSetting != 9e5 {
		t.Errorf("tank %+v", m.Tank)
	}
	if len(m.Ranks) != 2 || m.Ranks[0].Rows+m.Ranks[1].Rows != 16 || m.Ranks[0].Bags != 8 || m.Ranks[1].Bags != 8 {
		t.Errorf("ranks %+v", m.Ranks)
	}
	if diff := cmp.Diff([][]string{{"load_1", "load_2", "load_3"}, {"load_4", "load_5"}}, [][]string{m.Ranks[0].Loads, m.Ranks[1].Loads}); diff != "" {
		t.Error(diff)
	}
	if got := m.Ranks[0].Stretch; math.Abs(got-5e-7) > 1e-15 { // 5 % a bar is 0.05 / 100 kPa
		t.Errorf("stretch %v; want 5e-7 /Pa", got)
	}
	ids := "tank front rear barometer ambient wall humidity load_1 load_2 load_3 load_4 load_5 speed lowered drive sensor_supply moisture front_target rear_target load_target box_v"
	for id := range strings.FieldsSeq(ids) {
		c, ok := m.Channel(id)
		if !ok {
			t.Errorf("no channel %q", id)
		}
		if c.Kind == config.FromADC && c.Plug == "" {
			t.Errorf("channel %q has no plug", id)
		}
	}
	if len(m.Boards) != 4 {
		t.Fatalf("boards %+v", m.Boards)
	}
	for i, b := range m.Boards {
		if b.Chip != "ads1115" || b.Bus != "i2c-1" || b.Address != 0x48+i || b.Range != 6.144 {
			t.Errorf("board %+v", b)
		}
	}
	if len(m.DBCs) != 1 || !strings.Contains(string(m.DBCs[0].Data), "RankTargets") {
		t.Errorf("DBCs %+v", m.DBCs)
	}
	embedded := config.ExampleMachine()
	embedded.Path = m.Path
	if diff := cmp.Diff(m, embedded, cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })); diff != "" {
		t.Errorf("the embedded example differs from the file:\n%s", diff)
	}
}

// TestExampleTableFollowsItsFormula recomputes the wall sensor's table from the formula written beside it.
func TestExampleTableFollowsItsFormula(t *testing.T) {
	t.Parallel()
	c, _ := config.ExampleMachine().Channel("wall")
	if len(c.ADC.Transducer.Table) < 10 {
		t.Fatalf("table %v", c.ADC.Transducer.Table)
	}
	for _, p := range c.ADC.Transducer.Table {
		want := 10e3 * math.Exp(3950*(1/p.Value-1/298.15))
		if math.Abs(float64(p.Resistance)-want) > 1 {
			t.Errorf("%v K: %v ohm; want %.1f", p.Value, p.Resistance, want)
		}
	}
}

func TestChannelsNamedAsTheirUseAreFoundWithoutWords(t *testing.T) {
	t.Parallel()
	m := load(t, "three_ranks")
	if r := m.Ranks[1]; r.Pressure != "middle" || r.Target != "middle_target" || r.AtPowerOff != config.Vent || r.ShutOff != config.ByHand {
		t.Errorf("middle rank %+v", r)
	}
	if r := m.Ranks[0]; r.AtPowerOff != config.UnknownAtRest || r.ShutOff != config.NoneOff || r.Target != "" {
		t.Errorf("front rank %+v", r)
	}
	if c := load(t, "unloader").Compressors[0]; c.Running != "running" {
		t.Errorf("running channel %q", c.Running)
	}
	if cs := load(t, "two_compressors").Compressors; cs[0].Running != "" || cs[1].Running != "running" {
		t.Errorf("running channels %q and %q: whose it is must be said", cs[0].Running, cs[1].Running)
	}
}

func TestQuantitiesComeInSI(t *testing.T) {
	t.Parallel()
	m := load(t, "nameless")
	// NIST SP 811 B.8: 1 gal = 3.785412E-03 m3, 1 psi = 6.894757E+03 Pa.
	if got := float64(m.Tank.Volume); math.Abs(got-0.03785412) > 1e-8 {
		t.Errorf("10 gal = %v m3", got)
	}
	if got := float64(m.Tank.SafeWorkingPressure); math.Abs(got-150*6894.757) > 1 {
		t.Errorf("150 psi = %v Pa", got)
	}
	if m.Name != "unnamed machine" || m.MQTT.ID != "unnamed-machine" {
		t.Errorf("name %q, id %q", m.Name, m.MQTT.ID)
	}
}

func TestPercentWithoutQuotationMarks(t *testing.T) {
	t.Parallel()
	m := load(t, "percent")
	for _, id := range []string{"humidity", "moisture"} {
		if c, _ := m.Channel(id); c.Unit.Code != "%" || c.Kind != config.FromSim {
			t.Errorf("%s: unit %q, source %q", id, c.Unit.Code, c.Kind)
		}
	}
}

func TestCANSources(t *testing.T) {
	t.Parallel()
	m := load(t, "can")
	want := map[string]config.CANSource{
		"speed":        {Signal: "wheel_speed.speed", Address: -1},
		"drive":        {Signal: "engine.speed", Address: 0},
		"lowered":      {Link: "vcan0", Signal: "rear_hitch.in_work", Address: -1, NAME: "A00C8200FFE00001"},
		"front_target": {DBC: "mine", Message: "RankTargets", Signal: "front_target", Address: -1},
	}
	for id, w := range want {
		if c, _ := m.Channel(id); c.CAN != w {
			t.Errorf("%s: %+v; want %+v", id, c.CAN, w)
		}
	}
	links := []config.Link{
		{Name: "can0", Bitrate: 250000, Kind: "can"},
		{Name: "vcan0", Bitrate: 250000, Kind: "vcan"},
		{Name: "can1", Bitrate: 500000, Kind: "can", Hear: []uint32{65265, 0xF004, 129029}},
	}
	if diff := cmp.Diff(links, m.Links); diff != "" {
		t.Error(diff)
	}
}

func TestACopyOfTheExampleIsAcceptedAnywhere(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "mine.yaml")
	if err := os.WriteFile(path, config.Example(), 0o600); err != nil {
		t.Fatal(err)
	}
	m, problems, err := config.Load(path)
	if err != nil || len(problems) != 0 || len(m.DBCs[0].Data) == 0 {
		t.Errorf("Load = %v %v", problems, err)
	}
}

func TestOffsetOfATemperatureIsADifference(t *testing.T) {
	t.Parallel()
	text := strings.Replace(string(config.Example()), "low: -40 °C, high: 60 °C", "low: -40 °C, high: 60 °C, offset: 0.5 °C", 1)
	m, problems := config.Parse("x.yaml", []byte(text))
	if m == nil {
		t.Fatal(problems)
	}
	c, _ := m.Channel("ambient")
	if got := c.ADC.Transducer.Offset; got != 0.5 {
		t.Errorf("offset %v K; want 0.5", got)
	}
}

func TestAFileThatIsNotThereIsAnError(t *testing.T) {
	t.Parallel()
	if _, _, err := config.Load("testdata/no such file.yaml"); !os.IsNotExist(unwrap(err)) {
		t.Errorf("Load = %v; want not exist", err)
	}
}

func unwrap(err error) error {
	for {
		u, ok := err.(interface{ Unwrap() error })
		if !ok {
			return err
		}
		err = u.Unwrap()
	}
}
