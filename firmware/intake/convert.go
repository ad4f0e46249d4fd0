// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"errors"
	"time"

	"airhold/firmware/readings"
	"airhold/sensors/ads1x15"
	"airhold/sensors/mcp320x"
	"airhold/sensors/transducer"
	"airhold/sensors/units"
)

// reading makes a reading of what a converter said; usable is false when the converter itself failed.
func (b *AnalogBus) reading(in *input, code int16, volts units.Volts, err error, at time.Duration) (r readings.Reading, usable bool) {
	r = readings.Reading{At: at, Channel: in.channel}
	over := false
	switch {
	case err == nil:
	case errors.Is(err, ads1x15.ErrOverrange), errors.Is(err, mcp320x.ErrOverrange):
		over = true
	case errors.Is(err, ads1x15.ErrNotReady):
		r.Quality = readings.Late
		return r, false
	default:
		r.Quality = readings.NoAnswer
		return r, false
	}
	supply, seen := transducer.AssumedSupply, true
	if in.supply != readings.NoChannel {
		supply, seen = b.supplies.get(in.supply, at)
	}
	said := in.converted.Convert(volts, supply)
	r.Raw, r.Volts, r.Quality = int32(code), said.Signal, quality(said.Status)
	switch {
	case !seen && in.converted.NeedsSupply() && at-b.started < supplyGrace:
		r.Quality = readings.NotAvailable
	case r.Quality == readings.Good && over:
		r.Quality = readings.Saturated
	case r.Quality == readings.Good && !plausible(in.info, said.Value):
		r.Quality = readings.Implausible
	}
	if r.Quality == readings.Good {
		r.Value = said.Value
	}
	// A supply outside its own plausible range is still what the sensors get, and what makes them unusable.
	if in.isVoltage && !over && said.Status == transducer.OK {
		b.supplies.put(in.channel, units.Volts(said.Value), at+max(supplyFor, 3*in.period))
	}
	return r, true
}

// plausible holds a value to the range that the machine file declares; without one everything is.
func plausible(in readings.Info, v float64) bool {
	return in.Low == 0 && in.High == 0 || v >= in.Low && v <= in.High
}

// quality is the reading's word for what a transducer found.
func quality(s transducer.Status) readings.Quality {
	switch s {
	case transducer.OK:
		return readings.Good
	case transducer.Open:
		return readings.Open
	case transducer.ShortGround:
		return readings.ShortGround
	case transducer.ShortSupply:
		return readings.ShortSupply
	case transducer.Saturated:
		return readings.Saturated
	case transducer.BadSupply:
		return readings.BadSupply
	default:
		return readings.OutOfBand
	}
}
