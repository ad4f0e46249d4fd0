// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
)

// brokerAddress reads the machine file's tcp://host:port.
func brokerAddress(url string) (string, error) {
	addr := strings.TrimPrefix(url, "tcp://")
	if addr == url && strings.Contains(url, "://") {
		return "", fmt.Errorf("the broker %q: only tcp://host:port is spoken", url)
	}
	if _, _, err := net.SplitHostPort(addr); err != nil {
		return "", fmt.Errorf("the broker %q: write tcp://host:port", url)
	}
	return addr, nil
}

// alarm writes an alarm's state for screens.
func (b *Box) alarm(s *alarms.State) publish.Alarm {
	row, _ := b.spine.Engine().Row(s.Key)
	a := publish.Alarm{
		Stamp: b.stamp(s.Since), Key: s.Key, Where: s.Where, Title: row.Title, Kind: row.Kind.String(), State: s.Name(), Priority: s.Priority,
		Group: s.Group, FirstOut: s.FirstOut, Silent: s.Silent || row.Kind != alarms.Announced, Do: row.Do, Cause: row.Cause,
		Then: row.Consequence, Caution: row.Caution, From: string(row.Where), Detail: s.Detail, By: s.By, Why: s.Why,
	}
	a.Value, a.Limit, a.Standing = measure(s.Value), measure(s.Limit), s.Standing
	if s.Active || s.Unacked {
		a.Onset = b.wall(s.Onset)
	}
	if s.ShelvedUntil > 0 {
		a.Until, a.UntilMS = b.wall(s.ShelvedUntil), s.ShelvedUntil.Milliseconds()
	}
	return a
}

func measure(m findings.Measure) publish.Quantity {
	if m.IsZero() {
		return nil
	}
	return &m
}

func (b *Box) wall(at time.Duration) *time.Time {
	t := b.spine.UTC(at).Truncate(time.Millisecond)
	if t.IsZero() {
		return nil
	}
	return &t
}

// TransitionEvent is a journal record on the event topic and in replay's output.
type TransitionEvent struct {
	publish.Stamp

	Kind   string            `json:"kind"` // "alarm"
	Key    findings.Key      `json:"key"`
	Where  string            `json:"where,omitempty"`
	From   alarms.StateName  `json:"from"`
	To     alarms.StateName  `json:"to"`
	Actor  string            `json:"actor,omitempty"`
	Via    string            `json:"via,omitempty"`
	Reason string            `json:"reason,omitempty"`
	Value  *findings.Measure `json:"value,omitempty"`
	Limit  *findings.Measure `json:"limit,omitempty"`
}

func (b *Box) transitionEvent(t *alarms.Transition) TransitionEvent {
	return TransitionEvent{
		Stamp: b.stamp(t.At), Kind: "alarm", Key: t.State.Key, Where: t.State.Where, From: t.From, To: t.To,
		Actor: t.Actor, Via: t.Via, Reason: t.Reason, Value: measure(t.State.Value), Limit: measure(t.State.Limit),
	}
}

func (b *Box) about() publish.About {
	s := b.o.Clock.Sample()
	a := publish.About{
		Stamp: publish.Stamp{V: 1, T: s.UTC.Truncate(time.Millisecond), Clk: s.Quality.String(), Boot: b.o.Boot, Mono: s.Boot.Milliseconds()},
		Name:  b.o.Machine.Name, Software: b.o.Software, Simulated: b.o.Simulated, Story: b.o.Story,
		Machine: b.o.Machine.SHA256, Catalogue: catalogueHash(), Signals: []publish.AboutChannel{},
	}
	for i := range b.table.Len() {
		in := b.table.Info(readings.Channel(i))
		a.Signals = append(a.Signals, publish.AboutChannel{
			ID: in.ID, Quantity: string(in.Quantity), Unit: in.Unit.Code,
			Reference: string(in.Reference), Source: in.Source,
		})
	}
	return a
}

func catalogueHash() string {
	text, err := json.Marshal(alarms.Catalogue())
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// onBox is an address that can be opened on the box. Where something listens on all of them, the name for all is none that a
// browser may show to the box.
func onBox(addr string) string {
	if at, err := netip.ParseAddrPort(addr); err == nil && at.Addr().IsUnspecified() {
		return netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), at.Port()).String()
	}
	return addr
}

// pageUp tells whoever waits for the box that it is up. The HTTP server's goroutine calls it once.
func (b *Box) pageUp(addr net.Addr) {
	out := Addresses{Page: "http://" + onBox(addr.String())}
	if e, ok := b.broker.(*publish.Embedded); ok {
		if a := e.Addr(); a != "" {
			out.MQTT = "tcp://" + onBox(a)
		}
	} else {
		out.MQTT = b.o.Machine.MQTT.Broker
	}
	b.o.Log.Info("the box is up", slog.String("page", out.Page), slog.String("mqtt", out.MQTT))
	b.said(b.o.Notify.Ready())
	if b.o.Ready != nil {
		b.o.Ready(out)
	}
}
