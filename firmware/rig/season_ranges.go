// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
)

// This file holds every range that a season draws from, in one place, so that a benchmark can print what its figures rest
// on. All of it is common practice without a source, and none of it is measured on a machine.

// SeasonRange is one range that machines and days are drawn from, evenly.
type SeasonRange struct {
	Words, Unit string
	Low, High   float64 // in Unit
	Least       bool    // a season that says anything about a real one has at least this; the others are our own width
	si          float64 // SI units in one Unit
}

// spread indexes the ranges.
type spread uint8

const (
	ofTank spread = iota
	ofRank
	ofStretch
	ofFrontWork
	ofRearWork
	ofRaised
	ofDelivery
	ofDeliveryFall
	ofCutIn
	ofGap
	ofRelief
	ofJitter
	ofSwitchDrift
	ofDrain
	ofSeep
	ofSeat
	ofFill
	ofExhaust
	ofTerrain
	ofWander
	ofWarm
	ofHot
	ofFilm
	ofWallHeat
	ofWallStill
	ofWallDriving
	ofWallSun
	ofBarometer
	ofSway
	ofOffset
	ofNoise
	ofTempco
	ofCoarse
	ofWallSensor
	ofAirSensor
	ofHumidSensor
	ofSunOnSensor

	ofPass
	ofToStop
	ofStop
	ofAdjust
	ofKeyToEngine
	ofEngineToAir
	ofToField
	ofLunchAt
	ofLunch
	ofLunchKeyOff
	ofLunchIdle
	ofHome
	ofStart
	ofMeanAir
	ofSwing
	ofDew
	ofSun
	ofEmpty
	ofHalf
	spreads
)

// ranges lists them all. The four of the drive are those that drive.go and steer draw from.
func ranges() [spreads]SeasonRange {
	const minute, hour, bar, litre, lmin = 60, 3600, 1e5, 1e-3, litreMn
	return [spreads]SeasonRange{
		ofTank:         {"tank", "L", 25, 60, true, litre},
		ofRank:         {"a rank's bags and lines at work", "L", 12, 25, true, litre},
		ofStretch:      {"a rank's stretch", "%/bar", 2, 8, true, 0.01 / bar},
		ofFrontWork:    {"front rank at work, at first", "bar g", 2.6, 3.6, false, bar},
		ofRearWork:     {"rear rank at work, at first", "bar g", 2.2, 3.2, false, bar},
		ofRaised:       {"ranks while raised", "bar g", 0.4, 1.2, false, bar},
		ofDelivery:     {"delivery of intake air against no pressure", "L/min", 90, 200, true, lmin},
		ofDeliveryFall: {"delivery lost to pressure", "%/bar", 0.8, 2, false, 0.01 / bar},
		ofCutIn:        {"cut-in", "bar g", 6, 7, true, bar},
		ofGap:          {"cut-out above cut-in", "bar", 0.7, 1.3, true, bar},
		ofRelief:       {"relief above cut-out", "bar", 0.8, 1.5, false, bar},
		ofJitter:       {"switch wanders, sd", "bar", 0.005, 0.03, true, bar},
		ofSwitchDrift:  {"switch drifts in 10 h", "bar", -0.15, 0.15, true, bar},
		ofDrain:        {"known bleed at 7 bar g", "L/min ANR", 1.8, 2.2, true, lmin},
		ofSeep:         {"seep of a sound tank or rank", "L/min ANR", 0, 0.3, true, lmin},
		ofSeat:         {"seep of a sound fill valve", "L/min ANR", 0, 0.05, false, lmin},
		ofFill:         {"fill valve, effective", "mm2", 2.2, 4.5, false, 1e-6},
		ofExhaust:      {"exhaust valve, effective", "mm2", 5, 10, false, 1e-6},
		ofTerrain:      {"bag volume over the ground, sd", "%", 1.5, 3.5, true, 0.01},
		ofWander:       {"compressor's pace, within", "%", 4, 6, true, 0.01},
		ofWarm:         {"delivered air above ambient, cold compressor", "K", 10, 25, true, 1},
		ofHot:          {"more when it has run hot", "K", 15, 40, true, 1},
		ofFilm:         {"inner heat transfer to an area, of the demo machine's", "", 0.6, 1.5, true, 1},
		ofWallHeat:     {"tank wall for each litre", "J/(K L)", 120, 190, true, 1 / litre},
		ofWallStill:    {"wall to air, standing", "W/K", 3.5, 8, true, 1},
		ofWallDriving:  {"wall to air, driving", "W/K", 8, 16, false, 1},
		ofWallSun:      {"sunlit wall times absorptance", "m2", 0.04, 0.16, true, 1},
		ofBarometer:    {"barometer, mean of the place", "kPa", 90, 101.5, true, 1e3},
		ofSway:         {"barometer over hours, sd", "hPa", 1, 5, false, 100},
		ofOffset:       {"pressure sensor off by", "% FS", -0.25, 0.25, true, 0.01},
		ofNoise:        {"pressure sensor's noise, sd", "% FS", 0.04, 0.06, true, 0.01},
		ofTempco:       {"pressure sensor with temperature", "% FS/K", -0.02, 0.02, true, 0.01},
		ofCoarse:       {"machines with 12 instead of 16 bit", "%", 25, 25, true, 0.01},
		ofWallSensor:   {"wall sensor off by", "K", -0.5, 0.5, true, 1},
		ofAirSensor:    {"air sensor off by", "K", -0.5, 0.5, true, 1},
		ofHumidSensor:  {"humidity sensor off by", "% RH", -3, 3, false, 0.01},
		ofSunOnSensor:  {"air sensor above the air, in 1000 W/m2", "K", 0, 2.5, false, 1},
		ofPass:         {"a pass between headland turns", "s", 200, 320, true, 1},
		ofToStop:       {"between stops to fill seed", "min", 40, 70, true, minute},
		ofStop:         {"a stop", "min", 5, 15, true, minute},
		ofAdjust:       {"between set-point changes of a rank", "s", 45, 75, true, 1},
		ofKeyToEngine:  {"key to engine", "s", 15, 180, false, 1},
		ofEngineToAir:  {"engine to hydraulics: the first charge", "s", 10, 240, true, 1},
		ofToField:      {"hydraulics to the first pass", "min", 6, 20, false, minute},
		ofLunchAt:      {"lunch begins, share of the day", "", 0.4, 0.6, true, 1},
		ofLunch:        {"lunch", "min", 25, 60, true, minute},
		ofLunchKeyOff:  {"lunches with the key off", "%", 40, 40, false, 0.01},
		ofLunchIdle:    {"lunches with the engine idling", "%", 20, 20, false, 0.01},
		ofHome:         {"parked before the day's end", "min", 4, 12, false, minute},
		ofStart:        {"key on, o'clock", "h", 5.5, 9, true, hour},
		ofMeanAir:      {"mean of a day's lowest and highest air", "degC", 4, 26, true, 1},
		ofSwing:        {"from lowest to highest", "K", 6, 18, true, 1},
		ofDew:          {"dew point below the lowest", "K", -1, 8, true, 1},
		ofSun:          {"sun at noon", "W/m2", 150, 950, true, 1},
		ofEmpty:        {"first days that begin with an empty tank", "%", 25, 25, true, 0.01},
		ofHalf:         {"first days that begin with a half-full one", "%", 25, 25, true, 0.01},
	}
}

