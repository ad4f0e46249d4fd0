// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"airhold/firmware/alarms"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheCatalogueIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, r := range alarms.Catalogue() {
		all = append(all, r.Title, r.Do, r.Cause, r.Consequence, r.Caution)
	}
	slices.Sort(all)
	got := strings.Join(slices.Compact(all), "\n") + "\n"
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
		t.Errorf("%s is not the catalogue's: run go test ./firmware/alarms -run TestEverySentence -update, then give the page's languages the new sentences", name)
	}
}
