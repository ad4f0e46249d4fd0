// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/store"
)

// openCare finds the care list: at the box, else, where the machine is named and no box answers, in its data folder.
func openCare(ctx context.Context, base string, m *config.Machine, f *careFlags, write bool) (careList, error) {
	b := newBoxCare(base, f.by)
	_, err := b.sheet(ctx)
	if err == nil {
		return b, nil
	}
	if _, answered := errors.AsType[boxError](err); answered || ctx.Err() != nil {
		return nil, b.explain(err)
	}
	if m == nil || f.box != "" {
		return nil, errors.New(careUnreachable(base, err))
	}
	return openFolder(m, f.by, base, write)
}

// careUnreachable says what to do when nothing answers.
func careUnreachable(base string, err error) string {
	return fmt.Sprintf(`no box answers at %s (%v).
The care list is kept by a box. Start one:
  airhold demo                         a simulated machine
  airhold run --machine machine.yaml   on the machine
or say where it is with --box URL. The list of a box that is switched off is in its data folder: airhold care --machine FILE`, base, root(err))
}

// boxCare is the care list of a running box.
type boxCare struct{ *boxClient }

func newBoxCare(base, by string) boxCare {
	return boxCare{&boxClient{base: base, by: by, http: &http.Client{}, tag: strconv.FormatInt(time.Now().UnixNano(), 36)}}
}

// explain puts a refusal into words.
func (b boxCare) explain(err error) error {
	e, ok := errors.AsType[boxError](err)
	switch {
	case !ok:
		return errors.New(careUnreachable(b.base, err))
	case e.status == http.StatusNotFound && e.sentence == "404 page not found":
		return errors.New("what answers at " + b.base + " keeps no care list; it is no airhold box, or an older one")
	default:
		return fmt.Errorf("the box at %s says: %s", b.base, e.sentence)
	}
}

func (b boxCare) sheet(ctx context.Context) (care.Sheet, error) {
	var s care.Sheet
	data, err := b.get(ctx, "/api/care")
	if err != nil {
		return s, err
	}
	if err := json.Unmarshal(data, &s); err != nil || s.Items == nil {
		return s, boxError{sentence: "what answers there is no airhold box, or one of another version"}
	}
	return s, nil
}

func (b boxCare) simulated(ctx context.Context) bool {
	var now struct{ Simulated bool }
	data, err := b.get(ctx, "/api/now")
	return err == nil && json.Unmarshal(data, &now) == nil && now.Simulated
}

func (b boxCare) tell(ctx context.Context, item, answer, note string) error {
	what := map[string]any{"where": item, "why": note}
	if answer != "" {
		what["args"] = map[string]string{"answer": answer}
	}
	return b.command(ctx, alarms.CareDone, what)
}

// command sends a command that is none of the leak-down test's.
func (b boxCare) command(ctx context.Context, verb alarms.Verb, what map[string]any) error {
	b.n++
	what["id"], what["by"] = fmt.Sprintf("cli-%s-%d", b.tag, b.n), b.by
	body, err := json.Marshal(what)
	if err != nil {
		return err
	}
	if _, err = b.do(ctx, http.MethodPost, "/api/cmd/"+string(verb), body); err != nil {
		return b.explain(err)
	}
	return nil
}

func (boxCare) close() (string, error) { return "", nil }

// careKept is the name under which a box keeps its care list.
const careKept = "care"

// folderCare is the care list of a box that does not run, in its data folder.
type folderCare struct {
	dir   string
	by    string
	store *store.Store
	list  *care.Care
	write bool

	invented bool // the machine file says simulated
}

// openFolder reads what a box has kept. To record, it takes the folder's lock, so that it is never written by two.
func openFolder(m *config.Machine, by, base string, write bool) (careList, error) {
	dir := dataFolder(m)
	if _, err := os.Stat(filepath.Join(dir, "box.db")); err != nil {
		return nil, fmt.Errorf("no box answers at %s, and none has kept anything in %s: start one with airhold run --machine FILE", base, dir)
	}
	o := store.Options{Clock: clock.Live{}, ReadOnly: !write}
	s, err := store.Open(dir, o)
	if errors.Is(err, store.ErrInUse) {
		return nil, fmt.Errorf("no box answers at %s, but one is running with the folder %s: name its address with --box URL, or switch it off first", base, dir)
	}
	if err != nil {
		return nil, err
	}
	learned, err := s.Learned()
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	f := &folderCare{dir: dir, by: by, store: s, write: write, invented: m.Simulated}
	co := firmware.CareOptions(m)
	co.Saved, co.Notes = learned[careKept], f
	co.UTC = func(at time.Duration) (time.Time, bool) {
		now := clock.Live{}.Sample()
		return now.UTC.Add(at - now.Boot), now.Quality != clock.Unset
	}
	f.list = care.New(co, deaf{})
	f.list.Look(clock.Live{}.Boot())
	return f, nil
}

// deaf hears no findings: without a box nobody announces them.
type deaf struct{}

// Find is told nothing.
func (deaf) Find(findings.Finding) {}

// Note puts what was recorded into the journal of the box.
func (f *folderCare) Note(at time.Duration, kind, text string) { f.store.Event(at, kind, text) }

func (f *folderCare) sheet(context.Context) (care.Sheet, error) { return f.list.Sheet(), nil }

func (f *folderCare) simulated(context.Context) bool { return f.invented }

func (f *folderCare) tell(_ context.Context, item, answer, note string) error {
	if err := f.list.Tell(clock.Live{}.Boot(), item, answer, f.by, note); err != nil {
		return err
	}
	f.store.KeepLearned(careKept, f.list.Save())
	return f.store.Commit()
}

func (f *folderCare) close() (string, error) {
	done := "read from "
	if f.write {
		done = "kept in "
	}
	return "No box is running: " + done + f.dir + ".", f.store.Close()
}
