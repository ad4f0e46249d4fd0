// SPDX-License-Identifier: Apache-2.0

// Package transducer turns the voltage at a converter into the quantity that a sensor measures, or says which
// electrical fault the voltage shows.
//
// Words: a transducer is a sensor as the wiring sees it; ratiometric means that its output is a share of its own
// supply; the band is the part of the output in which the sensor measures; the supply is the measured voltage that
// feeds the sensor. Everything is a pure function of voltage and supply: no state, no filter, no time. A fault has
// no value: nothing is clamped or guessed.
//
// Sources: 4-20 mA limits NAMUR NE 43. The limits of ratiometric sensors (10-90 % of the supply, 5 % and 95 % as
// fault) and of 0-5 V outputs are common practice, no source.
package transducer

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"airhold/sensors/units"
)

// Kind is how a quantity becomes a voltage. Its text is the machine file's word.
type Kind string

// The kinds.
const (
	Ratiometric Kind = "ratiometric" // 10 to 90 % of the supply for Low to High (0.5 to 4.5 V at 5 V)
	ZeroToFive  Kind = "0-5V"        // 0 to 5 V for Low to High, whatever the supply
	FourTwenty  Kind = "4-20mA"      // 4 to 20 mA through Shunt for Low to High, NE 43 limits
	Divider     Kind = "divider"     // a resistor to ground, pulled up to the supply by Pull
	Voltage     Kind = "voltage"     // the voltage itself
	Contact     Kind = "contact"     // a switch: High near the supply, Low near ground
)

// Status says whether the voltage is a measurement, and if not, what it shows.
type Status uint8

// The statuses. Only OK has a value.
const (
	OK          Status = iota
	Open               // line open; for a line that is pulled down also a short to ground: the voltage is the same
	ShortGround        // line shorted to ground
	ShortSupply        // line shorted to supply
	OutOfBand          // outside the sensor's band, inside the electrical limits
	Saturated          // at the end of the sensor's range
	BadSupply          // the supply is missing or out of tolerance
)

// String returns the word used in messages.
func (s Status) String() string {
	switch s {
	case OK:
		return "ok"
	case Open:
		return "open"
	case ShortGround:
		return "short to ground"
	case ShortSupply:
		return "short to supply"
	case OutOfBand:
		return "out of band"
	case Saturated:
		return "saturated"
	case BadSupply:
		return "bad supply"
	default:
		return "unknown"
	}
}

// Limits of the signal, as shares of the supply, volts or amperes.
const (
	ratioFaultLow, ratioFaultHigh = 0.05, 0.95 // common practice
	ratioLow, ratioHigh           = 0.09, 0.91 // common practice: 10-90 % and a hundredth of tolerance
	ratioZero, ratioSpan          = 0.10, 0.80

	// SupplyLow and SupplyHigh are the tolerance of a 5 V sensor supply; common practice.
	SupplyLow  units.Volts = 4.75
	SupplyHigh units.Volts = 5.25
	// AssumedSupply stands for a supply that nobody measures.
	AssumedSupply units.Volts = 5
	// leastSupply is below every supply a divider or contact is fed from; their ratio is right at any other.
	leastSupply units.Volts = 2

	loopFaultLow, loopFaultHigh          units.Amps = 3.6e-3, 21.0e-3 // NE 43: failure information
	loopLow, loopHigh                    units.Amps = 3.8e-3, 20.5e-3 // NE 43: measurement information
	loopZero, loopSpan                   units.Amps = 4e-3, 16e-3
	fiveLow, fiveHigh, fiveTooHigh, five            = -0.05, 5.05, 5.5, 5.0 // common practice
	dividerShort, dividerOpen                       = 0.02, 0.98            // common practice
	contactLow, contactHigh                         = 0.4, 0.6              // common practice
)

// Point is one point of a divider's table.
type Point struct {
	Resistance units.Ohms
	Value      float64 // SI
}

// Options describe one transducer. All quantities are SI.
type Options struct {
	Kind         Kind
	Low, High    float64    // the quantity at the low and the high end; for a contact both zero mean 0 and 1
	Shunt        units.Ohms // of FourTwenty; default 100 ohm
	DividerRatio float64    // volts at the sensor for one volt at the converter; default 1
	Pull         units.Ohms // of Divider: the resistor to the supply
	Table        []Point    // of Divider: at least two points, in any order
	Gain         float64    // calibration: value = scaled*Gain + Offset; default 1
	Offset       float64    // calibration, SI
	// OpenReadsHigh says that the input board pulls an open line up. By default it pulls it down, so an open line
	// reads near ground.
	OpenReadsHigh bool
}

