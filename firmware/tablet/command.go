// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// maxBody is the largest command; real ones have about 200 bytes.
const maxBody = 64 << 10

// body is what a page sends. Unknown fields are left alone: a newer page may say more.
type body struct {
	ID    string     `json:"id"`
	T     *time.Time `json:"t"` // when the person pressed, by the box's clock; optional
	Key   string     `json:"key"`
	Where string     `json:"where"`
	For   string     `json:"for"` // shelve: "10m"
	By    string     `json:"by"`
	Why   string     `json:"why"`

	Args map[string]string `json:"args"` // of the leak-down test's verbs; care-done: "answer"
}

// known lists the verbs there are.
func known(v alarms.Verb) bool {
	switch v {
	case alarms.Ack, alarms.Shelve, alarms.Unshelve, alarms.Reset, alarms.TakeOut, alarms.PutBack, alarms.Note,
		alarms.CareDone, alarms.Forget, alarms.TestStart, alarms.TestStep, alarms.TestStop:
		return true
	default:
		return false
	}
}

// bodyError is a command that cannot be understood; its text is a sentence for the person.
type bodyError struct{ sentence string }

func (e bodyError) Error() string { return e.sentence }

// decode reads one command. Its error is a bodyError.
func decode(data []byte, verb alarms.Verb) (alarms.Command, *time.Time, error) {
	var b body
	if err := json.Unmarshal(data, &b); err != nil {
		return alarms.Command{}, nil, bodyError{"The command is no JSON the box understands. Load the page again."}
	}
	c := alarms.Command{ID: b.ID, Verb: verb, Key: findings.Key(b.Key), Where: b.Where, By: b.By, Why: b.Why}
	switch {
	case !isToken(b.ID, 64):
		return c, nil, bodyError{"The command has no id of letters, digits and hyphens, so a repeated press would count twice. Load the page again."}
	case b.Key != "" && !isToken(b.Key, 64):
		return alarms.Command{ID: b.ID}, nil, bodyError{"The command names no alarm: its key is not one of the catalogue's."}
	case b.Key == "" && verb != alarms.Note && !verb.IsTest() && !verb.IsCare():
		return c, nil, bodyError{"The command does not say which alarm is meant: it needs a key."}
	case !isText(b.Where, 120) || !isText(b.By, 64) || !isText(b.Why, 500):
		return alarms.Command{ID: b.ID}, nil, bodyError{"A text of the command is too long or holds signs that cannot be printed."}
	case b.For != "" && verb != alarms.Shelve:
		return c, nil, bodyError{"Only putting off takes a time."}
	case len(b.Args) > 0 && !verb.IsTest() && verb != alarms.CareDone:
		return c, nil, bodyError{"Only a leak-down test takes arguments, and care an answer."}
	}
	if verb.IsCare() {
		return decodeCare(c, &b)
	}
	if verb.IsTest() {
		if !areArgs(b.Args) {
			return alarms.Command{ID: b.ID}, nil, bodyError{"An argument of the test is too long or holds signs that cannot be printed."}
		}
		c.Args = b.Args
		return c, b.T, nil
	}
	if verb == alarms.Shelve {
		d, err := time.ParseDuration(b.For)
		if err != nil || d <= 0 || d > 12*time.Hour {
			return c, nil, bodyError{"Putting off needs a time between a second and 12 hours, as 10m."}
		}
		c.For = d
	}
	return c, b.T, nil
}

// decodeCare reads what is special to care and to forgetting: where names the item.
func decodeCare(c alarms.Command, b *body) (alarms.Command, *time.Time, error) {
	c.Key = ""
	switch {
	case strings.TrimSpace(b.Where) == "" && c.Verb == alarms.CareDone:
		return c, nil, bodyError{"The command does not say what was done: where names an item of /api/care."}
	case strings.TrimSpace(b.Where) == "":
		return c, nil, bodyError{"The command does not say what to forget: where names a value of /api/learned."}
	case !areArgs(b.Args):
		return alarms.Command{ID: b.ID}, nil, bodyError{"An argument of the command is too long or holds signs that cannot be printed."}
	}
	c.Args = b.Args
	return c, b.T, nil
}

// areArgs checks the arguments of a command: few, short, and printable.
func areArgs(args map[string]string) bool {
	if len(args) > 12 {
		return false
	}
	for k, v := range args {
		if !isToken(k, 32) || !isText(v, 64) {
			return false
		}
	}
	return true
}

