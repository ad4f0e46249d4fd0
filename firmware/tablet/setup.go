// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"sync"
	"time"
)

// SetupAsk is what a page sends to have a machine file checked or saved: a whole text, or answers to the questions of
// GET /api/setup, from which the box writes one.
type SetupAsk struct {
	Text    string            `json:"text,omitempty"`
	From    string            `json:"from,omitempty"` // present: change the file that is in use; first: begin anew
	Answers map[string]string `json:"answers,omitempty"`
}

// Setup sets the box up. Its methods may be called from many goroutines; what they return is JSON.
type Setup interface {
	// Setup returns what is heard and what is needed; nil while the box does not know yet.
	Setup() []byte
	// Check returns a machine file's problems and its text. It writes nothing.
	Check(ask SetupAsk) ([]byte, error)
	// Save writes a machine file that Check accepts as a new file and overwrites none. An error is a sentence for the
	// person; it is an ErrNotNow where the machine moves or the text is refused.
	Save(ask SetupAsk) ([]byte, error)
}

// Sensors tells of single channels. Sensor may be called from many goroutines and must not block; it returns JSON, nil for a
// channel that is not there.
type Sensors interface{ Sensor(id string) []byte }

// ErrNotNow says that something could be done at another time, or with another text.
var ErrNotNow = errors.New("not now")

// NotNowError is a sentence for the person that wraps ErrNotNow.
type NotNowError string

// Error returns the sentence.
func (s NotNowError) Error() string { return string(s) }

// Is makes it an ErrNotNow.
func (s NotNowError) Is(target error) bool { return target == ErrNotNow }

// setupEvery is how often the set-up is told anew: the box reads its machine file for it, and anybody may ask.
const setupEvery = 500 * time.Millisecond

// setup answers GET /api/setup.
func (s *Server) setup() http.HandlerFunc {
	var mu sync.Mutex // guards the two
	var data []byte
	var at time.Duration
	last := func() []byte {
		mu.Lock()
		defer mu.Unlock()
		if now := s.o.Clock.Boot(); s.o.Setup != nil && (data == nil || now-at >= setupEvery) {
			data, at = s.o.Setup.Setup(), now
		}
		return data
	}
	return func(w http.ResponseWriter, _ *http.Request) {
		told := last()
		if told == nil {
			http.Error(w, "The box cannot be set up now. Wait for it to start and ask again.", http.StatusNotFound)
			return
		}
		sendJSON(w, told)
	}
}

// setupCheck answers POST /api/setup/check. Whoever may look may also ask: it changes nothing.
func (s *Server) setupCheck(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ask, ok := s.asked(w, r, limit)
		if !ok {
			return
		}
		data, err := s.o.Setup.Check(ask)
		if err != nil {
			refuse(w, http.StatusBadRequest, "", err.Error())
			return
		}
		sendJSON(w, data)
	}
}

// setupSave answers POST /api/setup/save, which the gate lets through from the box itself only.
func (s *Server) setupSave(limit *rates) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ask, ok := s.asked(w, r, limit)
		if !ok {
			return
		}
		data, err := s.o.Setup.Save(ask)
		switch {
		case errors.Is(err, ErrNotNow):
			refuse(w, http.StatusConflict, "", err.Error())
		case err != nil:
			s.log.WarnContext(r.Context(), "set-up not saved", "err", err)
			refuse(w, http.StatusServiceUnavailable, "", err.Error())
		default:
			s.log.InfoContext(r.Context(), "set-up saved", "remote", r.RemoteAddr)
			sendJSON(w, data)
		}
	}
}

// asked reads what a page wants checked or saved, or answers why it cannot.
func (s *Server) asked(w http.ResponseWriter, r *http.Request, limit *rates) (ask SetupAsk, ok bool) {
	who, known := client(r)
	switch {
	case !known || !limit.take(who):
		w.Header().Set("Retry-After", strconv.Itoa(int(askEvery/time.Second)))
		refuse(w, http.StatusTooManyRequests, "", "Too many presses at once. Wait a few seconds and press again.")
		return ask, false
	case s.o.Setup == nil:
		refuse(w, http.StatusServiceUnavailable, "", "The box cannot be set up now. Wait for it to start and press again.")
		return ask, false
	}
	data, status, sentence := readBody(w, r)
	if status != 0 {
		refuse(w, status, "", sentence)
		return ask, false
	}
	if err := json.Unmarshal(data, &ask); err != nil {
		refuse(w, http.StatusBadRequest, "", "The set-up is no JSON the box understands. Load the page again.")
		return ask, false
	}
	if len(ask.Answers) > 100 {
		refuse(w, http.StatusBadRequest, "", "The set-up has more answers than there are questions. Load the page again.")
		return ask, false
	}
	return ask, true
}

// sensor answers GET /api/sensor?id=.
func (s *Server) sensor(w http.ResponseWriter, r *http.Request) {
	id := r.URL.Query().Get("id")
	var data []byte
	if s.o.Sensors != nil && isToken(id, 64) {
		data = s.o.Sensors.Sensor(id)
	}
	if data == nil {
		http.Error(w, "This box has no channel "+quoted(id)+".", http.StatusNotFound)
		return
	}
	sendJSON(w, data)
}
