// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"airhold/bus"
	"airhold/bus/signals"
	"airhold/bus/traffic"
)

// mostLinks bounds how many links of a recording are followed; no machine has so many.
const mostLinks = 16

// busFollower follows every link of a recording.
type busFollower struct {
	decoder  *signals.Decoder
	meter    *traffic.Meter
	trackers []*traffic.Tracker // by link
	passed   int64              // frames of links beyond mostLinks
	frames   int64
}

// tracker returns a link's tracker; nil beyond the bound.
func (b *busFollower) tracker(link uint16, name string) *traffic.Tracker {
	if link >= mostLinks {
		return nil
	}
	for int(link) >= len(b.trackers) {
		b.trackers = append(b.trackers, nil)
	}
	if b.trackers[link] == nil {
		b.trackers[link] = traffic.New(traffic.Options{Link: name, Meter: b.meter})
	}
	return b.trackers[link]
}

func busRecorded(ctx context.Context, file string, decoder *signals.Decoder, stdin io.Reader, p *busPrinter, stderr io.Writer) int {
	reader, err := openCapture(file, stdin)
	if err != nil {
		fmt.Fprintf(stderr, "airhold bus: %s\n", fileWords(err))
		return exitRefused
	}
	defer reader.Close() //nolint:errcheck // it was only read
	b := &busFollower{decoder: decoder, meter: traffic.NewMeter()}
	var (
		f     bus.Frame
		links []string
	)
	name := func(i uint16) string {
		if int(i) >= len(links) {
			links = reader.Links()
		}
		if int(i) < len(links) {
			return links[i]
		}
		return ""
	}
	var t *traffic.Tracker
	emit := func(m *signals.Message) { t.Message(m) }
	for {
		if err = reader.Next(&f); err != nil {
			break
		}
		if b.frames%1024 == 0 && ctx.Err() != nil {
			err = ctx.Err()
			break
		}
		b.frames++
		if t = b.tracker(f.Link, name(f.Link)); t == nil {
			b.passed++
			continue
		}
		if t.Keep(&f) {
			b.decoder.Frame(f, emit)
		}
	}
	from := inputName(file)
	p.source, p.file = "recording", from
	var pictures []traffic.Picture
	for i, t := range b.trackers {
		if t == nil {
			continue
		}
		if s, told := reader.Statistics(uint16(i)); told {
			t.Lost(s.Dropped, 0)
		}
		pictures = append(pictures, t.Picture())
	}
	for _, bad := range reader.BadLines() {
		fmt.Fprintf(stderr, "%s: %s\n", from, bad)
	}
	if more := reader.BadCount() - int64(len(reader.BadLines())); more > 0 {
		fmt.Fprintf(stderr, "%s: and %d more such places\n", from, more)
	}
	if why, torn := reader.Torn(); torn {
		fmt.Fprintf(stderr, "%s: the end of the recording is lost: %s\n", from, why)
	}
	if b.passed > 0 {
		fmt.Fprintf(stderr, "%s: %d frames of links beyond the %d first were passed over\n", from, b.passed, mostLinks)
	}
	switch {
	case !errors.Is(err, io.EOF):
		_ = p.done(pictures, stderr) // what was read is still worth showing
		fmt.Fprintf(stderr, "airhold bus: %s broke off after %d frames: %v\n", from, b.frames, err)
		return exitFailed
	case b.frames == 0:
		fmt.Fprintf(stderr, "airhold bus: there is no frame in %s; it should be candump text (candump -L) or pcapng\n", from)
		return exitRefused
	}
	return p.done(pictures, stderr)
}
