// SPDX-License-Identifier: Apache-2.0

package export

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
	"airhold/firmware/store/rawlog"
)

// source reads all frames of a boot, file after file, with their boot times and the wall times of the offset table.
type source struct {
	j      *job
	files  []rawlog.File
	links  []string // of all files together
	reader *capture.Reader
	index  []uint16 // link of the file at hand to link of all
	done   int64    // frames of the files that are done
	total  int64

	Nth  int   // file at hand
	Read int64 // frames read of it
}

func (j *job) source() (*source, error) {
	files, err := rawlog.Files(filepath.Dir(j.boot.Path), j.boot.ID)
	if err != nil {
		return nil, err
	}
	s := &source{j: j, files: slices.DeleteFunc(files, j.outside)}
	var lost int64
	for i := range s.files {
		s.total += s.files[i].Frames
		if x := s.files[i].Index; x != nil {
			for _, g := range x.Gaps {
				lost += g.Frames
			}
		}
	}
	if lost > 0 {
		j.lost = fmt.Sprintf("%d frames were heard and not recorded, because the disk did not take them", lost)
	}
	return s, nil
}

// outside reports whether no frame of a file can have been asked for.
func (j *job) outside(f rawlog.File) bool {
	if f.Frames == 0 {
		return false // its first and last are not known
	}
	if j.span != nil {
		return f.Last < j.span.From || f.First > j.span.To
	}
	if !j.dated || len(j.about.Offsets.Pieces()) != 1 {
		return false // where the wall clock jumped, later frames may bear earlier times
	}
	first, _ := j.about.Offsets.UTC(f.First)
	last, _ := j.about.Offsets.UTC(f.Last)
	return last < j.from || first > j.to
}

// next gives the next frame; io.EOF after the last file.
func (s *source) next(f *bus.Frame) error {
	for {
		if s.reader == nil {
			if err := s.begin(); err != nil {
				return err
			}
		}
		err := s.reader.Next(f)
		if errors.Is(err, io.EOF) {
			s.end()
			continue
		}
		if err != nil {
			return fmt.Errorf("%s: %w", s.files[s.Nth].Path, err)
		}
		s.Read++
		f.Link = s.link(f.Link)
		return nil
	}
}

func (s *source) begin() error {
	if s.Nth >= len(s.files) {
		return io.EOF
	}
	path := s.files[s.Nth].Path
	r, err := capture.Open(path)
	if errors.Is(err, fs.ErrNotExist) && !s.files[s.Nth].Sealed {
		r, err = capture.Open(path + ".zst") // sealed meanwhile
	}
	if err != nil {
		return err
	}
	s.reader, s.index, s.Read = r, nil, 0
	return nil
}

// end closes a file and says what of it could not be read.
func (s *source) end() {
	file := &s.files[s.Nth]
	name := filepath.Base(file.Path)
	for _, b := range s.reader.BadLines() {
		s.j.note(fmt.Sprintf("%s: %s", name, b))
	}
	if more := s.reader.BadCount() - int64(len(s.reader.BadLines())); more > 0 {
		s.j.note(fmt.Sprintf("%s: and %d more such places", name, more))
	}
	if torn, ok := s.reader.Torn(); ok {
		s.j.note(fmt.Sprintf("%s: %s", name, torn))
	}
	s.close()
	s.done += s.Read
	s.Nth++
	s.Read = 0
}

func (s *source) close() {
	if s.reader != nil {
		_ = s.reader.Close() // it was only read
		s.reader = nil
	}
}

// link is a file's link in the list of all.
func (s *source) link(i uint16) uint16 {
	for len(s.index) <= int(i) {
		name := ""
		if all := s.reader.Links(); len(s.index) < len(all) {
			name = all[len(s.index)]
		}
		at := slices.Index(s.links, name)
		if at < 0 {
			at = len(s.links)
			s.links = append(s.links, name)
		}
		s.index = append(s.index, uint16(at)) //nolint:gosec // captures bound their number
	}
	return s.index[i]
}

