// SPDX-License-Identifier: Apache-2.0

package config

import (
	"bytes"
	_ "embed" // for the first file
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"airhold/sensors/units"
)

//go:embed first.yaml
var firstYAML []byte

// First returns the text that a set-up starts from where there is no machine file it could change: it lacks what only a
// person can say, so it is refused until that is typed in.
func First() []byte { return bytes.Clone(firstYAML) }

// AnswerKind is what a question takes.
type AnswerKind string

// The kinds of answer.
const (
	AskQuantity AnswerKind = "quantity" // a number with its unit
	AskCount    AnswerKind = "count"    // a whole number
	AskWord     AnswerKind = "word"     // one of Allowed
	AskText     AnswerKind = "text"     // any line
)

// Question is one thing about a machine that no box can hear.
type Question struct {
	Path    string // of the key: "tank.volume", "ranks[0].rows"
	Words   string // "Tank volume"
	Why     string // where a person reads it
	Kind    AnswerKind
	Allowed []string // units of a quantity, words of a word
	Needed  bool     // the file is refused without it
	Value   string   // what the file says now, as written; empty: nothing
}

// Heard is a signal of the built-in catalogue that a set-up takes into the file as a channel.
type Heard struct {
	Channel string // one of the ids that checks look for
	Link    string
	Signal  string // "wheel_speed.speed"
}

// ErrDraft says that a text cannot be changed: it is no YAML, or it is written in a way that a change could not keep.
var ErrDraft = errors.New("the machine file cannot be changed")

// Questions lists what a person must say of the machine that text describes, with the answers it has. The error wraps
// ErrDraft.
func Questions(text []byte) ([]Question, error) {
	f, err := draftFile(text)
	if err != nil {
		return nil, err
	}
	all := asked(f)
	for i := range all {
		all[i].Value = written(f, all[i].Path)
	}
	return all, nil
}

// asked lists the questions for a file's own tanks, compressors and ranks.
func asked(f *ast.File) []Question {
	quantity := func(path, words, why string, d units.Dim, needed bool) Question {
		return Question{Path: path, Words: words, Why: why, Kind: AskQuantity, Allowed: units.Units(d), Needed: needed}
	}
	all := []Question{
		{Path: "name", Words: "Name of the machine", Why: "on every screen and report", Kind: AskText},
		quantity("tank.volume", "Tank volume", "from the tank’s plate, all tanks on the line together", units.Volume3, true),
		quantity("tank.safe_working_pressure", "Safe working pressure", "from the tank’s plate; never learned", units.Pressure, true),
		quantity("tank.relief_setting", "Relief valve opens at", "from the relief valve; never learned", units.Pressure, true),
	}
	for i := range size(f, "compressors") {
		path := fmt.Sprintf("compressors[%d].", i)
		all = append(all,
			Question{Path: path + "control", Words: "Compressor is kept by", Why: "how it stops from running on", Kind: AskWord, Allowed: controls(), Needed: true},
			quantity(path+"delivery", "Compressor delivers", "rated free air, from its plate; may be left out", units.FlowRate, false))
	}
	for i := range size(f, "ranks") {
		path := fmt.Sprintf("ranks[%d].", i)
		name := written(f, path+"name")
		if name == "" {
			name = strconv.Itoa(i + 1)
		}
		rank := "Rank " + name + ": "
		all = append(all,
			Question{Path: path + "rows", Words: rank + "rows", Why: "row units of this rank", Kind: AskCount},
			Question{Path: path + "bags", Words: rank + "bags", Why: "air bags of this rank", Kind: AskCount},
			quantity(path+"volume", rank+"air volume", "bags and lines together, at working pressure", units.Volume3, false),
			Question{Path: path + "at_power_off", Words: rank + "at power off", Why: "what its valves do without power", Kind: AskWord, Allowed: []string{string(Hold), string(Vent), string(UnknownAtRest)}})
	}
	if written(f, "channels.barometer.quantity") == "" && written(f, "limits.barometer_abs") == "" {
		all = append(all, quantity("limits.altitude", "Altitude", "stands for the surrounding air’s pressure, which nothing measures", units.Length, false))
	}
	return all
}

