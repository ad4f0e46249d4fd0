// SPDX-License-Identifier: Apache-2.0

package publish_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/coder/websocket"
	paho "github.com/eclipse/paho.mqtt.golang"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/publish"
)

// bench is one broker under test: how to reach it as a screen, how to take it away and give it back.
type bench struct {
	broker publish.Broker
	addr   string // for a plain MQTT client; empty: none
	kill   func()
	revive func()
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func embeddedBench(t *testing.T) *bench {
	t.Helper()
	b := publish.NewEmbedded("127.0.0.1:0", quiet())
	if err := b.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	return &bench{broker: b, addr: b.Addr(), kill: b.Stop, revive: func() {
		if err := b.Start(context.Background()); err != nil {
			t.Error(err)
		}
	}}
}

func mosquittoBench(t *testing.T) *bench {
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
	addr := l.Addr().String()
	_ = l.Close()
	_, port, _ := net.SplitHostPort(addr)
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence false\n", port)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var cmd *exec.Cmd
	start := func() {
		cmd = exec.Command(bin, "-c", conf)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for range 100 {
			if c, err := net.DialTimeout("tcp", addr, time.Second); err == nil {
				_ = c.Close()
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		t.Fatal("mosquitto does not answer")
	}
	kill := func() {
		if cmd != nil {
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
			cmd = nil
		}
	}
	start()
	t.Cleanup(kill)
	return &bench{broker: &publish.External{Addr: addr}, addr: addr, kill: kill, revive: start}
}

// screen is a plain client that keeps the last payload of each topic, as a tablet does.
type screen struct {
	c    paho.Client
	mu   sync.Mutex
	last map[string][]byte
	got  chan string
}

// viaBox opens a screen's connection through the box's /mqtt.
func viaBox(t *testing.T, url string) func(c *screen) *paho.ClientOptions {
	t.Helper()
	return func(*screen) *paho.ClientOptions {
		return paho.NewClientOptions().AddBroker("ws" + strings.TrimPrefix(url, "http") + "/mqtt")
	}
}

func newScreen(t *testing.T, id string, opts func(*screen) *paho.ClientOptions) *screen {
	t.Helper()
	s := &screen{last: map[string][]byte{}, got: make(chan string, 4096)}
	o := opts(s).SetClientID(id).SetConnectTimeout(2 * time.Second).SetCleanSession(true).
		SetAutoReconnect(true).SetMaxReconnectInterval(time.Second).SetKeepAlive(5 * time.Second).SetPingTimeout(2 * time.Second)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		s.mu.Lock()
		s.last[m.Topic()] = bytes.Clone(m.Payload())
		s.mu.Unlock()
		select {
		case s.got <- m.Topic():
		default:
		}
	})
	o.SetOnConnectHandler(func(c paho.Client) { c.Subscribe("airhold/v1/#", 1, nil) })
	s.c = paho.NewClient(o)
	if tok := s.c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("%s: connect: %v", id, tok.Error())
	}
	t.Cleanup(func() { s.c.Disconnect(0) })
	return s
}

func (s *screen) forget() {
	s.mu.Lock()
	s.last = map[string][]byte{}
	s.mu.Unlock()
}

// await waits until the last payload of topic satisfies ok.
func (s *screen) await(t *testing.T, topic string, within time.Duration, ok func(map[string]any) bool) {
	t.Helper()
	deadline := time.Now().Add(within)
	for {
		s.mu.Lock()
		b := s.last[topic]
		s.mu.Unlock()
		var v map[string]any
		if b != nil && json.Unmarshal(b, &v) == nil && ok(v) {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s within %v: last payload %s", topic, within, b)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func startOutlet(t *testing.T, b publish.Broker) (*publish.Outlet, func()) {
	t.Helper()
	o := publish.NewOutlet(publish.Options{Machine: "kettle-ridge-16", Boot: "9f3c", Broker: b, Wall: clock.Live{}, Log: quiet()})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- o.Run(ctx) }()
	stop := sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v; want nil after its context ended", err)
		}
	})
	t.Cleanup(stop)
	return o, stop
}

