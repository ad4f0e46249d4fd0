// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"encoding/json"
	"fmt"
	"net/http"

	"airhold/firmware/findings"
)

// Learned is one thing the machine has taught the box, as screens and scripts take it.
type Learned struct {
	Name  string            `json:"name"`            // by which it is forgotten
	Words string            `json:"words"`           // "cut-in of the compressor"
	Value *findings.Measure `json:"value,omitempty"` // nil where it is more than one number
	Text  string            `json:"text,omitempty"`  // "from 14 starts"
}

// LearnedJSON writes what checks have learned as Care.Learned returns it.
func LearnedJSON(all []findings.Learned) ([]byte, error) {
	out := make([]Learned, len(all))
	for i, l := range all {
		out[i] = Learned{Name: l.Name, Words: l.Words, Text: l.Text}
		if !l.Value.IsZero() {
			out[i].Value = &l.Value
		}
	}
	text, err := json.Marshal(out)
	if err != nil {
		return nil, fmt.Errorf("write what was learned: %w", err)
	}
	return text, nil
}

// care answers with the care list.
func (s *Server) care(w http.ResponseWriter, _ *http.Request) {
	s.kept(w, Care.Care)
}

// learned answers with what was learned.
func (s *Server) learned(w http.ResponseWriter, _ *http.Request) {
	s.kept(w, Care.Learned)
}

// kept answers with what the care room says.
func (s *Server) kept(w http.ResponseWriter, what func(Care) []byte) {
	var data []byte
	if s.o.Care != nil {
		data = what(s.o.Care)
	}
	if data == nil {
		http.Error(w, "The box keeps no care list now. Wait for it to start and ask again.", http.StatusNotFound)
		return
	}
	sendJSON(w, data)
}