// date gives a frame the wall time of the offset table, and reports whether it was asked for. Its boot time is exact: each
// file of the recorder says what offset its stamps have.
func (s *source) date(f *bus.Frame) (ns int64, q clock.Quality, ok bool) {
	f.UTC = time.Time{}
	ns, q, ok = s.j.take(f.Boot)
	if q != clock.Unset && ns >= 0 {
		f.UTC = time.Unix(0, ns).UTC()
	}
	return ns, q, ok
}

// sink is a writer of frames in one of the two forms.
type sink interface {
	Write(f *bus.Frame) error
	Flush() error
}

// gate lets bytes through once it is open: a writer that goes on in the middle of a file must not begin it again.
type gate struct {
	to   io.Writer
	open bool
}

func (g *gate) Write(p []byte) (int, error) {
	if !g.open {
		return len(p), nil
	}
	return g.to.Write(p)
}

// framesPlace is where a file of frames ends.
type framesPlace struct {
	Nth   int           `json:"nth"`
	Read  int64         `json:"read"`
	Links []string      `json:"links"`
	First int64         `json:"first"`
	Last  int64         `json:"last"`
	Best  clock.Quality `json:"best"`
	Notes []string      `json:"notes,omitempty"`
}

func (j *job) frames(ctx context.Context, out *output) error {
	s, err := j.source()
	if err != nil {
		return err
	}
	defer s.close()
	var p framesPlace
	resumed, err := out.place(&p)
	if err != nil {
		return err
	}
	g := &gate{to: out, open: !resumed}
	w, add, err := j.sink(g)
	if err != nil {
		return err
	}
	known := 0
	if resumed {
		j.first, j.last, j.best, j.notes = p.First, p.Last, p.Best, p.Notes
		s.links = p.Links
		for known < len(s.links) {
			if err := add(s.links[known]); err != nil {
				return err
			}
			known++
		}
		if err := errors.Join(w.Flush(), s.skip(&p)); err != nil {
			return err
		}
		g.open = true
	}
	var f bus.Frame
	for n := int64(1); ; n++ {
		if n%beat == 0 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			j.tell(s.done+s.Read, s.total)
		}
		err := s.next(&f)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		for known < len(s.links) {
			if err := add(s.links[known]); err != nil {
				return err
			}
			known++
		}
		ns, q, ok := s.date(&f)
		if ok {
			if err := w.Write(&f); err != nil {
				return err
			}
			j.seen(ns, q)
			j.file.Frames++
		}
		if n%j.o.checkpoints() == 0 {
			p := framesPlace{s.Nth, s.Read, s.links, j.first, j.last, j.best, j.notes}
			if err := w.Flush(); err != nil {
				return err
			}
			if err := out.checkpoint(j.file, p); err != nil {
				return err
			}
		}
	}
	return w.Flush()
}

// sink makes the writer and the function that tells it of a link.
func (j *job) sink(to io.Writer) (sink, func(name string) error, error) {
	if j.o.Format == Candump {
		w := capture.NewCandumpWriter(to)
		return w, func(name string) error { w.AddLink(name); return nil }, nil
	}
	w, err := capture.NewPcapngWriter(to, nil)
	if err != nil {
		return nil, nil, err
	}
	return w, w.AddLink, nil
}

// skip goes to a place in the captures. Frames before it are read, not looked at: a packed file has no other way.
func (s *source) skip(p *framesPlace) error {
	s.Nth = p.Nth
	for i := range min(p.Nth, len(s.files)) {
		s.done += s.files[i].Frames
	}
	if p.Read == 0 {
		return nil
	}
	if err := s.begin(); err != nil {
		return err
	}
	var f bus.Frame
	for s.Read < p.Read {
		if err := s.reader.Next(&f); err != nil {
			return fmt.Errorf("%s is shorter than when the export was begun (%w); delete %s to begin anew", s.files[s.Nth].Path, err, stateName)
		}
		s.Read++
		s.link(f.Link)
	}
	return nil
}
