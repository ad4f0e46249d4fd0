// SPDX-License-Identifier: Apache-2.0

package rig

// Build is how a simulated machine is made. All SI; pressures are gauge, free air is ANR by the gas law.
type Build struct {
	Tank         float64      // m3
	Ranks        [2]RankBuild // front, rear
	Delivery     float64      // m3/s of intake air against no pressure
	DeliveryFall float64      // share of that lost to a Pa
	CutIn        float64      // Pa
	CutOut       float64      // Pa
	Jitter       float64      // Pa, sd of the pressure switch, over a quarter of an hour; never more than 2.5 of them
	Drift        float64      // Pa that the pressure switch moves in ten hours
	Relief       float64      // Pa
	Drain        float64      // m3/s ANR at 700 kPa while the control is on: the known bleed
	Seep         [5]float64   // m3/s ANR that leak on this sound machine, in the order of Places

	FillArea    float64 // m2, effective, of a rank's fill valve
	ExhaustArea float64 // m2, effective, of a rank's exhaust valve
	Raised      float64 // Pa asked for in the ranks while the planter is up
	Terrain     float64 // sd of a rank's bag volume over the ground, as a share

	Wander float64 // largest share by which the compressor's pace is off; an sd of a quarter of it, within two
	Warm   float64 // K by which delivered air is warmer than the air around, a cold compressor
	Hot    float64 // K more when it has run hot

	Film        float64 // inner heat transfer of the tank, as a multiple of the demo machine's
	WallHeat    float64 // J/K
	WallStill   float64 // W/K from wall to the air around, standing
	WallDriving float64 // W/K, driving
	WallSun     float64 // m2 that sees the sun, times absorptance

	Barometer float64 // Pa absolute, mean of the place
	Sway      float64 // Pa, sd of the barometer over hours
	Sensors   SensorBuild
}

// RankBuild is one rank's bags.
type RankBuild struct {
	Volume  float64 // m3 at Work
	Stretch float64 // share of Volume to a Pa
	Work    float64 // Pa asked for in work, at the start
}

// SensorBuild is what is wrong with the sensors of a Day: shares are of the pressure sensors' full scale of 1000 kPa.
type SensorBuild struct {
	Offset [3]float64 // share: tank, front, rear
	Tempco [3]float64 // share to a K away from 20 degC
	Noise  [3]float64 // share, one sigma
	Bits   int        // of the converter: 16 or 12
	Wall   float64    // K by which the sensor on the wall is off
	Air    float64    // K by which the sensor of the air around is off
	Sun    float64    // K that sun of 1000 W/m2 adds to it
	Humid  float64    // by which the humidity sensor is off, 0.02 is 2 %
}

// demoBuild is the machine of the stories.
func demoBuild() Build {
	return Build{
		Tank: tankVolume,
		Ranks: [2]RankBuild{
			{Volume: frontVolume, Stretch: bagStretch, Work: frontWork},
			{Volume: rearVolume, Stretch: bagStretch, Work: rearWork},
		},
		Delivery: deliveryAt0, DeliveryFall: deliveryFall,
		CutIn: cutIn, CutOut: cutOut, Jitter: 1.5e3,
		Relief: reliefGauge, Drain: drainKnown,
		FillArea: fillArea, ExhaustArea: exhaustArea, Raised: raisedGauge, Terrain: terrainShare,
		Wander: 0.05, Warm: 15, Hot: 25,
		Film: 1, WallHeat: wallHeat, WallStill: wallStill, WallDriving: wallDriving, WallSun: wallSun,
		Barometer: meanBaro, Sway: 120,
	}
}
