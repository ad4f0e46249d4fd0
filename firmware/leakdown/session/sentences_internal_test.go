// SPDX-License-Identifier: Apache-2.0

package session

import (
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// The lines to tick and the last caution are read before air goes in: the page's languages are held against this list.
func TestEverySentenceToTickIsListed(t *testing.T) {
	t.Parallel()
	all := []string{manualFirst}
	for _, k := range safeTicks() {
		all = append(all, k.Text, k.Note)
	}
	slices.Sort(all)
	all = slices.DeleteFunc(slices.Compact(all), func(s string) bool { return s == "" })
	got := strings.Join(all, "\n") + "\n"
	name := filepath.Join("testdata", "sentences.txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s is not what is to tick: run go test ./firmware/leakdown/session -run TestEverySentence -update, then give the page's languages the new sentences", name)
	}
}
