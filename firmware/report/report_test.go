// SPDX-License-Identifier: Apache-2.0

package report_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"airhold/firmware/leakdown/session"
	"airhold/firmware/report"
	"airhold/sensors/units"
)

// sheet is a report as a browser reads it.
type sheet struct {
	raw  string
	root *html.Node
}

func write(t *testing.T, in report.Input) sheet {
	t.Helper()
	var b bytes.Buffer
	if err := report.HTML(&b, in); err != nil {
		t.Fatal(err)
	}
	root, err := html.Parse(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return sheet{b.String(), root}
}

// text is what a person reads in the element with this id; all of it for an empty id. Blanks are single.
func (s sheet) text(t *testing.T, id string) string {
	t.Helper()
	var b strings.Builder
	found := false
	for n := range s.root.Descendants() {
		if n.Type == html.ElementNode && (id == "" && n.Data == "body" || id != "" && attribute(n, "id") == id) {
			found = true
			gather(&b, n)
		}
	}
	if !found {
		t.Fatalf("the sheet has no part %q", id)
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func gather(b *strings.Builder, n *html.Node) {
	for c := range n.ChildNodes() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
		gather(b, c)
		if c.Type == html.ElementNode && c.Data != "b" && c.Data != "span" {
			b.WriteString(" ")
		}
	}
}

func attribute(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func has(t *testing.T, where, text string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("%s lacks %q; it says: %s", where, w, text)
		}
	}
}

// The second units are computed by hand: 1 psi = 6.894757 kPa (NIST SP 811, B.8); 1 scfm at 14.696 psia and 68 °F is
// 28.3168 L/min at 101.325 kPa and 20 °C, at the 100 kPa of ISO 8778 28.692 L/min ANR; 1 in = 25.4 mm.
func TestSheetHasEveryPart(t *testing.T) {
	s := write(t, full())
	for id, want := range map[string][]string{
		"":            {"Leak-down test: Kettle Ridge 16", "28 April 2026, 15:42 UTC−05:00", "R. Okafor", "shop, bay 2", "airhold 0.1.0", "2026-04-28-front-2", "SIMULATED", "compressed air, simulated"},
		"verdict":     {"Front rank passes"},
		"sure":        {"Sure to 99.4 %", "after 110 s", "below the limit", "whole 95 % interval", "3 L/min ANR (0.105 scfm)", "310 kPa (45 psi) gauge"},
		"curve":       {"kPa", "only cooling", "limit", "before", "now", "95 % band", "120 s", "Watched: 2 min in 2 phases"},
		"figures":     {"0.41 (0.25 to 0.61)", "0.014 scfm (0.009 to 0.021)", "3.5 (2.1 to 5.2)", "10.2 psi/min", "27.4", "0.131 (0.101 to 0.160)", "0.0052 in", "sharp-edged, discharge coefficient 0.61", "9 min (6 min to 15 min)", "down to 250 kPa", "28 s", "fails", "passes", "68 °F"},
		"compare":     {"Better"},
		"paths":       {"Front rank", "0.31 (0.10 to 0.60) L/min ANR", "93 %", "one or more of bags, hoses", "Front fill valve", "pressure cannot part"},
		"cannot-tell": {"Cannot tell the front fill valve from the tank side"},
		"budget":      {"Cooling of the air 0.140", "Together 0.177 L/min ANR"},
		"help":        {"three more minutes"},
		"instruments": {"tank", "ratiometric", "2026-03-14", "dead-weight tester", "±1.5 kPa", "barometer", "not recorded"},
		"steps":       {"Make safe 15:20", "7 of 7 seen", "Isolate 15:30", "Result 15:40"},
		"history":     {"3 of 6", "8 April 2026", "not decided", "test not valid"},
		"silent":      {"another pressure", "at work", "while it moves", "exact spot", "nothing was inspected"},
		"cautions":    {"Level ground", "key out", "blocked", "Nobody at the row units", "Eye protection", "soapy water", "under pressure", "Drain", "safe working pressure", "manual, local rules and licensed practice"},
	} {
		has(t, "part "+id, s.text(t, id), want...)
	}
	has(t, "the drawing", s.raw, `data-part="95 % band"`, `data-part="fit"`, `data-part="measured"`, `data-part="if only cooling"`, `data-part="edge of the limit"`, `data-part="before"`)
}

func TestStandsAlone(t *testing.T) {
	s := write(t, full())
	for _, bad := range []string{"http:", "https:", "//", "url(", "@import", "src=", "href=", "<script", "<link", "<img", "<iframe"} {
		if strings.Contains(s.raw, bad) {
			t.Errorf("the sheet holds %q: it must need nothing from outside", bad)
		}
	}
}

func TestBudgetIsLargestFirst(t *testing.T) {
	text := write(t, full()).text(t, "budget")
	last := -1
	for _, w := range []string{"Cooling of the air", "Heat in the wall", "The rank's volume", "Sensor and barometer", "Noise"} {
		at := strings.Index(text, w)
		if at <= last {
			t.Errorf("%q stands at %d, after %d is wanted: %s", w, at, last, text)
		}
		last = at
	}
}

// Only a test that found the leak below the limit may read like one.
func TestOnlyAPassIsToldAsOne(t *testing.T) {
	for _, verdict := range []string{"fail", "undecided", "invalid", "stopped", "measuring", "", "PASS", "pass?", "<b>pass</b>"} {
		t.Run(verdict, func(t *testing.T) {
			in := full()
			in.Now.Verdict, in.Now.Reasons, in.History = verdict, []string{"The test is void: the compressor started."}, nil
			s := write(t, in)
			if word := regexp.MustCompile(`(?i)\bpass`).FindString(s.raw); word != "" {
				t.Errorf("the sheet of a test that is %q says %q", verdict, word)
			}
			if verdict != "fail" && strings.Contains(s.text(t, "sure"), "Sure to") {
				t.Errorf("no verdict, but it says how sure: %s", s.text(t, "sure"))
			}
		})
	}
	for _, verdict := range []string{"invalid", "stopped", "measuring", ""} {
		in := full()
		in.Now = session.Result{Verdict: verdict, Where: "tank side", Reasons: []string{"The test is void: the compressor started."}}
		s := write(t, in)
		has(t, "an unjudged test", s.text(t, ""), "says nothing about the air system", "The test is void: the compressor started.", "No curve was kept", "No budget")
	}
}

func TestNothingIsSaidTwice(t *testing.T) {
	in := full()
	in.Now.Reasons = []string{"Sure to 99 % after 110 s: the leak is below the limit.", in.Now.CannotTell, "2 single readings stood out and were left out."}
	text := write(t, in).text(t, "reasons")
	if text != "2 single readings stood out and were left out." {
		t.Errorf("the reasons are %q; want only what stands nowhere else", text)
	}
}

func TestIntervalAcrossTheLimitIsSaid(t *testing.T) {
	for _, c := range []struct{ verdict, low, want string }{
		{"undecided", "2.5", "reaches across the limit"}, {"fail", "3.2", "lies above the limit"},
	} {
		in := report.Input{Now: tested(c.verdict, 4)}
		low := map[string]float64{"2.5": 2.5, "3.2": 3.2}[c.low]
		in.Now.Leak = flow(4, low, 5.5)
		has(t, c.verdict, write(t, in).text(t, "sure"), c.want)
	}
}

func TestHostileText(t *testing.T) {
	const evil = `</style></svg><script>alert(1)</script><img src=x onerror="alert(2)">{{.}}'"&`
	in := full()
	in.Machine, in.By, in.Place, in.Software, in.Compare = evil, evil, evil, evil, evil
	n := &in.Now
	n.Where, n.Run, n.Help, n.CannotTell, n.Verdict, n.Reasons = evil, evil, evil, evil, "pass", []string{evil}
	n.Paths = []session.Path{{Where: evil, Includes: []string{evil, evil}, Leak: flow(1, 0.5, 2), Posterior: 0.5}}
	n.Budget = []session.Term{{Words: evil, U: flow(1, 0, 0)}}
	n.Limit.Unit.Code = evil
	in.Instruments = []report.Instrument{{evil, evil, evil, evil, evil}}
	in.Steps = []report.Step{{Words: evil, Note: evil}}
	in.History[0].By, in.History[0].Verdict = evil, evil
	s := write(t, in)
	allowed := strings.Fields("html head meta title style body header div p dl dt dd h1 h2 ul ol li figure figcaption svg path text section table tbody tr th td small b br footer span")
	for n := range s.root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if !slices.Contains(allowed, n.Data) {
			t.Errorf("a name made the element <%s>", n.Data)
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "src" || a.Key == "href" {
				t.Errorf("a name made the attribute %s=%q", a.Key, a.Val)
			}
		}
	}
	has(t, "the sheet", s.text(t, ""), `Leak-down test: </style></svg><script>alert(1)</script><img`)
}

