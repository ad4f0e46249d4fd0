// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/socketcan"
	"airhold/bus/traffic"
)

const boatLog = "can/boat-gnss-subset-180s.candump.log.gz"

// The figures of the description that comes with the data: a truck, 145,278 frames in 316 s, PGN 61444 31,105 times, DM1
// with SPN 102 FMI 3; a boat, 44,005 frames in 180 s. J1939-71 and the NMEA 2000 database give the rates.
func TestBusOfRecordings(t *testing.T) {
	t.Parallel()
	type key struct {
		pgn    float64
		source float64
	}
	for _, c := range []struct {
		log, origin string
		frames      float64
		counts      map[key]float64
		periods     map[key]float64 // s
		slowest     float64
		fault       [2]float64 // SPN, FMI
	}{
		{
			truckLog, truckOrigin, 145278,
			map[key]float64{{61444, 0}: 31105},
			map[key]float64{{61444, 0}: 0.01, {65265, 0}: 0.1, {65269, 0}: 1, {65226, 0}: 1, {65279, 0}: 10},
			1,
			[2]float64{102, 3},
		},
		{
			boatLog, "canboat/canboat, commit 01d0dc3d", 44005, nil,
			map[key]float64{{129025, 127}: 0.1, {129029, 28}: 1, {130312, 15}: 2, {130316, 38}: 2, {126992, 127}: 1},
			2,
			[2]float64{},
		},
	} {
		lines := jsonLines(t, "bus", "--can", recorded(t, c.log, c.origin))
		fault := false
		for _, l := range lines {
			switch l["event"] {
			case "group":
				pgn, _ := l["pgn"].(float64)
				source, _ := l["source"].(float64)
				k := key{pgn, source}
				if want, ok := c.counts[k]; ok && l["count"] != want {
					t.Errorf("%s: %v came %v times; want %v", c.log, k, l["count"], want)
				}
				if want, ok := c.periods[k]; ok {
					delete(c.periods, k)
					period, _ := l["period"].(map[string]any)
					if v, _ := period["value"].(float64); math.Abs(v-want) > 0.03*want || period["unit"] != "s" || l["even"] != true {
						t.Errorf("%s: %v every %v, even %v; want %v s", c.log, k, period, l["even"], want)
					}
				}
			case "fault":
				fault = fault || l["spn"] == c.fault[0] && l["fmi"] == c.fault[1]
			}
		}
		if len(c.periods) > 0 || c.fault[0] > 0 && !fault {
			t.Errorf("%s: groups %v are missing, fault seen %v", c.log, c.periods, fault)
		}
		sum := lines[len(lines)-1]
		slowest, _ := sum["slowest"].(map[string]any)
		period, _ := slowest["period"].(map[string]any)
		v, _ := period["value"].(float64)
		if sum["event"] != "summary" || sum["frames"] != c.frames || math.Abs(v-c.slowest) > 0.02*c.slowest {
			t.Errorf("%s: summary %v; want %v frames, the slowest every %v s", c.log, sum, c.frames, c.slowest)
		}
	}
	code, out, log := airhold(t, "bus", "--can", recorded(t, truckLog, truckOrigin))
	for _, want := range []string{
		"145278 frames in 5.3 min", "engine; maker 512", "usually: brakes", "SPN 102 FMI 3 (voltage too high, or shorted to supply)",
		"address 0 asks for the malfunction lamp", "61444     0  10.0 ms       31105  engine",
	} {
		if code != exitOK || log != "" || !strings.Contains(out, want) {
			t.Errorf("exit %d, %q; want %q in:\n%.2000s", code, log, want, out)
		}
	}
}

// fakeBus is a link in a test's hands.
type fakeBus struct {
	link   socketcan.Link
	frames []bus.Frame
	err    error // after the frames; nil: silence until the time is up
	drops  uint64
	closed bool
}

func (b *fakeBus) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	if len(b.frames) > 0 {
		n := copy(buf, b.frames)
		b.frames = b.frames[n:]
		return n, nil
	}
	if b.err != nil {
		return 0, b.err
	}
	<-ctx.Done()
	return 0, ctx.Err()
}

func (b *fakeBus) Drops() uint64        { return b.drops }
func (*fakeBus) Malformed() uint64      { return 0 }
func (b *fakeBus) Link() socketcan.Link { return b.link }
func (b *fakeBus) Close() error         { b.closed = true; return nil }

