// SPDX-License-Identifier: Apache-2.0

package export

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
)

// captures lists a boot's files of raw frames in the order in which they were recorded. A file that is there packed and
// plain, because packing was interrupted, is listed plain.
func captures(dir, boot string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("look for raw frames: %w", err)
	}
	byStem := map[string]string{}
	var stems []string
	for _, e := range entries {
		rest, ok := strings.CutPrefix(e.Name(), "boot-"+boot)
		plain := strings.HasSuffix(rest, ".pcapng")
		stem := strings.TrimSuffix(strings.TrimSuffix(rest, ".zst"), ".pcapng")
		if !ok || !plain && !strings.HasSuffix(rest, ".pcapng.zst") || !sequence(stem) {
			continue
		}
		if _, have := byStem[stem]; !have {
			stems = append(stems, stem)
		} else if !plain {
			continue
		}
		byStem[stem] = filepath.Join(dir, e.Name())
	}
	slices.SortFunc(stems, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
	out := make([]string, 0, len(stems))
	for _, s := range stems {
		out = append(out, byStem[s])
	}
	return out, nil
}

// sequence reports whether the rest of a name is nothing, or a dash and a number.
func sequence(s string) bool {
	if s == "" {
		return true
	}
	return len(s) > 1 && s[0] == '-' && strings.Trim(s[1:], "0123456789") == ""
}

// source reads all frames of a boot, file after file, with their boot times and the wall times of the offset table.
type source struct {
	j      *job
	paths  []string
	walls  *walls
	links  []string // of all files together
	reader *capture.Reader
	index  []uint16 // link of the file at hand to link of all
	path   string

	Nth   int   // file at hand
	Read  int64 // frames read of it
	bytes int64 // of the files that are done
	total int64

	strange int64 // frames whose stamp fits none of the boot's clock samples
}

func (j *job) source() (*source, error) {
	paths, err := captures(filepath.Dir(j.boot.Path), j.boot.ID)
	if err != nil {
		return nil, err
	}
	s := &source{j: j, paths: paths, walls: newWalls(j.about.Samples)}
	for _, p := range paths {
		if st, err := os.Stat(p); err == nil {
			s.total += st.Size()
		}
	}
	return s, nil
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
			return fmt.Errorf("%s: %w", s.path, err)
		}
		s.Read++
		f.Link = s.link(f.Link)
		return nil
	}
}

func (s *source) begin() error {
	if s.Nth >= len(s.paths) {
		return io.EOF
	}
	s.path = s.paths[s.Nth]
	r, err := capture.Open(s.path)
	if errors.Is(err, fs.ErrNotExist) && !strings.HasSuffix(s.path, ".zst") {
		r, err = capture.Open(s.path + ".zst") // packed meanwhile
	}
	if err != nil {
		return err
	}
	s.reader, s.index, s.Read = r, nil, 0
	return nil
}

// end closes a file and says what of it could not be read.
func (s *source) end() {
	for _, b := range s.reader.BadLines() {
		s.j.note(fmt.Sprintf("%s: %s", filepath.Base(s.path), b))
	}
	if more := s.reader.BadCount() - int64(len(s.reader.BadLines())); more > 0 {
		s.j.note(fmt.Sprintf("%s: and %d more such places", filepath.Base(s.path), more))
	}
	if torn, ok := s.reader.Torn(); ok {
		s.j.note(fmt.Sprintf("%s: %s", filepath.Base(s.path), torn))
	}
	s.close()
	if st, err := os.Stat(s.path); err == nil {
		s.bytes += st.Size()
	}
	s.Nth++
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

// date gives a frame its boot time and the wall time of the offset table, and reports whether it was asked for.
func (s *source) date(f *bus.Frame) (ns int64, q clock.Quality, ok bool) {
	stamp := int64(f.Boot)
	if !f.UTC.IsZero() {
		stamp = f.UTC.UnixNano()
	}
	at, known := s.walls.boot(stamp)
	if !known {
		// No clock sample is near: the stamp is all there is.
		ns = stamp
		ok = s.j.span == nil && (!s.j.dated || ns >= s.j.from && ns <= s.j.to)
		f.Boot = unknownBoot
		f.UTC = time.Unix(0, ns).UTC()
		if ok {
			s.strange++
		}
		return ns, clock.Coarse, ok
	}
	ns, q, ok = s.j.take(at)
	f.Boot, f.UTC = at, time.Time{}
	if q != clock.Unset && ns >= 0 {
		f.UTC = time.Unix(0, ns).UTC()
	}
	return ns, q, ok
}

// unknownBoot is the boot time of a frame whose stamp fits none of the boot's clock samples.
const unknownBoot = time.Duration(math.MinInt64)

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
	At    int           `json:"at"`
	Tries int           `json:"tries"`
	Notes []string      `json:"notes,omitempty"`
	Odd   int64         `json:"odd"`
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
		s.walls.at, s.walls.tries, s.strange = p.At, p.Tries, p.Odd
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
		if n%8192 == 0 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			j.tell(s.bytes, max(1, s.total))
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
			p := framesPlace{s.Nth, s.Read, s.links, j.first, j.last, j.best, s.walls.at, s.walls.tries, j.notes, s.strange}
			if err := w.Flush(); err != nil {
				return err
			}
			if err := out.checkpoint(j.file, p); err != nil {
				return err
			}
		}
	}
	if s.strange > 0 {
		j.note(fmt.Sprintf("%d frames have a time that fits none of the boot's clock samples; they keep it as it was recorded", s.strange))
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
	for _, path := range s.paths[:min(p.Nth, len(s.paths))] {
		if st, err := os.Stat(path); err == nil {
			s.bytes += st.Size()
		}
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
			return fmt.Errorf("%s is shorter than when the export was begun (%w); delete %s to begin anew", s.path, err, stateName)
		}
		s.Read++
		s.link(f.Link)
	}
	return nil
}
