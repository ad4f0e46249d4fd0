// SPDX-License-Identifier: Apache-2.0

package board_test

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"testing"
	"testing/fstest"
	"time"

	"airhold/sensors/board"
)

func TestTemperature(t *testing.T) {
	tests := []struct {
		root    fs.FS
		name    string
		celsius float64
		noData  bool
		fault   bool
	}{
		{name: "one_zone", celsius: 48.312},
		{name: "many_zones", celsius: 57.25}, // the hottest processor zone, not the hotter graphics zone
		{name: "only_others", celsius: 41},
		{name: "broken", fault: true},
		{name: "no_alarm_file", noData: true},
		{name: "an empty root", root: fstest.MapFS{}, noData: true},
		{name: "a zone without temp", root: fstest.MapFS{"sys/class/thermal/thermal_zone0/type": {Data: []byte("cpu")}}, fault: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := board.New(board.Options{Root: root(tt.root, tt.name)}).Temperature()
			switch {
			case errors.Is(err, board.ErrNoData) != tt.noData || (err != nil) != (tt.noData || tt.fault):
				t.Errorf("Temperature() error = %v; want no data %v, fault %v", err, tt.noData, tt.fault)
			case err == nil && math.Abs(float64(got)-273.15-tt.celsius) > 1e-9:
				t.Errorf("Temperature() = %v K; want %v degC", got, tt.celsius)
			}
		})
	}
}

func TestUndervoltage(t *testing.T) {
	tests := []struct {
		name               string
		low, noData, fault bool
	}{
		{name: "one_zone"},
		{name: "sagging", low: true},
		{name: "many_zones", noData: true},
		{name: "only_others", noData: true},
		{name: "broken", fault: true},
		{name: "no_alarm_file", fault: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			low, err := board.New(board.Options{Root: root(nil, tt.name)}).Undervoltage()
			if low != tt.low || errors.Is(err, board.ErrNoData) != tt.noData || (err != nil) != (tt.noData || tt.fault) {
				t.Errorf("Undervoltage() = %v, %v; want %v, no data %v, fault %v", low, err, tt.low, tt.noData, tt.fault)
			}
		})
	}
}

func TestDisk(t *testing.T) {
	gone := errors.New("gone")
	tests := []struct {
		name        string
		free, total uint64
		err, want   error
		fault       bool
	}{
		{name: "half full", free: 5, total: 10},
		{name: "full", free: 0, total: 10},
		{name: "no size", fault: true},
		{name: "more free than there is", free: 11, total: 10, fault: true},
		{name: "card pulled", err: gone, want: gone, fault: true},
		{name: "cannot be asked", err: board.ErrNoData, want: board.ErrNoData, fault: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := board.New(board.Options{Usage: func(string) (free, total uint64, err error) { return tt.free, tt.total, tt.err }})
			free, total, err := b.Disk("/log")
			if (err != nil) != tt.fault || (tt.want != nil && !errors.Is(err, tt.want)) {
				t.Fatalf("Disk() error = %v; want %v, fault %v", err, tt.want, tt.fault)
			}
			if err == nil && (free != tt.free || total != tt.total) {
				t.Errorf("Disk() = %d, %d; want %d, %d", free, total, tt.free, tt.total)
			}
		})
	}
}

func TestDiskAsksTheKernel(t *testing.T) {
	b := board.New(board.Options{})
	if _, total, err := b.Disk(t.TempDir()); errors.Is(err, board.ErrNoData) {
		t.Skip("this system cannot be asked for disk space: run on Linux")
	} else if err != nil || total == 0 {
		t.Errorf("Disk(a folder) = %d, %v; want a size", total, err)
	}
	if _, _, err := b.Disk(t.TempDir() + "/not-there"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Disk(missing folder) = %v; want %v", err, fs.ErrNotExist)
	}
}

func TestFilling(t *testing.T) {
	const mb = 1_000_000
	tests := []struct {
		name string
		rate func(minute int) uint64 // free bytes
		want float64                 // seconds, at minute 30
	}{
		// By hand: 60 MB a minute is 1 MB/s, 8200 MB - 30*60 MB = 6400 MB are left: 6400 s.
		{"steady", func(m int) uint64 { return 8200*mb - uint64(m)*60*mb }, 6400},
		// Faster for the last ten minutes: 120 MB a minute is 2 MB/s; 8000 - 20*60 - 10*120 = 5600 MB: 2800 s.
		{"faster lately", func(m int) uint64 { return uint64(8000-60*m-60*max(0, m-20)) * mb }, 2800},
		// Nothing written: the least rate, 10 kB/s, of 36 MB: 3600 s.
		{"standing still", func(int) uint64 { return 36 * mb }, 3600},
		{"full", func(int) uint64 { return 0 }, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var f board.Filling
			var got time.Duration
			for m := range 31 {
				got = f.Left(time.Duration(m)*time.Minute, tt.rate(m))
			}
			if math.Abs(got.Seconds()-tt.want) > 1e-6*tt.want {
				t.Errorf("Left() = %v s; want %v s", got.Seconds(), tt.want)
			}
		})
	}
}

func TestFillingBeginsAnewWhenSpaceIsFreed(t *testing.T) {
	var f board.Filling
	for m := range 20 {
		f.Left(time.Duration(m)*time.Minute, 1e9-uint64(m)*60e6/2)
	}
	if got, want := f.Left(20*time.Minute, 2e9), 2e9/10e3; math.Abs(got.Seconds()-want) > 1 {
		t.Errorf("Left() after a clean-up = %v s; want %v s by the least rate", got.Seconds(), want)
	}
	if got := f.Left(0, 3e18); got <= 0 {
		t.Errorf("Left(a huge disk, time backwards) = %v; want a positive time", got)
	}
}

func root(given fs.FS, name string) fs.FS {
	if given != nil {
		return given
	}
	return os.DirFS("testdata/" + name)
}
