// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Broker carries the contract to clients: the one inside the box, or another one.
type Broker interface {
	// Run serves until ctx ends. It returns early only with an error that a person must act on.
	Run(ctx context.Context) error
	// Dial opens the box's own connection. Safe for any goroutine.
	Dial(ctx context.Context) (net.Conn, error)
	// Client serves one screen's connection until it ends. Screens may read and never publish.
	Client(ctx context.Context, c net.Conn) error
}

// The limits of the broker inside.
const (
	maxPacket  = 64 << 10
	maxClients = 1 + 16 // the box's own, and the screens
	maxWaiting = 1024   // packets for a screen that does not read; what it misses then, it asks for again at its next start
	maxFilters = 64     // subscriptions of one screen, each of at most so many bytes:
	maxFilter  = 256

	hello = 10 * time.Second // a screen says so soon who it is

	listenerBox    = "box"    // the outlet's own connection
	listenerScreen = "screen" // WebSocket and TCP clients
)

// Embedded is the broker inside the box. It forgets everything at a stop: the outlet says all state again.
type Embedded struct {
	listen string
	log    *slog.Logger

	mu     sync.Mutex
	server *mqtt.Server // nil while down
	conns  map[net.Conn]struct{}
	bound  net.Listener
	up     chan struct{} // closed once the first server is up
}

// ErrBrokerDown says the broker inside is not running at the moment.
var ErrBrokerDown = errors.New("the broker inside the box is down")

// NewEmbedded makes a broker that also listens on TCP at listen, or only inside the process when listen is empty.
func NewEmbedded(listen string, log *slog.Logger) *Embedded {
	return &Embedded{listen: listen, log: log, conns: map[net.Conn]struct{}{}, up: make(chan struct{})}
}

// Run serves until ctx ends.
func (b *Embedded) Run(ctx context.Context) error {
	if err := b.Start(ctx); err != nil {
		return err
	}
	<-ctx.Done()
	b.Stop()
	return nil
}

// Start brings the broker up, once more after a Stop.
func (b *Embedded) Start(ctx context.Context) error {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumPacketSize = maxPacket
	caps.MaximumClients = maxClients
	caps.MaximumInflight = 512
	caps.MaximumClientWritesPending = maxWaiting
	caps.MaximumMessageExpiryInterval = 0 // the default of a day would take retained state away
	caps.MaximumSessionExpiryInterval = 0
	server := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(&gate{}, nil); err != nil {
		return fmt.Errorf("prepare broker: %w", err)
	}
	var bound net.Listener
	if b.listen != "" {
		var lc net.ListenConfig
		var err error
		if bound, err = lc.Listen(ctx, "tcp", b.listen); err != nil {
			return fmt.Errorf("the MQTT address %s cannot be opened: %w; is another airhold or broker running? "+
				"Stop it, or set mqtt: listen in the machine file", b.listen, err)
		}
	}
	if err := server.Serve(); err != nil {
		return errors.Join(fmt.Errorf("start broker: %w", err), closeIf(bound))
	}
	b.mu.Lock()
	b.server, b.bound = server, bound
	select {
	case <-b.up:
	default:
		close(b.up)
	}
	b.mu.Unlock()
	if bound != nil {
		go b.accept(ctx, bound)
	}
	return nil
}

func closeIf(l net.Listener) error {
	if l == nil {
		return nil
	}
	return l.Close()
}

// accept ends when the listener is closed.
func (b *Embedded) accept(ctx context.Context, l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			if !errors.Is(err, net.ErrClosed) {
				b.log.ErrorContext(ctx, "broker stopped accepting", "err", err)
			}
			return
		}
		go func() {
			if err := b.serve(ctx, listenerScreen, c); err != nil {
				b.log.DebugContext(ctx, "mqtt client ended", "err", err)
			}
		}()
	}
}

