// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.einride.tech/can/pkg/dbc"
)

// frameFormat is the VFrameFormat attribute of a message.
type frameFormat uint8

const (
	otherFormat   frameFormat = iota // a parameter group, where the identifier has 29 bits
	plainExtended                    // a 29-bit identifier without the fields of one
)

// muxKey names a signal of a message by the identifier as the file writes it.
type muxKey struct {
	id     uint32
	signal string
}

// muxRange says under which codes of which switch a signal is present (an SG_MUL_VAL_ line).
type muxRange struct {
	on     string
	ranges [][2]uint64
}

// dbcText is a DBC file made fit for the parser, which refuses extended multiplexing and loses the line after one it
// does not know. What is not needed is blanked, so lines and columns stay.
type dbcText struct {
	kept    []byte
	nested  map[muxKey]bool // signals marked mNM: present under N, and a switch themselves
	mux     map[muxKey]muxRange
	formats map[uint32]frameFormat
	usual   frameFormat // of messages that formats has not
}

// format is the frame format of a message, by the identifier as the file writes it.
func (t *dbcText) format(id uint32) frameFormat {
	if f, ok := t.formats[id]; ok {
		return f
	}
	return t.usual
}

// formatOf reads a value of VFrameFormat: a number in the file's list of names, or in the usual one, or a name.
func formatOf(number, name string, names []string) frameFormat {
	if number != "" {
		name = ""
		i, err := strconv.Atoi(number)
		switch {
		case err == nil && i < len(names):
			name = names[i]
		case err == nil && len(names) == 0 && i == 1:
			name = "ExtendedCAN"
		}
	}
	if name == "ExtendedCAN" {
		return plainExtended
	}
	return otherFormat
}

// clean keeps the statements that ParseDBC reads and blanks all others.
func clean(data []byte) dbcText {
	t := dbcText{nested: make(map[muxKey]bool), mux: make(map[muxKey]muxRange), formats: make(map[uint32]frameFormat)}
	var (
		message  uint64
		lines    = bytes.SplitAfter(data, []byte("\n"))
		nestedRE = regexp.MustCompile(`^(\s*SG_\s+(\w+)\s+m\d+)M(\s*:)`)
		mulRE    = regexp.MustCompile(`^\s*SG_MUL_VAL_\s+(\d+)\s+(\w+)\s+(\w+)\s+([\d\s,-]+);`)
		formatRE = regexp.MustCompile(`^\s*BA_\s+"VFrameFormat"\s+BO_\s+(\d+)\s+(?:(\d+)|"(\w+)")\s*;`)
		namesRE  = regexp.MustCompile(`^\s*BA_DEF_\s+BO_\s+"VFrameFormat"\s+ENUM\s+(.*);`)
		usualRE  = regexp.MustCompile(`^\s*BA_DEF_DEF_\s+"VFrameFormat"\s+"(\w+)"\s*;`)
		names    []string // of the values of VFrameFormat, where the file lists them
	)
	for i := 0; i < len(lines); i++ {
		line := lines[i]
		word := firstWord(line)
		if word != "" && string(bytes.TrimSpace(line)) == word {
			word = "" // a keyword alone is one of the list after NS_
		}
		switch word {
		case "BO_":
			if fields := bytes.Fields(line); len(fields) > 1 {
				message, _ = strconv.ParseUint(string(fields[1]), 10, 32) // the parser says it better
			}
			t.kept = append(t.kept, line...)
		case "SG_":
			if m := nestedRE.FindSubmatchIndex(line); m != nil {
				t.nested[muxKey{uint32(message), string(line[m[4]:m[5]])}] = true
				line = bytes.Clone(line)
				line[m[3]] = ' '
			}
			t.kept = append(t.kept, line...)
		case "VAL_", "SIG_VALTYPE_":
			n := statement(lines[i:])
			for _, l := range lines[i : i+n] {
				t.kept = append(t.kept, l...)
			}
			i += n - 1
		default:
			if m := mulRE.FindSubmatch(line); m != nil {
				t.multiplexed(m)
			}
			if m := formatRE.FindSubmatch(line); m != nil {
				id, err := strconv.ParseUint(string(m[1]), 10, 32)
				if err == nil {
					t.formats[uint32(id)] = formatOf(string(m[2]), string(m[3]), names)
				}
			}
			if m := namesRE.FindSubmatch(line); m != nil {
				names = names[:0]
				for name := range strings.SplitSeq(string(m[1]), ",") {
					names = append(names, strings.Trim(strings.TrimSpace(name), `"`))
				}
			}
			if m := usualRE.FindSubmatch(line); m != nil {
				t.usual = formatOf("", string(m[1]), nil)
			}
			n := 1
			if word == "CM_" || strings.HasPrefix(word, "BA_") || word == "EV_" || word == "VAL_TABLE_" {
				n = statement(lines[i:])
			}
			for _, l := range lines[i : i+n] {
				t.blank(l)
			}
			i += n - 1
		}
	}
	return t
}

