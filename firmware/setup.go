// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/findings"
	"airhold/firmware/intake"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/firmware/tablet"
	"airhold/sensors/units"
)

// Setup is what a person sees who sets the box up: GET /api/setup.
type Setup struct {
	State     string          `json:"state"`          // running: on the machine file; accepted_copy: it is refused; refused: and there is no copy
	File      string          `json:"file,omitempty"` // the machine file's name
	Simulated bool            `json:"simulated"`
	Problems  []SetupProblem  `json:"problems"`
	Links     []SetupLink     `json:"links"`
	Needs     []SetupNeed     `json:"needs"`
	Inputs    []SetupInput    `json:"inputs"`
	Questions []SetupQuestion `json:"questions"`          // of the file that is in use, or of a first one
	From      string          `json:"from"`               // which of both: present, first
	WhyNot    string          `json:"why_not,omitempty"`  // it cannot be saved now
	Instead   string          `json:"instead,omitempty"`  // why questions are of a first file although there is one
	Where     string          `json:"where,omitempty"`    // what a saved file is called
	Accepted  string          `json:"accepted,omitempty"` // which file was accepted last, by its SHA-256
}

// SetupProblem is one thing wrong in a machine file.
type SetupProblem struct {
	File       string `json:"file"`
	Line       int    `json:"line"`
	Column     int    `json:"column"`
	Severity   string `json:"severity"` // error, warning
	Message    string `json:"message"`
	Allowed    string `json:"allowed,omitempty"`
	Suggestion string `json:"suggestion,omitempty"`
	Path       string `json:"path,omitempty"` // the question whose answer it is about
}

// SetupLink is one link as it is heard.
type SetupLink struct {
	Link     string           `json:"link"`
	Bitrate  publish.Quantity `json:"bitrate,omitempty"`
	Reckoned bool             `json:"reckoned"` // the bitrate is the slowest usual one that fits
	Busy     publish.Quantity `json:"busy,omitempty"`
	Open     bool             `json:"open"`
	Checked  bool             `json:"checked"`        // the kernel says that its controller only listens
	Sent     *int64           `json:"sent,omitempty"` // frames that this computer sent on it, by the kernel's count; missing: no kernel counts
	Words    string           `json:"words"`
	Remarks  []string         `json:"remarks"`
	Talkers  []SetupTalker    `json:"talkers"`
}

// SetupTalker is one device.
type SetupTalker struct {
	Address  int            `json:"address"`
	Words    string         `json:"words"`
	Named    bool           `json:"named"` // it said its NAME
	Messages []SetupMessage `json:"messages"`
}

// SetupMessage is one message of it, or all that are not decoded.
type SetupMessage struct {
	PGN     int       `json:"pgn,omitempty"`
	Words   string    `json:"words"`
	Decoded bool      `json:"decoded"`
	Count   int       `json:"count"` // messages that this line stands for
	Strip   []float64 `json:"strip"` // when they came within the last second, s from its beginning
}

// SetupNeed is one signal that checks want.
type SetupNeed struct {
	ID    string `json:"id"`
	Words string `json:"words"`
	State string `json:"state"` // heard, twice, sent: on the bus and not taken yet, not_heard
	Using string `json:"using,omitempty"`
	Then  string `json:"then,omitempty"` // what follows where it is not heard
}

// SetupInput is one wired input as it reads now.
type SetupInput struct {
	ID       string           `json:"id"`
	Name     string           `json:"name"`
	Plug     string           `json:"plug,omitempty"`
	Volts    publish.Quantity `json:"volts,omitempty"`
	Value    publish.Quantity `json:"value,omitempty"`
	Status   string           `json:"status"`
	Sentence string           `json:"sentence"`
}

// SetupQuestion is one thing that no box can hear.
type SetupQuestion struct {
	Path    string   `json:"path"`
	Words   string   `json:"words"`
	Why     string   `json:"why"`
	Kind    string   `json:"kind"` // quantity, count, word, text
	Allowed []string `json:"allowed"`
	Needed  bool     `json:"needed"`
	Value   string   `json:"value"`
}