// sent is a frame at a time in milliseconds.
func sent(t *testing.T, ms int, text string) bus.Frame {
	t.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		t.Fatal(err)
	}
	return bus.Frame{Frame: f, Boot: time.Duration(ms) * time.Millisecond, UTC: time.Date(2026, 4, 20, 6, 0, 0, ms*1e6, time.UTC)}
}

// reported is an error report of a controller, by linux/can/error.h.
func reported(class uint32, data ...byte) bus.Frame {
	f := bus.Frame{Frame: can.Frame{ID: class, Length: 8}, Class: bus.Error}
	copy(f.Data[:], data)
	return f
}

// busOn runs the command on fake links.
func busOn(t *testing.T, links map[string]*fakeBus, args ...string) (int, string, string) {
	t.Helper()
	var names []string
	for name := range links {
		names = append(names, name)
	}
	c := busCommand{
		open: func(_ context.Context, name string) (busSource, error) {
			if b := links[name]; b != nil {
				return b, nil
			}
			return nil, errors.New(name + ": no such interface")
		},
		list: func() ([]string, error) {
			if len(names) == 0 {
				return nil, errors.New("this computer has no CAN link")
			}
			return names, nil
		},
	}
	var out, log bytes.Buffer
	code := c.run(t.Context(), args, strings.NewReader(""), &out, &log)
	for name, b := range links {
		if !b.closed {
			t.Errorf("%s was left open", name)
		}
	}
	return code, out.String(), log.String()
}

func TestBusListens(t *testing.T) {
	t.Parallel()
	lone := func() []bus.Frame { // the rate of a public bench note, at 500 kbit/s
		var all []bus.Frame
		for i := range 3144 {
			f := sent(t, 0, "18FEAE30#FFFFFEFEFFFFFFFF")
			f.Boot = time.Duration(i) * time.Second / 3144
			all = append(all, f)
		}
		return all
	}
	claim := sent(t, 5, "18EEFF80#0700009D008108A0") // maker 1256, function 129, class 4, group 2 (J1939-81)
	for name, c := range map[string]struct {
		links  map[string]*fakeBus
		args   []string
		code   int
		stdout []string
		stderr []string
	}{
		"a tractor and an implement": {
			map[string]*fakeBus{
				"can0": {link: socketcan.Link{Bitrate: 500_000, State: "active"}, frames: []bus.Frame{
					sent(t, 0, "0CF00400#F39191AA1800F3FF"), claim, sent(t, 10, "0CF00400#F39191AA1800F3FF"), sent(t, 11, "123#01"),
				}},
			},
			[]string{"can0", "--seconds", "0.05"},
			exitOK,
			[]string{"can0: 4 frames", "of 500 kbit/s", "sound (error active)", "planter or seeder, section control; maker 1256", "usually: engine", "123     -"},
			[]string{"Listening on can0"},
		},
		"two links, one pulled out": {
			map[string]*fakeBus{
				"can0": {frames: []bus.Frame{sent(t, 0, "0CF00400#F39191AA1800F3FF")}},
				"can1": {frames: []bus.Frame{sent(t, 0, "0CF00400#F39191AA1800F3FF")}, err: errors.New("can1: interface is gone: check the adapter's plug")},
			},
			[]string{"can0", "can1", "--seconds", "0.05"},
			exitFailed,
			[]string{"can0: 1 frame", "can1: 1 frame"},
			[]string{"can1: interface is gone: check the adapter's plug"},
		},
		"wrong bitrate": {
			map[string]*fakeBus{"can0": {link: socketcan.Link{Bitrate: 250_000}, frames: []bus.Frame{
				reported(0x204, 0, 0x04, 0, 0, 0, 0, 0, 96), reported(0x204, 0, 0x10, 0, 0, 0, 0, 0, 128),
			}}},
			[]string{"can0", "--seconds", "0.05"},
			exitOK,
			[]string{"very many errors (error passive), error counters: receive 128, transmit 0", "bitrate is probably wrong"},
			nil,
		},
		"opened after it left the bus": {
			map[string]*fakeBus{"can0": {link: socketcan.Link{State: "off"}}},
			[]string{"can0", "--seconds", "0.05"},
			exitOK,
			[]string{"has left the bus"},
			nil,
		},
		"one device alone": {
			map[string]*fakeBus{"can0": {frames: lone(), drops: 3}},
			[]string{"--seconds", "0.05"},
			exitOK,
			[]string{"can0: 3144 frames", "One device talks alone", "18FEAE30#FFFFFEFEFFFFFFFF", "3 frames were lost"},
			nil,
		},
		"silence": {
			map[string]*fakeBus{"can0": {}},
			[]string{"can0", "--seconds", "0.05"},
			exitOK,
			[]string{"Nothing is heard"},
			nil,
		},
		"no such link": {
			nil, []string{"can7", "--seconds", "0.05"}, exitFailed, nil, []string{"can7: no such interface"},
		},
		"no link at all": {
			nil, []string{"--seconds", "0.05"}, exitFailed, nil, []string{"has no CAN link"},
		},
		"too long":       {nil, []string{"--seconds", "90000"}, exitUsage, nil, []string{"listen for 1 to 86400 seconds"}},
		"two sources":    {nil, []string{"can0", "--can", "x.log"}, exitUsage, nil, []string{"--can reads a recording"}},
		"box and link":   {nil, []string{"can0", "--box", "localhost:1"}, exitUsage, nil, []string{"--box asks a running box"}},
		"no address":     {nil, []string{"--box", "::"}, exitUsage, nil, []string{"is no address"}},
		"unknown flag":   {nil, []string{"--secnods", "3"}, exitUsage, nil, []string{"did you mean --seconds"}},
		"nobody answers": {nil, []string{"--box", "127.0.0.1:1"}, exitFailed, nil, []string{"no box answers at http://127.0.0.1:1", "without --box"}},
	} {
		code, out, log := busOn(t, c.links, c.args...)
		if code != c.code {
			t.Errorf("%s: exit %d; want %d\n%s%s", name, code, c.code, out, log)
		}
		for _, w := range c.stdout {
			if !strings.Contains(out, w) {
				t.Errorf("%s: want %q in:\n%.1500s", name, w, out)
			}
		}
		for _, w := range c.stderr {
			if !strings.Contains(strings.Join(strings.Fields(log), " "), w) {
				t.Errorf("%s: want %q in:\n%s", name, w, log)
			}
		}
	}
}

