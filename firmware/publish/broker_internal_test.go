// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"bytes"
	"io"
	"log/slog"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
)

// guest is a screen that writes its packets itself, to a broker in the bubble of a test.
type guest struct {
	t    *testing.T
	ours net.Conn
	got  bytes.Buffer
	end  chan struct{} // closed when the broker hangs up
}

func newGuest(t *testing.T, b *Embedded) *guest {
	t.Helper()
	ours, theirs := net.Pipe()
	g := &guest{t: t, ours: ours, end: make(chan struct{})}
	go func() {
		defer close(g.end)
		_, _ = io.Copy(&g.got, ours)
	}()
	go func() { _ = b.Client(t.Context(), theirs) }()
	return g
}

// say writes one packet; where the broker has hung up there is nothing to say.
func (g *guest) say(encode func(*bytes.Buffer) error) {
	g.t.Helper()
	var b bytes.Buffer
	if err := encode(&b); err != nil {
		g.t.Fatal(err)
	}
	_, _ = g.ours.Write(b.Bytes())
	synctest.Wait()
}

func (g *guest) greet(name string) {
	g.t.Helper()
	pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: 4}
	pk.Connect.ProtocolName, pk.Connect.Clean, pk.Connect.Keepalive, pk.Connect.ClientIdentifier = []byte("MQTT"), true, 60, name
	g.say(pk.ConnectEncode)
}

func (g *guest) wish(filters ...string) {
	g.t.Helper()
	pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, ProtocolVersion: 4, PacketID: 7}
	for _, f := range filters {
		pk.Filters = append(pk.Filters, packets.Subscription{Filter: f, Qos: 1})
	}
	g.say(pk.SubscribeEncode)
}

func (g *guest) gone() bool {
	synctest.Wait()
	select {
	case <-g.end:
		return true
	default:
		return false
	}
}

// inBubble runs a broker without a port, in a bubble in which time is free.
func inBubble(t *testing.T, try func(t *testing.T, b *Embedded)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := NewEmbedded("", slog.New(slog.DiscardHandler))
		if err := b.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		defer b.Stop()
		try(t, b)
	})
}

func TestWhoSaysNothingKeepsNoPlace(t *testing.T) {
	inBubble(t, func(t *testing.T, b *Embedded) {
		t.Helper()
		mute, page := newGuest(t, b), newGuest(t, b)
		page.greet("page-1")
		time.Sleep(hello - time.Second)
		if mute.gone() {
			t.Errorf("a connection that said nothing yet ended before %v", hello)
		}
		time.Sleep(2 * time.Second)
		if !mute.gone() {
			t.Errorf("a connection that says nothing is open after %v; it takes a screen's place", hello)
		}
		if page.gone() {
			t.Error("a screen that said who it is was ended with it")
		}
	})
}

func TestAScreenSubscribesToWhatThereIs(t *testing.T) {
	some := func(n int) (out []string) {
		for i := range n {
			out = append(out, "airhold/v1/m/"+strings.Repeat("x", i+1))
		}
		return out
	}
	inBubble(t, func(t *testing.T, b *Embedded) {
		t.Helper()
		for name, c := range map[string]struct {
			wishes [][]string
			stays  bool
		}{
			"as many as there may be": {[][]string{some(maxFilters)}, true},
			"one too many":            {[][]string{some(maxFilters), {"airhold/#"}}, false},
			"too many at once":        {[][]string{some(maxFilters + 1)}, false},
			"the longest":             {[][]string{{"airhold/v1/" + strings.Repeat("x", maxFilter-len("airhold/v1/"))}}, true},
			"too long":                {[][]string{{"airhold/v1/" + strings.Repeat("x", maxFilter+1-len("airhold/v1/"))}}, false},
		} {
			g := newGuest(t, b)
			g.greet("page-" + strings.ReplaceAll(name, " ", "-"))
			for _, w := range c.wishes {
				g.wish(w...)
			}
			if g.gone() == c.stays {
				t.Errorf("%s: the screen stays %v; want %v", name, !c.stays, c.stays)
			}
		}
	})
}

func TestAScreenThatDoesNotReadIsNotWaitedFor(t *testing.T) {
	inBubble(t, func(t *testing.T, b *Embedded) {
		t.Helper()
		ours, theirs := net.Pipe()
		defer ours.Close()
		go func() { _ = b.Client(t.Context(), theirs) }()
		g := &guest{t: t, ours: ours}
		answer := make([]byte, 4)
		go func() { _, _ = io.ReadFull(ours, answer) }()
		g.greet("slow")
		go func() { _, _ = io.ReadFull(ours, make([]byte, 5)) }()
		g.wish("airhold/#")
		beside := newGuest(t, b)
		beside.greet("quick")
		beside.wish("airhold/#")
		own, err := b.Dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		go func() { _, _ = io.Copy(io.Discard, own) }()
		box := &guest{t: t, ours: own}
		box.greet(boxClientPrefix + "m")
		pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish}, ProtocolVersion: 4, TopicName: "airhold/v1/m/now", Payload: make([]byte, 1000)}
		for range 3 * maxWaiting {
			box.say(pk.PublishEncode)
		}
		// One packet is on its way into the pipe, which takes nothing by itself.
		if n := b.server.Info.Clone().MessagesDropped; n != 2*maxWaiting-1 {
			t.Errorf("%d packets were passed over for a screen that does not read; want %d: no more than %d wait for it", n, 2*maxWaiting-1, maxWaiting)
		}
		if n := beside.got.Len(); n < 3*maxWaiting*1000 {
			t.Errorf("the screen beside it got %d bytes; want all of %d", n, 3*maxWaiting*1000)
		}
	})
}