// ErrOptions is wrapped by every error of New.
var ErrOptions = errors.New("transducer cannot be used")

// Transducer converts the voltages of one input. It never changes, so any goroutine may use it.
type Transducer struct {
	o      Options
	lnR, v []float64 // the table by rising resistance
}

// New checks o and returns its transducer. The error wraps ErrOptions and says what is wrong.
func New(o Options) (*Transducer, error) {
	if o.DividerRatio == 0 {
		o.DividerRatio = 1
	}
	if o.Gain == 0 {
		o.Gain = 1
	}
	if o.Shunt == 0 {
		o.Shunt = 100
	}
	if o.Kind == Contact && o.Low == 0 && o.High == 0 {
		o.High = 1
	}
	for _, f := range []struct {
		name string
		v    float64
	}{{"low", o.Low}, {"high", o.High}, {"gain", o.Gain}, {"offset", o.Offset}} {
		if math.IsNaN(f.v) || math.IsInf(f.v, 0) {
			return nil, fmt.Errorf("%w: %s is %v", ErrOptions, f.name, f.v)
		}
	}
	if !(o.DividerRatio > 0) || !(o.Shunt > 0) || math.IsInf(o.DividerRatio, 0) || math.IsInf(float64(o.Shunt), 0) {
		return nil, fmt.Errorf("%w: divider ratio %v and shunt %v ohm must be above zero", ErrOptions, o.DividerRatio, o.Shunt)
	}
	t := &Transducer{o: o}
	switch o.Kind {
	case Ratiometric, ZeroToFive, FourTwenty, Contact:
		if o.Low == o.High {
			return nil, fmt.Errorf("%w: %s measures from %v to %v, which is no range", ErrOptions, o.Kind, o.Low, o.High)
		}
	case Divider:
		if err := t.table(); err != nil {
			return nil, err
		}
	case Voltage:
	default:
		return nil, fmt.Errorf("%w: kind %q is not known", ErrOptions, o.Kind)
	}
	return t, nil
}

// table checks and sorts the points of a divider.
func (t *Transducer) table() error {
	if !(t.o.Pull > 0) || math.IsInf(float64(t.o.Pull), 0) {
		return fmt.Errorf("%w: a divider needs its pull-up resistor, above zero ohm", ErrOptions)
	}
	if len(t.o.Table) < 2 {
		return fmt.Errorf("%w: a divider's table needs at least two points, has %d", ErrOptions, len(t.o.Table))
	}
	points := slices.Clone(t.o.Table)
	slices.SortFunc(points, func(a, b Point) int { return cmp.Compare(a.Resistance, b.Resistance) })
	for i, p := range points {
		switch {
		case !(p.Resistance > 0) || math.IsInf(float64(p.Resistance), 0) || math.IsNaN(p.Value) || math.IsInf(p.Value, 0):
			return fmt.Errorf("%w: table point %v ohm, %v", ErrOptions, p.Resistance, p.Value)
		case i > 0 && p.Resistance == points[i-1].Resistance:
			return fmt.Errorf("%w: the table has %v ohm twice", ErrOptions, p.Resistance)
		}
		t.lnR = append(t.lnR, math.Log(float64(p.Resistance)))
		t.v = append(t.v, p.Value)
	}
	return nil
}

// Result is what one voltage says.
type Result struct {
	Value  float64 // SI; zero unless Status is OK
	Signal float64 // at the sensor: V, or A for a current loop
	Status Status
}

// NeedsSupply reports whether the conversion depends on the sensor supply.
func (t *Transducer) NeedsSupply() bool {
	return t.o.Kind == Ratiometric || t.o.Kind == Divider || t.o.Kind == Contact
}

// Convert turns volts at the converter into the quantity. Supply is the voltage at the sensor's supply pin,
// AssumedSupply where nobody measures it; it matters only where NeedsSupply says so.
func (t *Transducer) Convert(volts, supply units.Volts) Result {
	v := float64(volts) * t.o.DividerRatio
	r := Result{Signal: v}
	if t.o.Kind == FourTwenty {
		r.Signal = v / float64(t.o.Shunt)
	}
	var scaled float64
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		r.Signal, r.Status = 0, OutOfBand
	case t.NeedsSupply() && !t.supplyGood(supply):
		r.Status = BadSupply
	default:
		scaled, r.Status = t.scale(r.Signal, float64(supply))
	}
	if r.Status == OK {
		r.Value = scaled*t.o.Gain + t.o.Offset
	}
	return r
}

