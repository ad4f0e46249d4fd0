// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
)

// External is a broker outside the box, named by the machine file. Screens still come through the box, which passes
// on only what a reader says.
type External struct {
	Addr     string // host:port
	Username string
	Password []byte
}

const dialTimeout = 3 * time.Second

// Run waits for ctx: there is nothing of ours to serve.
func (e *External) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}

// Dial connects to the broker.
func (e *External) Dial(ctx context.Context) (net.Conn, error) {
	d := net.Dialer{Timeout: dialTimeout}
	c, err := d.DialContext(ctx, "tcp", e.Addr)
	if err != nil {
		return nil, fmt.Errorf("the broker at %s does not answer: %w", e.Addr, err)
	}
	return c, nil
}

// Client passes a screen's bytes to the broker after looking at each packet, and the broker's bytes back.
func (e *External) Client(ctx context.Context, c net.Conn) error {
	defer c.Close() //nolint:errcheck // the peer is gone either way
	far, err := e.Dial(ctx)
	if err != nil {
		return err
	}
	defer far.Close() //nolint:errcheck // the peer is gone either way
	back := make(chan error, 1)
	go func() {
		_, err := io.Copy(c, far)
		back <- errors.Join(err, c.Close())
	}()
	err = e.pass(far, c)
	_ = far.Close()
	if backErr := <-back; errors.Is(err, net.ErrClosed) || errors.Is(err, io.EOF) {
		err = backErr // the broker or the screen hung up
	}
	return err
}

// ErrNotReader says a screen tried more than reading.
var ErrNotReader = errors.New("screens may only read")

// pass copies MQTT 3.1.1 packets from a screen, checked one by one, until one of the two ends, and says why; its error
// is never nil.
func (e *External) pass(to io.Writer, from io.Reader) error {
	for {
		head, body, err := readPacket(from)
		if err != nil {
			return err
		}
		out, err := e.check(head, body)
		if err != nil {
			return err
		}
		if _, err := to.Write(out); err != nil {
			return err
		}
	}
}

// check returns the bytes to pass on for one packet of a screen, or the reason to hang up.
func (e *External) check(head byte, body []byte) ([]byte, error) {
	pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: head >> 4, Remaining: len(body)}, ProtocolVersion: 4}
	switch pk.FixedHeader.Type {
	case packets.Connect:
		if err := pk.ConnectDecode(body); err != nil {
			return nil, fmt.Errorf("read connect: %w", err)
		}
		if pk.ProtocolVersion != 4 {
			return nil, fmt.Errorf("protocol level %d: the contract is MQTT 3.1.1", pk.ProtocolVersion)
		}
		if pk.Connect.WillFlag {
			return nil, errWill
		}
		if strings.HasPrefix(pk.Connect.ClientIdentifier, boxClientPrefix) {
			return nil, errName
		}
		if e.Username != "" {
			pk.Connect.UsernameFlag, pk.Connect.Username = true, []byte(e.Username)
			pk.Connect.PasswordFlag, pk.Connect.Password = len(e.Password) > 0, e.Password
		}
		var buf bytes.Buffer
		if err := pk.ConnectEncode(&buf); err != nil {
			return nil, fmt.Errorf("write connect: %w", err)
		}
		return buf.Bytes(), nil
	case packets.Subscribe:
		pk.FixedHeader.Qos = 1
		if err := pk.SubscribeDecode(body); err != nil {
			return nil, fmt.Errorf("read subscribe: %w", err)
		}
		for _, f := range pk.Filters {
			if !readable(f.Filter) {
				return nil, fmt.Errorf("subscribe to %q: %w below airhold/", f.Filter, ErrNotReader)
			}
		}
	case packets.Unsubscribe, packets.Puback, packets.Pubrec, packets.Pubrel, packets.Pubcomp, packets.Pingreq,
		packets.Disconnect:
	default:
		return nil, fmt.Errorf("packet type %d: %w", pk.FixedHeader.Type, ErrNotReader)
	}
	return frame(head, body), nil
}

// readPacket reads one MQTT control packet: fixed header byte and body (MQTT 3.1.1 section 2.2).
func readPacket(r io.Reader) (head byte, body []byte, err error) {
	var b [1]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return 0, nil, err
	}
	head = b[0]
	length, shift := 0, 0
	for {
		if _, err := io.ReadFull(r, b[:]); err != nil {
			return 0, nil, err
		}
		length |= int(b[0]&0x7f) << shift
		if b[0]&0x80 == 0 {
			break
		}
		if shift += 7; shift > 21 {
			return 0, nil, errors.New("mqtt packet with an overlong length")
		}
	}
	if length > maxPacket {
		return 0, nil, fmt.Errorf("mqtt packet of %d bytes: at most %d are allowed", length, maxPacket)
	}
	body = make([]byte, length)
	_, err = io.ReadFull(r, body)
	return head, body, err
}

func frame(head byte, body []byte) []byte {
	out := make([]byte, 0, len(body)+5)
	out = append(out, head)
	n := len(body)
	for {
		b := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			b |= 0x80
		}
		out = append(out, b)
		if n == 0 {
			return append(out, body...)
		}
	}
}