// SetupChecked is what the box thinks of a machine file: POST /api/setup/check.
type SetupChecked struct {
	OK       bool           `json:"ok"` // the box would run on it
	Problems []SetupProblem `json:"problems"`
	Text     string         `json:"text"`
	Changed  []int          `json:"changed"` // lines that the file in use has not, from 1
	SHA256   string         `json:"sha256"`
}

// SetupSaved says where a file was saved: POST /api/setup/save.
type SetupSaved struct {
	File  string `json:"file"`
	Words string `json:"words"`
}

// refused says that the box runs without a machine file.
func (b *Box) refused() bool { return config.Refused(b.o.Problems) && b.o.Text == nil }

// signalNeed is one signal that checks look for, and where the catalogue has it, the surest first.
type signalNeed struct {
	id, words string
	signals   []string
	then      string
}

func signalNeeds() []signalNeed {
	return []signalNeed{
		{"speed", "Speed", []string{"machine_selected_speed.speed", "wheel_speed.speed", "ground_speed.speed", "cog_sog.sog"}, "nothing can tell planting from standing"},
		{"lowered", "Lowered", []string{"rear_hitch.in_work", "front_hitch.in_work"}, "nothing can tell planting from the headland"},
		{"drive", "Engine speed", []string{"engine.speed"}, "runs are seen in the tank’s pressure alone"},
		{"position", "Position", []string{"position.latitude", "gnss.latitude"}, "readings have no place in the field"},
		{"barometer", "Surrounding pressure", []string{"ambient.barometer"}, "assumed; type the altitude in"},
	}
}

// Setup implements tablet.Setup.
func (b *Box) Setup() []byte {
	known := b.sensors.Load()
	if known == nil {
		return nil
	}
	out := Setup{
		State: "running", Simulated: b.o.Simulated, Problems: setupProblems(b.o.Problems), Links: b.heardLinks(), Inputs: b.setupInputs(known), Accepted: b.o.Machine.SHA256,
		Questions: []SetupQuestion{}, WhyNot: b.whyNotSave(),
	}
	if b.o.File != "" {
		out.File = filepath.Base(b.o.File)
		out.Where = filepath.Base(setupName(b.o.File, 1))
	}
	switch {
	case b.refused():
		out.State = "refused"
	case config.Refused(b.o.Problems):
		out.State = "accepted_copy"
	}
	out.Needs = b.setupNeeds(known, out.Links)
	text, from, instead := b.setupBase("")
	out.From, out.Instead = from, instead
	questions, err := config.Questions(text)
	b.said(err)
	for _, q := range questions {
		out.Questions = append(out.Questions, SetupQuestion{
			Path: q.Path, Words: q.Words, Why: q.Why, Kind: string(q.Kind), Allowed: append([]string{}, q.Allowed...), Needed: q.Needed, Value: q.Value,
		})
	}
	data, err := json.Marshal(out)
	b.said(err)
	return data
}

func setupProblems(all []config.Problem) []SetupProblem {
	out := make([]SetupProblem, 0, len(all))
	for _, p := range all {
		out = append(out, SetupProblem{
			File: filepath.Base(p.File), Line: p.Line, Column: p.Column, Severity: string(p.Severity), Message: p.Message, Allowed: p.Allowed, Suggestion: p.Suggestion,
		})
	}
	return out
}

