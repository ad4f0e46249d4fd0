// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"slices"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/export"
	"airhold/firmware/store/rawlog"
	"airhold/tools/golden"
)

// spokenNow are the words of the snapshot, of a sensor and of what was learned.
func spokenNow() []string {
	var all []string
	for _, s := range []float64{3600, 86400 * 5, 86400 * 2000} {
		all = append(all, diskFact(s).Words)
	}
	all = append(all, drainFact(time.Hour).Words, hoursTo(5*time.Hour, "the drain"), minutesToGo(time.Minute), minutesToGo(time.Hour))
	for q := readings.Good; q <= readings.Frozen; q++ {
		all = append(all, badSays(q))
	}
	ids := []string{
		"tank", "load_3", "speed", "lowered", "running", "drive", "ignition", "barometer", "humidity", "ambient", "wall", "front_target", "sensor_supply",
		readings.BoxTemperature, readings.BoxUndervoltage, readings.BoxDiskLeft, readings.BoxClock, readings.BoxLost,
	}
	for _, id := range ids {
		all = append(all, sensorName(&config.Machine{Ranks: []config.Rank{{Name: "front"}}}, id))
	}
	s := &Spine{test: session.New(session.Options{Signatures: map[string]leakdown.Signature{"tank": {Tests: 1}, "front": {Tests: 3}}}, nil)}
	for _, l := range s.Learned() {
		all = append(all, l.Words, l.Text)
	}
	return all
}

// spokenSetUp are the words of the set-up.
func spokenSetUp(t *testing.T) []string {
	t.Helper()
	var all []string
	for _, n := range signalNeeds() {
		all = append(all, n.words, n.then)
	}
	b := Box{o: BoxOptions{Machine: &config.Machine{}}, table: readings.NewTable(nil)}
	for _, n := range b.setupNeeds(&sensors{}, nil) {
		all = append(all, n.Words, n.Then)
	}
	none, some := int64(0), int64(12)
	for _, o := range []intake.Overheard{{}, {Refused: "the link can0 is down"}, {Silent: true}, {Checked: true}} {
		for _, sent := range []*int64{nil, &none, &some} {
			all = append(all, linkWords(&o, sent))
		}
	}
	questions, err := config.Questions(config.First())
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range questions {
		all = append(all, q.Words, q.Why)
	}
	return all
}

// spokenExport are the refusals of an export that are put together.
func spokenExport() []string {
	var all []string
	from := time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC)
	for _, format := range export.Formats() {
		for _, o := range []export.Options{{}, {From: from}, {From: from, To: from.Add(time.Hour)}} {
			o.Format = format
			all = append(all, nothingWords(&o, export.ErrNothing))
		}
	}
	return all
}

// watch is a clock whose word for the time a test sets.
type watch struct {
	clock.Clock

	quality clock.Quality
}

func (w watch) Sample() clock.Sample { return clock.Sample{Quality: w.quality} }

// spokenLog are the words of what is recorded.
func spokenLog() []string {
	var all []string
	for _, own := range []clock.Quality{clock.Unset, clock.Coarse, clock.Good} {
		for _, best := range []clock.Quality{clock.Unset, clock.Coarse, clock.Good} {
			for _, simulated := range []bool{false, true} {
				b := Box{o: BoxOptions{Clock: watch{quality: own}, Simulated: simulated}}
				all = append(all, b.recordedClock(clock.Sample{Quality: best}).Source)
			}
		}
	}
	gap := store.Health{Holes: []store.Hole{{}}, Raw: []rawlog.Stats{{Lately: []rawlog.Gap{{}}}}}
	for _, h := range holes(&gap, func(time.Duration) *time.Time { return nil }) {
		all = append(all, h.Of)
	}
	return all
}

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheBoxIsListed(t *testing.T) {
	t.Parallel()
	golden.Sentences(t, slices.Concat(spokenNow(), spokenSetUp(t), spokenExport(), spokenLog(), golden.Spoken(t, "exporting.go", "recording.go", "setup.go", "simulation.go")))
}