// Draft returns text with answers written into it, by the path of their question, and with a channel for each signal that
// was heard and that text has none for. Comments stay. An empty answer takes its key away. It does not judge what it wrote:
// ParseWith does. The error wraps ErrDraft.
func Draft(text []byte, answers map[string]string, heard []Heard) ([]byte, error) {
	f, err := draftFile(text)
	if err != nil {
		return nil, err
	}
	known := asked(f)
	for _, path := range sortedKeys(answers) {
		i := slices.IndexFunc(known, func(q Question) bool { return q.Path == path })
		if i < 0 {
			return nil, fmt.Errorf("%w: it has no question %q", ErrDraft, path)
		}
		answer := strings.TrimSpace(answers[path])
		if len(answer) > maxLine/2 || strings.ContainsFunc(answer, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			return nil, fmt.Errorf("%w: the answer for %q is no line of text", ErrDraft, path)
		}
		if answer == written(f, path) {
			continue
		}
		if err := put(f, path, scalarText(answer, known[i].Kind)); err != nil {
			return nil, err
		}
	}
	for _, h := range heard {
		if err := hear(f, h); err != nil {
			return nil, err
		}
	}
	out := []byte(f.String())
	if len(out) > 0 && out[len(out)-1] != '\n' {
		out = append(out, '\n')
	}
	back, err := draftFile(out)
	if err != nil {
		return nil, err
	}
	for path, answer := range answers {
		if strings.TrimSpace(answer) != written(back, path) {
			return nil, fmt.Errorf("%w: %q could not be written where it stands; change it with an editor", ErrDraft, path)
		}
	}
	return out, nil
}

func sortedKeys(m map[string]string) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// draftFile reads a text with its comments. What the reader of machine files would not even try is not tried here.
func draftFile(text []byte) (f *ast.File, err error) {
	r := &reader{places: map[string]place{}, seen: map[string]bool{}}
	if r.parse(text) == nil {
		return nil, fmt.Errorf("%w: %s", ErrDraft, r.problems[0].Message)
	}
	defer func() {
		if fault := recover(); fault != nil {
			f, err = nil, fmt.Errorf("%w: %v", ErrDraft, fault)
		}
	}()
	if f, err = parser.ParseBytes(text, parser.ParseComments, parser.AllowDuplicateMapKey()); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDraft, err)
	}
	return f, nil
}

// pairs returns the entries of a mapping.
func pairs(n ast.Node) []*ast.MappingValueNode {
	switch v := n.(type) {
	case *ast.MappingNode:
		return v.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{v}
	}
	return nil
}

// steps takes a path apart: "ranks[0].rows" is ranks, 0, rows.
func steps(path string) []string {
	return strings.Split(strings.NewReplacer("[", ".", "]", "").Replace(path), ".")
}

// lookup follows a path; entry is the "key: value" that it ends at, nil where it ends at an item of a list.
func lookup(f *ast.File, path string) (value ast.Node, entry *ast.MappingValueNode) {
	var n ast.Node
	for _, d := range f.Docs {
		if pairs(d.Body) != nil {
			n = d.Body
			break
		}
	}
	for _, step := range steps(path) {
		if list, ok := n.(*ast.SequenceNode); ok {
			i, err := strconv.Atoi(step)
			if err != nil || i >= len(list.Values) {
				return nil, nil
			}
			n, entry = list.Values[i], nil
			continue
		}
		i := slices.IndexFunc(pairs(n), func(p *ast.MappingValueNode) bool { return p.Key.GetToken() != nil && p.Key.GetToken().Value == step })
		if i < 0 {
			return nil, nil
		}
		entry = pairs(n)[i]
		n = entry.Value
	}
	return n, entry
}

// written returns a single value as it stands in the file; empty where there is none.
func written(f *ast.File, path string) string {
	n, _ := lookup(f, path)
	switch v := n.(type) {
	case *ast.StringNode:
		return strings.TrimSpace(v.Value)
	case *ast.NullNode, *ast.MappingNode, *ast.MappingValueNode, *ast.SequenceNode, *ast.AnchorNode, *ast.AliasNode, *ast.TagNode, nil:
		return ""
	case ast.ScalarNode:
		return strings.TrimSpace(v.GetToken().Value)
	}
	return ""
}

// size is how many entries the list at path has.
func size(f *ast.File, path string) int {
	n, _ := lookup(f, path)
	if list, ok := n.(*ast.SequenceNode); ok {
		return len(list.Values)
	}
	return 0
}

// scalarText writes an answer as YAML. A whole number stays one; all else is text, in quotation marks where YAML wants them.
func scalarText(answer string, kind AnswerKind) string {
	if _, err := strconv.Atoi(answer); err == nil && kind == AskCount {
		return answer
	}
	out, err := yaml.Marshal(answer)
	if err != nil {
		return strconv.Quote(answer)
	}
	return strings.TrimSpace(string(out))
}

