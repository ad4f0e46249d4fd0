// SPDX-License-Identifier: Apache-2.0

package export

import (
	"cmp"
	"container/heap"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// reorder is how long a row waits for readings that were made before it and came later: a reading enters the log when
// its source sends it, the table is in the order of time.
const reorder = time.Minute

// cell is a reading on its way into the table.
type cell struct {
	at      time.Duration
	seq     int64
	channel readings.Channel
	value   float64
}

// cells is a heap of cells, the oldest on top.
type cells []cell //nolint:recvcheck // container/heap wants Push and Pop on the pointer, the rest on the value

func (c cells) Len() int { return len(c) }
func (c cells) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(c[i].at, c[j].at), cmp.Compare(c[i].seq, c[j].seq)) < 0
}
func (c cells) Swap(i, j int) { c[i], c[j] = c[j], c[i] }
func (c *cells) Push(x any)   { *c = append(*c, x.(cell)) } //nolint:errcheck,forcetypeassert // heap of our own type
func (c *cells) Pop() any {
	old := *c
	x := old[len(old)-1]
	*c = old[:len(old)-1]
	return x
}

// csvPlace is where a table ends.
type csvPlace struct {
	Written time.Duration `json:"written"` // every row before this time is in the table
	Edge    time.Duration `json:"edge"`    // what is older comes too late
	Resume  int64         `json:"resume"`  // entry to read again from
	Read    int64         `json:"read"`    // up to this entry everything before Written is in the table
	First   int64         `json:"first"`
	Last    int64         `json:"last"`
	Best    clock.Quality `json:"best"`
}

// csvTable writes one boot's table (contract 2).
type csvTable struct {
	j       *job
	out     *output
	wait    cells
	from    csvPlace // where it goes on
	edge    time.Duration
	columns []readings.Channel
	at      map[readings.Channel]int // column of a channel
	text    []string                 // of the row at hand, by column
	filled  int
	row     time.Duration
	wall    bool // times are RFC 3339
	both    bool // there is a column utc, because the clock jumped
	line    []byte
	since   int64 // rows since the last checkpoint
}

// csv writes a table of readings: a row for each time at which there was one.
//
// Times are RFC 3339 where the boot's wall clock never jumped. Where it did, the column time counts seconds of the boot
// clock, so that no row is out of place, and a second column says the wall time.
func (j *job) csv(ctx context.Context, out *output) error {
	pieces := len(j.about.Offsets.Pieces())
	t := &csvTable{j: j, out: out, at: map[readings.Channel]int{}, wall: pieces == 1, both: pieces > 1}
	for i, want := range j.wants {
		if want {
			c := readings.Channel(i)
			t.at[c] = len(t.columns)
			t.columns = append(t.columns, c)
		}
	}
	t.text = make([]string, len(t.columns))
	resumed, err := out.place(&t.from)
	if err != nil {
		return err
	}
	if resumed {
		j.first, j.last, j.best, t.edge = t.from.First, t.from.Last, t.from.Best, t.from.Edge
		err = j.rec.SkipTo(t.from.Resume)
	} else {
		t.edge = math.MinInt64
		err = t.header()
	}
	if err != nil {
		return err
	}
	return t.run(ctx)
}

func (t *csvTable) header() error {
	a := t.j.about
	var b strings.Builder
	fmt.Fprintf(&b, "# airhold_export=1\n# boot=%s\n# software=%s\n# machine_sha256=%s\n", a.Snapshot.Boot, oneWord(a.Snapshot.Software), hex.EncodeToString(hashOf(a.Snapshot.Machine)))
	if a.Snapshot.Simulated {
		b.WriteString("# simulated=yes\n")
	}
	if t.both {
		b.WriteString("# clock=jumped: time is seconds of the boot clock, utc is what the box took for the time\n")
	}
	for _, c := range t.columns {
		in := a.Table.Info(c)
		unit := in.Unit.Code
		if in.Unit.IsZero() {
			unit = "1"
		}
		fmt.Fprintf(&b, "# unit.%s=%s\n", in.ID, strings.TrimSpace(unit+" "+string(in.Reference)))
	}
	b.WriteString("time")
	if t.both {
		b.WriteString(",utc")
	}
	for _, c := range t.columns {
		b.WriteString("," + t.j.about.Table.Info(c).ID)
	}
	b.WriteString("\n")
	_, err := io.WriteString(t.out, b.String())
	return err
}

func hashOf(machine []byte) []byte {
	hash := sha256.Sum256(machine)
	return hash[:]
}

func oneWord(s string) string { return strings.Join(strings.Fields(s), "_") }

