// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"encoding/json"
	"fmt"

	"airhold/config"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// NewTable lists the channels of a machine: those its file declares, in their order, then the box's own, then each
// link's.
func NewTable(m *config.Machine) *readings.Table {
	infos := make([]readings.Info, 0, len(m.Channels)+5+6*len(m.Links))
	for _, c := range m.Channels {
		infos = append(infos, readings.Info{
			ID: c.ID, Quantity: c.Quantity, Reference: c.Reference, Unit: c.Unit, Low: c.Low, High: c.High,
			Source: sourceWords(c), Plug: c.Plug, Wired: c.Kind == config.FromADC,
		})
	}
	state, rate := units.Preferred(units.None), units.Preferred(units.Rate)
	infos = append(infos,
		readings.Info{ID: readings.BoxTemperature, Quantity: units.QTemperature, Unit: units.Preferred(units.Temperature), Source: "the box"},
		readings.Info{ID: readings.BoxUndervoltage, Quantity: units.QState, Unit: state, Source: "the box"},
		readings.Info{ID: readings.BoxDiskLeft, Quantity: units.QState, Unit: units.Preferred(units.Time), Source: "the box"},
		readings.Info{ID: readings.BoxClock, Quantity: units.QState, Unit: state, Source: "the box"},
		readings.Info{ID: readings.BoxLost, Quantity: units.QState, Unit: state, Source: "the box"},
	)
	for _, l := range m.Links {
		infos = append(infos,
			readings.Info{ID: l.Name + readings.LinkFrames, Quantity: units.QRate, Unit: units.Unit{Code: "/s", Dim: units.Rate, Factor: 1}, Source: "link " + l.Name},
			readings.Info{ID: l.Name + readings.LinkErrors, Quantity: units.QRate, Unit: rate, Source: "link " + l.Name},
			readings.Info{ID: l.Name + readings.LinkDrops, Quantity: units.QState, Unit: state, Source: "link " + l.Name},
			readings.Info{ID: l.Name + readings.LinkUp, Quantity: units.QState, Unit: state, Source: "link " + l.Name},
			readings.Info{ID: l.Name + readings.LinkState, Quantity: units.QState, Unit: state, Source: "link " + l.Name},
			readings.Info{ID: l.Name + readings.LinkAlone, Quantity: units.QState, Unit: state, Source: "link " + l.Name},
		)
	}
	return readings.NewTable(infos)
}

// scaling is how an analog channel's volts become its value, as the log keeps it; SI.
type scaling struct {
	Kind    config.TransducerKind `json:"kind"`
	Low     float64               `json:"low"`
	High    float64               `json:"high"`
	Gain    float64               `json:"gain"`
	Offset  float64               `json:"offset"`
	Divider float64               `json:"divider_ratio,omitempty"`
	Shunt   float64               `json:"shunt,omitempty"`  // ohm
	Pull    float64               `json:"pull,omitempty"`   // ohm
	Supply  string                `json:"supply,omitempty"` // the channel that measures it
	Table   []config.TablePoint   `json:"table,omitempty"`
}

// calibrations lists how the machine file has each wired channel's numbers made.
func calibrations(m *config.Machine, t *readings.Table) (out []store.Calibration) {
	for i := range m.Channels {
		c := &m.Channels[i]
		if c.Kind != config.FromADC {
			continue
		}
		d := c.ADC.Transducer
		text, err := json.Marshal(scaling{
			Kind: d.Kind, Low: d.Low, High: d.High, Gain: d.Gain, Offset: d.Offset, Divider: d.DividerRatio, Shunt: float64(d.Shunt),
			Pull: float64(d.Pull), Supply: d.Supply, Table: d.Table,
		})
		if err != nil {
			continue // a number that is none: config refuses those
		}
		channel := int64(t.Find(c.ID))
		out = append(out, store.Calibration{Channel: &channel, Coefficients: string(text), Who: "machine file"})
	}
	return out
}

func sourceWords(c config.Channel) string {
	switch c.Kind {
	case config.FromADC:
		return fmt.Sprintf("board %s input %d", c.ADC.Board, c.ADC.Input)
	case config.FromCAN:
		if c.CAN.DBC != "" {
			return fmt.Sprintf("bus %s, %s of %s in %s", c.CAN.Link, c.CAN.Signal, c.CAN.Message, c.CAN.DBC)
		}
		return fmt.Sprintf("bus %s, %s", c.CAN.Link, c.CAN.Signal)
	case config.FromCSV:
		return "recorded column " + c.CSV.Column
	case config.FromSim:
		return "simulation"
	default:
		return ""
	}
}
