// SPDX-License-Identifier: Apache-2.0

package config

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"airhold/sensors/units"
)

// maxSteps bounds how many values are looked at, so that aliases of aliases end; a full machine needs some 1,500.
const maxSteps = 50000

// place is a line and column of the file, both from 1, columns in characters.
type place struct{ line, column int }

// reader walks the tree of one file and collects its problems.
type reader struct {
	file     string
	lines    []string
	problems []Problem
	seen     map[string]bool // places and messages already reported: an alias is read more than once
	anchors  map[string]ast.Node
	steps    int
	places   map[string]place // of every key read, by path, for the rules
	read     func(file string) ([]byte, error)
}

func placeOf(n ast.Node) place {
	switch n := n.(type) {
	case *ast.MappingNode:
		if len(n.Values) > 0 {
			return placeOf(n.Values[0])
		}
	case *ast.MappingValueNode:
		return placeOf(n.Key)
	case *ast.DocumentNode:
		return placeOf(n.Body)
	}
	if n == nil || n.GetToken() == nil || n.GetToken().Position == nil {
		return place{1, 1}
	}
	p := n.GetToken().Position
	return place{max(1, p.Line), max(1, p.Column)}
}

func (r *reader) report(at place, s Severity, message, allowed, suggestion string) {
	key := fmt.Sprintf("%d:%d:%s", at.line, at.column, message)
	if r.seen[key] {
		return
	}
	r.seen[key] = true
	r.problems = append(r.problems, Problem{
		File: r.file, Line: at.line, Column: at.column, Severity: s, Message: message,
		Allowed: allowed, Suggestion: suggestion, Snippet: r.snippet(at.line),
	})
}

func (r *reader) fail(at place, message, allowed, suggestion string) {
	r.report(at, SevError, message, allowed, suggestion)
}

func (r *reader) warn(at place, message, suggestion string) {
	r.report(at, SevWarning, message, "", suggestion)
}

// resolve follows anchors and aliases to the value itself; nil after a report.
func (r *reader) resolve(n ast.Node) ast.Node {
	for {
		if r.steps++; r.steps > maxSteps {
			if r.steps == maxSteps+1 {
				r.fail(placeOf(n), "too many values: an alias (\"*name\") repeats too much", "", "")
			}
			return nil
		}
		switch v := n.(type) {
		case *ast.AnchorNode:
			n = v.Value
		case *ast.AliasNode:
			name := ""
			if v.Value != nil && v.Value.GetToken() != nil {
				name = v.Value.GetToken().Value
			}
			target, ok := r.anchors[name]
			if !ok {
				r.fail(placeOf(v), fmt.Sprintf("nothing is marked \"&%s\"", name), "", nearest(name, slices.Sorted(maps.Keys(r.anchors))))
				return nil
			}
			n = target
		case *ast.TagNode:
			r.fail(placeOf(v), "\"!\" starts a YAML tag, and a machine file has none; write the value without it, or in quotation marks", "", "")
			return nil
		default:
			return n
		}
	}
}

// entry is one "key: value" as it stands in the file.
type entry struct {
	key   string
	at    place // of the key
	value ast.Node
}

// entries returns the keys of a mapping in the order of the file; false after reporting that n is none.
func (r *reader) entries(n ast.Node, what string) ([]entry, bool) {
	at := placeOf(n)
	n = r.resolve(n)
	var pairs []*ast.MappingValueNode
	switch v := n.(type) {
	case nil:
		return nil, false
	case *ast.MappingNode:
		pairs = v.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{v}
	default:
		r.fail(at, fmt.Sprintf("%s must hold \"key: value\" lines, and this is %s", what, kindOf(n)), "", "")
		return nil, false
	}
	first := map[string]place{}
	var out []entry
	for _, p := range pairs {
		e := entry{at: placeOf(p.Key), value: p.Value}
		switch k := p.Key.(type) {
		case *ast.MergeKeyNode:
			r.fail(e.at, "\"<<\" (merge) is not used in machine files; write the keys out", "", "")
			continue
		case ast.ScalarNode:
			e.key = k.GetToken().Value
		default:
			r.fail(e.at, "a key must be plain text", "", "")
			continue
		}
		if was, ok := first[e.key]; ok {
			r.fail(e.at, fmt.Sprintf("%q stands twice in %s, first on line %d; keep one", e.key, what, was.line), "", "")
			continue
		}
		first[e.key] = e.at
		out = append(out, e)
	}
	return out, true
}

