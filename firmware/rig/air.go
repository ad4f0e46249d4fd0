// SPDX-License-Identifier: Apache-2.0

package rig

import "math"

// Dry air as an ideal gas with constant heats.
const (
	gasR    = 287.055       // J/(kg K), specific gas constant
	gamma   = 1.4           // heat capacity ratio
	heatCv  = gasR / 0.4    // J/(kg K), at constant volume, R/(gamma-1)
	heatCp  = heatCv + gasR // J/(kg K), at constant pressure
	anrPa   = 100e3         // Pa, reference pressure of the ANR state (ISO 8778)
	anrK    = 293.15        // K, reference temperature of the ANR state
	anrRho  = anrPa / (gasR * anrK)
	litreMn = 1e-3 / 60 // m3/s in one L/min
)

// anrRho is the gas law's 1.1884 kg/m3; the standard's rounded 1.185 (moist air) would call the same mass flow 0.3 %
// more litres. The rig counts by the gas law throughout.

// jet returns the mass flow in kg/s through a hole of effective area (coefficient times area, m2) from air at rest at
// absolute pressure up (Pa) and temperature upK to absolute pressure down. It is written with the Mach number in the
// throat, M = sqrt(5*((up/down)^(2/7) - 1)) but never above one, and m = A*p*sqrt(gamma/(R*T))*M/(1+M*M/5)^3:
// isentropic flow of a gas with gamma 1.4 (any gas dynamics text; from memory). Below 0.1 % of pressure difference the
// root is replaced by its chord, so that two nearly equal vessels do not ring from step to step.
func jet(area, up, upK, down float64) float64 {
	if area <= 0 || up <= down {
		return 0
	}
	const chord = 1.001
	ratio, share := up/down, 1.0
	if ratio < chord {
		share = (ratio - 1) / (chord - 1)
		ratio = chord
	}
	mach := 1.0
	if ratio < 1.8929 { // 1.2^3.5, where the throat reaches the speed of sound
		mach = math.Sqrt(5 * (math.Pow(ratio, 2.0/7) - 1))
	}
	slow := 1 + mach*mach/5
	return share * area * up * math.Sqrt(gamma/(gasR*upK)) * mach / (slow * slow * slow)
}

// areaFor returns the effective area in m2 that passes flow (m3/s ANR) from up to down, both absolute, at 20 degC.
func areaFor(flow, up, down float64) float64 {
	unit := jet(1, up, anrK, down)
	if unit <= 0 {
		return 0
	}
	return flow * anrRho / unit
}

// anr turns a mass flow in kg/s into m3/s ANR.
func anr(kgS float64) float64 { return kgS / anrRho }

// vessel is air with one temperature in one volume.
//
// The volume is still + stretch*(p - around): a tank has no stretch, a set of bags has. Air comes in with the enthalpy
// of where it came from and leaves with its own; heat crosses the wall; what stretching or moving bags do to the air is
// counted as work. Everything is summed up in the ledger so that a test can see that no joule and no gram is lost.
type vessel struct {
	kg, kelvin float64
	still      float64 // m3 at the pressure around
	stretch    float64 // m3/Pa
	around     float64 // Pa absolute
	pa, volume float64 // results: Pa absolute, m3

	book ledger
}

// ledger is what went in and out of a vessel since the start.
type ledger struct {
	inKg, outKg       float64
	inJ, outJ         float64 // enthalpy carried by the air
	heatJ             float64 // from the wall to the air
	workJ             float64 // by the air on its moving walls
	startKg, startJ   float64
	startPa, startVol float64
}

// charge fills a new vessel to pa (absolute) at kelvin.
func (v *vessel) charge(pa, kelvin, around float64) {
	v.around, v.kelvin = around, kelvin
	v.volume = v.still + v.stretch*(pa-around)
	v.kg = pa * v.volume / (gasR * kelvin)
	v.pa = pa
	v.book = ledger{startKg: v.kg, startJ: v.kg * heatCv * kelvin, startPa: pa, startVol: v.volume}
}

// settle solves p*V(p) = m*R*T.
func (v *vessel) settle() {
	mRT := v.kg * gasR * v.kelvin
	if v.stretch == 0 {
		v.volume = v.still
		v.pa = mRT / v.volume
		return
	}
	slack := v.still - v.stretch*v.around
	v.pa = (math.Sqrt(slack*slack+4*v.stretch*mRT) - slack) / (2 * v.stretch)
	v.volume = v.still + v.stretch*(v.pa-v.around)
}

// step advances the vessel by one tick.
func (v *vessel) step(inKg, inJ, outKg, conductance, wallK float64) float64 {
	return v.advance(tick, inKg, inJ, outKg, conductance, wallK)
}

// advance advances the vessel by dt seconds: inKg arrives carrying inJ of enthalpy, outKg leaves, conductance (W/K) joins
// the air to a wall at wallK. It returns the heat that left the wall, in J. The heat is taken implicitly, so any
// conductance is stable; a huge one makes the vessel isothermal.
func (v *vessel) advance(dt, inKg, inJ, outKg, conductance, wallK float64) float64 {
	outJ := outKg * heatCp * v.kelvin
	joule := v.kg*heatCv*v.kelvin + inJ - outJ
	oldVolume, oldPa := v.volume, v.pa
	v.kg += inKg - outKg
	v.kelvin = (joule + conductance*dt*wallK) / (v.kg*heatCv + conductance*dt)
	heat := conductance * dt * (wallK - v.kelvin)
	v.settle()
	if v.volume != oldVolume {
		work := (oldPa + v.pa) / 2 * (v.volume - oldVolume)
		v.kelvin -= work / (v.kg * heatCv)
		v.settle()
		v.book.workJ += work
	}
	v.book.inKg += inKg
	v.book.outKg += outKg
	v.book.inJ += inJ
	v.book.outJ += outJ
	v.book.heatJ += heat
	return heat
}

// filmConductance returns the conductance in W/K between the tank's air and its wall: natural convection, Nusselt
// growing with Grashof^n, so h goes with (density^2 * difference)^n around its value at 8 bar and 10 K. The exponent
// and the size were chosen to let a 38 L tank lose a 10 K excess with a time constant of about 35 s (common practice,
// no source); the estimators elsewhere have to find it out.
func filmConductance(pa, gasK, wallK float64) float64 {
	const (
		at10K = 7.4 // W/K at 8 bar and 10 K
		n     = 0.29
		least = 0.2 // K, below which air keeps moving anyway
	)
	diff := math.Max(math.Abs(gasK-wallK), least)
	dense := pa / 800e3
	return at10K * math.Pow(dense*dense*diff/10, n)
}
