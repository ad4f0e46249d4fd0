// SPDX-License-Identifier: Apache-2.0

package store

import (
	"bytes"
	"math"
	"strconv"
)

// cut parts the first cell from the rest of a row; rest is nil after the last one. Blanks and quotes around a cell go.
func cut(row []byte) (cell, rest []byte) {
	cell, rest, _ = bytes.Cut(row, []byte{','})
	if n := len(cell); n > 0 && (cell[0] <= ' ' || cell[n-1] <= ' ' || cell[0] == '"') {
		cell = bytes.TrimSpace(cell)
		if n := len(cell); n >= 2 && cell[0] == '"' && cell[n-1] == '"' {
			cell = bytes.TrimSpace(cell[1 : n-1])
		}
	}
	return cell, rest
}

// parseFloat reads a decimal number with a point. Up to 2^53 and powers of ten up to 22 the quotient or product of two
// exact doubles is the correctly rounded value (Clinger, "How to read floating point numbers accurately", 1990);
// everything else the standard library reads. Words, hexadecimal and what is out of range are no numbers.
func parseFloat(b []byte) (float64, bool) {
	i, neg := 0, false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		neg, i = b[0] == '-', 1
	}
	var mant uint64
	digits, scale, point := 0, 0, false
	for ; i < len(b); i++ {
		switch ch := b[i]; {
		case ch >= '0' && ch <= '9':
			digits++
			if digits > 18 {
				return slowFloat(b)
			}
			mant = mant*10 + uint64(ch-'0')
			if point {
				scale++
			}
		case ch == '.' && !point:
			point = true
		case (ch == 'e' || ch == 'E') && digits > 0:
			return slowFloat(b)
		default:
			return 0, false
		}
	}
	if digits == 0 {
		return 0, false
	}
	if mant > 1<<53 {
		return slowFloat(b)
	}
	v := float64(mant) / tenTo(scale)
	if neg {
		v = -v
	}
	return v, true
}

// tenTo returns 10^n for n from 0 to 18, exactly.
func tenTo(n int) float64 {
	return [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}[n]
}

func slowFloat(b []byte) (float64, bool) {
	for _, ch := range b {
		if (ch < '0' || ch > '9') && ch != '.' && ch != '-' && ch != '+' && ch != 'e' && ch != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(b), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, false
	}
	return v, true
}

// parseTime reads RFC 3339 (wall: nanoseconds since 1970) or seconds (nanoseconds, cut off after the ninth decimal).
func parseTime(b []byte) (ns int64, wall, ok bool) {
	if len(b) >= 20 && b[4] == '-' && b[7] == '-' {
		ns, ok = parseWall(b)
		return ns, true, ok
	}
	ns, ok = parseSeconds(b)
	return ns, false, ok
}

const nano = 1_000_000_000

func parseSeconds(b []byte) (int64, bool) {
	if bytes.ContainsAny(b, "eE") {
		v, ok := parseFloat(b)
		if !ok || math.Abs(v) > 9e9 {
			return 0, false
		}
		return int64(math.Round(v * nano)), true
	}
	neg := len(b) > 0 && b[0] == '-'
	if neg || (len(b) > 0 && b[0] == '+') {
		b = b[1:]
	}
	whole, frac, _ := bytes.Cut(b, []byte{'.'})
	if len(whole) == 0 || len(whole) > 10 {
		return 0, false
	}
	s, ok1 := number(whole)
	f, ok2 := fraction(frac)
	if !ok1 || !ok2 || s > 9_000_000_000 {
		return 0, false
	}
	ns := s*nano + f
	if neg {
		ns = -ns
	}
	return ns, true
}

// parseOfDay reads hours:minutes:seconds, with a fraction.
func parseOfDay(b []byte) (int64, bool) {
	hour, rest, ok1 := bytes.Cut(b, []byte{':'})
	minute, rest, ok2 := bytes.Cut(rest, []byte{':'})
	second, frac, _ := bytes.Cut(rest, []byte{'.'})
	if !ok1 || !ok2 || len(hour) < 1 || len(hour) > 2 || len(minute) != 2 || len(second) != 2 {
		return 0, false
	}
	h, ok1 := number(hour)
	m, ok2 := number(minute)
	s, ok3 := number(second)
	f, ok4 := fraction(frac)
	if !ok1 || !ok2 || !ok3 || !ok4 || m > 59 || s > 59 {
		return 0, false
	}
	return (h*3600+m*60+s)*nano + f, true
}

// number reads digits; none are zero.
func number(b []byte) (int64, bool) {
	n := int64(0)
	for _, ch := range b {
		if ch < '0' || ch > '9' {
			return 0, false
		}
		n = n*10 + int64(ch-'0')
	}
	return n, true
}

// fraction reads the digits after the point as nanoseconds.
func fraction(b []byte) (int64, bool) {
	n, unit := int64(0), int64(nano/10)
	for _, ch := range b {
		if ch < '0' || ch > '9' {
			return 0, false
		}
		n += int64(ch-'0') * unit
		unit /= 10
	}
	return n, true
}

// parseWall reads date-time of RFC 3339, section 5.6, with 'T' or a blank between date and time, in the years 1970 to
// 2261. A leap second counts as the second after it.
func parseWall(b []byte) (int64, bool) {
	if b[10] != 'T' && b[10] != 't' && b[10] != ' ' || b[13] != ':' || b[16] != ':' {
		return 0, false
	}
	var v [6]int64 // year, month, day, hour, minute, second
	for i, span := range [6][2]int{{0, 4}, {5, 7}, {8, 10}, {11, 13}, {14, 16}, {17, 19}} {
		n, ok := number(b[span[0]:span[1]])
		if !ok {
			return 0, false
		}
		v[i] = n
	}
	if v[0] < 1970 || v[0] > 2261 || v[1] < 1 || v[1] > 12 || v[2] < 1 || v[2] > monthDays(v[0], v[1]) || v[3] > 23 || v[4] > 59 || v[5] > 60 {
		return 0, false
	}
	rest := b[19:]
	frac := int64(0)
	if rest[0] == '.' {
		n := 1
		for n < len(rest) && rest[n] >= '0' && rest[n] <= '9' {
			n++
		}
		frac, _ = fraction(rest[1:n])
		if n == 1 {
			return 0, false
		}
		rest = rest[n:]
	}
	zone, ok := parseZone(rest)
	if !ok {
		return 0, false
	}
	s := days(v[0], v[1], v[2])*86400 + v[3]*3600 + v[4]*60 + v[5] - zone
	return s*nano + frac, true
}

func parseZone(b []byte) (int64, bool) {
	if len(b) == 1 && (b[0] == 'Z' || b[0] == 'z') {
		return 0, true
	}
	if len(b) != 6 || (b[0] != '+' && b[0] != '-') || b[3] != ':' {
		return 0, false
	}
	h, ok1 := number(b[1:3])
	m, ok2 := number(b[4:6])
	if !ok1 || !ok2 || h > 23 || m > 59 {
		return 0, false
	}
	s := h*3600 + m*60
	if b[0] == '-' {
		s = -s
	}
	return s, true
}

func leap(y int64) bool { return y%4 == 0 && (y%100 != 0 || y%400 == 0) }

func monthDays(y, m int64) int64 {
	switch m {
	case 2:
		if leap(y) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	default:
		return 31
	}
}

// days counts the days from 1970-01-01 in the Gregorian calendar.
func days(y, m, d int64) int64 {
	n := (y-1970)*365 + (y-1969)/4 - (y-1901)/100 + (y-1601)/400
	for i := int64(1); i < m; i++ {
		n += monthDays(y, i)
	}
	return n + d - 1
}
