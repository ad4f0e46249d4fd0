// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/sensors/transducer"
	"airhold/sensors/units"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfAnInputIsListed(t *testing.T) {
	t.Parallel()
	kPa := units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1e3}
	table := readings.NewTable([]readings.Info{{ID: "tank", Unit: kPa, Low: -10e3, High: 1.2e6}, {ID: "sensor_supply", Unit: units.Preferred(units.Voltage)}})
	b := &AnalogBus{bus: "1", table: table, supplies: NewSupplies()}
	b.supplies.put(1, 4.2, time.Hour)
	var all []string
	for _, kind := range []transducer.Kind{transducer.Ratiometric, transducer.FourTwenty, transducer.Voltage} {
		made, err := transducer.New(transducer.Options{Kind: kind, High: 1e6})
		if err != nil {
			t.Fatal(err)
		}
		for _, plug := range []string{"", "X4"} {
			info := table.Info(0)
			info.Plug = plug
			for _, supply := range []readings.Channel{readings.NoChannel, 1, 0} {
				in := &input{channel: 0, supply: supply, info: info, board: &chip{name: "48"}, input: 2, converted: made}
				for q := readings.Good + 1; q <= readings.Frozen; q++ {
					r := readings.Reading{Channel: 0, At: time.Minute, Value: 740e3, Volts: 0.012, Quality: q}
					all = append(all, b.sentence(in, r, context.DeadlineExceeded))
				}
				all = append(all, b.silence(in, nil, "; check its plug, its power and its address"))
			}
		}
	}
	golden.Sentences(t, all)
}
