// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"airhold/config"
)

// TestHostileFilesEndInOneClearProblem feeds what a broken disk or a bad joke could leave behind.
func TestHostileFilesEndInOneClearProblem(t *testing.T) {
	t.Parallel()
	pairs := "[" + strings.Repeat("[1 mm, 1 cm2], ", 60) + "[1 mm, 1 cm2]]"
	bomb := "a: &b " + pairs + "\nranks:\n  - &r {name: r, bag_area: *b}\n" + strings.Repeat("  - *r\n", 1500)
	tests := map[string]struct{ text, want string }{
		"larger than 1 MiB":         {"name: t\n" + strings.Repeat("# filler\n", 1<<17), "larger than 1024 KiB"},
		"too many lines":            {strings.Repeat("name: t\n", 6000), "more than 5000 lines"},
		"a line without end":        {"name: " + strings.Repeat("x", 5000), "the line has 5006 characters"},
		"brackets in brackets":      {"name: " + strings.Repeat("[", 900), "more than 50 brackets"},
		"brackets over many lines":  {strings.Repeat("[\n", 4000), "more than 50 brackets"},
		"brackets behind a comment": {strings.Repeat("[ ' #', \n", 4000), "more than 50 brackets"},
		"brackets in quotes":        {strings.Repeat("\" #\", [\n", 4000), "brackets are open"},
		"aliases of aliases":        {bomb, "too many values"},
		"only zero bytes":           {strings.Repeat("\x00", 4096), "zero bytes"},
		"UTF-16":                    {"\xff\xfen\x00a\x00m\x00e\x00", "zero bytes"},
		"only tabs":                 {"\t\t\t", ""},
		"only a marker":             {"---", "the file says nothing"},
		"only a directive":          {"%YAML 1.2\n---\n", "the file says nothing"},
		"an alias of itself":        {"ranks: &x [*x, *x]\n", ""},
		"an anchor for nothing":     {"name: &x\ntank: *x\n", ""},
		"a key that is a list":      {"? [a, b]\n: c\n", ""},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, problems := config.Parse("x.yaml", []byte(tt.text))
			if m != nil || !config.Refused(problems) {
				t.Fatalf("accepted: %+v", m)
			}
			var b strings.Builder
			for _, p := range problems {
				b.WriteString(p.String() + "\n")
			}
			all := b.String()
			if !strings.Contains(all, tt.want) {
				t.Errorf("problems:\n%.400s\nwant one with %q", all, tt.want)
			}
		})
	}
}

func TestProblemsAreCountedNotListedWithoutEnd(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("name: t\n")
	for i := range 1000 {
		fmt.Fprintf(&b, "key%d: 1\n", i)
	}
	_, problems := config.Parse("x.yaml", []byte(b.String()))
	if len(problems) != 201 || !strings.Contains(problems[200].Message, "803 more problems") { // 1000 keys and 3 missing sections
		t.Errorf("%d problems, last %v", len(problems), problems[len(problems)-1])
	}
}

// TestCutExample cuts the file at many bytes, as a power cut may: no panic, and no machine made of a part
// without its tank's safety pressures.
func TestCutExample(t *testing.T) {
	t.Parallel()
	whole := config.Example()
	const step = 61 // prime, so that the cuts fall on all kinds of places
	for n := 0; n < len(whole); n += step {
		m, problems := config.Parse("x.yaml", whole[:n])
		if m == nil && !config.Refused(problems) {
			t.Fatalf("cut at %d: no machine and no error", n)
		}
		if m != nil && (m.Tank.SafeWorkingPressure == 0 || m.Tank.ReliefSetting == 0 || m.Tank.Volume == 0 || len(m.Compressors) == 0) {
			t.Fatalf("cut at %d: accepted without its tank or compressor", n)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(config.Example())
	for _, pattern := range []string{"testdata/valid/*.yaml", "testdata/invalid/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatalf("no samples %s: %v", pattern, err)
		}
		for _, file := range files {
			b, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		m, problems := config.Parse("f.yaml", data)
		if (m == nil) != config.Refused(problems) {
			t.Errorf("machine %v, problems %v", m != nil, problems)
		}
		for _, p := range problems {
			if p.Line < 1 || p.Column < 1 || p.Message == "" || strings.ContainsAny(p.Snippet, "\n") {
				t.Errorf("bad problem %+v", p)
			}
		}
		if m == nil {
			return
		}
		if !(m.Tank.SafeWorkingPressure >= m.Tank.ReliefSetting && m.Tank.ReliefSetting > 0 && m.Tank.Volume > 0 && len(m.Compressors) > 0) {
			t.Errorf("accepted %+v", m)
		}
		if _, ok := m.Channel(m.Tank.Channel); !ok {
			t.Errorf("accepted without the tank's channel %q", m.Tank.Channel)
		}
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	t.Parallel()
	seeds, err := filepath.Glob("testdata/fuzz/FuzzParse/*")
	if err != nil || len(seeds) == 0 {
		t.Fatalf("no committed seeds: %v", err)
	}
	for _, s := range seeds {
		if b, err := os.ReadFile(s); err != nil || !strings.HasPrefix(string(b), "go test fuzz v1\n") {
			t.Errorf("%s is no seed: %v", s, err)
		}
	}
}
