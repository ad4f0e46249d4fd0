// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"airhold/firmware/alarms"
	"airhold/firmware/publish"
)

const (
	brokerPace  = time.Millisecond // 1,000 messages a second
	brokerBlock = 2500 * time.Millisecond
	brokerBar   = 1.0 // ms, p99
)

// way is one broker with a program that publishes to it.
type way struct {
	name string
	web  string
	out  mqtt.Client
}

// arrived is what the listener says of a block.
type arrived struct {
	Broker string
	Block  string
	NS     []float64
}

// pageBroker publishes at a steady pace to the broker inside and to Mosquitto, turn by turn.
func pageBroker(ctx context.Context, p *pageBench, t *pageTable) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ours, err := insideWay(ctx)
	if err != nil {
		return err
	}
	defer ours.out.Disconnect(100)
	other, err := newMosquitto(ctx, p.dir)
	if err != nil {
		return err
	}
	defer other.kill()
	theirs := way{name: "mosquitto", web: "ws://" + other.web}
	if theirs.out, err = publisher(mqtt.NewClientOptions().AddBroker("tcp://" + other.tcp)); err != nil {
		return err
	}
	defer theirs.out.Disconnect(100)
	ways := []way{ours, theirs}
	heard := make(chan arrived, 16)
	over := make(chan error, 1)
	listening, hush := context.WithCancel(ctx)
	defer hush()
	go func() {
		over <- script(listening, "page_broker.mjs", []string{"BROKERS=" + ours.name + "=" + ours.web + " " + theirs.name + "=" + theirs.web}, func(line []byte) error {
			a, err := parse[arrived](line)
			heard <- a
			return err
		})
	}()
	next := func() (arrived, error) {
		select {
		case a := <-heard:
			return a, nil
		case err := <-over:
			return arrived{}, errors.Join(errors.New("the listener has ended"), err)
		case <-time.After(30 * time.Second):
			return arrived{}, errors.New("the listener says nothing for 30 s")
		}
	}
	if _, err := next(); err != nil {
		return err
	}
	took := map[string][]float64{}
	blocks := map[string][]float64{} // p99 of each
	lost := 0
	rounds := max(1, int(p.duration/(4*brokerBlock)))
	for round := range rounds + 1 { // the first is for warming up and is not counted
		for _, qos := range []byte{1, 0} {
			for i := range ways {
				w := &ways[(i+round)%len(ways)]
				block := w.name + strconv.Itoa(int(qos))
				sent, err := w.block(ctx, qos, block)
				if err != nil {
					return fmt.Errorf("%s: %w", w.name, err)
				}
				a, err := next()
				if err != nil {
					return err
				}
				if a.Broker != w.name || a.Block != block {
					return fmt.Errorf("the listener tells of %s, block %s; want %s, %s", a.Broker, a.Block, w.name, block)
				}
				lost += sent - len(a.NS)
				if round == 0 {
					continue
				}
				ms := make([]float64, len(a.NS))
				for j, ns := range a.NS {
					ms[j] = ns / 1e6
				}
				took[block] = append(took[block], ms...)
				blocks[block] = append(blocks[block], share(ms, 0.99))
			}
		}
	}
	hush()
	for _, qos := range []string{"1", "0"} {
		a, b := took[ours.name+qos], took[theirs.name+qos]
		t.hold("broker inside, QoS "+qos, strconv.Itoa(len(a)), spread(a), fmt.Sprintf("p99 %g ms", brokerBar), share(a, 0.99) <= brokerBar)
		t.add("Mosquitto, QoS "+qos, strconv.Itoa(len(b)), spread(b))
		more := make([]float64, rounds)
		for i := range more {
			more[i] = blocks[ours.name+qos][i] - blocks[theirs.name+qos][i]
		}
		mid, low, high := medianBetween(more)
		t.hold("  p99 of a block, inside less Mosquitto", strconv.Itoa(rounds), fmt.Sprintf("%.3f ms (95 %%: %.3f to %.3f)", mid, low, high),
			"not surely above 0", !(low > 0))
	}
	t.hold("messages that did not arrive", "", strconv.Itoa(lost), "0", lost == 0)
	t.note("paho publishes an alarm's state each millisecond, mqtt.js in Node takes it over WebSocket; blocks of %s, turn by turn. paho reaches", brokerBlock)
	t.note("the broker inside through memory, as the box does, and Mosquitto over TCP. Both listeners do without Nagle's delay.")
	return nil
}

