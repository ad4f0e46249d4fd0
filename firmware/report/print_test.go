// SPDX-License-Identifier: Apache-2.0

package report_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"airhold/firmware/leakdown/session"
	"airhold/firmware/report"
)

// crowded has more of everything than fits, in the longest words.
func crowded() report.Input {
	in := full()
	long := strings.Repeat("a long name ", 20)
	in.Machine, in.By, in.Place, in.Software, in.Compare = long, strings.Repeat("W", 200), long, long, long
	n := &in.Now
	n.Run, n.Where, n.Help, n.CannotTell = long, long, long+long, long+long
	in.Instruments = nil
	for range 9 {
		n.Reasons = append(n.Reasons, long+long)
		n.Paths = append(n.Paths, session.Path{Where: long, Includes: []string{long, long}, Leak: flow(1, 0.2, 3), Posterior: 0.5})
		n.Budget = append(n.Budget, session.Term{Words: long, U: flow(0.5, 0, 0)})
		in.Instruments = append(in.Instruments, report.Instrument{long, long, long, long, long})
		in.Steps = append(in.Steps, report.Step{Words: long, At: in.When, Note: long})
	}
	return in
}

// TestPrintsOnOneSheet lets Chromium print what a shop would print.
func TestPrintsOnOneSheet(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		const missing = "the print check needs Chromium (Debian package chromium), which is not installed"
		if os.Getenv("CI") != "" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	void := full()
	void.Now = session.Result{Verdict: "invalid", Where: "tank side", Reasons: []string{"The test is void: the compressor started."}, Curve: void.Now.Curve}
	plain := full()
	plain.Instruments, plain.History, plain.Now.Paths, plain.Now.CannotTell = plain.Instruments[:2], plain.History[:1], nil, ""
	for _, c := range []struct {
		name, paper string
		in          report.Input
	}{
		{"full", "A4", full()}, {"full", "Letter", full()}, // Letter is the shorter one and settles it for the rest
		{"usual letters", "Letter", plain}, {"crowded", "Letter", crowded()}, {"void", "Letter", void},
	} {
		t.Run(c.name+" on "+c.paper, func(t *testing.T) {
			if n := pages(t, chromium, c.in, c.paper); n != 1 {
				t.Errorf("%d pages; want 1", n)
			}
		})
	}
	t.Run("the count can see two", func(t *testing.T) {
		in := full()
		in.Machine = "Kettle Ridge 16"
		if n := pages(t, chromium, in, "A5"); n < 2 {
			t.Errorf("%d pages on A5; want more than one", n)
		}
	})
}

// pages prints the sheet and counts the pages in the PDF.
func pages(t *testing.T, chromium string, in report.Input, paper string) int {
	t.Helper()
	var b bytes.Buffer
	if err := report.HTML(&b, in); err != nil {
		t.Fatal(err)
	}
	// What a person chooses in the print window stands here in the sheet's own rule.
	text := strings.Replace(b.String(), "@page {", "@page { size: "+paper+";", 1)
	if text == b.String() {
		t.Fatal("the sheet has no @page rule")
	}
	dir := t.TempDir()
	page, pdf := filepath.Join(dir, "sheet.html"), filepath.Join(dir, "sheet.pdf")
	if err := os.WriteFile(page, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--print-to-pdf="+pdf, "file://"+page)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, out)
	}
	data, err := os.ReadFile(pdf)
	if err != nil {
		t.Fatal(err)
	}
	return len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(data, -1))
}