func webServer(t *testing.T, b publish.Broker) *httptest.Server {
	t.Helper()
	mux := http.NewServeMux()
	mux.Handle("/mqtt", publish.WebSocket(b, quiet()))
	s := httptest.NewServer(mux)
	t.Cleanup(s.CloseClientConnections)
	return s
}

func alarm(state alarms.StateName, seq uint64) publish.Alarm {
	return publish.Alarm{
		Stamp: publish.Stamp{V: 1, Seq: seq}, Key: "air-leak", Where: "front rank", Title: "Air leak",
		State: state, Priority: alarms.Medium,
	}
}

const prefix = "airhold/v1/kettle-ridge-16/"

func is(field string, want any) func(map[string]any) bool {
	return func(v map[string]any) bool { return v[field] == want }
}

// TestContract runs the whole MQTT contract against the broker inside and against Mosquitto, the reference broker.
func TestContract(t *testing.T) {
	for name, open := range map[string]func(*testing.T) *bench{"embedded": embeddedBench, "mosquitto": mosquittoBench} {
		t.Run(name, func(t *testing.T) { contract(t, open(t)) })
	}
}

func contract(t *testing.T, b *bench) {
	t.Helper()
	out, stop := startOutlet(t, b.broker)
	web := webServer(t, b.broker)
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	check(out.About(publish.About{Name: "Kettle Ridge 16", Simulated: true}))
	check(out.Alarm(alarm(alarms.ActiveUnacked, 1)))
	check(out.Sum(publish.AlarmsSum{Unacked: 1, Active: 1, Highest: "medium"}))

	page := newScreen(t, "page", viaBox(t, web.URL))
	plain := newScreen(t, "plain", func(*screen) *paho.ClientOptions {
		return paho.NewClientOptions().AddBroker("tcp://" + b.addr)
	})
	for _, s := range []*screen{page, plain} {
		s.await(t, prefix+"online", 5*time.Second, is("online", true))
		s.await(t, prefix+"about", 5*time.Second, is("name", "Kettle Ridge 16"))
		s.await(t, prefix+"alarm/air-leak/front-rank", 5*time.Second, is("state", "active_unacked"))
		s.await(t, prefix+"alarms", 5*time.Second, is("unacked", 1.0))
	}

	// Whoever comes late knows everything but the snapshot, which is never retained.
	check(out.Now(&publish.Now{Stamp: publish.Stamp{Seq: 7}}))
	page.await(t, prefix+"now", 5*time.Second, is("seq", 7.0))
	late := newScreen(t, "late", viaBox(t, web.URL))
	late.await(t, prefix+"alarm/air-leak/front-rank", 5*time.Second, is("state", "active_unacked"))
	late.mu.Lock()
	if _, ok := late.last[prefix+"now"]; ok {
		t.Error("a late screen was given an old snapshot as if it were live")
	}
	late.mu.Unlock()

	check(out.Alarm(alarm(alarms.ActiveAcked, 2)))
	page.await(t, prefix+"alarm/air-leak/front-rank", 5*time.Second, is("state", "active_acked"))

	// The broker goes away and comes back: within five seconds the whole state is there, the newest word of it.
	b.kill()
	page.forget()
	check(out.Alarm(alarm(alarms.Normal, 3)))
	b.revive()
	begun := time.Now()
	page.await(t, prefix+"alarm/air-leak/front-rank", 5*time.Second, is("state", "normal"))
	page.await(t, prefix+"about", 5*time.Second-time.Since(begun), is("simulated", true))
	page.await(t, prefix+"online", 5*time.Second-time.Since(begun), is("online", true))
	t.Logf("whole again %v after the broker came back", time.Since(begun).Round(time.Millisecond))

	// An orderly stop says so.
	stop()
	page.await(t, prefix+"online", 5*time.Second, is("online", false))
}