const tokenSigns = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_."

func isToken(s string, longest int) bool {
	if s == "" || len(s) > longest {
		return false
	}
	return !strings.ContainsFunc(s, func(r rune) bool { return !strings.ContainsRune(tokenSigns, r) })
}

func isText(s string, longest int) bool {
	return len(s) <= longest && utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}

// command answers POST /api/cmd/{verb}.
func (s *Server) command(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		who, ok := client(r)
		if !ok || !limit.take(who) {
			s.count.refused.Add(1)
			w.Header().Set("Retry-After", strconv.Itoa(int(pressEvery/time.Second)))
			refuse(w, http.StatusTooManyRequests, "", "Too many presses at once. Wait a few seconds and press again.")
			return
		}
		verb := alarms.Verb(r.PathValue("verb"))
		if !known(verb) {
			s.count.refused.Add(1)
			refuse(w, http.StatusNotFound, "", "The box knows no command "+quoted(string(verb))+".")
			return
		}
		data, status, sentence := readBody(w, r)
		if status != 0 {
			s.count.refused.Add(1)
			refuse(w, status, "", sentence)
			return
		}
		c, pressed, err := decode(data, verb)
		if err != nil {
			s.count.refused.Add(1)
			id := c.ID
			if !isToken(id, 64) {
				id = ""
			}
			refuse(w, http.StatusBadRequest, id, err.Error())
			return
		}
		if late := s.late(pressed); late != "" {
			s.count.refused.Add(1)
			refuse(w, http.StatusConflict, c.ID, late)
			return
		}
		from := callerOf(r)
		c.Role, c.Via = from.role(verb), from.via
		c.By = actor(from, &c)
		s.do(w, r, c)
	}
}

// actor is who the journal names: a paired tablet by its own name, whatever it says; on the box, whoever is named.
func actor(from *caller, c *alarms.Command) string {
	switch {
	case from.name != "":
		return from.name
	case c.By != "":
		return c.By
	case c.Args["by"] != "":
		return c.Args["by"]
	case from.via == "page":
		return "box screen"
	}
	return "terminal"
}

func readBody(w http.ResponseWriter, r *http.Request) (data []byte, status int, sentence string) {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		return nil, http.StatusUnsupportedMediaType, "A command is sent as application/json."
	}
	data, err = io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	var tooLong *http.MaxBytesError
	switch {
	case errors.As(err, &tooLong):
		return nil, http.StatusRequestEntityTooLarge, "The command is longer than 64 KiB, so it is none."
	case err != nil:
		return nil, http.StatusBadRequest, "The command broke off on its way. Press again."
	}
	return data, 0, ""
}

// late returns a sentence for a command that was pressed too long ago, or by a clock that is not the box's.
func (s *Server) late(pressed *time.Time) string {
	if pressed == nil {
		return ""
	}
	d := s.o.Clock.Sample().UTC.Sub(*pressed)
	if d > s.o.MaxAge || d < -s.o.MaxAge {
		return fmt.Sprintf("This press is %s old by the box's clock, so it may no longer be meant. Look again and press again.", d.Abs().Round(time.Second))
	}
	return ""
}

func (s *Server) do(w http.ResponseWriter, r *http.Request, c alarms.Command) {
	if s.o.Commands == nil {
		s.count.refused.Add(1)
		refuse(w, http.StatusServiceUnavailable, c.ID, "The box takes no commands now. Wait for it to start and press again.")
		return
	}
	a, err := s.o.Commands.Do(r.Context(), c)
	if err != nil {
		s.count.failed.Add(1)
		s.log.WarnContext(r.Context(), "command not taken", "verb", string(c.Verb), "key", string(c.Key), "err", err)
		refuse(w, http.StatusServiceUnavailable, c.ID, "The box could not take the command. Press again.")
		return
	}
	status := http.StatusOK
	if a.OK {
		s.count.done.Add(1)
	} else {
		s.count.refused.Add(1)
		status = http.StatusConflict
	}
	answer(w, status, a)
}

func refuse(w http.ResponseWriter, status int, id, sentence string) {
	answer(w, status, alarms.Answer{ID: id, Error: sentence})
}

func answer(w http.ResponseWriter, status int, a alarms.Answer) {
	data, err := json.Marshal(a)
	if err != nil {
		http.Error(w, "The box could not write its answer. Press again.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n')) // a browser that has gone needs no answer
}
