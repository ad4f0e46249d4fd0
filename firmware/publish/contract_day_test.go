// SPDX-License-Identifier: Apache-2.0

package publish_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/publish"
	"airhold/firmware/rig"
	"airhold/firmware/store"
	"airhold/firmware/store/trend"
	"airhold/firmware/tablet"
)

// message is what a reader of the broker got.
type message struct {
	Topic    string `json:"topic"`
	Payload  string `json:"payload"`
	QoS      byte   `json:"qos"`
	Retained bool   `json:"retained"`
	Late     bool   `json:"late"` // got by a reader that came when all was said
}

type document struct {
	Schema string `json:"schema"`
	Text   string `json:"text"`
}

type channelJudged struct {
	Address string `json:"address"`
	Action  string `json:"action"`
	QoS     int    `json:"qos"`
	Retain  bool   `json:"retain"`
}

type verdict struct {
	Diagnostics []string        `json:"diagnostics"`
	Faults      []string        `json:"faults"`
	Seen        map[string]int  `json:"seen"`
	Channels    []channelJudged `json:"channels"`
}

// judge asks the npm packages @asyncapi/parser and ajv whether messages keep the contract. A missing package is a skip,
// with CI set a failure.
func judge(t *testing.T, messages []message, documents []document) verdict {
	t.Helper()
	const folder, install = "testdata/peer", "npm ci --ignore-scripts --prefix firmware/publish/testdata/peer"
	lack := ""
	node, err := exec.LookPath("node")
	if err != nil {
		lack = "judging the contract needs Node.js (Debian package nodejs) and then: " + install
	} else if _, err := os.Stat(filepath.Join(folder, "node_modules", "ajv", "package.json")); err != nil {
		lack = "judging the contract needs npm packages: " + install
	}
	if lack != "" && os.Getenv("CI") != "" {
		t.Fatal(lack)
	}
	if lack != "" {
		t.Skip(lack)
	}
	dir, err := filepath.Abs("contract")
	if err != nil {
		t.Fatal(err)
	}
	ask, err := json.Marshal(map[string]any{"dir": dir, "messages": messages, "documents": documents})
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), node, "check.mjs")
	cmd.Dir, cmd.Stdin, cmd.Stderr = folder, bytes.NewReader(ask), os.Stderr
	raw, err := cmd.Output()
	if err != nil {
		t.Fatalf("node check.mjs: %v", err)
	}
	var v verdict
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatalf("answer of check.mjs: %v", err)
	}
	return v
}

// listen reads everything below airhold/ as a reader of the contract does.
func listen(t *testing.T, addr, id string, late bool, take func(message)) func() {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetCleanSession(true).SetConnectTimeout(2 * time.Second)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		take(message{m.Topic(), string(m.Payload()), m.Qos(), m.Retained(), late})
	})
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("%s: connect: %v", id, tok.Error())
	}
	if tok := c.Subscribe("airhold/#", 1, nil); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("%s: subscribe: %v", id, tok.Error())
	}
	stop := sync.OnceFunc(func() { c.Disconnect(100) })
	t.Cleanup(stop)
	return stop
}

