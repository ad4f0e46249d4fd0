// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"
	"periph.io/x/conn/v3/i2c"

	"airhold/bus"
	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
)

// wire brings the frames it holds, each once, and then stays silent.
type wire []bus.Frame

func (w *wire) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	if n := copy(buf, *w); n > 0 {
		*w = (*w)[n:]
		return n, nil
	}
	<-ctx.Done()
	return 0, ctx.Err()
}

// A probe tells for each bus channel what its link heard, or what is wrong with the link.
func TestProbeSaysWhatIsWrongWithABus(t *testing.T) {
	t.Parallel()
	speed := bus.Frame{Frame: can.Frame{ID: 0x0CF02246, IsExtended: true, Length: 8, Data: can.Data{0xA0, 0x0F, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}}} // ISO 11783-7: 4 m/s
	passive := bus.Frame{Frame: can.Frame{ID: 0x204, Length: 8, Data: can.Data{1: 0x10, 7: 128}}, Class: bus.Error}                                   // linux/can/error.h
	var lone wire                                                                                                                                     // the rate of a public bench note
	for i := range 1000 {
		lone = append(lone, bus.Frame{
			Frame: can.Frame{ID: 0x18FEAE30, IsExtended: true, Length: 8, Data: can.Data{255, 255, 254, 254, 255, 255, 255, 255}},
			Boot:  time.Duration(i) * time.Second / 3144,
		})
	}
	for name, c := range map[string]struct {
		link wire
		err  error
		want string
	}{
		"heard":            {link: wire{speed}, want: "reads 4 m/s, heard on can0."},
		"nothing":          {want: "Nothing is heard"},
		"wrong bitrate":    {link: wire{passive}, want: "bitrate is probably wrong"},
		"one device alone": {link: lone, want: "nobody acknowledges"},
		"not silent":       {err: errors.New("can0: not in listen-only mode"), want: "not in listen-only mode"},
	} {
		m := config.ExampleMachine()
		m.Links[0].Bitrate = 500_000
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		found, err := firmware.Probe(ctx, m, clock.Live{}, firmware.Wires{
			I2C: func(string) (i2c.BusCloser, error) { return nil, errors.New("no such bus") },
			Link: func(context.Context, int, config.Link) (intake.FrameSource, error) {
				if c.err != nil {
					return nil, c.err
				}
				return &c.link, nil
			},
		})
		cancel()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range found {
			if f.Channel == "speed" && !strings.Contains(f.Sentence, c.want) {
				t.Errorf("%s: speed %q; want %q", name, f.Sentence, c.want)
			}
		}
	}
}
