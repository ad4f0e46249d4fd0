// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	aircan "airhold/tools/bench/peers/air"
)

// flag turns a bool signal into the number it stands for.
func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// generatedDBC decodes every frame with its generated type and reads all its signals as physical values.
func generatedDBC(path string) (work, error) {
	frames, err := readFrames(path)
	if err != nil {
		return nil, err
	}
	var (
		pressures  = aircan.NewPressures()
		compressor = aircan.NewCompressor()
		loads      = aircan.NewLoads()
		flows      = aircan.NewFlows()
		pages      = aircan.NewPages()
		heartbeat  = aircan.NewHeartbeat()
		all        = aircan.Messages()
	)
	one := func(f can.Frame) (float64, error) {
		switch f.ID {
		case all.Pressures.ID:
			m := pressures
			if err := m.UnmarshalFrame(f); err != nil {
				return 0, err
			}
			return m.Tank() + m.Front() + m.Rear() + float64(m.Drain()) + float64(m.Dryer()) + m.Outside(), nil
		case all.Compressor.ID:
			m := compressor
			if err := m.UnmarshalFrame(f); err != nil {
				return 0, err
			}
			return m.Turns() + m.Current() + m.Head() + float64(m.Clutch()) + m.Starts() + m.Hours(), nil
		case all.Loads.ID:
			m := loads
			if err := m.UnmarshalFrame(f); err != nil {
				return 0, err
			}
			return m.Row1() + m.Row2() + m.Row3() + m.Row4() + m.Slope() + m.Ride(), nil
		case all.Flows.ID:
			m := flows
			if err := m.UnmarshalFrame(f); err != nil {
				return 0, err
			}
			return m.Fill() + m.Vent() + m.Leak() + m.Moisture() + float64(m.Valve1()) + float64(m.Valve2()), nil
		case all.Pages.ID:
			m := pages
			if err := m.UnmarshalFrame(f); err != nil {
				return 0, err
			}
			switch m.RawPage() {
			case 0:
				return m.Page() + m.Hot() + m.Cold(), nil
			case 1:
				return m.Page() + m.Cycle() + m.Peak() + m.Low(), nil
			case 2:
				return m.Page() + m.Spare(), nil
			}
			return m.Page(), nil
		case all.Heartbeat.ID:
			m := heartbeat
			if err := m.UnmarshalFrame(f); err != nil {
				return 0, err
			}
			return float64(m.Count()) + m.Volts() + m.Chip() + flag(m.Fault()) + flag(m.Armed()) + m.Load(), nil
		}
		return 0, fmt.Errorf("frame %s is none of air.dbc", f)
	}
	return func() (int64, float64, error) {
		sum := 0.0
		for i := range frames {
			v, err := one(frames[i])
			if err != nil {
				return 0, 0, err
			}
			sum += v
		}
		return int64(len(frames)), sum, nil
	}, nil
}

// descriptorDBC finds the message in a map and reads all its signals as physical values. The descriptors do not look at
// the multiplexer, so that is done here.
func descriptorDBC(path string) (work, error) {
	frames, err := readFrames(path)
	if err != nil {
		return nil, err
	}
	byID := make(map[uint32]*descriptor.Message)
	for _, m := range aircan.Messages().Database().Messages {
		byID[m.ID] = m
	}
	return func() (int64, float64, error) {
		sum := 0.0
		for i := range frames {
			m := byID[frames[i].ID]
			if m == nil {
				return 0, 0, fmt.Errorf("frame %s is none of air.dbc", frames[i])
			}
			page := uint(0)
			for _, s := range m.Signals {
				if s.IsMultiplexer {
					page = uint(s.UnmarshalUnsigned(frames[i].Data))
				}
				if s.IsMultiplexed && s.MultiplexerValue != page {
					continue
				}
				sum += s.UnmarshalPhysical(frames[i].Data)
			}
		}
		return int64(len(frames)), sum, nil
	}, nil
}
