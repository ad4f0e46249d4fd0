// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// told collects what a command prints while it runs.
type told struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (w *told) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

func (w *told) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}

var pageAddress = regexp.MustCompile(`page\s+(http://[0-9.:]+)/`)

// What a person records at a whole box is in its list, its alarms and its journal, and a replay of the recorded boot does
// the same again: every transition of what is due, in the same order.
func TestCareAtAWholeBoxIsReplayed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var out, log told
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"demo", "--listen", "127.0.0.1:0", "--mqtt", "off", "--rate", "60", "--data", dir}, strings.NewReader(""), &out, &log)
	}()
	url := ""
	until(t, "the box is up", func() bool {
		if m := pageAddress.FindStringSubmatch(out.String()); m != nil {
			url = m[1]
		}
		return url != ""
	})
	until(t, "the box keeps its list", func() bool {
		code, _, _ := airhold(t, "care", "--box", url)
		return code == exitOK
	})
	due := func() []any {
		lines := jsonLines(t, "care", "--box", url)
		sum := lines[len(lines)-1]
		if sum["simulated"] != true {
			t.Error("the list does not say that the machine is invented")
		}
		list, _ := sum["due"].([]any)
		return list
	}
	// The demo remembers two working days without a drain, which are an invented spring's.
	until(t, "the drain is due", func() bool { return slices.Contains(due(), any("drain")) })
	until(t, "the alarms know it", func() bool {
		_, text, _ := airhold(t, "journal", "--data", dir)
		return strings.Contains(text, "tank drain")
	})
	if code, text, problem := airhold(t, "care", "done", "drain", "--by", "Ada", "--note", "half a cup", "--box", url); code != exitOK {
		t.Fatalf("done: exit %d, %s%s", code, text, problem)
	}
	if slices.Contains(due(), any("drain")) {
		t.Error("the drain is due after it was recorded")
	}
	until(t, "the alarms know that too", func() bool {
		return len(transitions(t, "journal", "--data", dir)) >= 3 // both items due, one of them over
	})
	if code, text, problem := airhold(t, "learned", "forget", "care-drain", "--by", "Ada", "--box", url); code != exitOK {
		t.Fatalf("forget: exit %d, %s%s", code, text, problem)
	}
	if !slices.Contains(due(), any("drain")) {
		t.Error("the drain is not due after its record was taken back")
	}
	until(t, "it is due again", func() bool { return len(transitions(t, "journal", "--data", dir)) >= 4 })
	stop()
	if code := <-ended; code != exitOK {
		t.Fatalf("the box ended with %d: %s", code, log.String())
	}
	live := transitions(t, "journal", "--data", dir)
	again := transitions(t, "replay", "--log", dir)
	if !slices.Equal(live, again) {
		t.Errorf("replayed %q; live it was %q", again, live)
	}
	if _, text, _ := airhold(t, "journal", "--data", dir); !strings.Contains(text, "Drain the tank: done, by Ada (half a cup).") || !strings.Contains(text, "care-drain is forgotten, by Ada") {
		t.Errorf("the journal lacks what was done:\n%s", text)
	}
}

// until waits for what must come within half a minute of this computer's time.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for range 300 {
		if holds() {
			return
		}
		select {
		case <-t.Context().Done():
			t.Fatal("the test ended")
		case <-time.After(100 * time.Millisecond):
		}
	}
	t.Fatalf("it never came that %s", what)
}

// transitions lists what the care list's alarms did, as the journal or a replay tells it.
func transitions(t *testing.T, command ...string) []string {
	t.Helper()
	code, text, log := airhold(t, append(command, "--json")...)
	if code != exitOK {
		t.Fatalf("airhold %v: exit %d: %s", command, code, log)
	}
	var out []string
	for line := range strings.Lines(text) {
		var l map[string]any
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		key, state := "alarm", "to"
		if command[0] == "replay" {
			key, state = "key", "state"
		}
		if l[key] == "care-due" {
			where, _ := l["where"].(string)
			to, _ := l[state].(string)
			out = append(out, where+" "+to)
		}
	}
	return out
}
