// SPDX-License-Identifier: Apache-2.0

package export

import (
	"cmp"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/bus"
	"airhold/bus/signals"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

const (
	// pointEvery is the least time between two points of a track.
	pointEvery = time.Second
	// trackGap parts a track: nobody knows where the machine was meanwhile.
	trackGap = 10 * time.Second
	// nearReading is how far from a point a reading may be to stand beside it.
	nearReading = 2 * time.Second
)

// point is a position that was heard.
type point struct {
	at       time.Duration
	lat, lon float64 // degrees, WGS84
	track    int
}

// track is the positions of one sender in one kind of message.
type track struct {
	link    string
	source  uint8
	message string
	points  []point
	index   int
	next    time.Duration // no point before
}

// geoJSON writes where the machine was (RFC 7946): a line for each stretch of a track, and a point a second with the
// readings nearest to it. It cannot be gone on with in the middle: a boot that was stopped begins anew.
func (j *job) geoJSON(ctx context.Context, out *output) error {
	tracks, err := j.tracks(ctx)
	if err != nil {
		return err
	}
	var points []point
	for i, t := range tracks {
		t.index = i
		for _, p := range t.points {
			p.track = i
			points = append(points, p)
		}
	}
	slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.at, b.at) })
	if len(points) == 0 {
		return nil
	}
	beside, channels, err := j.beside(ctx, points)
	if err != nil {
		return err
	}
	g := &geoWriter{j: j, out: out, channels: channels}
	g.begin()
	for _, t := range tracks {
		g.lines(t)
	}
	for i := range points {
		g.point(&points[i], tracks[points[i].track], beside[i*len(channels):(i+1)*len(channels)])
	}
	g.text("\n]}\n")
	j.file.Points, j.file.Rows = int64(len(points)), int64(g.features)
	return g.err
}

// placed lists the messages that say a position.
func placed() map[string]bool {
	have := map[string]bool{}
	for _, n := range signals.Names() {
		if m, ok := strings.CutSuffix(n, ".latitude"); ok {
			have[m] = true
		}
	}
	return have
}

// tracks reads the positions out of the frames. Of one sender that says its position in several kinds of message, the
// kind that has most points is taken.
func (j *job) tracks(ctx context.Context) ([]*track, error) {
	s, err := j.source()
	if err != nil {
		return nil, err
	}
	defer s.close()
	type key struct {
		link    uint16
		source  uint8
		message string
	}
	byKey := map[key]*track{}
	var order []*track
	d, wanted := signals.NewDecoder(), placed()
	var values []signals.Value
	var at time.Duration
	var ok bool
	emit := func(m *signals.Message) {
		if !ok || !wanted[m.Key] {
			return
		}
		k := key{m.Link, m.Source, m.Key}
		t := byKey[k]
		if t == nil {
			t = &track{link: s.links[m.Link], source: m.Source, message: m.Key, next: math.MinInt64}
			byKey[k] = t
			order = append(order, t)
		}
		if at < t.next {
			return
		}
		values = m.Signals(values[:0])
		if lat, lon, ok := position(values); ok {
			t.points = append(t.points, point{at: at, lat: lat, lon: lon})
			t.next = at.Truncate(pointEvery) + pointEvery
		}
	}
	var f bus.Frame
	for n := 1; ; n++ {
		if n%beat == 0 {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			j.tell(s.done+s.Read, s.total)
		}
		err := s.next(&f)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		_, _, ok = s.date(&f)
		at = f.Boot
		d.Frame(f, emit)
	}
	return best(order), nil
}

// best leaves one track a sender.
func best(all []*track) []*track {
	var out []*track
	for _, t := range all {
		if len(t.points) == 0 {
			continue
		}
		i := slices.IndexFunc(out, func(o *track) bool { return o.link == t.link && o.source == t.source })
		switch {
		case i < 0:
			out = append(out, t)
		case len(t.points) > len(out[i].points):
			out[i] = t
		}
	}
	return out
}

