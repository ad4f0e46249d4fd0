// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"airhold/config"
	"airhold/firmware/publish"
	"airhold/firmware/rig"
)

// mosquitto is the reference broker, on a port that stays its own over a restart.
type mosquitto struct {
	t    *testing.T
	bin  string
	conf string
	addr string
	cmd  *exec.Cmd
}

func newMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		bin = "/usr/sbin/mosquitto"
		if _, err := os.Stat(bin); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal("mosquitto is missing: apt-get install mosquitto")
			}
			t.Skip("mosquitto is missing: apt-get install mosquitto")
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{t: t, bin: bin, addr: l.Addr().String(), conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	_ = l.Close()
	_, port, err := net.SplitHostPort(m.addr)
	if err != nil {
		t.Fatal(err)
	}
	// persistence false: after its restart the broker knows nothing, so all it then says the box has told it anew.
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence false\n", port)
	if err := os.WriteFile(m.conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(m.kill)
	m.start()
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command(m.bin, "-c", m.conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	for range 250 {
		if c, err := net.DialTimeout("tcp", m.addr, time.Second); err == nil {
			_ = c.Close()
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	m.t.Fatal("mosquitto does not answer")
}

func (m *mosquitto) kill() {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Kill()
	_ = m.cmd.Wait()
	m.cmd = nil
}

// reader is a screen: it keeps the newest payload of each topic and forgets them when it is told.
type reader struct {
	t    *testing.T
	mu   sync.Mutex
	last map[string]map[string]any
}

func newReader(t *testing.T, page string) *reader {
	t.Helper()
	r := &reader{t: t, last: map[string]map[string]any{}}
	o := paho.NewClientOptions().AddBroker("ws" + strings.TrimPrefix(page, "http") + "/mqtt").SetClientID("screen").SetCleanSession(true).
		SetAutoReconnect(true).SetMaxReconnectInterval(500 * time.Millisecond).SetConnectTimeout(2 * time.Second).SetKeepAlive(5 * time.Second)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		var v map[string]any
		if json.Unmarshal(m.Payload(), &v) != nil {
			return
		}
		r.mu.Lock()
		r.last[strings.TrimPrefix(m.Topic(), "airhold/v1/kettle-ridge-16/")] = v
		r.mu.Unlock()
	})
	o.SetOnConnectHandler(func(c paho.Client) { c.Subscribe("airhold/v1/#", 1, nil) })
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("screen: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return r
}

func (r *reader) forget() {
	r.mu.Lock()
	r.last = map[string]map[string]any{}
	r.mu.Unlock()
}

func (r *reader) await(within time.Duration, topic string, ok func(map[string]any) bool) {
	r.t.Helper()
	deadline := time.Now().Add(within)
	for {
		r.mu.Lock()
		v := r.last[topic]
		r.mu.Unlock()
		if v != nil && ok(v) {
			return
		}
		if time.Now().After(deadline) {
			r.t.Errorf("%s within %v: the last payload is %v", topic, within.Round(time.Millisecond), v)
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// TestBrokerGoneAndBack takes the broker of a running box away and gives it back: the process of a real Mosquitto, or
// the listener and every client of the one inside. Within five seconds of its return a screen knows everything again,
// also what changed meanwhile, and the snapshot it gets is of that moment.
func TestBrokerGoneAndBack(t *testing.T) {
	t.Run("mosquitto", func(t *testing.T) {
		m := newMosquitto(t)
		brokerGone(t, standOptions{change: func(c *config.Machine) { c.MQTT.Broker = "tcp://" + m.addr }},
			func(*stand) { m.kill() }, func(*stand) { m.start() })
	})
	t.Run("embedded", func(t *testing.T) {
		inside := func(s *stand) *publish.Embedded {
			e, ok := s.box.Broker().(*publish.Embedded)
			if !ok {
				t.Fatal("the box has no broker inside")
			}
			return e
		}
		brokerGone(t, standOptions{}, func(s *stand) { inside(s).Stop() }, func(s *stand) {
			if err := inside(s).Start(context.Background()); err != nil {
				t.Error(err)
			}
		})
	})
}

func brokerGone(t *testing.T, o standOptions, kill, revive func(*stand)) {
	t.Helper()
	state := func(want string) func(map[string]any) bool {
		return func(v map[string]any) bool { return v["state"] == want }
	}
	o.story, o.rate = "quiet", 10
	o.faults = []rig.Event{{What: rig.Unplug, Where: "front"}}
	s := newStand(t, o)
	s.start()
	screen := newReader(t, s.addr.Page)
	const front, rear = "alarm/pressure-fault/front", "alarm/pressure-fault/rear"
	screen.await(10*time.Second, front, state("active_unacked"))
	screen.await(5*time.Second, "about", func(v map[string]any) bool { return v["simulated"] == true })
	screen.await(5*time.Second, "online", func(v map[string]any) bool { return v["online"] == true })
	screen.await(5*time.Second, "now", func(v map[string]any) bool { return v["simulated"] == true })

	kill(s)
	// What was on its way when the broker went may still arrive, also late; what the box says once it has noticed must not.
	s.until(5*time.Second, "the box notices", func() bool { code, _ := s.get("/healthz"); return code == http.StatusServiceUnavailable })
	screen.forget()
	before := s.now()
	// Two things change while nobody can be told.
	do(rig.Unplug, "rear", 0)(s)
	do(rig.Plug, "front", 0)(s)
	s.until(20*time.Second, "the box goes on without a broker", func() bool { return s.now().Mono > before.Mono+30_000 })
	if code, body := s.get("/healthz"); code != http.StatusServiceUnavailable || !strings.Contains(string(body), "broker") {
		t.Errorf("/healthz = %d %s; want 503 and the broker named", code, body)
	}
	screen.mu.Lock()
	for topic, v := range screen.last {
		if mono, ok := v["mono"].(float64); !ok || mono > float64(before.Mono) {
			t.Errorf("without a broker a screen was told %s: %v", topic, v)
		}
	}
	screen.mu.Unlock()

	gone := s.now().Mono
	revive(s)
	back := time.Now()
	const whole = 5 * time.Second // what the box promises
	left := func() time.Duration { return whole - time.Since(back) }
	screen.await(left(), "online", func(v map[string]any) bool { return v["online"] == true })
	screen.await(left(), "about", func(v map[string]any) bool { return v["simulated"] == true })
	screen.await(left(), front, state("returned_unacked"))
	screen.await(left(), rear, state("active_unacked"))
	screen.await(left(), "alarms", func(v map[string]any) bool { return v["unacked"] == 2.0 && v["active"] == 1.0 })
	screen.await(left(), "now", func(v map[string]any) bool { mono, _ := v["mono"].(float64); return mono > float64(gone) })
	t.Logf("whole again %v after the broker came back", time.Since(back).Round(time.Millisecond))
	s.until(left(), "healthy", func() bool { code, _ := s.get("/healthz"); return code == http.StatusOK })
	s.stop()
}
