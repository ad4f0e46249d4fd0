// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"fmt"
	"strconv"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	readerCount = 4
	readerTurn  = 15 * time.Second
)

// pageReaders looks at the box's share of a core with four readers of everything and with none, turn by turn.
func pageReaders(ctx context.Context, p *pageBench, t *pageTable) error {
	b, err := startBox(ctx, p.binary, "--seed", strconv.FormatUint(p.seed, 10), "--story", "quiet", "--listen", "127.0.0.1:0", "--mqtt", "off")
	if err != nil {
		return err
	}
	defer b.end()
	if err := pause(ctx, demoSettles); err != nil {
		return err
	}
	var heard atomic.Int64
	var shares [2][]float64
	turns := max(1, int(p.duration/(2*readerTurn)))
	for range turns {
		for side, count := range []int{0, readerCount} {
			clients := make([]mqtt.Client, count)
			for i := range clients {
				if clients[i], err = b.subscribe(ctx, "bench-reader-"+strconv.Itoa(i), "127.0.0."+strconv.Itoa(2+i), "airhold/v1/#", func(mqtt.Client, mqtt.Message) { heard.Add(1) }); err != nil {
					return err
				}
			}
			if err := pause(ctx, time.Second); err != nil { // what is retained comes once, at the start
				return err
			}
			share, err := shareOfCore(ctx, b.cmd.Process.Pid, readerTurn)
			if err != nil {
				return err
			}
			shares[side] = append(shares[side], share)
			for _, c := range clients {
				c.Disconnect(100)
			}
		}
	}
	n := fmt.Sprintf("%d x %s", turns, readerTurn)
	without, with := mean(shares[0]), mean(shares[1])
	tell := func(v []float64) string {
		return fmt.Sprintf("%.2f %% of a core, %.2f to %.2f", mean(v), share(v, 0), share(v, 1))
	}
	t.add("the box without a reader", n, tell(shares[0]))
	t.hold(fmt.Sprintf("the box with %d readers of everything", readerCount), n, tell(shares[1]), fmt.Sprintf("%.0f %%", shareBar), with <= shareBar)
	t.add("  of that, the readers", n, fmt.Sprintf("%.2f %% of a core", with-without))
	t.hold("messages to the readers", "", strconv.FormatInt(heard.Load(), 10), "more than none", heard.Load() > 0)
	t.note("User and system time of the process by /proc, a tick is %s; the demo at real time, MQTT over WebSocket.", clockTick)
	return nil
}

// shareOfCore is how much of a core a process took over a span, in %.
func shareOfCore(ctx context.Context, pid int, span time.Duration) (float64, error) {
	before, err := processTime(pid)
	if err != nil {
		return 0, err
	}
	began := time.Now()
	if err := pause(ctx, span); err != nil {
		return 0, err
	}
	took := time.Since(began)
	after, err := processTime(pid)
	return 100 * (after - before).Seconds() / took.Seconds(), err
}
