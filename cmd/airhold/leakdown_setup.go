// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/leakdown"
	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

const (
	calmWall  = 3.0  // K: a wall after an hour of rest out of the sun
	warmWall  = 10.0 // K: any other
	longRest  = time.Hour
	knownAir  = 300.0 // Pa: what a barometer's reading is good for (common practice, no source)
	exactly   = 1e-6  // stands for an uncertainty of zero, since zero means "not given"
	overSafe  = 1.5   // times the safe working pressure: beyond it a reading is a mistake, not air
	leastTank = 200e3 // Pa gauge
	leastRank = 30e3
)

// findZone returns the zone's name as the machine file has it, and its rank; nil for the tank.
func findZone(m *config.Machine, word string) (zone string, rank *config.Rank, err error) {
	word = strings.TrimSpace(strings.ToLower(word))
	names := []string{tankZone}
	for i := range m.Ranks {
		r := &m.Ranks[i]
		names = append(names, r.Name)
		if word == strings.ToLower(r.Name) || word == strings.ToLower(r.Name)+" rank" {
			if r.Pressure == "" {
				return "", nil, fmt.Errorf("the %s rank has no pressure channel in the machine file, so it cannot be tested", r.Name)
			}
			return r.Name, r, nil
		}
	}
	if word == tankZone || word == "tank side" {
		return tankZone, nil, nil
	}
	hint := ""
	if near := config.Nearest(word, names); near != "" {
		hint = fmt.Sprintf("; did you mean %s?", near)
	}
	return "", nil, fmt.Errorf("there is no zone %q; this machine has %s%s", word, strings.Join(names, ", "), hint)
}

// plan is a test as it is going to be judged, with where its figures come from.
type plan struct {
	setup   leakdown.Setup
	zone    string
	assumed []string // sentences: what was taken for granted
	holdTo  string   // what has to be held, in words; empty: not known
}

// newPlan puts together what machine file, notes of the recording and flags say; the later wins.
func newPlan(m *config.Machine, r *recording, zone string, rank *config.Rank, f *leakdownFlags) plan {
	p := plan{zone: zone}
	s := &p.setup
	s.Where = "tank side"
	s.Volume, s.VolumeUncertainty = float64(m.Tank.Volume), atLeast(m.Tank.VolumeUncertainty)
	channel := m.Tank.Channel
	if rank != nil {
		s.Where, s.Rank = rank.Name+" rank", true
		s.Volume, s.VolumeUncertainty = float64(rank.Volume), 0
		s.VolumeAtStart = true
		s.Stretch, s.StretchUncertainty = rank.Stretch, rank.StretchUncertain
		channel = rank.Pressure
	}
	if c, ok := m.Channel(channel); ok {
		s.FullScale = max(c.ADC.Transducer.High, c.High, 0)
	}
	s.SafeWorking, s.Limit, s.Discharge, s.Full = float64(m.Tank.SafeWorkingPressure), float64(m.Limits.Leak), m.Limits.DischargeFactor, f.full
	p.surroundings(m, r, f)
	p.rest(r, f)
	if f.volume != nil {
		s.Volume = *f.volume
	}
	if f.volumeUncertainty != nil {
		s.VolumeUncertainty = atLeast(*f.volumeUncertainty)
	}
	if f.limit != nil {
		s.Limit = *f.limit
	}
	p.need(m, r, rank, f)
	return p
}

func atLeast(ratio float64) float64 { return max(ratio, exactly) }

