// SPDX-License-Identifier: Apache-2.0

package store

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"airhold/sensors/units"
)

// sampleRows is how many rows are looked at before the first one is read, to see how a table is written.
const sampleRows = 400

// form is how a table is written that is not written as the contract says: its separator, and which sign each of its
// columns has between whole and fraction. What the first rows do not prove is not assumed: the table is refused.
type form struct {
	sep   byte
	comma []bool   // by column: the comma is the decimal sign, and points part thousands
	cells [][]byte // of the row at hand
	text  []byte   // of the cell at hand
}

// marks is what the first rows prove about a column's decimal sign, as the line of the proof; 0: nothing.
type marks struct {
	point, comma             int64
	dubiousPoint, dubiousCom int64
	dubious                  string
}

// separator is the sign between the columns: in a header the first one there is; in a row of numbers a semicolon or a tab
// goes before a comma, which may be a decimal sign.
func separator(text []byte, header bool) byte {
	if header {
		quoted := false
		for _, ch := range text {
			switch {
			case ch == '"':
				quoted = !quoted
			case !quoted && (ch == ',' || ch == ';' || ch == '\t'):
				return ch
			}
		}
		return ','
	}
	for _, ch := range []byte{';', '\t'} {
		if bytes.IndexByte(text, ch) >= 0 {
			return ch
		}
	}
	return ','
}

// split parts a row at sep outside quotes, and takes blanks and quotes off each cell.
func split(cells [][]byte, row []byte, sep byte) [][]byte {
	for {
		i, quoted := 0, false
		for i < len(row) && (quoted || row[i] != sep) {
			if row[i] == '"' {
				quoted = !quoted
			}
			i++
		}
		cell := bytes.Trim(row[:i], " \t\r")
		if n := len(cell); n >= 2 && cell[0] == '"' && cell[n-1] == '"' {
			cell = bytes.TrimSpace(cell[1 : n-1])
		}
		cells = append(cells, cell)
		if i == len(row) {
			return cells
		}
		row = row[i+1:]
	}
}

// ahead fills the buffer and returns what stands in it, unread.
func (c *CSV) ahead() []byte {
	if c.r > 0 {
		c.w = copy(c.buf, c.buf[c.r:c.w])
		c.r = 0
	}
	for c.w < len(c.buf) && c.err == nil {
		n, err := c.src.Read(c.buf[c.w:])
		c.w += n
		c.err = err
	}
	return c.buf[:c.w]
}

// look reads the first rows to see how the table is written. It leaves c.odd nil for the contract's own form.
func (c *CSV) look(sep byte) error {
	text := c.ahead()
	list := make([]marks, len(c.columns))
	line, rows, quotes, wide := c.line, 0, false, -1
	var cells [][]byte
	see := func(row []byte, line int64) {
		rows++
		quotes = quotes || bytes.IndexByte(row, '"') >= 0
		cells = split(cells[:0], row, sep)
		for i := range min(len(cells), len(list)) {
			list[i].see(cells[i], line)
		}
		n := len(cells)
		for n > len(list) && len(cells[n-1]) == 0 {
			n--
		}
		if wide == -1 {
			wide = n
		} else if wide != n {
			wide = 0
		}
	}
	if c.pending != nil {
		see(c.pending, line)
	}
	for len(text) > 0 && rows < sampleRows {
		i := bytes.IndexByte(text, '\n')
		if i < 0 && c.err == nil {
			break // only its beginning is here
		}
		row := text
		if i >= 0 {
			row, text = text[:i], text[i+1:]
		} else {
			text = nil
		}
		line++
		if row = bytes.TrimSuffix(row, []byte{'\r'}); len(row) > 0 && row[0] != '#' {
			see(row, line)
		}
	}
	if n := len(c.columns); sep == ',' && !quotes && rows > 1 && n > 1 && (wide == 2*n || wide == 2*n-1) {
		return c.refuse("line %d: the rows have %d cells where the header has %d; it looks like commas between columns and in the numbers too; "+
			"save it with points in the numbers, or with semicolons between the columns", c.line+1, wide, n)
	}
	return c.decide(sep, quotes, list)
}