// A box that runs is asked; what is no box, or an older one, is said to be so.
func TestBusOfABox(t *testing.T) {
	t.Parallel()
	tr := traffic.New(traffic.Options{Link: "can0", Bitrate: 250_000})
	f := sent(t, 0, "0CF00400#F39191AA1800F3FF")
	tr.Keep(&f)
	pictures, err := json.Marshal([]traffic.Picture{tr.Picture()})
	if err != nil {
		t.Fatal(err)
	}
	answer := func(code int, body string) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			switch r.URL.Path {
			case "/api/bus":
				w.WriteHeader(code)
				_, _ = w.Write([]byte(body))
			case "/api/now":
				_, _ = w.Write([]byte(`{"simulated":true}`))
			default:
				http.NotFound(w, r)
			}
		}
	}
	for name, c := range map[string]struct {
		handler http.HandlerFunc
		code    int
		stdout  string
		stderr  string
	}{
		"a simulated machine": {answer(http.StatusOK, string(pictures)), exitOK, "SIMULATED", ""},
		"its link":            {answer(http.StatusOK, string(pictures)), exitOK, "can0: 1 frame", ""},
		"no bus":              {answer(http.StatusNotFound, "This box listens to no bus."), exitFailed, "", "listens to no bus"},
		"older":               {http.NotFound, exitFailed, "", "no airhold box, or an older one"},
		"no box":              {answer(http.StatusOK, "<html>"), exitFailed, "", "no airhold box"},
	} {
		server := httptest.NewServer(c.handler)
		code, out, log := busOn(t, nil, "--box", server.URL)
		server.Close()
		if code != c.code || !strings.Contains(out, c.stdout) || !strings.Contains(log, c.stderr) {
			t.Errorf("%s: exit %d, %q, %q; want %d, %q, %q", name, code, out, log, c.code, c.stdout, c.stderr)
		}
	}
	server := httptest.NewServer(answer(http.StatusOK, string(pictures)))
	defer server.Close()
	_, out, _ := busOn(t, nil, "--box", server.URL, "--json")
	lines := parseLines(t, out)
	sum := lines[len(lines)-1]
	if sum["source"] != "box" || sum["simulated"] != true || sum["frames"] != 1.0 || lines[0]["event"] != "link" || lines[0]["link"] != "can0" {
		t.Errorf("lines %v; want a link and the summary of a simulated box", lines)
	}
}
