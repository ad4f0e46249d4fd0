// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"context"
	"io"
	"net/http"
	"strings"

	"airhold/firmware/alarms"
)

// grade is what it takes to do a thing.
type grade uint8

const (
	free    grade = iota // whoever reaches the box: the page's files, pairing, who am I
	look                 // reading: whoever reaches the box or, where the machine file wants it, paired tablets
	press                // the box itself, and paired tablets
	secure               // the box itself, until there is a page over TLS
	console              // a program on the box, never a page
)

// grades is the one table of who may do what, by verb and by route. What is not in it: reading below /api takes look, the
// page's own files are free, and everything else is secure, so that a new route is shut until somebody opens it here.
func grades() map[string]grade {
	return map[string]grade{
		string(alarms.Ack):       press,
		string(alarms.Shelve):    press, // the alarm's own rules bound the time: 30 min for operate
		string(alarms.Unshelve):  press,
		string(alarms.Note):      press,
		string(alarms.CareDone):  press,
		"POST /api/alerts/got":   press,
		string(alarms.Reset):     secure,
		string(alarms.TakeOut):   secure,
		string(alarms.PutBack):   secure,
		string(alarms.Forget):    secure,
		string(alarms.TestStart): secure,
		string(alarms.TestStep):  secure,
		string(alarms.TestStop):  secure,
		exportRoute:              secure,
		"GET /api/pair":          secure,
		revokeRoute:              secure,
		openRoute:                console,
		"POST /api/pair":         free,
		"GET /api/me":            free,
		"GET /mqtt":              look,
		"POST /api/setup/check":  look, // it changes nothing
		"POST /api/setup/save":   secure,
		"GET /metrics":           look,
	}
}

const (
	exportRoute = "GET /api/export"
	revokeRoute = "DELETE /api/pair/{name}"
	openRoute   = "POST /api/pair/open"
	pressRoute  = "POST /api/cmd/{verb}"
)

// gradeOf looks a verb or a route up.
func (s *Server) gradeOf(what string) grade {
	if g, ok := s.grades[what]; ok {
		return g
	}
	method, path, isRoute := strings.Cut(what, " ")
	switch {
	case what == "": // nothing answers there, and the mux says so
		return free
	case !isRoute: // a verb there is not; who may press is told that
		return press
	case method != http.MethodGet || strings.HasPrefix(path, "/api/export"):
		return secure
	case strings.HasPrefix(path, "/api/"):
		return look
	}
	return free
}

// caller is whoever sends a request.
type caller struct {
	box   bool   // it comes from the box itself (loopback), and no program there passed it on for another
	via   string // "page" or "cli" on the box; else "tablet"
	name  string // of a paired tablet; else empty
	token string // that it showed
	why   string // a sentence, where it shows a pairing that does not count
	tls   bool
}

// The refusals for want of a right. Each says what to do instead.
const (
	needsPairing = "This tablet is not paired, so it may look but not press. Pair it: Menu, This tablet. Or press on the box's own screen."
	needsToLook  = "This tablet is not paired, and this box shows itself to paired tablets only. Open the page and pair it."
	needsSecure  = "This needs the secure page, not in this release. Do it on the box itself: its own screen, or airhold at its terminal."
	needsConsole = "Pairing is opened at the box's terminal only: airhold pair."
)

// barred says in a sentence why somebody may not do a thing; empty where they may.
func (s *Server) barred(c *caller, what string) string {
	g := s.gradeOf(what)
	switch {
	case g == free, g == look && !s.o.ViewPaired, c.box && (g != console || c.via == "cli"):
		return ""
	case g == console:
		return needsConsole
	case g == secure:
		return needsSecure
	case c.name != "":
		return ""
	case c.why != "":
		return c.why
	case g == look:
		return needsToLook
	}
	return needsPairing
}

// secured says whether a request may do what only the box itself may until there is a page over TLS: tests, export, what
// service does, users. Where it may not, it has answered with 403 and a sentence, and the handler just returns:
//
//	if !s.secured(w, r) {
//		return
//	}
//
// The gate asks it before every route that the table grades so; a handler that does such a thing only at times asks it
// itself.
func (s *Server) secured(w http.ResponseWriter, r *http.Request) bool {
	if callerOf(r).box {
		return true
	}
	s.count.refused.Add(1)
	refuse(w, http.StatusForbidden, "", needsSecure)
	return false
}

