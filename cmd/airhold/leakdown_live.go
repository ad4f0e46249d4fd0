// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/user"
	"strconv"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/leakdown/session"
)

const (
	askEvery  = 300 * time.Millisecond
	goneAfter = 30 * time.Second
)

// live is a test that the box leads, followed from a terminal.
type live struct {
	box    *boxClient
	f      *leakdownFlags
	out    io.Writer // what the test says
	asks   io.Writer // questions: out, or standard error beside JSON
	stderr io.Writer
	lines  <-chan string // what the person types; closed at the end of input
	view   view
	seen   string // step and phase that were explained
	told   string // the last JSON state's mark
	asked  string // the question that stands open
	run    string // id of the test that is followed
	said   map[string]bool
}

// leakdownLive leads a person through a test by the running box.
func leakdownLive(ctx context.Context, m *config.Machine, f *leakdownFlags, stdin io.Reader, stdout, stderr io.Writer) int {
	base, err := boxURL(f.box, m)
	if err != nil {
		return wrongUsage("leakdown", stderr, "%v", err)
	}
	if f.by == "" {
		f.by = login()
	}
	l := &live{
		box: &boxClient{base: base, by: f.by, http: &http.Client{}, tag: strconv.FormatInt(time.Now().UnixNano(), 36)},
		f:   f, out: stdout, asks: stdout, stderr: stderr, lines: readLines(stdin), view: newView(stdout, shownIn(m)), said: map[string]bool{},
	}
	if f.json {
		l.asks = stderr
	}
	if code, ok := l.begin(ctx); !ok {
		return code
	}
	return l.follow(ctx)
}

// login is who works here, as the system knows.
func login() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "terminal"
}

// readLines hands on what is typed. Its goroutine ends with the input, at the latest with the process.
func readLines(r io.Reader) <-chan string {
	out := make(chan string)
	go func() {
		defer close(out)
		for s := bufio.NewScanner(r); s.Scan(); {
			out <- strings.TrimSpace(s.Text())
		}
	}()
	return out
}

// begin starts the test, or takes up the one that goes on; ok says that there is one to follow.
func (l *live) begin(ctx context.Context) (code int, ok bool) {
	s, _, err := l.box.state(ctx)
	switch {
	case ctx.Err() != nil:
		return exitFailed, false
	case errors.Is(err, errNoTest):
	case err != nil:
		return l.refused(err), false
	case s.Step != session.Done:
		if s.Zone != l.f.zone {
			fmt.Fprintf(l.stderr, "airhold leakdown: a test of the %s is under way (%s). Go on with it: airhold leakdown --zone %s, or stop it on the page.\n", s.Where, stepName(s.Step), s.Zone)
			return exitFailed, false
		}
		l.run = s.Run
		fmt.Fprintf(l.asks, "Going on with the test of the %s that is under way.\n", s.Where)
		return exitOK, true
	}
	args := map[string]string{"zone": l.f.zone, "by": l.f.by}
	if l.f.phases != "" {
		args["phases"] = l.f.phases
	}
	if l.f.limit != nil {
		args["limit"] = strconv.FormatFloat(*l.f.limit*60e3, 'g', 10, 64) + " L/min"
	}
	if err := l.box.tell(ctx, session.Start, args); err != nil {
		return l.refused(err), false
	}
	return exitOK, true
}

// refused says why the box did not do what was asked.
func (l *live) refused(err error) int {
	if e, ok := errors.AsType[boxError](err); ok {
		fmt.Fprintf(l.stderr, "airhold leakdown: the box at %s says: %s\n", l.box.base, e.sentence)
	} else {
		fmt.Fprintf(l.stderr, "airhold leakdown: %s\n", unreachable(l.box.base, err))
	}
	return exitFailed
}