// Stop closes the listener, drops every client and forgets what was retained.
func (b *Embedded) Stop() {
	b.mu.Lock()
	server, bound := b.server, b.bound
	b.server, b.bound = nil, nil
	conns := make([]net.Conn, 0, len(b.conns))
	for c := range b.conns {
		conns = append(conns, c)
	}
	b.mu.Unlock()
	if err := closeIf(bound); err != nil {
		b.log.Debug("close broker listener", "err", err)
	}
	for _, c := range conns {
		_ = c.Close()
	}
	if server != nil {
		if err := server.Close(); err != nil {
			b.log.Debug("close broker", "err", err)
		}
	}
}

// Addr returns the TCP address it listens on, empty where there is none.
func (b *Embedded) Addr() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.bound == nil {
		return ""
	}
	return b.bound.Addr().String()
}

// Dial connects the box's own client inside the process.
func (b *Embedded) Dial(ctx context.Context) (net.Conn, error) {
	select {
	case <-b.up:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	b.mu.Lock()
	down := b.server == nil
	b.mu.Unlock()
	if down {
		return nil, ErrBrokerDown
	}
	ours, theirs := net.Pipe()
	go func() {
		if err := b.serve(context.WithoutCancel(ctx), listenerBox, theirs); err != nil {
			b.log.DebugContext(ctx, "the box's own mqtt connection ended", "err", err)
		}
	}()
	return ours, nil
}

// Client serves a screen.
func (b *Embedded) Client(ctx context.Context, c net.Conn) error {
	return b.serve(ctx, listenerScreen, c)
}

func (b *Embedded) serve(_ context.Context, listener string, c net.Conn) error {
	defer c.Close() //nolint:errcheck // the peer is gone either way
	b.mu.Lock()
	server := b.server
	if server != nil {
		b.conns[c] = struct{}{}
	}
	b.mu.Unlock()
	if server == nil {
		return ErrBrokerDown
	}
	if listener == listenerScreen {
		// What says nothing takes a screen's place. The broker sets the time anew once it knows who it is.
		if err := c.SetDeadline(time.Now().Add(hello)); err != nil { //nolint:forbidigo // a deadline of the connection, not the box's time
			return fmt.Errorf("bound the wait for a screen's name: %w", err)
		}
	}
	defer func() {
		b.mu.Lock()
		delete(b.conns, c)
		b.mu.Unlock()
	}()
	return server.EstablishConnection(listener, c)
}

// gate is the broker's only policy: the box publishes, screens read below airhold/.
type gate struct{ mqtt.HookBase }

// ID names the hook.
func (*gate) ID() string { return "airhold-gate" }

// Provides says which questions the hook answers.
func (*gate) Provides(b byte) bool {
	return b == mqtt.OnConnect || b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck || b == mqtt.OnPacketRead
}

var (
	errWill = errors.New("a screen must not leave a will: screens read only")
	errName = errors.New("this client id belongs to the box")
	errMany = fmt.Errorf("a screen subscribes to more than there is: %w", packets.ErrRejectPacket)
)

// OnConnect refuses a screen that would publish by its will or takes the box's name.
func (*gate) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	if cl.Net.Listener == listenerBox {
		return nil
	}
	if pk.Connect.WillFlag {
		return errWill
	}
	if strings.HasPrefix(pk.Connect.ClientIdentifier, boxClientPrefix) {
		return errName
	}
	return nil
}

// OnPacketRead ends a screen that would fill the box's memory with its wishes.
func (*gate) OnPacketRead(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type != packets.Subscribe || cl.Net.Listener == listenerBox {
		return pk, nil
	}
	long := func(s packets.Subscription) bool { return len(s.Filter) > maxFilter }
	if cl.State.Subscriptions.Len()+len(pk.Filters) > maxFilters || slices.ContainsFunc(pk.Filters, long) {
		return pk, errMany
	}
	return pk, nil
}

// OnConnectAuthenticate lets everyone in: who can reach the broker may read. Acting goes over HTTP.
func (*gate) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

// OnACLCheck lets the box write and everyone read below airhold/.
func (*gate) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	if cl.Net.Listener == listenerBox {
		return true
	}
	return !write && readable(topic)
}

// readable says whether a screen may subscribe to a filter.
func readable(filter string) bool {
	return (strings.HasPrefix(filter, topicRoot) || filter == "airhold/#") && !strings.Contains(filter, "/cmd/")
}
