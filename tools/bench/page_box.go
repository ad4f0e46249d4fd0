// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	neturl "net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/coder/websocket"
	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"
)

// monotonic is CLOCK_MONOTONIC: what Go, Node and Chromium on one host can all read.
func monotonic() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		return 0
	}
	return time.Duration(ts.Nano())
}

// box is the built program, running its demo.
type box struct {
	cmd  *exec.Cmd
	page string // http://host:port
	stop context.CancelFunc
}

// buildAirhold compiles the program into dir.
func buildAirhold(ctx context.Context, dir string) (string, error) {
	binary := filepath.Join(dir, "airhold")
	build := exec.CommandContext(ctx, "go", "build", "-o", binary, "./cmd/airhold") //nolint:gosec // fixed arguments
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build airhold: %w\n%s", err, out)
	}
	return binary, nil
}

// startBox starts the demo and waits until it names its page. It ends with ctx, or by end or kill.
func startBox(ctx context.Context, binary string, flags ...string) (*box, error) {
	ctx, stop := context.WithCancel(ctx)
	cmd := exec.CommandContext(ctx, binary, append([]string{"demo"}, flags...)...) //nolint:gosec // what was just built
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 10 * time.Second
	said, err := cmd.StdoutPipe()
	if err != nil {
		stop()
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		stop()
		return nil, err
	}
	b := &box{cmd: cmd, stop: stop}
	page, err := pageOf(said)
	if err != nil {
		b.end()
		return nil, err
	}
	b.page = strings.TrimSuffix(page, "/")
	return b, nil
}

// end stops the box in order, so that its log is whole.
func (b *box) end() {
	b.stop()
	_ = b.cmd.Wait() // it was told to end
}

// kill ends the box as a lost supply does.
func (b *box) kill() error {
	err := b.cmd.Process.Kill()
	_ = b.cmd.Wait() // it was killed
	b.stop()
	return err
}

// subscribe reads from the box as a screen does, from a loopback address of its own, because the box serves one tablet only a
// few connections; take runs on the client's goroutines, in order.
func (b *box) subscribe(ctx context.Context, id, from, filter string, take mqtt.MessageHandler) (mqtt.Client, error) {
	url := "ws" + strings.TrimPrefix(b.page, "http") + "/mqtt"
	local := &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
	web := &http.Client{Transport: &http.Transport{DialContext: local.DialContext}}
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(id).SetConnectTimeout(10 * time.Second).SetAutoReconnect(false)
	o.SetCustomOpenConnectionFn(func(*neturl.URL, mqtt.ClientOptions) (net.Conn, error) {
		c, _, err := websocket.Dial(ctx, url, &websocket.DialOptions{HTTPClient: web, Subprotocols: []string{"mqtt"}}) //nolint:bodyclose // the library's own
		if err != nil {
			return nil, err
		}
		c.SetReadLimit(1 << 20)
		return websocket.NetConn(ctx, c, websocket.MessageBinary), nil
	})
	c := mqtt.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return nil, fmt.Errorf("connect to %s: %w", url, t.Error())
	}
	if t := c.Subscribe(filter, 1, take); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		c.Disconnect(0)
		return nil, fmt.Errorf("subscribe: %w", t.Error())
	}
	return c, nil
}

// pageSources is where the page and its libraries lie, from the project's root.
const pageSources = "firmware/tablet/page"

// script runs one of the programs for Node beside this one and gives take each line of JSON that it prints. It returns when
// the script has ended.
func script(ctx context.Context, name string, env []string, take func(line []byte) error) error {
	if _, err := os.Stat(filepath.Join(pageSources, "node_modules/playwright-core")); err != nil {
		return fmt.Errorf("run this from the project's root, after npm ci in %s: %w", pageSources, err)
	}
	cmd := exec.CommandContext(ctx, "node", filepath.Join("tools", "bench", name)) //nolint:gosec // our own scripts
	cmd.Env = append(os.Environ(), env...)
	cmd.Stderr = os.Stderr
	cmd.Cancel = func() error { return cmd.Process.Signal(unix.SIGTERM) }
	cmd.WaitDelay = 10 * time.Second
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() && err == nil {
		err = take(lines.Bytes())
	}
	if err != nil {
		_ = cmd.Process.Kill()
	}
	_, _ = io.Copy(io.Discard, out)
	return errors.Join(err, lines.Err(), cmd.Wait())
}

// parse reads a line of JSON.
func parse[T any](line []byte) (T, error) {
	var v T
	if err := json.Unmarshal(line, &v); err != nil {
		return v, fmt.Errorf("%w in %.200s", err, line)
	}
	return v, nil
}

// idleness is how busy the machine was with other things while something was measured.
type idleness struct {
	all, steal int64 // ticks of all processors, and of them those that the host gave to others
	load       string
}

func lookAround() idleness {
	var i idleness
	text, err := os.ReadFile("/proc/stat")
	if err != nil {
		return i
	}
	first, _, _ := strings.Cut(string(text), "\n")
	for n, f := range strings.Fields(first) {
		v, err := strconv.ParseInt(f, 10, 64)
		if err != nil || n > 8 { // guest time is in user time already: proc_stat(5)
			continue
		}
		i.all += v
		if n == 8 {
			i.steal = v
		}
	}
	if text, err = os.ReadFile("/proc/loadavg"); err == nil {
		i.load = strings.Join(strings.Fields(string(text))[:2], ", ")
	}
	return i
}

// since tells it in words.
func (i idleness) since(before idleness) string {
	share := 100 * float64(i.steal-before.steal) / float64(max(1, i.all-before.all))
	return fmt.Sprintf("load average (1, 5 min) %s before, %s after; steal time %.2f %%", before.load, i.load, share)
}
