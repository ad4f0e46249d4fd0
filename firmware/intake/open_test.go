// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"errors"
	"testing"

	"periph.io/x/conn/v3/i2c"

	"airhold/firmware/intake"
	"airhold/sensors/mcp320x"
	"airhold/sensors/transducer"
)

type closing struct{ *fakeBus }

func (closing) Close() error { return nil }

// A bus that is not there at start is found by a later transaction, and the failure reads in the installer's words.
func TestLazyBusIsOpenedWhenItComes(t *testing.T) {
	there, opened := false, 0
	lazy := &intake.LazyI2C{Name: "i2c-1", Open: func(string) (i2c.BusCloser, error) {
		if !there {
			return nil, intake.ErrNoBus
		}
		opened++
		return closing{healthy()}, nil
	}}
	board := must[intake.Board](t)(intake.NewI2CBoard(intake.I2CBoard{Name: "main"}, lazy, newClock()))
	if err := board.Converter.Identify(t.Context()); !errors.Is(err, intake.ErrNoBus) {
		t.Errorf("Identify without a bus = %v; want %v", err, intake.ErrNoBus)
	}
	there = true
	for range 3 {
		if err := board.Converter.Identify(t.Context()); err != nil {
			t.Errorf("Identify = %v; want nil", err)
		}
	}
	if opened != 1 {
		t.Errorf("opened %d times; want once", opened)
	}
	if err := errors.Join(lazy.Close(), lazy.Close(), lazy.SetSpeed(1)); err == nil || lazy.String() != "i2c-1" {
		t.Errorf("Close, Close, SetSpeed = %v; want only the refusal of SetSpeed", err)
	}
}

type spiWire struct{ closed int }

func (*spiWire) Tx(_, r []byte) error {
	copy(r, []byte{0, 0x02, 0x00, 0x00, 0x80}) // code 512, DS21295D figure 5-2
	return nil
}
func (w *spiWire) Close() error { w.closed++; return nil }

func TestSPIBoard(t *testing.T) {
	wire, there := &spiWire{}, false
	lazy := &intake.LazySPI{Name: "spi0.0", Open: func(string) (intake.SPIConn, error) {
		if !there {
			return nil, intake.ErrNoBus
		}
		return wire, nil
	}}
	board := must[intake.Board](t)(intake.NewSPIBoard(intake.SPIBoard{Name: "fast", Chip: "mcp3008", VRef: 5}, lazy))
	if _, _, err := board.Converter.Read(t.Context(), 0); !errors.Is(err, intake.ErrNoBus) || !errors.Is(err, mcp320x.ErrNotPresent) {
		t.Errorf("Read without a port = %v; want %v and %v", err, intake.ErrNoBus, mcp320x.ErrNotPresent)
	}
	there = true
	a := must[*intake.AnalogBus](t)(intake.NewAnalogBus(intake.AnalogOptions{
		Bus: "spi0.0", Clock: &manual{}, Table: table(), Out: &sink{}, Boards: []intake.Board{board},
		Inputs: []intake.AnalogInput{{Channel: "tank", Board: "fast", Input: 7, Transducer: transducer.Options{Kind: transducer.ZeroToFive, High: 800e3}}},
	}))
	if got := a.Probe(t.Context()); len(got) != 1 || got[0].Reading.Raw != 512 || got[0].Reading.Value != 400e3 {
		t.Errorf("Probe = %+v; want raw 512, 400 kPa", got)
	}
	if err := errors.Join(lazy.Close(), lazy.Close()); err != nil || wire.closed != 1 {
		t.Errorf("Close twice = %v, closed %d times; want once", err, wire.closed)
	}
	if _, err := intake.NewSPIBoard(intake.SPIBoard{Chip: "mcp9999"}, lazy); err == nil {
		t.Error("NewSPIBoard(unknown chip) = nil; want an error")
	}
	if _, err := intake.NewI2CBoard(intake.I2CBoard{Range: 5}, nil, &manual{}); err == nil {
		t.Error("NewI2CBoard(5 V) = nil; want an error")
	}
}
