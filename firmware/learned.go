// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"airhold/firmware/findings"
)

// keepEvery is how often what the checks have learned is kept: a power cut loses at most so much of it.
const keepEvery = time.Minute

// student is a check that learns, and what was last kept of it.
type student struct {
	findings.Keeper

	name string // the store keeps it by
	kept []byte
}

// keep hands on what has been learned and was not kept yet.
func (s *Spine) keep(at time.Duration, now bool) {
	if s.o.Memory == nil || !now && at-s.keptAt < keepEvery {
		return
	}
	s.keptAt = at
	if b := s.health.Save(); !bytes.Equal(b, s.keptHealth) {
		s.keptHealth = b
		s.o.Memory.Learned(healthMemory, b)
	}
	for i := range s.students {
		st := &s.students[i]
		if b := st.Save(); b != nil && !bytes.Equal(b, st.kept) {
			st.kept = bytes.Clone(b)
			s.o.Memory.Learned(st.name, st.kept)
		}
	}
}

// Learned returns everything the machine has taught its checks, for people.
func (s *Spine) Learned() []findings.Learned {
	out := []findings.Learned{}
	for i := range s.students {
		out = append(out, s.students[i].Learned()...)
	}
	sign := s.test.Signatures()
	for _, volume := range slices.Sorted(maps.Keys(sign)) {
		tests := "one clean test"
		if n := sign[volume].Tests; n > 1 {
			tests = fmt.Sprintf("%d clean tests", n)
		}
		out = append(out, findings.Learned{
			Name: signaturePrefix + volume, Words: "how the air of the " + volumeWords(volume) + " cools after a charge", Text: "from " + tests,
		})
	}
	return out
}

// volumeWords is a volume's name as people say it.
func volumeWords(volume string) string {
	if volume == tankPlace {
		return "tank"
	}
	return volume + " rank"
}

// forget drops what was learned under a name; false: nothing has that name.
func (s *Spine) forget(at time.Duration, name string) bool {
	if volume, ok := strings.CutPrefix(name, signaturePrefix); ok {
		if !s.test.ForgetSignature(volume) {
			return false
		}
		if s.o.Memory != nil {
			s.o.Memory.Learned(name, nil)
		}
		return true
	}
	for i := range s.students {
		st := &s.students[i]
		if !st.Forget(name) {
			continue
		}
		s.keep(at, true)
		if st.Save() == nil && s.o.Memory != nil { // nothing is left, so what the store still has must go, too
			st.kept = nil
			s.o.Memory.Learned(st.name, nil)
		}
		return true
	}
	return false
}

// Note writes a check's sentence into the journal.
func (s *Spine) Note(at time.Duration, kind, text string) {
	s.o.Out.Event(Event{At: at, Kind: kind, Text: text})
}
