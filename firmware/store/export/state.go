// SPDX-License-Identifier: Apache-2.0

package export

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"airhold/firmware/store"
)

// stateName is the file in the out folder that says how far an export is.
const stateName = "export-state.json"

const partEnd = ".part"

// state is how far an export is. It is written anew, as a whole, at each checkpoint.
type state struct {
	Form    int         `json:"form"`
	Request request     `json:"request"`
	Boots   []bootState `json:"boots"`

	dir     string
	resumed bool
}

// request is what was asked for: another one does not go on with these files.
type request struct {
	Data     string   `json:"data"`
	Format   Format   `json:"format"`
	From     string   `json:"from,omitempty"`
	To       string   `json:"to,omitempty"`
	Channels []string `json:"channels,omitempty"`
	Run      string   `json:"run,omitempty"`
}

// bootState is how far one boot is.
type bootState struct {
	Boot    string          `json:"boot"`
	Entries int64           `json:"entries"`
	Span    span            `json:"span"`
	Done    bool            `json:"done"`
	Empty   bool            `json:"empty,omitempty"`
	File    File            `json:"file"`
	Notes   []string        `json:"notes,omitempty"`
	Place   json.RawMessage `json:"place,omitempty"` // where in the recording the file's bytes end
}

const stateForm = 1

func requestOf(o *Options) request {
	data, err := filepath.Abs(o.Data)
	if err != nil {
		data = o.Data
	}
	r := request{Data: data, Format: o.Format, Channels: slices.Clone(o.Channels), Run: o.Run}
	slices.Sort(r.Channels)
	r.Channels = slices.Compact(r.Channels)
	if !o.From.IsZero() {
		r.From = o.From.UTC().Format(time.RFC3339Nano)
	}
	if !o.To.IsZero() {
		r.To = o.To.UTC().Format(time.RFC3339Nano)
	}
	return r
}

// openState takes up an export that was begun in the folder, or begins one. It writes nothing over files that are there.
func openState(o *Options, boots []part) (*state, error) {
	s := &state{Form: stateForm, Request: requestOf(o), dir: o.Out}
	text, err := os.ReadFile(inFolder(o.Out, stateName))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return s, s.begin(o, boots)
	case err != nil:
		return nil, err
	}
	var old state
	if err := json.Unmarshal(text, &old); err != nil || old.Form != stateForm {
		return nil, refuse("%s does not say where the export in %s had stopped; delete it and the files beside it, or name another folder", stateName, o.Out)
	}
	if a, b := mustJSON(old.Request), mustJSON(s.Request); a != b {
		return nil, refuse("%s holds another export (%s); name another folder, or delete its files and %s", o.Out, a, stateName)
	}
	s.Boots, s.resumed = old.Boots, true
	for i := range s.Boots {
		b := &s.Boots[i]
		if !b.Done || b.Empty {
			continue
		}
		path := inFolder(o.Out, b.File.Name)
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			if err := os.Rename(path+partEnd, path); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, err
			}
		}
		if st, err := os.Stat(path); err != nil || st.Size() != b.File.Bytes {
			return nil, refuse("%s was exported to %s, and is gone or was changed since; name another folder, or delete its files and %s to begin anew", b.File.Name, o.Out, stateName)
		}
	}
	return s, nil
}

func mustJSON(r request) string {
	b, err := json.Marshal(r)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

func (s *state) begin(o *Options, boots []part) error {
	for _, b := range boots {
		name := fileName(o.Format, b.found.ID)
		for _, n := range []string{name, name + partEnd} {
			if _, err := os.Lstat(inFolder(o.Out, n)); err == nil {
				return refuse("%s is there already, and not from this export; name another folder", inFolder(o.Out, n))
			}
		}
		s.Boots = append(s.Boots, bootState{Boot: b.found.ID, Entries: b.entries, Span: b.span, File: File{Boot: b.found.ID, Name: name}})
	}
	return s.save()
}

// done reports whether nothing is left to do.
func (s *state) done() bool {
	return !slices.ContainsFunc(s.Boots, func(b bootState) bool { return !b.Done })
}

func (s *state) remove() error { return os.Remove(inFolder(s.dir, stateName)) }

// save puts the state on the disk, whole or not at all.
func (s *state) save() error {
	text, err := json.MarshalIndent(s, "", " ")
	if err != nil {
		return err
	}
	path := inFolder(s.dir, stateName)
	f, err := os.OpenFile(path+partEnd, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640) //nolint:gosec // the user names the folder
	if err != nil {
		return diskWords(err, s.dir)
	}
	_, err = f.Write(append(text, '\n'))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return diskWords(err, s.dir)
	}
	return os.Rename(path+partEnd, path)
}

