// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	demoSettles = 10 * time.Second // after the page is there: start-up is not what is measured
	demoStarts  = 30 * time.Second
	memoryBar   = 60.0 // MB
	shareBar    = 5.0  // % of a core
)

func benchDemo(ctx context.Context, o options, w io.Writer) error {
	dir, err := os.MkdirTemp("", "airhold-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	binary := o.binary
	if binary == "" {
		if binary, err = buildAirhold(ctx, dir); err != nil {
			return err
		}
	}
	demo, err := startBox(ctx, binary, "--listen", "127.0.0.1:0", "--mqtt", "127.0.0.1:0")
	if err != nil {
		return err
	}
	defer demo.end()
	client, heard, err := openPage(ctx, demo)
	if err != nil {
		return err
	}
	defer client.Disconnect(100)
	return watch(ctx, demo.cmd.Process.Pid, o.span, heard, w)
}

// pageOf reads the demo's greeting up to the page's address, and lets the rest run off.
func pageOf(said io.Reader) (string, error) {
	found := make(chan string, 1)
	go func() { // ends with the process
		for s := bufio.NewScanner(said); s.Scan(); {
			if _, at, ok := strings.Cut(s.Text(), "page "); ok && len(found) == 0 {
				found <- strings.TrimSpace(at)
			}
		}
		close(found)
	}()
	select {
	case page, ok := <-found:
		if ok {
			return page, nil
		}
		return "", errors.New("the demo ended before it named its page")
	case <-time.After(demoStarts):
		return "", fmt.Errorf("the demo names no page within %s", demoStarts)
	}
}

// openPage does what a browser does: it fetches the page and stays connected to the state.
func openPage(ctx context.Context, b *box) (mqtt.Client, *atomic.Int64, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, b.page, nil)
	if err != nil {
		return nil, nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, nil, err
	}
	_, err = io.Copy(io.Discard, resp.Body)
	if err = errors.Join(err, resp.Body.Close()); err != nil {
		return nil, nil, err
	}
	if resp.StatusCode != http.StatusOK {
		return nil, nil, fmt.Errorf("%s answers %s", b.page, resp.Status)
	}
	var heard atomic.Int64
	c, err := b.subscribe(ctx, "bench-page", "127.0.0.1", "airhold/v1/#", func(mqtt.Client, mqtt.Message) { heard.Add(1) })
	return c, &heard, err
}

// watch looks at a process for a span, once a second.
func watch(ctx context.Context, pid int, span time.Duration, heard *atomic.Int64, w io.Writer) error {
	if err := pause(ctx, demoSettles); err != nil {
		return err
	}
	before, err := processTime(pid)
	if err != nil {
		return err
	}
	began, messages := time.Now(), heard.Load()
	sum, most, n := 0.0, 0.0, 0
	for time.Since(began) < span {
		if err := pause(ctx, time.Second); err != nil {
			return err
		}
		rss, err := resident(pid)
		if err != nil {
			return err
		}
		sum, most, n = sum+rss, max(most, rss), n+1
	}
	took := time.Since(began)
	after, err := processTime(pid)
	if err != nil {
		return err
	}
	got := heard.Load() - messages
	if got == 0 {
		return errors.New("the page client heard nothing: what was watched is no working box")
	}
	row(w, "watched", "%s at real time after %s of start-up, one page client, %d messages to it", took.Round(time.Second), demoSettles, got)
	row(w, "resident memory (VmRSS)", "%.1f MB mean, %.1f MB most of %d looks (bar: %.0f MB)", sum/float64(n), most, n, memoryBar)
	row(w, "share of a core", "%.2f %% (bar: %.0f %%)", 100*(after-before).Seconds()/took.Seconds(), shareBar)
	return nil
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// resident is VmRSS of proc_pid_status(5), MB (10^6 bytes).
func resident(pid int) (float64, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kib, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 64)
			return kib * 1024 / 1e6, err
		}
	}
	return 0, errors.New("no VmRSS: is the demo still running?")
}

// clockTick is USER_HZ, 100 on every Linux that Go runs on (proc_pid_stat(5)).
const clockTick = 10 * time.Millisecond

// processTime is user and system time, fields 14 and 15 of proc_pid_stat(5).
func processTime(pid int) (time.Duration, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, err
	}
	fields := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:])) // from field 3 on
	if len(fields) < 13 {
		return 0, errors.New("/proc/PID/stat is not as expected")
	}
	user, err1 := strconv.ParseInt(fields[11], 10, 64)
	system, err2 := strconv.ParseInt(fields[12], 10, 64)
	return time.Duration(user+system) * clockTick, errors.Join(err1, err2)
}