// heardLinks tells of every link that the box listens to.
func (b *Box) heardLinks() []SetupLink {
	out := []SetupLink{}
	for _, l := range b.inputs.links {
		o := l.Overheard()
		k := SetupLink{
			Link: o.Link, Bitrate: &findings.Measure{SI: o.Bitrate, Unit: units.Unit{Code: "bit/s", Factor: 1}}, Reckoned: o.Reckoned,
			Open: o.Open, Checked: o.Checked, Remarks: append([]string{}, o.Remarks...), Talkers: []SetupTalker{},
		}
		if o.Busy != nil {
			k.Busy = percent(*o.Busy / 100)
		}
		if !o.Silent {
			k.Sent = sentFrames(b.o.Machine.Box.Sysfs, o.Link)
		}
		k.Words = linkWords(&o, k.Sent)
		for _, t := range o.Talkers {
			k.Talkers = append(k.Talkers, setupTalker(t))
		}
		out = append(out, k)
	}
	return out
}

// linkWords says whether anything may go out on a link.
func linkWords(o *intake.Overheard, sent *int64) string {
	switch {
	case o.Refused != "" && !o.Open:
		return "Not heard: " + strings.TrimSuffix(o.Refused, ".") + "."
	case o.Silent:
		return "No wire is behind it. airhold has no way to send."
	case o.Checked && sent != nil && *sent == 0:
		return "Listening only, checked. 0 frames sent."
	case o.Checked && sent != nil:
		return fmt.Sprintf("Listening only, checked. %d frames were sent before that, by another program.", *sent)
	case o.Checked:
		return "Listening only, checked. airhold has no way to send."
	default:
		return "Not open yet."
	}
}