func kindOf(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "\"key: value\" lines"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	default:
		return "a single value"
	}
}

// list returns the entries of a list; false after reporting that n is none.
func (r *reader) list(n ast.Node, what string) ([]ast.Node, bool) {
	at := placeOf(n)
	n = r.resolve(n)
	if n == nil {
		return nil, false
	}
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		r.fail(at, fmt.Sprintf("%s must be a list, and this is %s", what, kindOf(n)), "a list: [a, b] on one line, or lines that start with \"- \"", "")
		return nil, false
	}
	return s.Values, true
}

// scalar returns the text of a single value; false after reporting that n is none.
func (r *reader) scalar(n ast.Node, what string) (string, bool) {
	at := placeOf(n)
	n = r.resolve(n)
	switch v := n.(type) {
	case nil:
		return "", false
	case *ast.StringNode:
		return strings.TrimSpace(v.Value), true
	case *ast.LiteralNode:
		return strings.TrimSpace(v.Value.Value), true
	case *ast.NullNode:
		r.fail(at, what+" has no value", "", "")
		return "", false
	case *ast.MappingNode, *ast.MappingValueNode, *ast.SequenceNode:
		r.fail(at, fmt.Sprintf("%s must be a single value, and this is %s", what, kindOf(n)), "", "")
		return "", false
	case ast.ScalarNode:
		return strings.TrimSpace(v.GetToken().Value), true
	default:
		r.fail(at, what+" must be a single value", "", "")
		return "", false
	}
}

// object is a mapping whose keys are known.
type object struct {
	r    *reader
	what string // how messages call it: `"tank"`, `rank "front"`
	path string
	at   place
	have map[string]entry
	odd  []string // what keys that are not known were probably meant to be; they were reported
	lost bool     // the file has no mapping here; that was reported
}

// object reads n, reports keys that are not among known, and keeps the places of the others. A file that says something
// else than a mapping gives an empty object, whose missing keys are not reported again (ok is false).
func (r *reader) object(n ast.Node, at place, what, path string, known ...string) (o object, ok bool) {
	o = object{r: r, what: what, path: path, at: at, have: map[string]entry{}}
	found, ok := r.entries(n, what)
	o.lost = !ok
	for _, e := range found {
		if !slices.Contains(known, e.key) {
			near := nearest(e.key, known)
			o.odd = append(o.odd, near)
			r.fail(e.at, fmt.Sprintf("%s has no key %q", what, e.key), strings.Join(known, ", "), near)
			continue
		}
		o.have[e.key] = e
		r.places[path+"."+e.key] = e.at
		if _, single := e.value.(ast.ScalarNode); single {
			r.places[path+"."+e.key] = placeOf(e.value)
		}
	}
	return o, ok
}

// must reports that key is missing, with why it is needed; once is enough where a slip in the key itself was reported.
func (o object) must(key, why string) {
	if _, ok := o.have[key]; !ok && !o.lost && !slices.Contains(o.odd, key) {
		o.r.fail(o.at, fmt.Sprintf("%s lacks %q: %s", o.what, key, why), "", "")
	}
}

func (o object) text(key string) (string, bool) {
	e, ok := o.have[key]
	if !ok {
		return "", false
	}
	return o.r.scalar(e.value, fmt.Sprintf("%q", key))
}

// word reads one of a few words.
func (o object) word(key string, words ...string) string {
	s, ok := o.text(key)
	if !ok {
		return ""
	}
	if !slices.Contains(words, s) {
		o.r.fail(placeOf(o.have[key].value), fmt.Sprintf("%q cannot be %q", key, s), strings.Join(words, ", "), nearest(s, words))
		return ""
	}
	return s
}

func (o object) yes(key string, otherwise bool) bool {
	if _, ok := o.have[key]; !ok {
		return otherwise
	}
	return o.word(key, "true", "false") == "true"
}

// number reads a plain number: a count, an address or a ratio that has no unit.
func (o object) number(key string, lo, hi, otherwise float64) float64 {
	s, ok := o.text(key)
	if !ok {
		return otherwise
	}
	at := placeOf(o.have[key].value)
	allowed := fmt.Sprintf("a number from %g to %g", lo, hi)
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) {
		o.r.fail(at, fmt.Sprintf("%q is a plain number, and %q is none", key, s), allowed, "")
		return otherwise
	}
	if v < lo || v > hi {
		o.r.fail(at, fmt.Sprintf("%q cannot be %s", key, s), allowed, "")
		return otherwise
	}
	return v
}