// TestScreensOnlyRead holds every way of writing to a hung-up connection, on both brokers.
func TestScreensOnlyRead(t *testing.T) {
	for name, open := range map[string]func(*testing.T) *bench{"embedded": embeddedBench, "mosquitto": mosquittoBench} {
		t.Run(name, func(t *testing.T) {
			b := open(t)
			out, _ := startOutlet(t, b.broker)
			if err := out.Sum(publish.AlarmsSum{Highest: "none"}); err != nil {
				t.Fatal(err)
			}
			web := webServer(t, b.broker)
			witness := newScreen(t, "witness", viaBox(t, web.URL))
			witness.await(t, prefix+"alarms", 5*time.Second, is("highest", "none"))
			for _, topic := range []string{prefix + "cmd/ack", prefix + "alarms", "airhold/v1/other/now"} {
				lost := intrude(t, web.URL, func(*paho.ClientOptions) {}, func(c paho.Client) {
					c.Publish(topic, 1, true, `{"highest":"forged"}`)
				})
				if !lost {
					t.Errorf("publish to %s: the connection was kept; want it closed", topic)
				}
			}
			if ok := intrude(t, web.URL, func(o *paho.ClientOptions) {
				o.SetWill(prefix+"alarms", `{"highest":"forged"}`, 1, true)
			}, nil); !ok {
				t.Error("a screen with a will was let in")
			}
			if ok := intrude(t, web.URL, func(o *paho.ClientOptions) { o.SetClientID("airhold-box-kettle-ridge-16-9f3c") }, nil); !ok {
				t.Error("a screen took the box's client id")
			}
			time.Sleep(200 * time.Millisecond)
			witness.await(t, prefix+"alarms", time.Second, is("highest", "none"))
		})
	}
}

// intrude connects a client that tries something; it reports whether the box refused it or hung up.
func intrude(t *testing.T, url string, change func(*paho.ClientOptions), try func(paho.Client)) bool {
	t.Helper()
	lost := make(chan struct{}, 1)
	o := paho.NewClientOptions().AddBroker("ws" + strings.TrimPrefix(url, "http") + "/mqtt").SetClientID("intruder").
		SetAutoReconnect(false).SetConnectTimeout(2 * time.Second).
		SetConnectionLostHandler(func(paho.Client, error) { lost <- struct{}{} })
	change(o)
	c := paho.NewClient(o)
	tok := c.Connect()
	if !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		return true
	}
	defer c.Disconnect(0)
	if try != nil {
		try(c)
	}
	select {
	case <-lost:
		return true
	case <-time.After(2 * time.Second):
		return false
	}
}

func TestForeignOriginIsRefused(t *testing.T) {
	b := embeddedBench(t)
	web := webServer(t, b.broker)
	_, resp, err := websocket.Dial(t.Context(), web.URL+"/mqtt", &websocket.DialOptions{
		Subprotocols: []string{"mqtt"}, HTTPHeader: http.Header{"Origin": {"http://elsewhere.test"}},
	})
	if err == nil || resp == nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("a foreign origin got %v, %v; want 403", resp, err)
	}
	if resp != nil {
		_ = resp.Body.Close()
	}
}

func TestSecondBrokerOnThePortSaysWhatToDo(t *testing.T) {
	first := embeddedBench(t)
	second := publish.NewEmbedded(first.addr, quiet())
	err := second.Start(t.Context())
	if err == nil || !strings.Contains(err.Error(), "is another airhold or broker running") {
		t.Errorf("Start = %v; want the sentence about a second instance", err)
	}
}

func TestOversizedPacketIsNotServed(t *testing.T) {
	for name, open := range map[string]func(*testing.T) *bench{"embedded": embeddedBench, "mosquitto": mosquittoBench} {
		t.Run(name, func(t *testing.T) {
			b := open(t)
			web := webServer(t, b.broker)
			if !intrude(t, web.URL, func(*paho.ClientOptions) {}, func(c paho.Client) {
				c.SubscribeMultiple(map[string]byte{
					"airhold/v1/" + strings.Repeat("x", 40000): 0, "airhold/v1/" + strings.Repeat("y", 40000): 0,
				}, nil)
			}) {
				t.Error("a packet past 64 KiB was served")
			}
		})
	}
}

func TestSlug(t *testing.T) {
	for in, want := range map[string]string{
		"tank side": "tank-side", "Kettle Ridge 16": "kettle-ridge-16", "front fill valve": "front-fill-valve",
		"load_3": "load_3", "": "", "  a  b ": "a-b", "Ä/+#": "",
	} {
		if got := publish.Slug(in); got != want {
			t.Errorf("Slug(%q) = %q; want %q", in, got, want)
		}
	}
}
