// SPDX-License-Identifier: Apache-2.0

package overnight_test

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"airhold/firmware/supply/overnight"
)

func TestClockComesLate(t *testing.T) {
	var notes journal
	o := options()
	o.Saved, o.Notes = leave(o, eveValues()), &notes
	right := false
	o.UTC = func(at time.Duration) (time.Time, bool) { return evening().Add(night10 + at), right }
	box := overnight.New(o, table())
	feed(box, 1, 200, still(mornValues(cold()-20e3)))
	if h := only(t, box); h.Known || len(notes) != 0 {
		t.Fatalf("known %v, notes %q without a clock", h.Known, notes)
	}
	right = true
	// By now it works: the morning's reading stands.
	feed(box, 201, 20, func(i int) values { return mornValues(cold() - 20e3 + 6e3*float64(i-200)) })
	if h := only(t, box); !h.Known || math.Abs(h.To.SI-(cold()-20e3)) > 1 || len(notes) != 1 {
		t.Errorf("%+v, notes %q; want known from the first minute, one note", h, notes)
	}
}

// A box whose power blinks when the engine is cranked still says what the night did, and so does one that somebody only
// looked at in the evening.
func TestPowerBlinks(t *testing.T) {
	o := options()
	first := wake(o, leave(o, eveValues()), night10, mornValues(cold()-20e3))
	second := wake(o, first.Save(), night10+2*time.Minute, mornValues(cold()-20e3))
	if second.Words() != first.Words() || second.Words() == "" {
		t.Errorf("after a blink Words() = %q; want %q", second.Words(), first.Words())
	}
	look := wake(o, leave(o, eveValues()), time.Hour, values{tank: evePa - 14e3, wall: eveK - 5, ambient: eveK - 5, glass: barePa})
	if look.Words() != "" {
		t.Errorf("Words() = %q an hour later; want none", look.Words())
	}
	h := only(t, wake(o, look.Save(), night10, mornValues(cold()-20e3)))
	if !h.Known || math.Abs(h.Hours-10) > 0.2 {
		t.Errorf("after a look in the evening: %+v; want ten hours", h)
	}
}

func TestSaveKeepsTheEveningUntilTheMorningIsKnown(t *testing.T) {
	o := options()
	o.Saved = leave(o, eveValues())
	o.UTC = func(at time.Duration) (time.Time, bool) { return evening().Add(night10 + at), false }
	box := overnight.New(o, table())
	feed(box, 1, 30, still(mornValues(cold())))
	if got := box.Save(); !bytes.Equal(got, o.Saved) {
		t.Errorf("30 s into the morning Save() = %q; want the evening", got)
	}
	feed(box, 31, 60, still(mornValues(cold())))
	if got := box.Save(); !bytes.Equal(got, o.Saved) {
		t.Errorf("while the clock is waited for Save() = %q; want the evening", got)
	}
}

func TestOneNoteWithoutAClock(t *testing.T) {
	var notes journal
	o := options()
	o.Saved, o.Notes, o.UTC = leave(o, eveValues()), &notes, nil
	box := overnight.New(o, table())
	feed(box, 1, 1500, still(mornValues(cold())))
	if len(notes) != 1 || !strings.HasPrefix(notes[0], "overnight-hold: Overnight hold not known: the clock") {
		t.Errorf("notes %q; want one, not known for want of a clock", notes)
	}
}

// Nobody knows what happened while nothing was read: the rest counts from there.
func TestGapEndsARest(t *testing.T) {
	o := options()
	box := overnight.New(o, table())
	feed(box, 1, 600, still(eveValues()))
	feed(box, 601, 300, still(nil))
	feed(box, 901, 60, still(eveValues()))
	h := only(t, wake(o, box.Save(), night10, mornValues(cold())))
	if !h.Known || h.Rested > time.Minute || h.Rested < 40*time.Second {
		t.Errorf("%+v; want known, rested since the gap", h)
	}
}

