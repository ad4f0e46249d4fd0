// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/config"
	"airhold/firmware/report"
	"airhold/sensors/units"
)

// The sheet names the sensor of a temperature in the degrees people write, and its calibration as the machine file does.
func TestInstrumentTellsWhatTheMachineFileTells(t *testing.T) {
	const file = `name: Test bench
tank: {volume: 38 L, safe_working_pressure: 1000 kPa, relief_setting: 900 kPa}
compressors:
  - {name: compressor, control: switch, delivery: 180 L/min}
channels:
  tank: {quantity: pressure, source: sim, calibration: {date: 2026-03-14, reference: test gauge no. 3, uncertainty: 1 kPa}}
`
	m, problems := config.Parse("bench.yaml", []byte(file))
	if m == nil {
		t.Fatalf("refused: %v", problems)
	}
	tank, _ := m.Channel("tank")
	celsius := units.Preferred(units.Temperature)
	ambient := config.Channel{
		ID: "ambient", Quantity: units.QTemperature, Unit: celsius, Kind: config.FromADC,
		ADC:        config.ADCSource{Board: "air", Input: 1, Transducer: config.Transducer{Kind: config.ZeroToFive, Low: 233.15, High: 333.15}},
		Calibrated: config.Calibration{Date: time.Date(2025, 11, 2, 0, 0, 0, 0, time.UTC), Uncertainty: 0.5, Unit: celsius},
	}
	want := []report.Instrument{
		{Channel: "tank", Sensor: "simulation", Calibrated: "2026-03-14", Against: "test gauge no. 3", Uncertainty: "±1 kPa"},
		{Channel: "ambient", Sensor: "-40 to 60 °C, 0-5V, board air input 1", Calibrated: "2025-11-02", Uncertainty: "±0.5 °C"},
	}
	if diff := cmp.Diff(want, []report.Instrument{instrument(tank), instrument(ambient)}); diff != "" {
		t.Errorf("instruments (-want +got):\n%s", diff)
	}
}