// surroundings says how much air stands around the machine, and how warm it is.
func (p *plan) surroundings(m *config.Machine, r *recording, f *leakdownFlags) {
	s := &p.setup
	noted, hasNote := r.quantity("barometer", units.Pressure)
	measured, hasColumn := r.air.value()
	switch {
	case f.barometer != nil:
		s.Barometer, s.BarometerSD = *f.barometer, knownAir
		if f.altitude != nil {
			s.BarometerSD = 0
		}
	case hasColumn:
		s.Barometer, s.BarometerSD = measured, knownAir
	case hasNote:
		s.Barometer, s.BarometerSD = noted, knownAir
	case !math.IsNaN(m.Limits.Altitude):
		if v, err := pneumatics.StandardPressure(units.Metres(m.Limits.Altitude)); err == nil {
			s.Barometer = float64(v)
		}
	default:
		s.Barometer = float64(m.Limits.Barometer)
		p.assume("The air around was taken as %.4g kPa; a barometer, --barometer or --altitude makes the figure surer.", orElse(s.Barometer, 101325)/1e3)
	}
	if f.ambient != nil {
		s.Ambient = *f.ambient
		for _, list := range r.samples {
			for i := range list {
				list[i].Ambient = 0
			}
		}
	} else if v, ok := r.quantity("ambient", units.Temperature); ok {
		s.Ambient = v
	}
}

// rest says how far the tank's wall may be from the air around.
func (p *plan) rest(r *recording, f *leakdownFlags) {
	rested, known := r.quantity("compressor_off_for", units.Time)
	if f.rested != nil {
		rested, known = *f.rested, true
	}
	p.setup.WallSD = warmWall
	switch {
	case known && rested >= longRest.Seconds():
		p.setup.WallSD = calmWall
		p.assume("After %.0f min of rest the wall is taken to be within 3 K of the air around. That holds out of the sun only.", rested/60)
	case r.hasWall(p.zone):
	case known:
		p.assume("After %.0f min of rest the wall may still be warm, by 10 K or so. An hour out of the sun, or a sensor on the wall, makes the answer surer.", rested/60)
	default:
		p.assume("How long the compressor had rested is not known, so the wall may be warm, by 10 K or so: --rested says it.")
	}
}

func (r *recording) hasWall(zone string) bool {
	return slices.ContainsFunc(r.samples[zone], func(s leakdown.Sample) bool { return s.Wall > 0 })
}

// need finds the pressure down to which the air has to hold.
func (p *plan) need(m *config.Machine, r *recording, rank *config.Rank, f *leakdownFlags) {
	most, words := 0.0, ""
	higher := func(v float64, w string) {
		if v > most {
			most, words = v, w
		}
	}
	for _, k := range m.Ranks {
		if rank != nil && k.Name != rank.Name {
			continue
		}
		if v, ok := r.wanted[k.Name]; ok {
			target, _ := v.value()
			if rank == nil {
				higher(target+float64(m.Limits.LineDrop), fmt.Sprintf("what the %s rank's control asks for, and the loss on the way", k.Name))
			}
			continue
		}
		if list := r.samples[k.Name]; rank == nil && len(list) > 0 && !list[0].Bad && list[0].Pressure > leastRank {
			higher(list[0].Pressure+float64(m.Limits.LineDrop), fmt.Sprintf("the %s rank's pressure in the recording, and the loss on the way", k.Name))
		}
	}
	if most == 0 && rank == nil && len(m.Compressors) > 0 && m.Compressors[0].CutIn > 0 {
		higher(float64(m.Compressors[0].CutIn), "the compressor's cut-in: what the ranks need is not in the recording")
	}
	if f.holdTo != nil {
		most, words = *f.holdTo, "as asked for"
	}
	p.setup.Needed, p.holdTo = most, words
}

func (p *plan) assume(format string, a ...any) {
	p.assumed = append(p.assumed, fmt.Sprintf(format, a...))
}

// quantity reads a note of the recording; one that cannot be read counts as absent, and is said.
func (r *recording) quantity(key string, dim units.Dim) (float64, bool) {
	text, ok := r.notes[key]
	if !ok {
		return 0, false
	}
	v, err := units.Parse(text, dim)
	if err != nil {
		r.remark(fmt.Sprintf("The note %s=%s of the recording was not used: %v.", key, text, err))
		return 0, false
	}
	return v.SI, true
}

func orElse(v, otherwise float64) float64 {
	if v == 0 {
		return otherwise
	}
	return v
}

