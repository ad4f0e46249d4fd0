// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"errors"
	"io"
	"strings"

	"airhold/bus"
	"airhold/bus/socketcan"
	"airhold/bus/traffic"
	"airhold/firmware/readings"
)

// Ear listens to one link once, for somebody who wants to know what is wrong with it.
type Ear struct {
	Name    string
	Bitrate int64 // bit/s; 0: not known
	Table   *readings.Table
	Out     Out
	Signals []Signal
	Open    func(ctx context.Context) (FrameSource, error)
}

// Listen hands on readings until ctx ends or the link fails. The error says why it could not be heard; or, where it could,
// what is wrong with what was heard, in words for the installer: only errors, one device alone, nothing at all.
func (e Ear) Listen(ctx context.Context) error {
	track := traffic.New(traffic.Options{Link: e.Name, Bitrate: e.Bitrate})
	tr, err := NewTranslator(TranslatorOptions{Table: e.Table, Out: e.Out, Signals: e.Signals, Heard: track.Message})
	if err != nil {
		return err
	}
	source, err := e.Open(ctx)
	if err != nil {
		return err
	}
	if s, ok := source.(interface{ Link() socketcan.Link }); ok {
		var state traffic.State
		_ = state.UnmarshalText([]byte(s.Link().State)) // a word it does not know is unknown
		track.Open(0, state)
	}
	buf := make([]bus.Frame, batch)
	for err == nil {
		var n int
		n, err = source.Next(ctx, buf)
		for i := range buf[:n] {
			if track.Keep(&buf[i]) && buf[i].Class != bus.Error {
				tr.Frame(buf[i])
			}
		}
	}
	if c, ok := source.(io.Closer); ok {
		_ = c.Close() // it was only listened to
	}
	if ctx.Err() == nil {
		return err
	}
	if remarks := track.Remarks(); len(remarks) > 0 {
		return errors.New(strings.Join(remarks, " "))
	}
	return nil
}
