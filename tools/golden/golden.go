// SPDX-License-Identifier: Apache-2.0

// Package golden holds what the box says against a file of its sentences, for the tests of the rooms that say it. The tests
// of the page's languages read the same files.
package golden

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// writeVar set to anything makes every list anew, in one run over all rooms.
const writeVar = "AIRHOLD_WRITE_SENTENCES"

// Sentences compares what a room can say with its testdata/sentences.txt, in order and each once.
func Sentences(t *testing.T, all []string) {
	t.Helper()
	said := slices.DeleteFunc(slices.Clone(all), func(s string) bool { return s == "" })
	slices.Sort(said)
	got := strings.Join(slices.Compact(said), "\n") + "\n"
	name := filepath.Join("testdata", "sentences.txt")
	if os.Getenv(writeVar) != "" {
		if err := os.MkdirAll("testdata", 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name) //nolint:gosec // beside the test
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s is not what this room says: run its %s with %s=1, then give the page's languages the new sentences", name, t.Name(), writeVar)
	}
}