// day plays a shop visit on the whole box: a sensor is unplugged, a leak-down test is done. It returns all that the box
// said, to a reader that was there from the beginning and to one that came before the end, and what it answered by HTTP.
func day(t *testing.T, dir, broker string) ([]message, []document) {
	t.Helper()
	r, err := rig.New(rig.Options{
		Seed: 1, Story: rig.ShopStory, StallTimesOut: true,
		Faults: []rig.Event{{What: rig.Unplug, Where: "front"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	m := config.ExampleMachine()
	m.Simulated, m.Page.Listen, m.MQTT.Listen, m.Logging.Dir = true, "127.0.0.1:0", "127.0.0.1:0", dir
	if broker != "" {
		m.MQTT.Broker = "tcp://" + broker
	}
	wall := clock.NewVirtual(r.Clock(0), 40)
	s, err := store.Open(dir, store.Options{Clock: wall})
	if err != nil {
		t.Fatal(err)
	}
	up := make(chan firmware.Addresses, 1)
	box, err := firmware.NewBox(firmware.BoxOptions{
		Machine: m, Text: config.Example(), Clock: wall, Wires: firmware.RigWires(r, wall), Store: s, Boot: "day",
		Software: "test", Simulated: true, Story: rig.ShopStory, Rate: 40, Log: quiet(), Ready: func(a firmware.Addresses) { up <- a },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	leave := wall.Join()
	done := make(chan error, 1)
	go func() { done <- errors.Join(box.Run(ctx), s.Close(), r.Close()) }()
	at := <-up
	var mu sync.Mutex
	var got []message
	take := func(m message) {
		mu.Lock()
		defer mu.Unlock()
		got = append(got, m)
	}
	addr := strings.TrimPrefix(at.MQTT, "tcp://")
	stopEarly := listen(t, addr, "early", false, take)
	do := func(when time.Duration, v alarms.Verb, args map[string]string) {
		if err := wall.Sleep(ctx, when-wall.Boot()); err != nil {
			t.Fatal(err)
		}
		a, err := box.Do(ctx, alarms.Command{ID: "c" + strconv.Itoa(int(wall.Boot())), Verb: v, Args: args, By: "Ada", Role: alarms.Operate, Via: "page"})
		if err != nil || !a.OK {
			t.Errorf("%s %v: %+v, %v", v, args, a, err)
		}
	}
	do(20*time.Second, alarms.TestStart, map[string]string{"zone": "tank"})
	for i, tick := range []string{"park", "key", "down", "clear", "eyes", "spray"} {
		do(time.Duration(21+i)*time.Second, alarms.TestStep, map[string]string{"tick": tick})
	}
	do(50*time.Second, alarms.TestStep, map[string]string{"next": "1"})
	do(135*time.Second, alarms.TestStep, map[string]string{"next": "1"})
	if err := wall.Sleep(ctx, 6*time.Minute-wall.Boot()); err != nil {
		t.Fatal(err)
	}
	leave()
	stop := listen(t, addr, "late", true, func(m message) {
		if m.Retained { // what goes on is the early reader's
			take(m)
		}
	})
	time.Sleep(500 * time.Millisecond)
	stop()
	stopEarly()
	answers := answered(t, at.Page)
	answers = append(answers, commandsGoByHTTP(t, at.Page, addr, wall, broker == "")...)
	cancel()
	if err := <-done; err != nil {
		t.Errorf("the box ended with %v", err)
	}
	mu.Lock()
	defer mu.Unlock()
	return slices.Clone(got), answers
}

// fetch asks the page server; a body makes it a POST of JSON.
func fetch(t *testing.T, target, body string) (int, []byte) {
	t.Helper()
	method := http.MethodGet
	if body != "" {
		method = http.MethodPost
	}
	r, err := http.NewRequestWithContext(t.Context(), method, target, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	got, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		t.Fatal(err)
	}
	return got.StatusCode, text
}

// answered is what a box answers by HTTP, each with its schema.
func answered(t *testing.T, page string) []document {
	t.Helper()
	var out []document
	for target, schema := range map[string]string{
		"/api/now": "now.json", "/api/test": "test.json", "/api/test/curve": "curve.json", "/api/alarms": "alarm.json", "/api/tests": "result.json",
		"/api/alarm-health": "alarm-health.json",
		"/api/setup":        "setup.json", "/api/sensor?id=load_2": "sensor.json", "/api/sensor?id=front": "sensor.json",
		"/api/trend?channels=tank,front,compressor.duty,need.front&from=-10m": "trend.json", "/api/trend?channels=tank&from=-2h": "trend.json",
		"/api/log": "log.json", "/api/export": "export.json",
	} {
		code, text := fetch(t, page+target, "")
		if code != http.StatusOK {
			t.Errorf("GET %s = %d %.200s", target, code, text)
			continue
		}
		if text[0] != '[' {
			out = append(out, document{schema, string(text)})
			continue
		}
		var all []json.RawMessage
		if err := json.Unmarshal(text, &all); err != nil || len(all) == 0 {
			t.Errorf("GET %s has %d, %v; want some", target, len(all), err)
		}
		for _, one := range all {
			out = append(out, document{schema, string(one)})
		}
	}
	return out
}

// commandsGoByHTTP tries to acknowledge an alarm in every way there is: by MQTT nothing happens, a broker inside hangs up;
// by HTTP a stale press is refused with a sentence, a fresh one is done, and its id does nothing a second time.
func commandsGoByHTTP(t *testing.T, page, addr string, wall clock.Clock, inside bool) []document {
	t.Helper()
	state := func() string {
		_, text := fetch(t, page+"/api/alarms", "")
		var all []struct{ Key, Where, State string }
		if err := json.Unmarshal(text, &all); err != nil {
			t.Errorf("/api/alarms: %v", err)
		}
		for _, a := range all {
			if a.Key == "pressure-fault" && a.Where == "front" {
				return a.State
			}
		}
		return "not there: " + string(text)
	}
	if got := state(); got != "active_unacked" {
		t.Fatalf("the unplugged sensor's alarm is %s; want active_unacked", got)
	}
	lost := make(chan struct{}, 1)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("commander").SetAutoReconnect(false).
		SetConnectionLostHandler(func(paho.Client, error) { lost <- struct{}{} }))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	c.Publish(prefix+"cmd/ack", 1, true, `{"id":"m1","key":"pressure-fault","where":"front","by":"Ada"}`)
	select {
	case <-lost:
		if !inside {
			t.Error("mosquitto hung up; it has no such rule")
		}
	case <-time.After(time.Second):
		if inside {
			t.Error("a publish to cmd/ack was taken by the broker inside; want the connection closed")
		}
	}
	if !inside { // such a broker keeps it for readers, so it is taken back
		if tok := c.Publish(prefix+"cmd/ack", 1, true, ""); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
			t.Error(tok.Error())
		}
	}
	c.Disconnect(100)
	if got := state(); got != "active_unacked" {
		t.Errorf("after a retained command by MQTT the alarm is %s; want active_unacked", got)
	}
	var out []document
	post := func(verb, id string, age time.Duration, want int, says string) {
		t.Helper()
		at := wall.Sample().UTC.Add(-age).Format(time.RFC3339Nano)
		code, text := fetch(t, page+"/api/cmd/"+verb, `{"id":"`+id+`","t":"`+at+`","key":"pressure-fault","where":"front","for":"10m"}`)
		if code != want || !strings.Contains(string(text), says) {
			t.Errorf("%s %s, %v old = %d %s; want %d and %q", verb, id, age, code, text, want, says)
		}
		out = append(out, document{"answer.json", string(text)})
	}
	post("shelve", "stale", time.Hour, http.StatusConflict, "so it may no longer be meant")
	if got := state(); got != "active_unacked" {
		t.Errorf("after a stale command the alarm is %s; want active_unacked", got)
	}
	noFor := func(id string) {
		t.Helper()
		code, text := fetch(t, page+"/api/cmd/ack", `{"id":"`+id+`","key":"pressure-fault","where":"front"}`)
		if code != http.StatusOK || !strings.Contains(string(text), `"ok":true`) {
			t.Errorf("ack %s = %d %s; want it done", id, code, text)
		}
		out = append(out, document{"answer.json", string(text)})
	}
	noFor("once")
	noFor("once")
	post("shelve", "once", 0, http.StatusOK, `"id":"once","ok":true`) // answered as before, and not done
	if got := state(); got != "active_acked" {
		t.Errorf("after an acknowledgement, and its id again with another verb, the alarm is %s; want active_acked", got)
	}
	return out
}

// TestContractOfADay holds the AsyncAPI document, the schemas and the code together on both brokers: whatever the box says
// in a simulated shop visit, and the outbox of its journal, is in the document, has its QoS, is retained or not as it says,
// and keeps its schema to the last field; and everything in the document was said.
func TestContractOfADay(t *testing.T) {
	for name, open := range map[string]func(*testing.T) *bench{"embedded": embeddedBench, "mosquitto": mosquittoBench} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			b := open(t)
			reach := "" // the box's own
			if name == "mosquitto" {
				reach = b.addr
			}
			said, answers := day(t, dir, reach)
			said = append(said, outboxDay(t, dir, b)...)
			v := judge(t, said, answers)
			for _, d := range v.Diagnostics {
				t.Errorf("asyncapi.json: %s", d)
			}
			for i, f := range v.Faults {
				if i == 10 {
					t.Errorf("and %d more", len(v.Faults)-i)
					break
				}
				t.Error(f)
			}
			retained := map[string]bool{}
			for _, m := range said {
				if m.Late {
					retained[strings.Split(strings.TrimPrefix(m.Topic, prefix), "/")[0]] = true
				}
			}
			for _, c := range v.Channels {
				if v.Seen[c.Address] == 0 {
					t.Errorf("%s is in the contract, and nobody said it", c.Address)
				}
				if c.Action != "send" {
					t.Errorf("%s: the contract has action %q; the box only sends", c.Address, c.Action)
				}
				first, _, _ := strings.Cut(strings.TrimPrefix(c.Address, "airhold/v1/{machine}/"), "/")
				if c.Retain && !retained[first] {
					t.Errorf("%s is retained by the contract, and a late reader did not get it", c.Address)
				}
			}
			t.Logf("%d messages and %d answers judged, by channel: %v", len(said), len(answers), v.Seen)
		})
	}
}

// outboxDay says what the journal of a day holds by an outbox of its own, and two alerts more that come while it runs.
func outboxDay(t *testing.T, dir string, b *bench) []message {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	memory, err := s.Outbox()
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := errors.Join(memory.Close(), s.Close()); err != nil {
			t.Error(err)
		}
	}()
	out, stop := startOutlet(t, b.broker)
	box := publish.NewOutbox(memory, out, quiet())
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- box.Run(ctx) }()
	var mu sync.Mutex
	var got []message
	take := func(m message) {
		mu.Lock()
		defer mu.Unlock()
		got = append(got, m)
	}
	count := func(tail string) int {
		mu.Lock()
		defer mu.Unlock()
		n := 0
		for _, m := range got {
			if m.Topic == prefix+tail {
				n++
			}
		}
		return n
	}
	until := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(5 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal(what)
			}
		}
	}
	listen(t, b.addr, "reader", false, take)
	until("no alert/last", func() bool { return count("alert/last") > 0 })
	for _, to := range []alarms.StateName{alarms.ActiveUnacked, alarms.ActiveAcked} {
		leak := flow(8)
		leak.Low, leak.High = leak.SI/2, leak.SI*2
		s.Transition(alarms.Transition{
			At: time.Hour, From: alarms.Normal, To: to, Actor: "Ada", Role: alarms.Operate, Via: "page", Reason: "seen",
			State: alarms.State{Key: "air-leak", Where: "front rank", Value: *leak, Limit: *flow(4)},
		})
		if err := s.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	until("the alerts were not said", func() bool { return count("alert") >= 2 })
	listen(t, b.addr, "late-reader", true, func(m message) {
		if m.Retained {
			take(m)
		}
	})
	time.Sleep(200 * time.Millisecond)
	cancel()
	if err := <-done; err != nil {
		t.Errorf("the outbox ended with %v", err)
	}
	stop()
	list, err := box.Replay(t.Context(), "", "", 0)
	if err != nil {
		t.Fatal(err)
	}
	if v := judge(t, nil, []document{{"alerts.json", string(list)}}); len(v.Faults) > 0 {
		t.Errorf("GET /api/alerts: %s", v.Faults)
	}
	mu.Lock()
	defer mu.Unlock()
	return slices.Clone(got)
}

