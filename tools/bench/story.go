// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strconv"
	"time"

	"airhold/firmware/rig"
)

// column is one channel of the example machine as a logger would write it: in the unit the machine file declares, with
// the noise and the digits of a usual sensor (common practice, no source).
type column struct {
	id     string
	of     func(t *rig.Truth) float64
	noise  float64
	digits int
}

func columns() []column {
	load := func(i int) func(t *rig.Truth) float64 {
		return func(t *rig.Truth) float64 { return float64(t.Rows[i].Load) }
	}
	return []column{
		{"tank", func(t *rig.Truth) float64 { return float64(t.Tank) / 1e3 }, 0.3, 2},
		{"front", func(t *rig.Truth) float64 { return float64(t.Ranks[0].Pressure) / 1e3 }, 0.3, 2},
		{"rear", func(t *rig.Truth) float64 { return float64(t.Ranks[1].Pressure) / 1e3 }, 0.3, 2},
		{"sensor_supply", func(t *rig.Truth) float64 { return float64(t.SensorSupply) }, 0.002, 4},
		{"load_1", load(0), 3, 1},
		{"load_2", load(1), 3, 1},
		{"load_3", load(2), 3, 1},
		{"load_4", load(3), 3, 1},
		{"load_5", load(4), 3, 1},
		{"speed", func(t *rig.Truth) float64 { return float64(t.Speed) }, 0, 3},
		{"lowered", func(t *rig.Truth) float64 {
			if t.Lowered {
				return 1
			}
			return 0
		}, 0, 0},
		{"drive", func(t *rig.Truth) float64 { return t.EngineRPM }, 2, 1},
	}
}

const (
	storyRate = 100 * time.Millisecond // a row
	storySpan = time.Hour
)

// writeStory plays the quiet story into a table of recorded readings.
func writeStory(w io.Writer, span time.Duration) (rows int, err error) {
	r, err := rig.New(rig.Options{Seed: 1, Story: "quiet"})
	if err != nil {
		return 0, err
	}
	b := bufio.NewWriter(w)
	dice := rand.New(rand.NewPCG(1, 12)) //nolint:gosec // repeatable noise, no secret
	cols := columns()
	line := []byte("# invented=yes story=quiet\ntime")
	for _, c := range cols {
		line = append(append(line, ','), c.id...)
	}
	for at := time.Duration(0); at < span; at += storyRate {
		t := r.Truth(at)
		line = r.Clock(at).UTC().AppendFormat(append(line, '\n'), "2006-01-02T15:04:05.000Z")
		for _, c := range cols {
			v := c.of(&t)
			if c.noise > 0 {
				v += c.noise * dice.NormFloat64()
			}
			line = strconv.AppendFloat(append(line, ','), v, 'f', c.digits, 64)
		}
		if _, err := b.Write(line); err != nil {
			return rows, errors.Join(err, r.Close())
		}
		line = line[:0]
		rows++
	}
	return rows, errors.Join(b.WriteByte('\n'), b.Flush(), r.Close())
}

// storyFile makes the table in a folder.
func storyFile(dir string) (path string, rows int, size int64, err error) {
	f, err := os.CreateTemp(dir, "quiet-*.csv")
	if err != nil {
		return "", 0, 0, err
	}
	rows, err = writeStory(f, storySpan)
	info, statErr := f.Stat()
	if err = errors.Join(err, statErr, f.Close()); err != nil {
		return "", 0, 0, fmt.Errorf("write the table: %w", err)
	}
	return f.Name(), rows, info.Size(), nil
}