func TestWhatIsMissingIsSaid(t *testing.T) {
	t.Run("only machine and result", func(t *testing.T) {
		in := report.Input{Machine: "Kettle Ridge 16", Now: tested("fail", 8)}
		in.Now.At, in.Now.By, in.Now.Run, in.Now.Sure, in.Now.Simulated = "", "", "", 0, false
		s := write(t, in)
		has(t, "the sheet", s.text(t, ""), "when time not known", "tested by not recorded", "Instruments and their calibration: not recorded", "Steps: not recorded", "No earlier test of this place is kept", "Front rank fails", "Decided after 110 s")
		if strings.Contains(strings.ToLower(s.raw), "simulated") {
			t.Error("a real test is called simulated")
		}
		if strings.Contains(s.text(t, "figures"), "before") {
			t.Errorf("there is no earlier test, but: %s", s.text(t, "figures"))
		}
	})
	t.Run("nothing at all", func(t *testing.T) {
		s := write(t, report.Input{})
		has(t, "the sheet", s.text(t, ""), "machine without a name", "not known", "no verdict")
	})
	t.Run("simulated by the result alone", func(t *testing.T) {
		in := report.Input{Now: tested("pass", 1)}
		in.Now.Simulated = true
		has(t, "the sheet", write(t, in).text(t, ""), "SIMULATED")
	})
	t.Run("other hole and hold before", func(t *testing.T) {
		in := full()
		in.Before.Discharge, in.Before.HoldTo = 0.97, pressure(100)
		text := write(t, in).text(t, "figures")
		has(t, "figures", text, "not compared")
		if strings.Contains(text, "0.59") {
			t.Error("two holes of different coefficients are set side by side")
		}
	})
	t.Run("before at another pressure", func(t *testing.T) {
		in := full()
		in.Before.Curve = curve(420, 18, 35, 0.5, 120)
		s := write(t, in)
		has(t, "curve", s.text(t, "curve"), "began at another pressure and is not drawn")
		if strings.Contains(s.raw, `data-part="before"`) {
			t.Error("it is drawn")
		}
	})
	t.Run("hold time without an end", func(t *testing.T) {
		in := full()
		in.Now.HoldAtLeast = true
		has(t, "figures", write(t, in).text(t, "figures"), "at least 6 min")
	})
}

