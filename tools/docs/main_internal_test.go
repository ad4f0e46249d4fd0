// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"airhold/firmware/alarms"
)

func TestReadmeSaysWhatTheProgramDoes(t *testing.T) {
	table, err := alarmTable()
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	want, err := replacePart(text, table)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(text, want) {
		t.Error("README's table of alarms is not the catalogue's: go run ./tools/docs -w")
	}
}

func TestEveryAlarmIsInTheTableOrNamedAsNotWatched(t *testing.T) {
	table, err := alarmTable()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range alarms.Catalogue() {
		if r.Kind == alarms.PageMade {
			continue
		}
		if !strings.Contains(strings.ToLower(table), strings.ToLower(r.Title)) {
			t.Errorf("%s is missing", r.Key)
		}
	}
}

func TestReplacePartRefusesAFileWithoutMarks(t *testing.T) {
	if _, err := replacePart([]byte("# Readme\n"), "x"); err == nil {
		t.Error("replacePart = nil error; want one")
	}
}