// position reads latitude and longitude; false where either is none, or the receiver itself says that it has no fix.
func position(values []signals.Value) (lat, lon float64, ok bool) {
	have := 0
	for i := range values {
		v := &values[i]
		switch {
		case v.Key == "method" && v.Status == signals.OK && v.Text == "no fix":
			return 0, 0, false
		case v.Status != signals.OK:
		case v.Key == "latitude":
			lat = v.Written
			have |= 1
		case v.Key == "longitude":
			lon = v.Written
			have |= 2
		}
	}
	return lat, lon, have == 3 && math.Abs(lat) <= 90 && math.Abs(lon) <= 180
}

// beside finds for each point the nearest usable reading of each channel: NaN where none is near. Points are in the
// order of time; the box's own channels are left out unless asked for.
func (j *job) beside(ctx context.Context, points []point) ([]float64, []readings.Channel, error) {
	var channels []readings.Channel
	slot := make([]int, len(j.wants))
	for i, want := range j.wants {
		slot[i] = -1
		c := readings.Channel(i)
		if want && (len(j.o.Channels) > 0 || !strings.Contains(j.about.Table.Info(c).ID, ".")) {
			slot[i] = len(channels)
			channels = append(channels, c)
		}
	}
	n := len(channels)
	values, far := make([]float64, n*len(points)), make([]time.Duration, n*len(points))
	for i := range values {
		values[i], far[i] = math.NaN(), nearReading+1
	}
	if n == 0 || len(points) == 0 {
		return values, channels, nil
	}
	from, to := points[0].at-nearReading, points[len(points)-1].at+nearReading
	near := 0 // first point that a reading may still stand beside
	var r store.Row
	for k := 0; ; k++ {
		if k%beat == 0 {
			if ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			j.tell(r.Seq, j.entries)
		}
		err := j.next(&r)
		if errors.Is(err, io.EOF) {
			return values, channels, nil
		}
		if err != nil {
			return nil, nil, err
		}
		v := &r.Entry.Reading
		if r.Entry.Kind != store.IsReading || v.Quality != readings.Good || v.At < from || v.At > to || v.Channel < 0 || int(v.Channel) >= len(slot) || slot[v.Channel] < 0 {
			continue
		}
		// Readings come nearly in the order of time: a minute is kept for those that are late.
		for near < len(points) && points[near].at < v.At-reorder {
			near++
		}
		i, _ := slices.BinarySearchFunc(points[near:], v.At-nearReading, func(p point, t time.Duration) int { return cmp.Compare(p.at, t) })
		for i += near; i < len(points) && points[i].at <= v.At+nearReading; i++ {
			if d := (points[i].at - v.At).Abs(); d < far[i*n+slot[v.Channel]] {
				far[i*n+slot[v.Channel]], values[i*n+slot[v.Channel]] = d, v.Value
			}
		}
	}
}

// geoWriter writes a FeatureCollection.
type geoWriter struct {
	j        *job
	out      io.Writer
	channels []readings.Channel
	features int
	line     []byte
	err      error
}

func (g *geoWriter) text(s string) {
	if g.err == nil {
		_, g.err = io.WriteString(g.out, s)
	}
}

func (g *geoWriter) json(v any) string {
	b, err := json.Marshal(v)
	if err != nil && g.err == nil {
		g.err = err
	}
	return string(b)
}

// begin writes what stands once: RFC 7946 section 6.1 allows members of one's own beside those it defines.
func (g *geoWriter) begin() {
	type unit struct {
		Unit      string          `json:"unit"`
		Reference units.Reference `json:"reference,omitempty"`
	}
	a := g.j.about
	list := map[string]unit{}
	for _, c := range g.channels {
		in := a.Table.Info(c)
		list[in.ID] = unit{cmp.Or(in.Unit.Code, "1"), in.Reference}
	}
	about := map[string]any{
		"boot": a.Snapshot.Boot, "software": a.Snapshot.Software, "machine_sha256": hex.EncodeToString(hashOf(a.Snapshot.Machine)), "units": list,
	}
	if a.Snapshot.Simulated {
		about["simulated"] = true
	}
	g.text(`{"type":"FeatureCollection","airhold":` + g.json(about) + `,"features":[`)
}

func (g *geoWriter) feature(geometry string, properties []byte) {
	if g.features > 0 {
		g.text(",")
	}
	g.features++
	g.text("\n" + `{"type":"Feature","geometry":` + geometry + `,"properties":` + string(properties) + "}")
}