// SeasonRanges returns what machines and days are drawn from.
func SeasonRanges() []SeasonRange {
	r := ranges()
	return r[:]
}

// lot draws from the ranges.
type lot struct {
	dice *rand.Rand
	from [spreads]SeasonRange
}

func newLot(seed, part uint64) *lot { return &lot{dice(seed, part), ranges()} }

// of draws from a range, in SI.
func (l *lot) of(s spread) float64 {
	r := &l.from[s]
	return (r.Low + (r.High-r.Low)*l.dice.Float64()) * r.si
}

// hits draws whether a share comes true.
func (l *lot) hits(s spread) bool { return l.dice.Float64() < l.of(s) }

// DrawBuild draws a machine. Equal seeds give equal machines.
func DrawBuild(seed uint64) Build {
	l := newLot(seed, 0x5ea501)
	b := Build{
		Tank: l.of(ofTank),
		Ranks: [2]RankBuild{
			{Volume: l.of(ofRank), Stretch: l.of(ofStretch), Work: l.of(ofFrontWork)},
			{Volume: l.of(ofRank), Stretch: l.of(ofStretch), Work: l.of(ofRearWork)},
		},
		Delivery: l.of(ofDelivery), DeliveryFall: l.of(ofDeliveryFall),
		CutIn: l.of(ofCutIn), Jitter: l.of(ofJitter), Drift: l.of(ofSwitchDrift), Drain: l.of(ofDrain),
		FillArea: l.of(ofFill), ExhaustArea: l.of(ofExhaust), Raised: l.of(ofRaised), Terrain: l.of(ofTerrain),
		Wander: l.of(ofWander), Warm: l.of(ofWarm), Hot: l.of(ofHot),
		Film: l.of(ofFilm), WallStill: l.of(ofWallStill), WallDriving: l.of(ofWallDriving), WallSun: l.of(ofWallSun),
		Barometer: l.of(ofBarometer), Sway: l.of(ofSway),
	}
	b.CutOut = b.CutIn + l.of(ofGap)
	b.Relief = b.CutOut + l.of(ofRelief)
	b.Film *= math.Pow(b.Tank/tankVolume, 2.0/3)
	b.WallHeat = b.Tank * l.of(ofWallHeat)
	b.Seep = [5]float64{l.of(ofSeep), l.of(ofSeep), l.of(ofSeep), l.of(ofSeat), l.of(ofSeat)}
	b.Sensors = SensorBuild{
		Bits: 16, Wall: l.of(ofWallSensor), Air: l.of(ofAirSensor), Humid: l.of(ofHumidSensor), Sun: l.of(ofSunOnSensor),
	}
	for i := range b.Sensors.Offset {
		b.Sensors.Offset[i], b.Sensors.Noise[i], b.Sensors.Tempco[i] = l.of(ofOffset), l.of(ofNoise), l.of(ofTempco)
	}
	if l.hits(ofCoarse) {
		b.Sensors.Bits = 12
	}
	return b
}
