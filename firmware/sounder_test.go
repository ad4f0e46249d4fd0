// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/intake"
	"airhold/firmware/rig"
)

// buzzer is a pin that counts its pulses.
type buzzer struct {
	mu     sync.Mutex
	level  gpio.Level
	pulses int
	broken bool
	closed bool
}

func (b *buzzer) Out(l gpio.Level) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.broken {
		return errors.New("no such line any more")
	}
	if l && !b.level {
		b.pulses++
	}
	b.level = l
	return nil
}

func (b *buzzer) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
	return nil
}

func (b *buzzer) seen() (pulses int, level gpio.Level, closed bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.pulses, b.level, b.closed
}

// sounding plays a day with an unplugged sensor on a machine with a sounder; the box sounds in its own time, so each cue
// gives it some.
func sounding(t *testing.T, pin func(string) (intake.Pin, error), cues ...cue) *stand {
	t.Helper()
	return play(t, standOptions{
		story: rig.ShopStory, faults: []rig.Event{{What: rig.Unplug, Where: "front"}}, script: cues,
		change: func(m *config.Machine) { m.Box.Sounder.Pin = "GPIO23" },
		wires: func(w firmware.Wires) firmware.Wires {
			w.Pin = pin
			return w
		},
	})
}

// An announced alarm of medium priority is two pulses, once: it does not repeat, and the pin is given back silent.
func TestSounderIsHeardAndLeftOff(t *testing.T) {
	b := &buzzer{}
	sounding(t, func(name string) (intake.Pin, error) {
		if name != "GPIO23" {
			t.Errorf("pin %q is opened; want that of the machine file", name)
		}
		return b, nil
	}, cue{2 * time.Minute, func(*stand) {
		for end := time.Now().Add(5 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if n, l, _ := b.seen(); n >= 2 && l == gpio.Low {
				return
			}
		}
	}}, cue{4 * time.Minute, func(*stand) {}})
	if n, l, closed := b.seen(); n != 2 || l != gpio.Low || !closed {
		t.Errorf("%d pulses, then %s, given back %v; want 2, Low, true", n, l, closed)
	}
}

func TestSounderThatFailsIsASentenceInTheJournal(t *testing.T) {
	for _, tc := range []struct {
		name string
		pin  func(string) (intake.Pin, error)
		want string
	}{
		{"not there", func(string) (intake.Pin, error) { return nil, errors.New("there is no pin GPIO23 on this box") }, "there is no pin GPIO23"},
		{"broken", func(string) (intake.Pin, error) { return &buzzer{broken: true}, nil }, "no such line any more"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := sounding(t, tc.pin, cue{90 * time.Second, func(*stand) {}})
			var told []string
			rang := 0
			for _, r := range journal(t, s.dir) {
				if r.Kind == "sounder-off" {
					told = append(told, r.Reason)
				}
				if r.To == string(alarms.ActiveUnacked) {
					rang++
				}
			}
			if len(told) != 1 || !strings.Contains(told[0], tc.want) || rang == 0 {
				t.Errorf("the journal says %q, and %d alarms; want one sentence with %q, and the alarms all the same", told, rang, tc.want)
			}
		})
	}
}