// put writes a value over the one at path, or adds its key. The comment behind the old one stays behind the new one.
func put(f *ast.File, path, value string) error {
	if value == `""` {
		return drop(f, path)
	}
	if n, entry := lookup(f, path); entry != nil {
		fresh, err := parser.ParseBytes([]byte(value), 0)
		if err != nil || len(fresh.Docs) == 0 || fresh.Docs[0].Body == nil {
			return fmt.Errorf("%w: %q cannot be written", ErrDraft, value)
		}
		body := fresh.Docs[0].Body
		if c := n.GetComment(); c != nil {
			if err := body.SetComment(c); err != nil {
				return fmt.Errorf("%w: %w", ErrDraft, err)
			}
		}
		body.GetToken().Position = n.GetToken().Position
		entry.Value = body
		return nil
	}
	parent, key := "", path
	if i := strings.LastIndexByte(path, '.'); i >= 0 {
		parent, key = path[:i], path[i+1:]
	}
	return add(f, parent, key+": "+value+"\n")
}

// add puts lines into the mapping at path, which is made where it is missing.
func add(f *ast.File, path, lines string) error {
	if n, entry := lookup(f, path); path != "" && (n == nil || entry != nil && n.Type() == ast.NullType) {
		if strings.HasSuffix(path, "]") || strings.Contains(path, ".") {
			return fmt.Errorf("%w: it has no %q", ErrDraft, path)
		}
		lines = path + ":\n  " + strings.ReplaceAll(strings.TrimSuffix(lines, "\n"), "\n", "\n  ") + "\n"
		path = ""
	}
	where := "$"
	if path != "" {
		where += "." + path
	}
	p, err := yaml.PathString(where)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDraft, err)
	}
	if err := p.MergeFromReader(f, strings.NewReader(lines)); err != nil {
		return fmt.Errorf("%w: %w", ErrDraft, err)
	}
	return nil
}

// drop takes a key away.
func drop(f *ast.File, path string) error {
	_, entry := lookup(f, path)
	if entry == nil {
		return nil
	}
	i := strings.LastIndexByte(path, '.')
	if i < 0 {
		return fmt.Errorf("%w: %q cannot be left out", ErrDraft, path)
	}
	n, _ := lookup(f, path[:i])
	m, ok := n.(*ast.MappingNode)
	if !ok || len(m.Values) < 2 {
		return fmt.Errorf("%w: %q cannot be left out", ErrDraft, path)
	}
	m.Values = slices.DeleteFunc(m.Values, func(p *ast.MappingValueNode) bool { return p == entry })
	return nil
}

// hear adds a channel for a signal on the bus, and its link, where the file has none of that name.
func hear(f *ast.File, h Heard) error {
	if n, _ := lookup(f, "channels."+h.Channel); n != nil {
		return nil
	}
	want, ok := documentedQuantities()[h.Channel]
	if !ok {
		return fmt.Errorf("%w: no check looks for a channel %q", ErrDraft, h.Channel)
	}
	unit := map[units.Quantity]string{units.QSpeed: "m/s", units.QRate: "/min", units.QPressure: "kPa"}[want]
	lines := h.Channel + ":\n  quantity: " + string(want) + "\n"
	if want == units.QPressure {
		lines += "  reference: absolute\n"
	}
	if unit != "" {
		lines += "  unit: " + unit + "\n"
	}
	lines += fmt.Sprintf("  source: {can: {link: %s, signal: %s}}\n", h.Link, h.Signal)
	if err := add(f, "channels", lines); err != nil {
		return err
	}
	if n, _ := lookup(f, "links."+h.Link); n != nil {
		return nil
	}
	return add(f, "links", h.Link+": {kind: "+linkKind(h.Link)+"}\n")
}

// linkKind is the kind of a link by the name that the system gives it.
func linkKind(name string) string {
	if strings.HasPrefix(name, "vcan") {
		return "vcan"
	}
	return "can"
}

// AnswerAt returns the path of the question whose answer stands at a place of text, both from 1; empty where none does.
func AnswerAt(text []byte, line, column int) string {
	f, err := draftFile(text)
	if err != nil {
		return ""
	}
	for _, q := range asked(f) {
		if n, _ := lookup(f, q.Path); n != nil && placeOf(n) == (place{line, column}) {
			return q.Path
		}
	}
	return ""
}
