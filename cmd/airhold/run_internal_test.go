// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"airhold/config"
)

// At its start the box takes the set-up that the page saved for the machine file as it stands; a broken one is passed over
// with its problems.
func TestABoxStartsOnASavedSetup(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "machine.yaml")
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("machine.yaml", string(config.Example()))
	mark := fmt.Sprintf("# Saved by the set-up of the page, instead of a machine file with SHA-256 %x\n", sha256.Sum256(config.Example()))
	var out, errs bytes.Buffer
	if m, _, _ := readSetup(file, &out, &errs); m != nil || out.Len()+errs.Len() > 0 {
		t.Errorf("a set-up is found where none was saved: %s%s", &out, &errs)
	}
	write("machine.setup-1.yaml", mark+strings.Replace(string(config.Example()), "38 L ", "39 L ", 1))
	m, text, problems := readSetup(file, &out, &errs)
	if m == nil || m.Tank.Volume < 0.0389 || m.Tank.Volume > 0.0391 || len(text) == 0 || len(problems) > 0 || !strings.Contains(out.String(), "delete it to go back") {
		t.Errorf("%v, %v, %q; want the set-up with 39 L", m != nil, problems, out.String())
	}
	write("machine.setup-2.yaml", mark+strings.Replace(string(config.Example()), "38 L ", "39 ", 1))
	out.Reset()
	if m, _, _ := readSetup(file, &out, &errs); m != nil || !strings.Contains(errs.String(), "without a unit") || !strings.Contains(errs.String(), "passed over") {
		t.Errorf("a broken set-up: %v, %q", m != nil, errs.String())
	}
	write("machine.yaml", string(config.Example())+"# by hand\n")
	if m, _, _ := readSetup(file, &out, &errs); m != nil {
		t.Error("the machine file was changed by hand since, and the set-up still counts more")
	}
}