// follow goes with the test to its end.
func (l *live) follow(ctx context.Context) int {
	beat := time.NewTicker(askEvery)
	defer beat.Stop()
	last := time.Now()
	lines := l.lines
	for {
		s, raw, err := l.box.state(ctx)
		switch {
		case ctx.Err() != nil:
			return l.stop(ctx)
		case err != nil && time.Since(last) > goneAfter:
			fmt.Fprintf(l.stderr, "\nairhold leakdown: the box has not answered for %.0f s (%v). A test that it leads goes on in it; look again with: airhold leakdown\n", time.Since(last).Seconds(), root(err))
			return exitFailed
		case err != nil:
			l.view.status(l.asks, fmt.Sprintf("asking the box, %.0f s", time.Since(last).Seconds()))
		default:
			last = time.Now()
			if l.run == "" {
				l.run = s.Run
			}
			if s.Run != l.run {
				fmt.Fprintln(l.stderr, "\nairhold leakdown: another test was begun on the box; this one is no longer followed.")
				return exitFailed
			}
			if err := l.show(ctx, s, raw); err != nil {
				if ctx.Err() != nil {
					return l.stop(ctx)
				}
				return l.refused(err)
			}
			if s.Step == session.Done {
				return l.end(ctx, s)
			}
		}
		select {
		case <-ctx.Done():
			return l.stop(ctx)
		case text, ok := <-lines:
			if !ok {
				lines = nil
				if l.f.yes {
					continue
				}
				if s != nil && s.Step == session.Watch {
					continue // nothing is asked any more
				}
				fmt.Fprintln(l.asks, "\nThere is nobody to answer: the input has ended. For scripts there is --yes.")
				return l.stop(ctx)
			}
			if code, over := l.answer(ctx, s, text); over {
				return code
			}
		case <-beat.C:
		}
	}
}

// answer does what a typed line means for the question that stands open.
func (l *live) answer(ctx context.Context, s *session.State, text string) (code int, over bool) {
	if s == nil {
		return 0, false
	}
	switch strings.ToLower(text) {
	case "", "y", "yes":
		err := l.press(ctx, s)
		switch {
		case err == nil:
			return exitOK, false
		case ctx.Err() != nil:
			return l.stop(ctx), true
		default:
			return l.refused(err), true
		}
	case "q", "quit", "stop":
		return l.stop(ctx), true
	default:
		fmt.Fprintln(l.asks, "Not done, then. Enter or y when it is; q stops the test.")
		l.asked = ""
		return 0, false
	}
}

// press ticks the next line, or goes to the next step.
func (l *live) press(ctx context.Context, s *session.State) error {
	args := map[string]string{"next": "1"}
	if t := openTick(s); t != nil {
		args = map[string]string{"tick": t.ID}
	} else if s.Next == "" {
		return nil
	}
	l.asked = ""
	err := l.box.tell(ctx, session.Go, args)
	var e boxError
	if errors.As(err, &e) && e.status == http.StatusConflict {
		l.view.clear(l.asks)
		fmt.Fprintf(l.asks, "Not yet: %s\n", e.sentence)
		return nil
	}
	return err
}

func openTick(s *session.State) *session.Tick {
	if s.Step != session.MakeSafe {
		return nil
	}
	for i := range s.Ticks {
		if !s.Ticks[i].Done {
			return &s.Ticks[i]
		}
	}
	return nil
}

// stop ends the test in the box, since the person wants to.
func (l *live) stop(ctx context.Context) int {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), boxPatience)
	defer cancel()
	l.view.clear(l.asks)
	if err := l.box.tell(ctx, session.Finish, nil); err != nil {
		fmt.Fprintf(l.stderr, "airhold leakdown: the box could not be told to stop the test (%v). Stop it on the page at %s/\n", root(err), l.box.base)
		return exitFailed
	}
	fmt.Fprintln(l.stderr, "The test was stopped; nothing was judged. Before anything is opened: engine off, key out, air relieved as the manual says.")
	return exitFailed
}