func flow(v float64) *findings.Measure {
	m := findings.Measure{}
	if err := json.Unmarshal([]byte(`{"value":`+strconv.FormatFloat(v, 'f', -1, 64)+`,"unit":"L/min","reference":"ANR"}`), &m); err != nil {
		return nil
	}
	return &m
}

// TestSchemasHaveTheFieldsOfTheCode compares names and need of every field, both ways and all the way down: a field the
// code may send is in its schema, and a field of the schema is in the code.
func TestSchemasHaveTheFieldsOfTheCode(t *testing.T) {
	files, err := publish.Contract()
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) map[string]any {
		text, err := fs.ReadFile(files, "schemas/"+name)
		if err != nil {
			t.Fatal(err)
		}
		var s map[string]any
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return s
	}
	held := map[string]bool{}
	var compare func(at string, typ reflect.Type, schema map[string]any)
	compare = func(at string, typ reflect.Type, schema map[string]any) {
		for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice || typ.Kind() == reflect.Array {
			if ref, ok := schema["$ref"].(string); ok {
				schema = read(ref)
			}
			if items, ok := schema["items"].(map[string]any); ok && typ.Kind() != reflect.Pointer {
				schema = items
			}
			typ = typ.Elem()
		}
		if ref, ok := schema["$ref"].(string); ok {
			schema = read(ref)
		}
		if typ == reflect.TypeFor[findings.Measure]() {
			if schema["title"] != "Quantity" {
				t.Errorf("%s is a quantity in the code, and in the schema %v", at, schema["description"])
			}
			return
		}
		if typ.Kind() != reflect.Struct || typ == reflect.TypeFor[time.Time]() {
			return
		}
		properties, _ := schema["properties"].(map[string]any)
		required, _ := schema["required"].([]any)
		fields := map[string]bool{}
		for f := range typ.Fields() {
			if f.Anonymous {
				compare(at+"."+f.Name, f.Type, read("stamp.json"))
				continue
			}
			name, rest, _ := strings.Cut(f.Tag.Get("json"), ",")
			fields[name] = true
			below, ok := properties[name].(map[string]any)
			if !ok {
				t.Errorf("%s.%s is in the code and not in the schema", at, name)
				continue
			}
			if must := slices.Contains(required, any(name)); must == strings.Contains(rest, "omit") {
				t.Errorf("%s.%s: the schema requires it: %v; the code's tag is %q", at, name, must, f.Tag.Get("json"))
			}
			compare(at+"."+name, f.Type, below)
		}
		for name := range properties {
			if !fields[name] {
				t.Errorf("%s.%s is in the schema and not in the code", at, name)
			}
		}
	}
	for name, v := range map[string]any{
		"now.json": publish.Now{}, "alarm.json": publish.Alarm{}, "alarms.json": publish.AlarmsSum{}, "health-day.json": alarms.HealthDay{}, "alarm-health.json": publish.AlarmHealth{}, "sum-day.json": publish.SumDay{}, "online.json": publish.Online{},
		"about.json": publish.About{}, "alert.json": publish.Alert{}, "alert-last.json": publish.LastAlert{}, "alerts.json": publish.AlertList{},
		"test.json": session.State{}, "result.json": session.Result{}, "curve.json": session.Curve{}, "stamp.json": publish.Stamp{}, "answer.json": alarms.Answer{},
		"setup.json": firmware.Setup{}, "setup-ask.json": tablet.SetupAsk{}, "setup-checked.json": firmware.SetupChecked{}, "setup-saved.json": firmware.SetupSaved{}, "sensor.json": firmware.Sensor{},
		"minute.json": publish.Minute{}, "summary.json": publish.Summary{}, "trend.json": trend.Answer{},
		"journal.json": publish.JournalPage{},
		"log.json":     tablet.Recording{}, "export.json": tablet.ExportState{}, "export-wish.json": tablet.ExportWish{},
	} {
		held[name] = true
		compare(name, reflect.TypeOf(v), read(name))
	}
	// event.json stands for three forms, command.json and got.json are what people send, quantity.json is judged by what is said.
	for _, name := range []string{"event.json", "command.json", "got.json", "quantity.json"} {
		held[name] = true
	}
	all, err := fs.Glob(files, "schemas/*.json")
	if err != nil || len(all) == 0 {
		t.Fatalf("no schemas: %v", err)
	}
	for _, name := range all {
		if !held[filepath.Base(name)] {
			t.Errorf("%s is held to nothing", name)
		}
	}
}
