// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"airhold/bus"
	"airhold/bus/socketcan"
	"airhold/bus/traffic"
	"airhold/config"
)

// busSource is an open link.
type busSource interface {
	busCounter

	Next(ctx context.Context, buf []bus.Frame) (int, error)
	Link() socketcan.Link
	Close() error
}

// busCounter counts what a link lost and what was no frame.
type busCounter interface {
	Drops() uint64
	Malformed() uint64
}

func openBusLink(ctx context.Context, link string) (busSource, error) {
	s, err := socketcan.Open(ctx, link, socketcan.Options{})
	if err != nil {
		return nil, err
	}
	return s, nil
}

// listBusLinks names the CAN links of this computer. Where none may be listened to, the error says why for each.
func listBusLinks() ([]string, error) {
	links, err := socketcan.List()
	if err != nil {
		return nil, err
	}
	var names []string
	var refusals []error
	for _, l := range links {
		if !l.CAN {
			continue
		}
		if err := l.Refusal(); err != nil {
			refusals = append(refusals, err)
			continue
		}
		names = append(names, l.Name)
	}
	switch {
	case len(names) > 0:
		return names, nil
	case len(refusals) > 0:
		return nil, errors.Join(refusals...)
	}
	return nil, errors.New("this computer has no CAN link; check the adapter, its boot overlay or its plug, or read a recording: airhold bus --can FILE")
}

// listen hears some links for a while, each by itself, and prints what went on.
func (c busCommand) listen(ctx context.Context, f *busFlags, m *config.Machine, p *busPrinter, stderr io.Writer) int {
	names := f.links
	if len(names) == 0 && m != nil {
		for _, l := range m.Links {
			names = append(names, l.Name)
		}
		if len(names) == 0 {
			fmt.Fprintln(stderr, "airhold bus: the machine file lists no links")
			return exitFailed
		}
	}
	if len(names) == 0 {
		var err error
		if names, err = c.list(); err != nil {
			fmt.Fprintf(stderr, "airhold bus: %v\n", err)
			return exitFailed
		}
	}
	span := defaultListen
	if f.seconds > 0 {
		span = time.Duration(f.seconds * float64(time.Second))
	}
	fmt.Fprintf(stderr, "Listening on %s for %.0f s ...\n", strings.Join(names, ", "), span.Seconds())
	ctx, cancel := context.WithTimeout(ctx, span)
	defer cancel()
	pictures, problems := make([]traffic.Picture, len(names)), make([]error, len(names))
	meter := traffic.NewMeter()
	var all sync.WaitGroup
	for i, name := range names {
		all.Go(func() { pictures[i], problems[i] = c.hear(ctx, name, meter) })
	}
	all.Wait()
	var heard []traffic.Picture
	failed := false
	for i, err := range problems {
		if err != nil {
			fmt.Fprintf(stderr, "airhold bus: %v\n", err)
			failed = true
		}
		if err == nil || pictures[i].Frames+pictures[i].Controller.Counts.Reports > 0 {
			heard = append(heard, pictures[i])
		}
	}
	if len(heard) == 0 && failed {
		return exitFailed
	}
	p.source = "listening"
	if code := p.done(heard, stderr); code != exitOK || failed {
		return exitFailed
	}
	return exitOK
}

// hear follows one link until ctx ends or the link fails.
func (c busCommand) hear(ctx context.Context, name string, meter *traffic.Meter) (traffic.Picture, error) {
	source, err := c.open(ctx, name)
	if err != nil {
		return traffic.Picture{}, err
	}
	link := source.Link()
	t := traffic.New(traffic.Options{Link: name, Bitrate: int64(link.Bitrate), Meter: meter})
	var state traffic.State
	_ = state.UnmarshalText([]byte(link.State)) // a word it does not know is unknown
	t.Open(0, state)
	decoder := c.decoder()
	buf := make([]bus.Frame, 64)
	for err == nil {
		var n int
		n, err = source.Next(ctx, buf)
		for i := range buf[:n] {
			if t.Keep(&buf[i]) {
				decoder.Frame(buf[i], t.Message)
			}
		}
	}
	t.Lost(source.Drops(), source.Malformed())
	closed := source.Close()
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		err = nil // time is up, or the person has seen enough
	}
	return t.Picture(), errors.Join(err, closed)
}
