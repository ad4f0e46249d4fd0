// SPDX-License-Identifier: Apache-2.0

// Package leakwatch finds leaks while the machine works: on the tank's side and in each rank, with nothing to start.
//
// Words: a place is "tank side", "front rank", "rear rank" (a rank's name with " rank"), or "not told apart"; a raised
// leak is one whose evidence crossed its threshold and has not been taken back; its onset is the estimated time at
// which it began; it is sized once the 95 % interval of its flow is narrow enough to be worth saying. Bleed is what the
// machine file declares as let out on purpose, and no leak.
//
// The package never asks for the time, rings nothing and drives nothing.
package leakwatch

import (
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// KeyLeak is the row of the alarm catalogue that this package speaks of.
const KeyLeak findings.Key = "air-leak"

// Compressor is what this package asks of the compressor's watcher. The methods are called on the owner's goroutine and
// change nothing.
type Compressor interface {
	// Settled returns up to when on and off are decided for good.
	Settled() time.Duration
	// OnShare returns the share of a span that it delivered; false where that is not known.
	OnShare(from, to time.Duration) (share float64, known bool)
	// Switch returns cut-in and cut-out, Pa gauge, and whether each is known.
	Switch() (in, out float64, inKnown, outKnown bool)
}

// Rank is one rank of row units.
type Rank struct {
	Name     string // "front": the "front rank" in every answer
	Pressure readings.Channel
	Target   readings.Channel // the wanted pressure, Pa gauge
	Volume   float64          // m3 at the pressure it works with; 0: not known
	Stretch  float64          // share of the volume to a Pa
}

// Options says which channels and limits count. SI; zero values mean "not known", but a channel that is not there is
// readings.NoChannel.
type Options struct {
	Tank, Wall, Ambient, Barometer  readings.Channel
	Lowered, Speed, Drive, Ignition readings.Channel
	Ranks                           []Rank

	Volume            float64 // tank, m3
	VolumeUncertainty float64 // of it, half width as a share; 0: 5 %
	Delivery          float64 // rated, m3/s ANR
	Bleed             float64 // declared, m3/s ANR

	Compressor Compressor // nil: on and off are told from the tank's pressure alone
	Saved      []byte     // what Save gave before the start; nil: a machine without history
	Notes      findings.Notes
	Sized      func(at time.Duration, l Leak) // called when a leak is sized or sized anew, at most once a minute for a place
}

// Leak is one leak that is raised.
type Leak struct {
	Where  string
	Flow   findings.Measure // ANR, with its interval; means something only while Sized
	Sized  bool
	Since  time.Duration // estimated onset
	Raised time.Duration
	From   string // which evidence, in words
}

// Watch watches for leaks. It is owned by one goroutine.
type Watch struct {
	o    Options
	sink findings.Sink
	flow units.Unit
}

// New makes a watch. Channels outside t count as not declared.
func New(o Options, t *readings.Table, sink findings.Sink) *Watch {
	w := &Watch{o: o, sink: sink, flow: units.Preferred(units.FlowRate)}
	_ = t
	return w
}

// Read takes one reading of any channel.
func (w *Watch) Read(readings.Reading) {}

// Tick lets a second pass and reports.
func (w *Watch) Tick(time.Duration) {}

// Leaks appends the leaks that are raised now.
func (w *Watch) Leaks(dst []Leak) []Leak { return dst }

// Hold says that somebody tests for leaks: valves are worked by hand, and nothing is concluded.
func (w *Watch) Hold(bool, time.Duration) {}

// LearningLeft returns how long the watch still learns and raises nothing; false once it has learned.
func (w *Watch) LearningLeft() (time.Duration, bool) { return 0, false }

// Flows returns the mean of the last ten minutes: what the bags took, what is bled as declared, and what neither
// explains, with its interval; false where that is not known.
func (w *Watch) Flows() (bags, bleed, leak findings.Measure, known bool) {
	return findings.Measure{}, findings.Measure{}, findings.Measure{}, false
}

// Learned returns what the watch has learned.
func (w *Watch) Learned() []findings.Learned { return nil }

// Forget drops what was learned under a name.
func (w *Watch) Forget(string) bool { return false }

// Save returns what is worth keeping over a power cut.
func (w *Watch) Save() []byte { return nil }