// decide chooses each column's decimal sign, or refuses.
func (c *CSV) decide(sep byte, quotes bool, list []marks) error {
	somePoint := slices.ContainsFunc(list, func(m marks) bool { return m.point > 0 })
	someComma := slices.ContainsFunc(list, func(m marks) bool { return m.comma > 0 })
	f := &form{sep: sep, comma: make([]bool, len(list))}
	for i, m := range list {
		wanted := i == 0 || c.slot[i] >= 0
		switch {
		case m.point > 0 && m.comma > 0 && wanted:
			return c.refuse("lines %d and %d, column %s: the decimal sign is a point in one and a comma in the other; write all numbers one way",
				min(m.point, m.comma), max(m.point, m.comma), c.columns[i])
		case m.comma > 0:
			f.comma[i] = true
		case m.point > 0:
		case m.dubiousCom > 0 && (!someComma || somePoint) && wanted:
			return c.refuse("line %d, column %s: %q can be read as %s or as %s; write numbers with a point and without signs between thousands",
				m.dubiousCom, c.columns[i], m.dubious, strings.Replace(m.dubious, ",", ".", 1), strings.ReplaceAll(m.dubious, ",", ""))
		case m.dubiousPoint > 0 && someComma && wanted:
			return c.refuse("line %d, column %s: %q can be read as %s or, as other columns have decimal commas, as %s; write numbers with a point and without signs between thousands",
				m.dubiousPoint, c.columns[i], m.dubious, m.dubious, strings.ReplaceAll(m.dubious, ".", ""))
		case someComma && !somePoint:
			f.comma[i] = true
		}
	}
	commas := slices.Contains(f.comma, true)
	if sep == ',' && !commas && !quotes {
		return nil
	}
	c.odd = f
	var words []string
	switch sep {
	case ';':
		words = append(words, "columns parted by semicolons")
	case '\t':
		words = append(words, "columns parted by tabs")
	}
	if commas {
		words = append(words, "decimal commas")
	}
	if len(words) > 0 {
		c.say("", "written with %s; read so", strings.Join(words, " and "))
	}
	return nil
}

// see looks at one cell. A comma or point proves to be the decimal sign when what it parts is no group of three digits, or
// when the other sign stands before it.
func (m *marks) see(cell []byte, line int64) {
	cell = bytes.TrimLeft(cell, "+-")
	if i := bytes.IndexAny(cell, "eE"); i > 0 {
		cell = cell[:i]
	}
	for _, ch := range cell {
		if (ch < '0' || ch > '9') && ch != '.' && ch != ',' {
			return
		}
	}
	points, commas := bytes.Count(cell, []byte{'.'}), bytes.Count(cell, []byte{','})
	first := func(at *int64) {
		if *at == 0 {
			*at = line
		}
	}
	dubious := func(at *int64) {
		if first(at); m.dubious == "" {
			m.dubious = string(cell)
		}
	}
	switch {
	case points+commas == 0:
	case points == 1 && commas == 0:
		if grouped(cell, '.') {
			dubious(&m.dubiousPoint)
		} else {
			first(&m.point)
		}
	case commas == 1 && points == 0:
		if grouped(cell, ',') {
			dubious(&m.dubiousCom)
		} else {
			first(&m.comma)
		}
	case commas == 0 && grouped(cell, '.'):
		first(&m.comma)
	case points == 0 && grouped(cell, ','):
		first(&m.point)
	case commas == 1 && points > 0 && grouped(cell[:bytes.IndexByte(cell, ',')], '.'):
		first(&m.comma)
	case points == 1 && commas > 0 && grouped(cell[:bytes.IndexByte(cell, '.')], ','):
		first(&m.point)
	}
}

// grouped reports whether sign parts digits as thousands: one to three, not beginning with 0, then threes.
func grouped(digits []byte, sign byte) bool {
	group, rest, more := bytes.Cut(digits, []byte{sign})
	if len(group) < 1 || len(group) > 3 || group[0] == '0' || !more {
		return false
	}
	for more {
		group, rest, more = bytes.Cut(rest, []byte{sign})
		if len(group) != 3 || bytes.ContainsAny(group, ".,") {
			return false
		}
	}
	return true
}