func TestOddNumbersNeverShow(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, c := range map[string]*session.Curve{
		"empty":      {},
		"one point":  {Measured: [][2]float64{{0, 310}}},
		"no time":    {Measured: [][2]float64{{0, 310}, {0, 309}}},
		"only nan":   {Measured: [][2]float64{{nan, nan}, {1, nan}}, Fit: [][4]float64{{0, nan, 1, 2}, {inf, 1, 1, 1}}},
		"some nan":   {Measured: [][2]float64{{0, 310}, {1, nan}, {2, 309}, {inf, 308}, {-1, 300}}, Fit: [][4]float64{{0, 310, 309, inf}, {1, 310, 309, 311}}},
		"flat":       {Measured: [][2]float64{{0, 310}, {60, 310}}},
		"huge":       {Measured: [][2]float64{{0, 1e300}, {1e9, -1e300}}},
		"tiny":       {Measured: [][2]float64{{0, 310}, {1e-9, 310 + 1e-12}}},
		"backwards":  {Measured: [][2]float64{{60, 300}, {0, 310}, {30, 305}}},
		"fit only":   {Fit: [][4]float64{{0, 310, 309, 311}, {60, 300, 299, 301}}},
		"other ends": {Measured: [][2]float64{{0, 310}, {60, 300}}, Limit: [][2]float64{{0, 310}, {900, 20}}, Cooling: [][2]float64{{70, 1}, {80, 2}}},
	} {
		t.Run(name, func(t *testing.T) {
			in := full()
			in.Now.Curve = c
			in.Now.Leak, in.Now.Sure, in.Sure, in.Now.Duration, in.Now.Discharge = flow(nan, nan, inf), nan, nan, nan, nan
			in.Now.Budget[0].U = flow(nan, 0, 0)
			in.Now.Paths[0].Posterior = nan
			s := write(t, in)
			if word := regexp.MustCompile(`NaN|[+-]?Inf\b`).FindString(s.raw); word != "" {
				t.Errorf("the sheet shows %s", word)
			}
			err := report.CurvePNG(io.Discard, in, 640, 400)
			if err != nil && !errors.Is(err, report.ErrNoCurve) {
				t.Errorf("CurvePNG: %v", err)
			}
		})
	}
}

// The unit of the result is the unit of the sheet; the other one stands beside it.
func TestUnitsOfTheResultLead(t *testing.T) {
	in := report.Input{Now: tested("pass", 1)}
	in.Now.Start = measure("[psi]", units.Pressure, units.Gauge, 45, 0, 0)
	in.Now.Leak = measure("scfm", units.FlowRate, units.ANR, 0.1, 0.05, 0.2)
	s := write(t, in)
	has(t, "sure", s.text(t, "sure"), "45 psi (310 kPa)")
	has(t, "figures", s.text(t, "figures"), "scfm", "0.10 (0.05 to 0.20)", "2.9 L/min ANR (1.4 to 5.7)") // x 28.692
}

type fullDisk struct{ room int }

var errFull = errors.New("disk full")

func (d *fullDisk) Write(p []byte) (int, error) {
	if len(p) > d.room {
		return 0, errFull
	}
	d.room -= len(p)
	return len(p), nil
}

func TestWriterFails(t *testing.T) {
	if err := report.HTML(&fullDisk{100}, full()); !errors.Is(err, errFull) {
		t.Errorf("HTML on a full disk = %v; want it to wrap %v", err, errFull)
	}
	if err := report.CurvePNG(&fullDisk{100}, full(), 640, 400); !errors.Is(err, errFull) {
		t.Errorf("CurvePNG on a full disk = %v; want it to wrap %v", err, errFull)
	}
}