// doubt looks at what no estimator should be given: a column in another unit, a sensor that stands still, a sensor that
// never gave a value. It returns a sentence, or nothing.
func (r *recording) doubt(m *config.Machine, zone string, safe float64) string {
	list := r.samples[zone]
	least := leastTank
	if zone != tankZone {
		least = leastRank
	}
	start := opening(list)
	top := overSafe * safe
	if text := r.otherUnit(zone, start, least, top); text != "" {
		return text
	}
	if tank := r.samples[tankZone]; zone != tankZone && len(tank) > 0 && r.unit[tankZone] == r.unit[zone] {
		if text := r.otherUnit(tankZone, opening(tank), leastTank, top); text != "" && opening(tank) > leastTank/8 {
			return text
		}
	}
	bad, still := 0, true
	for i := range list {
		if list[i].Bad {
			bad++
		}
		still = still && list[i].Pressure == list[0].Pressure
	}
	span := list[len(list)-1].At - list[0].At
	switch {
	case bad == len(list):
		lo, hi := r.bounds(m, zone)
		return fmt.Sprintf("The pressure sensor gave no usable reading: all %d were outside its band%s, or its supply was wrong. Look at its plug and its supply.", bad, band(lo, hi))
	case still && span >= time.Minute && len(list) >= 30:
		return fmt.Sprintf("The pressure stood at %.6g kPa in all %d readings, to the last digit. A stuck sensor or frozen recording looks like that, and so does "+
			"a cold, tight tank read in coarse steps: see the sensor move, record in finer steps, and test again.", list[0].Pressure/1e3, len(list))
	default:
		return ""
	}
}

// opening is the middle of the first readings: one spike does not move it.
func opening(list []leakdown.Sample) float64 {
	var first []float64
	for i := range list {
		if list[i].At-list[0].At > 10*time.Second && len(first) > 4 {
			break
		}
		first = append(first, list[i].Pressure)
	}
	slices.Sort(first)
	return first[len(first)/2]
}

func (r *recording) bounds(m *config.Machine, zone string) (lo, hi float64) {
	id := m.Tank.Channel
	for _, k := range m.Ranks {
		if k.Name == zone {
			id = k.Pressure
		}
	}
	c, _ := m.Channel(id)
	return c.Low, c.High
}

func band(lo, hi float64) string {
	if lo == 0 && hi == 0 {
		return ""
	}
	return fmt.Sprintf(" of %.4g to %.4g kPa", lo/1e3, hi/1e3)
}

// otherUnit says whether a start pressure is out of this machine's reach, and in which other unit its numbers would not be.
func (r *recording) otherUnit(zone string, start, least, top float64) string {
	if start >= least && start <= top {
		return ""
	}
	declared := r.unit[zone]
	number := declared.From(start)
	var fits []string
	for _, word := range []string{"bar", "psi", "kPa", "hPa", "MPa", "Pa"} {
		u, err := units.ParseUnit(word, units.Pressure)
		if err != nil || u == declared {
			continue
		}
		// What fits has to be a pressure that a test would begin with.
		if v := u.SI(number); v >= max(least, leastRank*3) && v <= top/overSafe*1.1 {
			fits = append(fits, fmt.Sprintf("%s (it would be %.0f kPa)", word, v/1e3))
		}
	}
	what := fmt.Sprintf("Column %s begins at %.4g, which is %.4g kPa by its declared unit (%s)", r.column[zone], number, start/1e3, unitName(declared))
	switch {
	case len(fits) > 0 && start < least:
		return fmt.Sprintf("%s, below the %.0f kPa that a test has to begin with. If the air was charged, the column looks like %s in a column declared %s: "+
			"correct its unit in the machine file. If not, charge first.", what, least/1e3, strings.Join(fits, " or "), unitName(declared))
	case len(fits) > 0:
		return fmt.Sprintf("%s. It looks like %s in a column declared %s: correct the column's unit in the machine file, or the column's name.", what, strings.Join(fits, " or "), unitName(declared))
	case start > top:
		return fmt.Sprintf("%s: far above the tank's safe working pressure of %.4g kPa. Check the sensor, the column and its unit.", what, top/overSafe/1e3)
	default:
		return "" // too low to judge: the estimator says so
	}
}

func unitName(u units.Unit) string { return strings.Trim(u.Code, "[]") }