// plain writes a cell with a decimal point and no sign between thousands; a cell that is not written as its column is comes
// back as it stands, and then is no number. The result holds until the next call.
func (f *form) plain(column int, cell []byte) []byte {
	decimal, thousand := byte('.'), byte(',')
	if f.comma[column] {
		decimal, thousand = ',', '.'
	}
	if bytes.IndexByte(cell, ':') >= 0 { // a time of day, which has no thousands
		f.text = append(f.text[:0], cell...)
		if i := bytes.LastIndexByte(f.text, ','); i > bytes.LastIndexByte(f.text, ':') {
			f.text[i] = '.'
		}
		return f.text
	}
	whole, fraction, _ := bytes.Cut(cell, []byte{decimal})
	if bytes.IndexByte(whole, thousand) >= 0 {
		if !grouped(bytes.TrimLeft(whole, "+-"), thousand) {
			return spoilt(cell)
		}
	}
	if bytes.IndexByte(fraction, thousand) >= 0 || bytes.IndexByte(fraction, decimal) >= 0 {
		return spoilt(cell)
	}
	f.text = f.text[:0]
	for _, ch := range cell {
		switch ch {
		case thousand:
		case decimal:
			f.text = append(f.text, '.')
		default:
			f.text = append(f.text, ch)
		}
	}
	return f.text
}

// spoilt returns a cell that no reader takes for a number, though its digits might be one.
func spoilt(cell []byte) []byte { return fmt.Appendf(nil, "%s ?", cell) }

// takeOdd is take for a table in another form.
func (c *CSV) takeOdd(text []byte, ended bool) bool {
	f := c.odd
	f.cells = split(f.cells[:0], text, f.sep)
	n := len(f.cells)
	for n > len(c.columns) && len(f.cells[n-1]) == 0 {
		n--
	}
	if !c.whole(n, ended, text[len(text)-1] == f.sep) {
		return false
	}
	at, ok := c.when(f.plain(0, f.cells[0]))
	if !ok {
		return false
	}
	for i := 1; i < min(n, len(c.slot)); i++ {
		if c.slot[i] < 0 || len(f.cells[i]) == 0 {
			continue
		}
		v, ok := parseFloat(f.plain(i, f.cells[i]))
		if !ok || !c.keep(i, at, v) {
			c.bad(i, f.cells[i])
		}
	}
	return true
}

// timeScale reads the name of the first column: time, with its unit when that is not the second. The result is
// nanoseconds for each second written.
func timeScale(name string) (float64, bool) {
	rest, ok := strings.CutPrefix(strings.ToLower(name), "time")
	if !ok {
		return 0, false
	}
	switch strings.Trim(rest, " _-/()[]") {
	case "", "stamp", "s", "sec", "seconds":
		return 1, true
	case "ms":
		return 1e-3, true
	case "us", "µs", "μs":
		return 1e-6, true
	case "min":
		return 60, true
	case "h":
		return 3600, true
	default:
		return 0, false
	}
}

// headed finds a column whose name carries its unit, as "tank (bar)" or "tank [psi]".
func (c *CSV) headed(ch *CSVChannel) (at int, err error) {
	for i, name := range c.columns[1:] {
		base, unit, ok := strings.Cut(name, "(")
		end := ")"
		if !ok {
			base, unit, ok = strings.Cut(name, "[")
			end = "]"
		}
		if !ok || strings.TrimSpace(base) != ch.Column || !strings.HasSuffix(unit, end) {
			continue
		}
		u, err := units.ParseUnit(strings.TrimSuffix(unit, end), ch.Unit.Dim)
		if err != nil {
			return 0, c.refuse("line %d, column %q: %v", c.line, name, err)
		}
		if u != ch.Unit {
			c.say(name, "read in %s, as its name says, not in %s", u.Code, ch.Unit.Code)
		}
		ch.Unit = u
		return i + 1, nil
	}
	return 0, nil
}