type callerKey struct{}

// callerOf returns what the gate found out about the sender.
func callerOf(r *http.Request) *caller {
	if c, ok := r.Context().Value(callerKey{}).(*caller); ok {
		return c
	}
	return &caller{via: "tablet"}
}

// whoIs finds out who sends a request. A cookie on loopback changes nothing: the box's own screen is the box's own screen.
func (s *Server) whoIs(r *http.Request) *caller {
	c := &caller{via: "tablet", tls: r.TLS != nil}
	if who, ok := client(r); ok && who.IsLoopback() && !passedOn(r) {
		c.box, c.via = true, "cli"
		// A browser names the page in what it sends; what names none is a program on the box.
		if r.Header.Get("Origin") != "" || r.Header.Get("Sec-Fetch-Site") != "" {
			c.via = "page"
		}
		return c
	}
	c.name, c.token, c.why = s.book.who(r)
	return c
}

// admit lets a request through to its route, or says why not.
func (s *Server) admit(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, what := mux.Handler(r)
		if what == pressRoute {
			what = strings.TrimPrefix(r.URL.Path, "/api/cmd/")
		}
		c := s.whoIs(r)
		r = r.WithContext(context.WithValue(r.Context(), callerKey{}, c))
		if s.gradeOf(what) == secure && !s.secured(w, r) {
			return
		}
		if why := s.barred(c, what); why != "" {
			s.count.refused.Add(1)
			if r.Method == http.MethodGet || r.Method == http.MethodHead {
				http.Error(w, why, http.StatusForbidden)
			} else {
				refuse(w, http.StatusForbidden, "", why)
			}
			return
		}
		if what == "" {
			w = &inWords{ResponseWriter: w, r: r}
		}
		mux.ServeHTTP(w, r)
	})
}

// inWords says in a sentence what the mux says by a status alone.
type inWords struct {
	http.ResponseWriter

	r    *http.Request
	said bool
}

// WriteHeader adds the sentence to a refusal.
func (w *inWords) WriteHeader(status int) {
	sentence := ""
	switch status {
	case http.StatusNotFound:
		sentence = "There is nothing at " + quoted(w.r.URL.Path) + " on this box. Its page is at /, and what programs may ask is in /contract/openapi.json."
	case http.StatusMethodNotAllowed:
		sentence = quoted(w.r.Method) + " does nothing at " + quoted(w.r.URL.Path) + ". This address takes " + w.Header().Get("Allow") + "."
	}
	w.ResponseWriter.WriteHeader(status)
	if sentence != "" {
		w.said = true
		_, _ = io.WriteString(w.ResponseWriter, sentence+"\n") // a browser that has gone needs no answer
	}
}

// Write passes on what the mux writes where nothing better was said.
func (w *inWords) Write(b []byte) (int, error) {
	if w.said {
		return len(b), nil
	}
	return w.ResponseWriter.Write(b)
}

// mayDo lists what somebody may do: the verbs, and a word for each of the routes that people ask about.
func (s *Server) mayDo(c *caller) []string {
	may := []string{}
	for _, t := range []struct{ word, what string }{
		{"look", "GET /api/now"},
		{string(alarms.Ack), string(alarms.Ack)},
		{string(alarms.Shelve), string(alarms.Shelve)},
		{string(alarms.Unshelve), string(alarms.Unshelve)},
		{string(alarms.Note), string(alarms.Note)},
		{string(alarms.CareDone), string(alarms.CareDone)},
		{"test", string(alarms.TestStart)},
		{"export", exportRoute},
		{"revoke", revokeRoute},
	} {
		if s.barred(c, t.what) == "" {
			may = append(may, t.word)
		}
	}
	return may
}

// role is what the sender counts as in the journal. Whoever may start a program on the box may also make the box forget,
// which a page must not: nobody should lose what was learned by a slip of a glove.
func (c *caller) role(verb alarms.Verb) alarms.Role {
	switch {
	case c.box && c.via == "cli" && verb == alarms.Forget:
		return alarms.Service
	case c.box || c.name != "":
		return alarms.Operate
	}
	return alarms.View
}
