// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

const (
	linkSocketCAN = 227 // LINKTYPE_CAN_SOCKETCAN
	extended      = 1 << 31
)

// pcapngWrite writes every frame, two interfaces in turn, with nanoseconds.
func pcapngWrite(path string) (work, error) {
	frames, err := readFrames(path)
	if err != nil {
		return nil, err
	}
	times := make([]time.Time, len(frames))
	for i := range times {
		times[i] = time.Unix(1_477_899_735, int64(i)*588_000).UTC()
	}
	return func() (int64, float64, error) {
		link := pcapgo.NgInterface{Name: "can0", LinkType: layers.LinkType(linkSocketCAN), TimestampResolution: 9}
		w, err := pcapgo.NewNgWriterInterface(io.Discard, link, pcapgo.DefaultNgWriterOptions)
		if err != nil {
			return 0, 0, err
		}
		link.Name = "can1"
		if _, err := w.AddInterface(link); err != nil {
			return 0, 0, err
		}
		var raw [16]byte
		for i := range frames {
			f := &frames[i]
			id := f.ID
			if f.IsExtended {
				id |= extended
			}
			binary.BigEndian.PutUint32(raw[:], id)
			raw[4] = f.Length
			copy(raw[8:], f.Data[:])
			ci := gopacket.CaptureInfo{Timestamp: times[i], CaptureLength: 16, Length: 16, InterfaceIndex: i & 1}
			if err := w.WritePacket(ci, raw[:]); err != nil {
				return 0, 0, err
			}
		}
		return int64(len(frames)), 0, w.Flush()
	}, nil
}

// pcapngRead reads every packet and takes the frame out of it.
func pcapngRead(path string) (work, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return func() (int64, float64, error) {
		r, err := pcapgo.NewNgReader(bytes.NewReader(data), pcapgo.DefaultNgReaderOptions)
		if err != nil {
			return 0, 0, err
		}
		n, sum := int64(0), uint64(0)
		for {
			packet, _, err := r.ZeroCopyReadPacketData()
			if errors.Is(err, io.EOF) {
				return n, float64(sum), nil
			}
			if err != nil {
				return 0, 0, err
			}
			if len(packet) >= 16 {
				sum += uint64(binary.BigEndian.Uint32(packet)&(1<<29-1)) + uint64(packet[15])
			}
			n++
		}
	}, nil
}

// pcapngInvented reads a damaged capture whose frames carry a hash of their time, and gives as checksum how many do not.
func pcapngInvented(path string) (work, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return func() (int64, float64, error) {
		r, err := pcapgo.NewNgReader(bytes.NewReader(data), pcapgo.DefaultNgReaderOptions)
		if err != nil {
			return 0, 0, err
		}
		n, invented := int64(0), 0
		for {
			packet, ci, err := r.ZeroCopyReadPacketData()
			if err != nil { // the end, or where it gives up
				return n, float64(invented), nil
			}
			n++
			if len(packet) < 16 || binary.LittleEndian.Uint64(packet[8:]) != uint64(ci.Timestamp.UnixNano())*0x9E3779B97F4A7C15 {
				invented++
			}
		}
	}, nil
}