// supplyGood holds a ratiometric sensor's supply to its tolerance; a bare resistor's ratio is right at any supply.
func (t *Transducer) supplyGood(supply units.Volts) bool {
	if t.o.Kind == Ratiometric {
		return supply >= SupplyLow && supply <= SupplyHigh
	}
	return supply >= leastSupply && !math.IsInf(float64(supply), 0)
}

// scale turns the signal at the sensor into the quantity before calibration.
func (t *Transducer) scale(signal, supply float64) (float64, Status) {
	switch t.o.Kind {
	case Ratiometric:
		return t.ratiometric(signal / supply)
	case ZeroToFive:
		switch {
		case signal > fiveTooHigh:
			return 0, ShortSupply
		case signal < fiveLow || signal > fiveHigh:
			return 0, OutOfBand
		}
		return t.between(signal / five), OK
	case FourTwenty:
		return t.loop(units.Amps(signal))
	case Divider:
		return t.divider(signal / supply)
	case Contact:
		switch ratio := signal / supply; {
		case ratio <= contactLow:
			return t.o.Low, OK
		case ratio >= contactHigh:
			return t.o.High, OK
		}
		return 0, OutOfBand
	default:
		return signal, OK
	}
}

// between returns the quantity at share x of the range.
func (t *Transducer) between(x float64) float64 { return t.o.Low + (t.o.High-t.o.Low)*x }

func (t *Transducer) ratiometric(ratio float64) (float64, Status) {
	low, high := t.lineFaults()
	switch {
	case ratio < ratioFaultLow:
		return 0, low
	case ratio > ratioFaultHigh:
		return 0, high
	case ratio < ratioLow || ratio > ratioHigh:
		return 0, OutOfBand
	}
	return t.between((ratio - ratioZero) / ratioSpan), OK
}

// lineFaults names a signal at the low and at the high end. An open line goes where the input board pulls it, so at
// that end open is the likelier of two faults that look the same.
func (t *Transducer) lineFaults() (low, high Status) {
	if t.o.OpenReadsHigh {
		return ShortGround, Open
	}
	return Open, ShortSupply
}

// loop holds a current to NE 43. No current and too little are the same fault, an open loop or a sensor that says it
// has failed. The 4 s that NE 43 wants a fault to last are the alarm's business.
func (t *Transducer) loop(i units.Amps) (float64, Status) {
	switch {
	case i < loopFaultLow:
		return 0, Open
	case i > loopFaultHigh:
		return 0, ShortSupply
	case i < loopLow || i > loopHigh:
		return 0, Saturated
	}
	return t.between(float64((i - loopZero) / loopSpan)), OK
}

// divider finds the resistance of the lower arm, R = Pull*ratio/(1-ratio), and its value by a straight line over
// ln R between table points. For an NTC with a point each 10 K that is within 0.15 K of the B equation from -20 to
// 80 degC (the test computes it).
func (t *Transducer) divider(ratio float64) (float64, Status) {
	switch {
	case ratio < dividerShort:
		return 0, ShortGround
	case ratio > dividerOpen:
		return 0, Open
	}
	x := math.Log(float64(t.o.Pull) * ratio / (1 - ratio))
	last := len(t.lnR) - 1
	if x < t.lnR[0] || x > t.lnR[last] {
		return 0, OutOfBand
	}
	i := 1
	for i < last && x > t.lnR[i] {
		i++
	}
	f := (x - t.lnR[i-1]) / (t.lnR[i] - t.lnR[i-1])
	return t.v[i-1] + f*(t.v[i]-t.v[i-1]), OK
}

// Healthy returns the signal, in V or (loop true) in A, between which a working sensor reads; ok is false for a kind
// that may read anything.
func (t *Transducer) Healthy(supply units.Volts) (low, high float64, loop, ok bool) {
	s := float64(supply)
	switch t.o.Kind {
	case Ratiometric:
		return ratioLow * s, ratioHigh * s, false, true
	case ZeroToFive:
		return fiveLow, fiveHigh, false, true
	case FourTwenty:
		return float64(loopLow), float64(loopHigh), true, true
	case Divider:
		return dividerShort * s, dividerOpen * s, false, true
	case Contact, Voltage:
		return 0, 0, false, false
	default:
		return 0, 0, false, false
	}
}
