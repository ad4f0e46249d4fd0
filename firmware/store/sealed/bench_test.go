// SPDX-License-Identifier: Apache-2.0

package sealed_test

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

// field is a boot as a box records it: two analog channels with noise in their last bits, and a tick and a clock sample a
// second.
func field(n int) []store.Entry {
	out := make([]store.Entry, 0, n)
	for i := range n {
		at := time.Duration(i) * 2 * time.Millisecond
		switch i % 500 {
		case 0:
			out = append(out, store.Entry{Kind: store.IsTick, At: at})
		case 1:
			out = append(out, store.Entry{Kind: store.IsClock, At: at, Clock: clock.Sample{Boot: at, UTC: day.Add(at), Quality: clock.Good}})
		default:
			raw := int32(15000 + 40*math.Sin(float64(i)/9000) + float64(i*7919%13))
			v := float64(raw) * 187.5e-6
			out = append(out, store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{
				At: at, Channel: readings.Channel(i % 2), Raw: raw, Volts: v, Value: v * 250e3,
			}})
		}
	}
	return out
}

// BenchmarkSeal seals a boot, from the recording to its removal.
func BenchmarkSeal(b *testing.B) {
	const n = 300_000
	all := field(n)
	b.ReportAllocs()
	var size int64
	for b.Loop() {
		b.StopTimer()
		dir := b.TempDir()
		path := recordIn(b, dir, all)
		b.StartTimer()
		if err := sealed.Seal(b.Context(), path); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		st, err := os.Stat(filepath.Join(dir, "boot-b.readings.parquet"))
		if err != nil {
			b.Fatal(err)
		}
		size = st.Size()
		b.StartTimer()
	}
	b.ReportMetric(float64(size)/n, "B/row")
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

// BenchmarkRead reads a boot entry by entry, as recorded and as sealed.
func BenchmarkRead(b *testing.B) {
	const n = 300_000
	path := recordIn(b, b.TempDir(), field(n))
	read := func(b *testing.B, path string) {
		b.Helper()
		b.ReportAllocs()
		for b.Loop() {
			r, err := sealed.Open(path)
			if err != nil {
				b.Fatal(err)
			}
			var e store.Entry
			count := 0
			for err = r.Next(&e); err == nil; err = r.Next(&e) {
				count++
			}
			if !errors.Is(err, io.EOF) || count != n {
				b.Fatalf("%d entries, %v", count, err)
			}
			if err := r.Close(); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	}
	b.Run("recording", func(b *testing.B) { read(b, path) })
	if err := sealed.Seal(b.Context(), path); err != nil {
		b.Fatal(err)
	}
	b.Run("sealed", func(b *testing.B) { read(b, filepath.Join(filepath.Dir(path), "boot-b.events.parquet")) })
}

// BenchmarkColumns is the writer alone, on readings that are made already.
func BenchmarkColumns(b *testing.B) {
	const n = 500_000
	rows := make([]sealed.Reading, 0, n)
	values := make([]float64, n)
	m := sealed.NewMaker(channels(), sealed.NewOffsets([]clock.Sample{{UTC: day, Quality: clock.Good}}))
	for i, e := range field(n) {
		if e.Kind == store.IsReading {
			rows = rows[:len(rows)+1]
			m.Reading(&rows[len(rows)-1], &values[i], &store.Row{Seq: int64(i), Entry: e})
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		w := sealed.NewColumns[sealed.Reading](io.Discard, nil)
		for at := 0; at < len(rows); at += 4096 {
			if err := w.Write(rows[at:min(at+4096, len(rows))]); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(rows))*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func recordIn(b *testing.B, dir string, all []store.Entry) string {
	b.Helper()
	s, err := store.Open(dir, store.Options{Clock: fixed{}, Queue: 1 << 20})
	if err != nil {
		b.Fatal(err)
	}
	if err := s.StartBoot(store.Snapshot{Boot: "b"}, channels()); err != nil {
		b.Fatal(err)
	}
	for i := range all {
		s.Append(all[i])
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	return filepath.Join(dir, "boot-b.db")
}