func (t *csvTable) run(ctx context.Context) error {
	var r store.Row
	for n := 0; ; n++ {
		if n%beat == 0 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			t.j.tell(r.Seq, t.j.entries)
		}
		err := t.j.next(&r)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if r.Entry.Kind != store.IsReading || !t.j.wanted(r.Entry.Reading.Channel) {
			continue
		}
		t.enter(&r)
		if edge := r.Entry.At - reorder; edge > t.edge {
			t.edge = edge
			if err := t.release(edge, r.Seq); err != nil {
				return err
			}
		}
	}
	if err := t.release(math.MaxInt64, r.Seq); err != nil {
		return err
	}
	return t.flush()
}

// enter takes a reading among those that wait. What was read before the export stopped was counted then.
func (t *csvTable) enter(r *store.Row) {
	v := &r.Entry.Reading
	counts := t.j.file.Counts
	old := r.Seq <= t.from.Read
	if old && v.At < t.from.Written {
		return
	}
	_, _, ok := t.j.take(v.At)
	switch {
	case !ok:
	case v.At < t.edge && !old:
		t.j.file.Late++
	case v.Quality != readings.Good:
		t.j.file.Unusable++
	default:
		heap.Push(&t.wait, cell{v.At, r.Seq, v.Channel, v.Value})
	}
	if old {
		t.j.file.Counts = counts
	}
}

// release writes what was made before a time; read is the last entry that was read.
func (t *csvTable) release(before time.Duration, read int64) error {
	for len(t.wait) > 0 && t.wait[0].at < before {
		c := t.wait[0]
		i := t.at[c.channel]
		if t.filled > 0 && (c.at != t.row || t.text[i] != "") {
			if err := t.flush(); err != nil {
				return err
			}
			if c.at != t.row && t.since >= t.j.o.checkpoints() {
				if err := t.checkpoint(c.at, read); err != nil {
					return err
				}
			}
		}
		heap.Pop(&t.wait)
		t.row = c.at
		t.text[i] = number(t.j.about.Table.Info(c.channel).Unit, c.value)
		t.filled++
		t.j.file.Readings++
	}
	return nil
}

// checkpoint notes that every row before a time is written.
func (t *csvTable) checkpoint(written time.Duration, read int64) error {
	p := csvPlace{Written: written, Edge: t.edge, Resume: math.MaxInt64, Read: read, First: t.j.first, Last: t.j.last, Best: t.j.best}
	for i := range t.wait {
		p.Resume = min(p.Resume, t.wait[i].seq)
	}
	t.since = 0
	return t.out.checkpoint(t.j.file, p)
}

// flush writes the row at hand.
func (t *csvTable) flush() error {
	if t.filled == 0 {
		return nil
	}
	ns, q := t.j.about.Offsets.UTC(t.row)
	t.j.seen(ns, q)
	b := t.line[:0]
	if t.wall {
		b = appendWall(b, ns)
	} else {
		b = appendSeconds(b, t.row)
	}
	if t.both {
		b = appendWall(append(b, ','), ns)
	}
	for i, text := range t.text {
		b = append(append(b, ','), text...)
		t.text[i] = ""
	}
	b = append(b, '\n')
	t.line, t.filled = b, 0
	t.since++
	t.j.file.Rows++
	_, err := t.out.Write(b)
	return err
}

func appendWall(b []byte, ns int64) []byte {
	return time.Unix(0, ns).UTC().AppendFormat(b, time.RFC3339Nano)
}

func appendSeconds(b []byte, at time.Duration) []byte {
	if at < 0 {
		b, at = append(b, '-'), -at
	}
	b = strconv.AppendInt(b, int64(at/time.Second), 10)
	if f := at % time.Second; f > 0 {
		b = append(b, strings.TrimRight(fmt.Sprintf(".%09d", int64(f)), "0")...)
	}
	return b
}

// number writes a value in its channel's unit, in the shortest form that is read as the same number. Where a neighbour of
// the quotient gives back the very bits of the SI value and the quotient does not, it is the neighbour.
func number(u units.Unit, si float64) string {
	w := si
	if !u.IsZero() {
		w = back(u, si)
	}
	if a := math.Abs(w); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.FormatFloat(w, 'e', -1, 64)
	}
	return strconv.FormatFloat(w, 'f', -1, 64)
}

func back(u units.Unit, si float64) float64 {
	w := u.From(si)
	if u.SI(w) == si {
		return w
	}
	up, down := w, w
	for range 2 {
		up, down = math.Nextafter(up, math.Inf(1)), math.Nextafter(down, math.Inf(-1))
		if u.SI(up) == si {
			return up
		}
		if u.SI(down) == si {
			return down
		}
	}
	return w
}