// show tells what has changed, and with --yes does what is asked.
func (l *live) show(ctx context.Context, s *session.State, raw []byte) error {
	if l.f.json {
		if mark := markOf(s); mark != l.told {
			l.told = mark
			if _, err := fmt.Fprintf(l.out, "{\"event\":\"state\",\"state\":%s}\n", strings.TrimSpace(string(raw))); err != nil {
				return err
			}
		}
	}
	key := fmt.Sprintf("%s %d", s.Step, s.Phase)
	if key != l.seen && s.Step != session.Done {
		l.seen, l.asked = key, ""
		l.view.clear(l.asks)
		if !l.f.json || !l.f.yes {
			explain(l.asks, s, l.said)
		}
	}
	switch {
	case s.Step == session.Done:
	case l.f.yes && (openTick(s) != nil || s.CanGo):
		return l.press(ctx, s)
	case s.Step == session.Watch && !l.f.json:
		l.view.watch(l.out, s, l.box.curve(ctx))
	case !l.f.json || !l.f.yes:
		l.ask(s)
	}
	return nil
}

// ask puts the question that stands open, once, and keeps what the box sees beside it.
func (l *live) ask(s *session.State) {
	question := ""
	switch t := openTick(s); {
	case t != nil:
		question = "  [ ] " + t.Text
		if t.Note != "" {
			question += " (" + t.Note + ")"
		}
		question += "?  Enter when seen, q to stop: "
	case s.CanGo && s.Next != "":
		question = "  " + s.Next + "?  Enter, or q to stop: "
	}
	if question == "" {
		l.asked = ""
		l.view.status(l.asks, waiting(s))
		return
	}
	if question != l.asked {
		l.asked = question
		l.view.clear(l.asks)
		fmt.Fprint(l.asks, question)
	}
}

// waiting is what the box waits for, in one line.
func waiting(s *session.State) string {
	var parts []string
	for _, c := range s.Conditions {
		switch c.Met {
		case "no":
			parts = append(parts, fmt.Sprintf("%s: not yet, %s", c.Text, c.Sees))
		case "not_seen":
			parts = append(parts, c.Text+": not seen")
		}
	}
	if len(parts) == 0 {
		return "  the box looks until everything stands still"
	}
	return "  waits for: " + strings.Join(parts, "; ")
}

// markOf is what of a state is worth a new JSON line.
func markOf(s *session.State) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %d %d %v %s %d", s.Step, s.Phase, s.Left, s.CanGo, s.Verdict, len(s.Updates))
	for _, c := range s.Conditions {
		b.WriteString(c.ID + c.Met)
	}
	return b.String()
}

func stepName(s session.Step) string {
	switch s {
	case session.MakeSafe:
		return "make safe"
	case session.Fill:
		return "fill"
	case session.Isolate:
		return "isolate"
	case session.Watch:
		return "watch"
	default:
		return "result"
	}
}

// explain says what a step wants.
func explain(w io.Writer, s *session.State, said map[string]bool) {
	number := map[session.Step]int{session.MakeSafe: 1, session.Fill: 2, session.Isolate: 3, session.Watch: 4, session.Done: 5}[s.Step]
	head := fmt.Sprintf("Step %d of 5: %s", number, stepName(s.Step))
	if s.Phases > 1 {
		head += fmt.Sprintf(", watch %d of %d", s.Phase, s.Phases)
	}
	fmt.Fprintf(w, "\n%s\n", head)
	for _, text := range s.Do {
		fmt.Fprintln(w, wrap(text, "  "))
	}
	if s.Hear != "" {
		fmt.Fprintln(w, wrap("To hear: "+s.Hear, "  "))
	}
	for _, text := range s.Cautions {
		if !said[text] { // what was said in an earlier step word by word is not said again
			said[text] = true
			fmt.Fprintln(w, wrap(text, "  ! "))
		}
	}
}

// report fetches the test's report and keeps it.
func (l *live) report(ctx context.Context, run string) error {
	data, err := l.box.get(ctx, "/api/tests/"+run+"/report")
	if err != nil {
		return fmt.Errorf("the report cannot be fetched: %w", err)
	}
	if err := os.WriteFile(l.f.report, data, 0o644); err != nil { //nolint:gosec // a report is there to be read by others
		return fmt.Errorf("the report cannot be kept: %w", err)
	}
	fmt.Fprintf(l.stderr, "%s: written\n", l.f.report)
	return nil
}