// medianBetween returns the median with an interval that holds the true one with at least 95 % chance: order statistics, by the
// binomial distribution (Conover, Practical Nonparametric Statistics, 3.2, from memory). Few values have no such interval.
func medianBetween(all []float64) (mid, low, high float64) {
	s := slices.Sorted(slices.Values(all))
	n := len(s)
	low, high = math.Inf(-1), math.Inf(1)
	below, one := 0.0, math.Pow(0.5, float64(n)) // chance of at most k of n below the median, and of k+1
	for k := range n / 2 {
		if below += one; below > 0.025 {
			break
		}
		low, high = s[k], s[n-1-k]
		one *= float64(n-k) / float64(k+1)
	}
	return share(all, 0.5), low, high
}

// insideWay is the box's own broker and its WebSocket, in this process.
func insideWay(ctx context.Context) (way, error) {
	quiet := slog.New(slog.DiscardHandler)
	broker := publish.NewEmbedded("", quiet)
	if err := broker.Start(ctx); err != nil {
		return way{}, err
	}
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		broker.Stop()
		return way{}, err
	}
	server := &http.Server{Handler: publish.WebSocket(broker, quiet), ReadHeaderTimeout: 5 * time.Second}
	go func() { _ = server.Serve(l) }() // ends with Close
	context.AfterFunc(ctx, func() {
		_ = server.Close()
		broker.Stop()
	})
	o := mqtt.NewClientOptions().AddBroker("tcp://box").SetClientID("airhold-box-bench")
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return broker.Dial(ctx) })
	out, err := publisher(o)
	return way{"inside", "ws://" + l.Addr().String() + "/mqtt", out}, err
}

// publisher connects as the box's outlet does.
func publisher(o *mqtt.ClientOptions) (mqtt.Client, error) {
	o.SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetOrderMatters(false)
	c := mqtt.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return nil, fmt.Errorf("connect: %w", t.Error())
	}
	return c, nil
}

// block publishes one block and says that it is done.
func (w *way) block(ctx context.Context, qos byte, name string) (sent int, err error) {
	a := publish.Alarm{
		Stamp: publish.Stamp{V: 1, T: time.Now().UTC(), Clk: "good", Boot: "20260428t090000-4711", Seq: 812},
		Key:   "tank-short", Title: "Tank cannot hold target", State: alarms.ActiveUnacked, Priority: alarms.High, Group: "air-leak/front rank",
		Do: "Stop and let the tank fill", Cause: "use or loss beyond what the compressor gives", Caution: "Eyes on the field first.", From: "from the seat",
	}
	due := time.Now()
	var last mqtt.Token
	for end := due.Add(brokerBlock); due.Before(end); due = due.Add(brokerPace) {
		if err := pause(ctx, time.Until(due)); err != nil {
			return sent, err
		}
		a.Seq, a.Mono = a.Seq+1, int64(monotonic())
		text, err := json.Marshal(&a)
		if err != nil {
			return sent, err
		}
		last = w.out.Publish("airhold/v1/bench/alarm/tank-short", qos, false, text)
		sent++
	}
	if !last.WaitTimeout(5*time.Second) || last.Error() != nil {
		return sent, errors.Join(errors.New("the last message was not taken"), last.Error())
	}
	t := w.out.Publish("airhold/v1/bench/done", 1, false, strings.Clone(name))
	if !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return sent, errors.Join(errors.New("the end of the block was not taken"), t.Error())
	}
	return sent, nil
}