// count reads a whole number, also in hexadecimal (0x48).
func (o object) count(key string, lo, hi, otherwise int) int {
	s, ok := o.text(key)
	if !ok {
		return otherwise
	}
	v, err := strconv.ParseInt(s, 0, 32)
	if err != nil || v < int64(lo) || v > int64(hi) {
		allowed := fmt.Sprintf("a whole number from %d to %d", lo, hi)
		if strings.HasPrefix(s, "0x") {
			allowed = fmt.Sprintf("a whole number from 0x%02x to 0x%02x", lo, hi)
		}
		o.r.fail(placeOf(o.have[key].value), fmt.Sprintf("%q cannot be %s", key, s), allowed, "")
		return otherwise
	}
	return int(v)
}

// quantity reads text with a unit, between lo and hi, which are written as a person would; the value is SI.
func (o object) quantity(key string, d units.Dim, lo, hi string) (units.Value, bool) {
	e, ok := o.have[key]
	if !ok {
		return units.Value{}, false
	}
	return o.r.quantity(e.value, fmt.Sprintf("%q", key), d, lo, hi)
}

// si is quantity for a key that has a default.
func (o object) si(key string, d units.Dim, lo, hi string, otherwise float64) float64 {
	if v, ok := o.quantity(key, d, lo, hi); ok {
		return v.SI
	}
	return otherwise
}

func (o object) duration(key, lo, hi string, otherwise time.Duration) time.Duration {
	if v, ok := o.quantity(key, units.Time, lo, hi); ok {
		return time.Duration(math.Round(v.SI * float64(time.Second)))
	}
	return otherwise
}

func (r *reader) quantity(n ast.Node, what string, d units.Dim, lo, hi string) (units.Value, bool) {
	s, ok := r.scalar(n, what)
	if !ok {
		return units.Value{}, false
	}
	at := placeOf(n)
	v, err := units.Parse(s, d)
	if err != nil {
		r.badQuantity(at, what, s, d, err)
		return units.Value{}, false
	}
	low, errLow := units.Parse(lo, d)
	high, errHigh := units.Parse(hi, d)
	if errLow == nil && v.SI < low.SI || errHigh == nil && v.SI > high.SI {
		r.fail(at, fmt.Sprintf("%s cannot be %s", what, s), lo+" to "+hi, "")
		return units.Value{}, false
	}
	return v, true
}

func (r *reader) badQuantity(at place, what, s string, d units.Dim, err error) {
	number, unit := units.Split(s)
	legal := strings.Join(units.Units(d), ", ")
	withUnit := "a number and one of these units: " + legal
	switch {
	case errors.Is(err, units.ErrNoUnit):
		r.fail(at, fmt.Sprintf("%s is %s without a unit", what, number), withUnit, "")
	case errors.Is(err, units.ErrUnknownUnit):
		suggestion := ""
		if near := nearest(unit, units.Units(d)); near != "" && number != "" {
			suggestion = number + " " + near
		}
		why := fmt.Sprintf("%s is in %q, which is no unit of %s", what, unit, dimName(d))
		if d == units.Pressure && strings.Contains(unit, "abs") {
			why += " (pressures are gauge here; absolute ones have keys that end in \"_abs\" or \"reference: absolute\")"
			suggestion = ""
		}
		r.fail(at, why, withUnit, suggestion)
	case errors.Is(err, units.ErrImpossible):
		r.fail(at, fmt.Sprintf("%s is %s, which is below absolute zero", what, s), withUnit, "")
	case strings.Contains(s, ","):
		r.fail(at, fmt.Sprintf("%s is %q; write a decimal point, not a comma", what, s), withUnit, strings.Replace(s, ",", ".", 1))
	default:
		r.fail(at, fmt.Sprintf("%s is %q, which is no number with a unit", what, s), withUnit, "")
	}
}

func dimName(d units.Dim) string {
	names := map[units.Dim]string{
		units.None: "a plain number", units.Pressure: "pressure", units.Temperature: "temperature", units.Force: "force",
		units.Speed: "speed", units.Voltage: "voltage", units.Current: "current", units.Resistance: "resistance",
		units.Ratio: "a share", units.Rate: "a rate", units.Volume3: "volume", units.FlowRate: "air flow",
		units.Time: "time", units.Length: "length", units.Area: "area", units.Compliance: "stretch",
	}
	return names[d]
}