// A box that keeps its power sees the night by the key.
func TestBoxKeepsItsPower(t *testing.T) {
	tight := keepPower(t, 0)
	// 38 L that lose 8 kPa: 0.038*8e3/100e3*293.15/277.15 m3 in 9.1 h.
	if want := 0.038 * 8e3 / 100e3 * 293.15 / mornK / (9.1 * 3600); !tight.Known || math.Abs(tight.Leak.SI-want) > 0.0008*litre {
		t.Errorf("%+v; want a leak of %v L/min", tight, want/litre)
	}
	if h := keepPower(t, 30e3); h.Known || !strings.Contains(h.Why, "ran in between") {
		t.Errorf("charged by 30 kPa in the night: %+v; want not known", h)
	}
}

// keepPower plays a night of a box that keeps its power, in which charge is put into the tank half way.
func keepPower(t *testing.T, charge float64) overnight.Hold {
	t.Helper()
	o := options()
	o.UTC = nil // its own clock tells how long the night was
	box := overnight.New(o, table())
	v := eveValues()
	v[key] = 1
	feed(box, 1, 300, still(v))
	v[key] = 0
	feed(box, 301, 700, still(v))
	const hours = 9 * 3600
	feed(box, 1001, hours, func(i int) values {
		share := float64(i-1000) / hours
		k := eveK + (mornK-eveK)*share
		extra := -8e3 * share
		if share > 0.5 {
			extra += charge
		}
		return values{tank: (evePa+barePa)*k/eveK - barePa + extra, wall: k, ambient: k, glass: barePa, key: 0}
	})
	m := mornValues(cold() - 8e3 + charge)
	m[key] = 1
	feed(box, 1001+hours, 90, still(m))
	return only(t, box)
}

func TestSavedComesBack(t *testing.T) {
	o := withFront(options())
	eve := eveValues()
	eve[front] = 300e3
	morn := mornValues(cold())
	morn[front] = 280e3
	saved := leave(o, eve)
	if again := leave(o, eve); !bytes.Equal(saved, again) {
		t.Errorf("equal evenings are kept as %q and %q", saved, again)
	}
	o.Saved, o.UTC = saved, clockFrom(evening().Add(time.Hour))
	if back := overnight.New(o, table()).Save(); !bytes.Equal(back, saved) {
		t.Errorf("Save() = %q; want what came in, %q", back, saved)
	}
	for i := range saved {
		for _, bit := range []byte{1, 0x80} {
			bad := bytes.Clone(saved)
			bad[i] ^= bit
			if h := wake(o, bad, night10, morn).Held(); h[0].Known || !strings.Contains(h[0].Why, "could not be read") {
				t.Fatalf("with byte %d changed: %+v; want not readable", i, h[0])
			}
		}
		if h := wake(o, saved[:i], night10, morn).Held(); h[0].Known {
			t.Fatalf("with %d bytes only: %+v; want not known", i, h[0])
		}
	}
}

func TestForget(t *testing.T) {
	o := options()
	box := wake(o, leave(o, eveValues()), night10, mornValues(cold()))
	l := box.Learned()
	if len(l) != 1 || l[0].Name != "overnight" || l[0].Value.IsZero() || l[0].Text == "" {
		t.Fatalf("Learned() = %+v; want one, overnight", l)
	}
	if box.Forget("cut-in") || !box.Forget("overnight") {
		t.Error("Forget takes the wrong name, or not its own")
	}
	if box.Words() != "" || len(box.Held()) != 0 || box.Save() != nil {
		t.Errorf("after forgetting: %q, %+v, %q; want nothing", box.Words(), box.Held(), box.Save())
	}
	feed(box, 81, 60, still(mornValues(cold())))
	if box.Words() != "" || box.Save() == nil {
		t.Errorf("a minute later: %q, %q; want a new evening and no words", box.Words(), box.Save())
	}
}

func TestSeed(t *testing.T) {
	saved := overnight.Seed(overnight.Evening{
		At: evening(), Wall: eveK, Barometer: barePa,
		Left: []overnight.Left{{Where: "tank", Pressure: evePa, Doubt: 0.2, Rested: time.Hour}},
	})
	h := only(t, wake(options(), saved, night10, mornValues(cold()-20e3)))
	// 20 kPa of 38 L in ten hours: 0.038*20e3/100e3*293.15/277.15 m3, 0.0134 L/min.
	if !h.Known || math.Abs(h.Leak.SI/litre-0.0134) > 0.0008 || h.Rested != time.Hour {
		t.Errorf("%+v; want 0.0134 L/min", h)
	}
}