// sentFrames reads the kernel's own count; nil where there is none.
func sentFrames(root, link string) *int64 {
	if root == "" {
		root = "/"
	}
	text, err := fs.ReadFile(os.DirFS(root), "sys/class/net/"+link+"/statistics/tx_packets")
	if err != nil {
		return nil
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	if err != nil {
		return nil
	}
	return &n
}

func setupTalker(t intake.Speaker) SetupTalker {
	out := SetupTalker{Address: int(t.Address), Words: t.Words, Named: t.Named, Messages: []SetupMessage{}}
	for _, m := range t.Messages {
		out.Messages = append(out.Messages, SetupMessage{PGN: int(m.PGN), Words: strings.ReplaceAll(m.Key, "_", " "), Decoded: true, Count: 1, Strip: strip(m.Strip)})
	}
	if t.Unknown > 0 {
		out.Messages = append(out.Messages, SetupMessage{Words: "not decoded", Count: t.Unknown, Strip: strip(t.Strip)})
	}
	return out
}

// strip turns ages into places within the last second, and keeps to ms.
func strip(ago []time.Duration) []float64 {
	out := make([]float64, 0, len(ago))
	for _, d := range ago {
		out = append(out, float64((time.Second-d).Round(time.Millisecond).Milliseconds())/1000)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// setupNeeds compares what checks want with what is heard.
func (b *Box) setupNeeds(known *sensors, links []SetupLink) []SetupNeed {
	var out []SetupNeed
	for _, n := range signalNeeds() {
		need := SetupNeed{ID: n.id, Words: n.words, State: "not_heard", Then: n.then}
		senders := 0
		for _, signal := range n.signals {
			_, words := findSender(links, signal)
			senders += len(words)
		}
		c, declared := b.o.Machine.Channel(n.id)
		if v := b.table.Find(n.id); declared && v != readings.NoChannel && known.all[v].Quality == readings.Good.String() && known.all[v].Age < silentAfter.Milliseconds() {
			need.State, need.Then, need.Using = "heard", "", known.all[v].Source
			if _, words := findSender(links, c.CAN.Signal); c.Kind == config.FromCAN && c.CAN.DBC == "" && len(words) > 0 {
				need.Using = words[0]
			}
			if senders > 1 {
				need.State = "twice"
			}
		} else if h, words, ok := b.offered(n, links); ok {
			need.State, need.Using = "sent", words
			need.Then = "on " + h.Link + "; taken when this is saved"
			if n.id == "position" {
				need.State, need.Then = "heard", ""
			}
		}
		out = append(out, need)
	}
	target := SetupNeed{ID: "targets", Words: "Rank targets", State: "heard"}
	wanted := SetupNeed{ID: "load_target", Words: "Wanted load", State: "heard"}
	for _, k := range b.o.Machine.Ranks {
		for id, n := range map[string]*SetupNeed{k.Target: &target, k.LoadTarget: &wanted} {
			if v := b.table.Find(id); v == readings.NoChannel || known.all[v].Quality != readings.Good.String() || known.all[v].Age >= silentAfter.Milliseconds() {
				n.State = "not_heard"
			} else {
				n.Using = known.all[v].Source
			}
		}
	}
	if len(b.o.Machine.Ranks) == 0 {
		target.State, wanted.State = "not_heard", "not_heard"
	}
	if target.State == "not_heard" {
		target.Using, target.Then = "", "will be assumed from each rank’s own pressure"
	}
	if wanted.State == "not_heard" {
		wanted.Using, wanted.Then = "", "no load is called off its target"
	}
	return append(out, target, wanted)
}

// findSender looks who sends the message of a catalogue signal, and on which link.
func findSender(links []SetupLink, signal string) (link string, senders []string) {
	key, _, _ := strings.Cut(signal, ".")
	key = strings.ReplaceAll(key, "_", " ")
	for _, l := range links {
		for _, t := range l.Talkers {
			if slices.ContainsFunc(t.Messages, func(m SetupMessage) bool { return m.Decoded && m.Words == key && len(m.Strip) > 0 }) {
				who := t.Words
				if !t.Named {
					who = fmt.Sprintf("address %d", t.Address)
				}
				link, senders = l.Link, append(senders, who)
			}
		}
	}
	return link, senders
}

// offered is the surest signal for a need that somebody sends now.
func (b *Box) offered(n signalNeed, links []SetupLink) (h config.Heard, words string, ok bool) {
	for _, signal := range n.signals {
		if link, senders := findSender(links, signal); len(senders) > 0 {
			return config.Heard{Channel: n.id, Link: link, Signal: signal}, senders[0], true
		}
	}
	return h, "", false
}

// setupInputs tells how every wired input reads now.
func (b *Box) setupInputs(known *sensors) []SetupInput {
	out := []SetupInput{}
	sentences := map[string]string{}
	for _, a := range b.inputs.analog {
		for _, p := range a.Inputs(known.newest) {
			sentences[p.ID] = strings.TrimPrefix(p.Sentence, p.ID+": ")
		}
	}
	for i := range known.all {
		v := &known.all[i]
		if v.Electrical == nil {
			continue
		}
		in := SetupInput{ID: v.ID, Name: v.Name, Plug: v.Plug, Volts: v.Electrical.Signal, Status: v.Quality, Sentence: sentences[v.ID]}
		if in.Status == readings.Good.String() {
			in.Value = v.Value
		}
		if in.Sentence == "" {
			in.Sentence = "has not been read yet"
		}
		out = append(out, in)
	}
	return out
}

// setupBase is the text that a set-up changes: the file in use, or a first one where there is none, or where it cannot be
// changed.
func (b *Box) setupBase(from string) (text []byte, which, instead string) {
	if b.o.Text == nil || from == "first" {
		return config.First(), "first", ""
	}
	if _, err := config.Questions(b.o.Text); err != nil {
		return config.First(), "first", err.Error()
	}
	return b.o.Text, "present", ""
}

// setupText writes what a page asks for.
func (b *Box) setupText(ask tablet.SetupAsk) ([]byte, error) {
	if ask.Text != "" {
		return []byte(ask.Text), nil
	}
	base, _, _ := b.setupBase(ask.From)
	var heard []config.Heard
	links := b.heardLinks()
	for _, n := range signalNeeds() {
		if h, _, ok := b.offered(n, links); ok && n.id != "position" {
			heard = append(heard, h)
		}
	}
	return config.Draft(base, ask.Answers, heard)
}

// Check implements tablet.Setup.
func (b *Box) Check(ask tablet.SetupAsk) ([]byte, error) {
	c, err := b.setupCheck(ask)
	if err != nil {
		return nil, err
	}
	data, err := json.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("write what was checked: %w", err)
	}
	return data, nil
}

func (b *Box) setupCheck(ask tablet.SetupAsk) (SetupChecked, error) {
	text, err := b.setupText(ask)
	if err != nil {
		return SetupChecked{}, err
	}
	name := "machine.yaml"
	if b.o.File != "" {
		name = filepath.Base(b.o.File)
	}
	m, problems := config.ParseWith(name, text, b.beside)
	out := SetupChecked{OK: m != nil, Problems: setupProblems(problems), Text: string(text), Changed: changedLines(b.o.Text, text), SHA256: sha(text)}
	if m != nil {
		if err := wiresFit(m); err != nil {
			out.OK = false
			out.Problems = append(out.Problems, SetupProblem{File: name, Severity: string(config.SevError), Message: err.Error()})
		}
	}
	for i := range out.Problems {
		p := &out.Problems[i]
		if ask.Text == "" {
			p.Path = config.AnswerAt(text, p.Line, p.Column)
		}
	}
	return out, nil
}

// wiresFit looks up every signal that a machine file names.
func wiresFit(m *config.Machine) error {
	wanted, err := Signals(m)
	if err != nil {
		return err
	}
	t := NewTable(m)
	for _, signals := range wanted {
		if _, err := intake.NewTranslator(intake.TranslatorOptions{Table: t, Signals: signals}); err != nil {
			return err
		}
	}
	return nil
}

// beside reads a message description that the text of a set-up names. Anybody may have a text checked, so it tells of no
// file but those that the machine file in use names, and of .dbc files in its folder and below.
func (b *Box) beside(file string) ([]byte, error) {
	if b.o.File == "" {
		return nil, fs.ErrNotExist
	}
	folder := filepath.Dir(b.o.File)
	if slices.ContainsFunc(b.o.Machine.DBCs, func(d config.DBC) bool { return d.File == file }) {
		if !filepath.IsAbs(file) {
			file = filepath.Join(folder, file)
		}
		return description(os.DirFS(filepath.Dir(file)), filepath.Base(file))
	}
	if !filepath.IsLocal(file) || !strings.EqualFold(filepath.Ext(file), ".dbc") {
		return nil, errors.New("here a message description is a .dbc file in the folder of the machine file; put it there, or name it in the machine file itself")
	}
	root, err := os.OpenRoot(folder) // no link leads out of it
	if err != nil {
		return nil, fs.ErrNotExist
	}
	defer root.Close() //nolint:errcheck // only read
	return description(root.FS(), filepath.ToSlash(filepath.Clean(file)))
}

// description reads a message description; it tells nothing of what is none.
func description(from fs.FS, file string) ([]byte, error) {
	info, err := fs.Stat(from, file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fs.ErrNotExist
	}
	const most = 4 << 20
	if err != nil || info.Size() > most || !info.Mode().IsRegular() {
		return nil, errors.New("it is no message description")
	}
	return fs.ReadFile(from, file)
}

// changedLines lists the lines of text that were in none of before's, but for the room between their words.
func changedLines(before, text []byte) []int {
	had := map[string]bool{}
	for line := range strings.Lines(string(before)) {
		had[strings.Join(strings.Fields(line), " ")] = true
	}
	out, at := []int{}, 0
	for line := range strings.Lines(string(text)) {
		at++
		if s := strings.Join(strings.Fields(line), " "); s != "" && !had[s] {
			out = append(out, at)
		}
	}
	return out
}

func sha(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// whyNotSave is why nothing can be saved now; empty: it can.
func (b *Box) whyNotSave() string {
	n := b.now.Load()
	switch {
	case b.o.File == "":
		return "This box runs without a machine file of its own, so there is no place to save one. Download the text."
	case n == nil:
		return "The box has just started. Wait a few seconds."
	case n.Moving:
		return "The machine moves. Stop first."
	}
	return ""
}

// Save implements tablet.Setup.
func (b *Box) Save(ask tablet.SetupAsk) ([]byte, error) {
	if why := b.whyNotSave(); why != "" {
		return nil, tablet.NotNowError(why)
	}
	c, err := b.setupCheck(ask)
	if err != nil {
		return nil, tablet.NotNowError(err.Error())
	}
	if !c.OK {
		return nil, tablet.NotNowError("The machine file has errors, so the box would not take it. Mend them first.")
	}
	file, err := writeSetup(b.o.File, b.o.Folder, []byte(c.Text))
	if err != nil {
		return nil, err
	}
	b.o.Log.Info("a set-up was saved", slog.String("file", file), slog.String("sha256", c.SHA256))
	words := "The box takes it at its next start. Nothing was overwritten, and the file that was accepted last is kept."
	data, err := json.Marshal(SetupSaved{File: file, Words: words})
	if err != nil {
		return nil, fmt.Errorf("write where it was saved: %w", err)
	}
	return data, nil
}

// A saved set-up begins with this line, which says of which machine file it is a change: while that one stays as it was, the
// set-up counts.
const setupMark = "# Saved by the set-up of the page, instead of a machine file with SHA-256 "

// maxSetups is how many set-ups may wait beside one another.
const maxSetups = 99

// setupName is what the n-th set-up of a machine file is called.
func setupName(file string, n int) string {
	ext := filepath.Ext(file)
	return fmt.Sprintf("%s.setup-%d%s", strings.TrimSuffix(file, ext), n, ext)
}

// writeSetup writes a new file beside the machine file or, where that folder may not be written, in the other one. It
// overwrites nothing.
func writeSetup(file, folder string, text []byte) (string, error) {
	before, err := os.ReadFile(file) //nolint:gosec // the machine file that the box was started with
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("the machine file %s cannot be read: %w", file, err)
	}
	text = append([]byte(setupMark+sha(before)+"\n"), withoutMark(text)...)
	places := []string{file}
	if folder != "" {
		places = append(places, filepath.Join(folder, filepath.Base(file)))
	}
	for _, place := range places {
		var name string
		if name, err = writeNew(place, text); err == nil {
			return name, nil
		}
	}
	return "", fmt.Errorf("the file cannot be saved: %w; download the text and copy it to %s", err, file)
}

// withoutMark takes off the line that an earlier set-up put on top.
func withoutMark(text []byte) []byte {
	if bytes.HasPrefix(text, []byte(setupMark)) {
		_, rest, _ := bytes.Cut(text, []byte("\n"))
		return rest
	}
	return text
}

// writeNew writes a file whose name is not taken, whole and synced or not at all.
func writeNew(place string, text []byte) (string, error) {
	for n := 1; n <= maxSetups; n++ {
		name := setupName(place, n)
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640) //nolint:gosec // beside the machine file
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		_, err = f.Write(text)
		if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
			return "", errors.Join(err, os.Remove(name))
		}
		return name, nil
	}
	return "", fmt.Errorf("%d set-ups are saved there already: delete some", maxSetups)
}

// SavedSetup finds the newest set-up that was saved for a machine file, beside it or in folder, and that is of the file as it
// stands now; empty where there is none. A machine file that was changed by hand since counts more than a set-up.
func SavedSetup(file, folder string) string {
	now, err := os.ReadFile(file) //nolint:gosec // the machine file that the box is started with
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return ""
	}
	want := []byte(setupMark + sha(now) + "\n")
	for n := maxSetups; n >= 1; n-- {
		for _, place := range []string{file, filepath.Join(folder, filepath.Base(file))} {
			name := setupName(place, n)
			if text, err := os.ReadFile(name); err == nil && bytes.HasPrefix(text, want) { //nolint:gosec // beside the machine file
				return name
			}
		}
	}
	return ""
}