// output is the file of one boot while it is written.
type output struct {
	st   *state
	boot *bootState
	f    *os.File
	buf  *bufio.Writer
	size int64
}

// open opens a boot's file at its last checkpoint.
func (s *state) open(b *bootState) (*output, error) {
	path := inFolder(s.dir, b.File.Name+partEnd)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640) //nolint:gosec // the user names the folder
	if err != nil {
		return nil, diskWords(err, s.dir)
	}
	st, err := f.Stat()
	if err == nil && st.Size() < b.File.Bytes { // it is not what was left here: begin it anew
		b.Place = nil
	}
	if b.Place == nil {
		b.File = File{Boot: b.Boot, Name: b.File.Name}
	}
	o := &output{st: s, boot: b, f: f, size: b.File.Bytes}
	err = errors.Join(err, f.Truncate(o.size))
	if err == nil {
		_, err = f.Seek(o.size, io.SeekStart)
	}
	if err != nil {
		return nil, errors.Join(diskWords(err, s.dir), f.Close())
	}
	o.buf = bufio.NewWriterSize(counted{o}, 1<<18)
	return o, nil
}

// counted counts what reaches the file.
type counted struct{ o *output }

func (c counted) Write(p []byte) (int, error) {
	n, err := c.o.f.Write(p)
	c.o.size += int64(n)
	return n, err
}

// Write takes bytes of the file.
func (o *output) Write(p []byte) (int, error) { return o.buf.Write(p) }

// place reads where the recording was left; false where the file begins.
func (o *output) place(into any) (bool, error) {
	if o.boot.Place == nil {
		return false, nil
	}
	if err := json.Unmarshal(o.boot.Place, into); err != nil {
		return false, refuse("%s does not say where the export had stopped; delete it and the files beside it to begin anew", stateName)
	}
	return true, nil
}

// checkpoint puts what was written on the disk and notes the place in the recording that it ends at.
func (o *output) checkpoint(file File, place any) error {
	text, err := json.Marshal(place)
	if err != nil {
		return err
	}
	if err := errors.Join(o.buf.Flush(), o.f.Sync()); err != nil {
		return err
	}
	file.Bytes = o.size
	o.boot.File, o.boot.Place = file, text
	return o.st.save()
}

// end gives the file its name; an empty one goes.
func (o *output) end(empty bool) error {
	if err := errors.Join(o.buf.Flush(), o.f.Sync()); err != nil {
		return errors.Join(err, o.f.Close())
	}
	path := inFolder(o.st.dir, o.boot.File.Name)
	o.boot.File.Bytes, o.boot.Done, o.boot.Place = o.size, true, nil
	if err := o.f.Close(); err != nil {
		return err
	}
	if empty {
		if err := os.Remove(path + partEnd); err != nil {
			return err
		}
		return o.st.save()
	}
	// Killed between the two, the next call gives the finished file its name.
	if err := o.st.save(); err != nil {
		return err
	}
	return os.Rename(path+partEnd, path)
}

func (o *output) close() error { return o.f.Close() }

// diskWords says in words why a file cannot be written.
func diskWords(err error, dir string) error {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return fmt.Errorf("no room left on the disk of %s; free some space (%w: %w)", dir, store.ErrDiskFull, err)
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return fmt.Errorf("%s may not be written: look at its rights, and whether its disk is mounted read-only (%w: %w)", dir, store.ErrReadOnly, err)
	default:
		return err
	}
}