// lines writes a track's stretches. A line that crosses the antimeridian is cut there (RFC 7946 section 3.1.9).
func (g *geoWriter) lines(t *track) {
	for from := 0; from < len(t.points); {
		to := from + 1
		for to < len(t.points) && t.points[to].at-t.points[to-1].at <= trackGap {
			to++
		}
		if to-from > 1 { // a line has two positions or more (section 3.1.4)
			parts := cut(t.points[from:to])
			kind, text := "LineString", parts[0]
			if len(parts) > 1 {
				kind, text = "MultiLineString", "["+strings.Join(parts, ",")+"]"
			}
			b := append([]byte(nil), `{"kind":"track"`...)
			b = g.sender(b, t)
			b = g.when(b, "start", t.points[from].at)
			b = g.when(b, "stop", t.points[to-1].at)
			g.feature(`{"type":"`+kind+`","coordinates":`+text+`}`, append(b, '}'))
		}
		from = to
	}
}

// cut writes the coordinates of a line, of several where it crosses the antimeridian.
func cut(points []point) []string {
	var out []string
	var b []byte
	count := 0
	put := func(lon, lat float64) {
		if count > 0 {
			b = append(b, ',')
		}
		b = appendPosition(b, lon, lat)
		count++
	}
	for i := range points {
		p := &points[i]
		if i > 0 {
			if q := &points[i-1]; math.Abs(p.lon-q.lon) > 180 {
				edge := math.Copysign(180, q.lon)
				share := (edge - q.lon) / (p.lon + 2*edge - q.lon)
				lat := q.lat + share*(p.lat-q.lat)
				put(edge, lat)
				out = append(out, "["+string(b)+"]")
				b, count = b[:0:0], 0
				put(-edge, lat)
			}
		}
		put(p.lon, p.lat)
	}
	return append(out, "["+string(b)+"]")
}

// appendPosition writes longitude and latitude, in that order (RFC 7946 section 3.1.1). Eight decimals are a millimetre.
func appendPosition(b []byte, lon, lat float64) []byte {
	b = append(b, '[')
	b = appendShort(b, lon, 8)
	b = append(b, ',')
	b = appendShort(b, lat, 8)
	return append(b, ']')
}

// appendShort writes a number with so many decimals at most.
func appendShort(b []byte, v float64, decimals int) []byte {
	n := len(b)
	b = strconv.AppendFloat(b, v, 'f', decimals, 64)
	if i := slices.Index(b[n:], '.'); i >= 0 {
		for b[len(b)-1] == '0' {
			b = b[:len(b)-1]
		}
		if b[len(b)-1] == '.' {
			b = b[:len(b)-1]
		}
	}
	if string(b[n:]) == "-0" {
		b = append(b[:n], '0')
	}
	return b
}

func (g *geoWriter) sender(b []byte, t *track) []byte {
	b = append(b, `,"interface":`+g.json(t.link)+`,"source":`...)
	b = strconv.AppendUint(b, uint64(t.source), 10)
	return append(b, `,"message":`+g.json(t.message)...)
}

// when writes a time: RFC 3339, or, where the boot never knew it, seconds of the boot clock.
func (g *geoWriter) when(b []byte, key string, at time.Duration) []byte {
	b = append(b, `,"`+key+`":`...)
	ns, q := g.j.about.Offsets.UTC(at)
	if q == clock.Unset {
		return appendSeconds(b, at)
	}
	b = appendWall(append(b, '"'), ns)
	return append(b, '"')
}

func (g *geoWriter) point(p *point, t *track, values []float64) {
	ns, q := g.j.about.Offsets.UTC(p.at)
	g.j.seen(ns, q)
	b := g.line[:0]
	b = append(b, `{"kind":"point"`...)
	b = g.when(b, "time", p.at)
	b = append(b, `,"clock":"`+q.String()+`"`...)
	b = g.sender(b, t)
	for i, c := range g.channels {
		if math.IsNaN(values[i]) {
			continue
		}
		in := g.j.about.Table.Info(c)
		b = append(b, `,`+g.json(in.ID)+`:`...)
		b = append(b, number(in.Unit, values[i])...)
		g.j.file.Readings++
	}
	b = append(b, '}')
	g.line = b
	g.feature(`{"type":"Point","coordinates":`+string(appendPosition(nil, p.lon, p.lat))+`}`, g.line)
}
