// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"airhold/config"
)

// What is measured is what is claimed: twelve channels at 10 Hz that airhold and the peer read alike, without a fault.
func TestBothSidesReadTheSameTable(t *testing.T) {
	var b bytes.Buffer
	rows, err := writeStory(&b, time.Minute)
	if err != nil || rows != 600 {
		t.Fatalf("writeStory = %d, %v; want 600 rows", rows, err)
	}
	path := filepath.Join(t.TempDir(), "minute.csv")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	ours, err := replayOnce(config.ExampleMachine(), path, &tally{})
	if err != nil || ours != 600*12 {
		t.Errorf("airhold reads %d, %v; want 7200", ours, err)
	}
	peer, err := parseOnly(path)
	if err != nil || peer != ours {
		t.Errorf("the peer reads %d, %v; want %d", peer, err, ours)
	}
}

func TestBothSidesReadTheSameFrames(t *testing.T) {
	const text = "(0000000000.000000) can0 18EEFF00#6500E0FF00000080\n(0000000000.000524) can0 18EEFFF0#6600E0FF00FF02A0\n"
	ours, err := readFrames([]byte(text))
	if err != nil || ours != 2 {
		t.Errorf("airhold reads %d, %v; want 2", ours, err)
	}
	peer, err := unmarshalFrames([]byte(text))
	if err != nil || peer != 2 {
		t.Errorf("the peer reads %d, %v; want 2", peer, err)
	}
}

func TestUnknownMeasurement(t *testing.T) {
	if err := bench(t.Context(), []string{"speed"}, io.Discard); err == nil || !strings.Contains(err.Error(), "replay, candump and demo") {
		t.Errorf("bench speed = %v; want the list of measurements", err)
	}
}