func (t *dbcText) blank(line []byte) {
	if bytes.HasSuffix(line, []byte("\n")) {
		t.kept = append(t.kept, '\n')
	}
}

// multiplexed takes the groups of an SG_MUL_VAL_ line; one with a number out of range is left aside.
func (t *dbcText) multiplexed(m [][]byte) {
	id, err := strconv.ParseUint(string(m[1]), 10, 32)
	if err != nil {
		return
	}
	r := muxRange{on: string(m[3])}
	for part := range strings.SplitSeq(string(m[4]), ",") {
		low, high, _ := strings.Cut(strings.TrimSpace(part), "-")
		lo, err1 := strconv.ParseUint(strings.TrimSpace(low), 10, 64)
		hi, err2 := strconv.ParseUint(strings.TrimSpace(high), 10, 64)
		if err1 != nil || err2 != nil {
			return
		}
		r.ranges = append(r.ranges, [2]uint64{lo, hi})
	}
	t.mux[muxKey{uint32(id), string(m[2])}] = r
}

// statement counts the lines up to the semicolon that ends the first one's statement; strings may run over lines.
// Without an end it is one line, so that the parser complains about it and not about the rest of the file.
func statement(lines [][]byte) int {
	quoted := false
	for i, line := range lines {
		for j, c := range line {
			switch {
			case c == '"' && (j == 0 || line[j-1] != '\\'):
				quoted = !quoted
			case c == ';' && !quoted:
				return i + 1
			}
		}
	}
	return 1
}

func firstWord(line []byte) string {
	line = bytes.TrimLeft(line, " \t")
	n := 0
	for n < len(line) && (line[n] == '_' || line[n] >= 'A' && line[n] <= 'Z') {
		n++
	}
	return string(line[:n])
}

// gates makes the conditions of multiplexed signals. Without an SG_MUL_VAL_ line a signal hangs on the message's one
// switch; with it on the switch it names, and on whatever that hangs on. A message may have several switches when each
// signal says on which it hangs.
func gates(l *layout, m *dbc.MessageDef, roots []int, text *dbcText) error {
	id := uint32(m.MessageID)
	parent := make([]int, len(l.fields))
	for i := range m.Signals {
		s := &m.Signals[i]
		parent[i] = -1
		if !s.IsMultiplexed {
			continue
		}
		on := -1
		if len(roots) == 1 {
			on = roots[0]
		}
		ranges := [][2]uint64{{s.MultiplexerSwitch, s.MultiplexerSwitch}}
		if r, ok := text.mux[muxKey{id, string(s.Name)}]; ok {
			ranges = r.ranges
			for j := range m.Signals {
				if string(m.Signals[j].Name) == r.on {
					on = j
				}
			}
		}
		if on < 0 && len(roots) > 1 {
			return fmt.Errorf("%d:%d: message %s has %d multiplexers, and no SG_MUL_VAL_ line says on which signal %s hangs (%w)",
				s.Pos.Line, s.Pos.Column, m.Name, len(roots), s.Name, ErrDBC)
		}
		if on < 0 || on == i || !slices.Contains(roots, on) && !text.nested[muxKey{id, string(m.Signals[on].Name)}] {
			return fmt.Errorf("%d:%d: signal %s is multiplexed, but message %s has no such multiplexer (%w)",
				s.Pos.Line, s.Pos.Column, s.Name, m.Name, ErrDBC)
		}
		parent[i] = on
		l.fields[i].gates = []gate{{&l.fields[on], ranges}}
	}
	own := make([][]gate, len(l.fields))
	for i := range l.fields {
		own[i] = l.fields[i].gates
	}
	for i := range l.fields {
		var chain []gate
		steps := 0
		for j := i; j >= 0; j = parent[j] {
			chain = append(chain, own[j]...)
			if steps++; steps > len(parent) {
				return fmt.Errorf("%d:%d: the multiplexers of message %s hang on each other in a ring (%w)",
					m.Pos.Line, m.Pos.Column, m.Name, ErrDBC)
			}
		}
		l.fields[i].gates = chain
	}
	return nil
}
