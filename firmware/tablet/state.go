// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"fmt"
	"io"
	"net/http"
	"sync/atomic"
)

// counters are the server's own metrics.
type counters struct {
	done    atomic.Int64 // commands the box did
	refused atomic.Int64 // commands refused, by the gate or by the box
	failed  atomic.Int64 // commands the box could not take
	hosts   atomic.Int64 // requests for a host name that is not the box's
	origins atomic.Int64 // requests of a foreign page
}

func (s *Server) now(w http.ResponseWriter, _ *http.Request) {
	if s.o.Snapshot == nil {
		http.Error(w, "There is no snapshot on this box.", http.StatusServiceUnavailable)
		return
	}
	data, ok := s.o.Snapshot.Now()
	if !ok {
		http.Error(w, "There is no snapshot yet: the box has just started. Ask again in a second.", http.StatusServiceUnavailable)
		return
	}
	sendJSON(w, data)
}

func (s *Server) alarms(w http.ResponseWriter, _ *http.Request) {
	if s.o.Snapshot == nil {
		http.Error(w, "There is no list of alarms on this box.", http.StatusServiceUnavailable)
		return
	}
	sendJSON(w, s.o.Snapshot.Alarms())
}

// alarmHealth answers with how the alarms do.
func (s *Server) alarmHealth(w http.ResponseWriter, _ *http.Request) {
	var data []byte
	if s.o.AlarmRates != nil {
		data = s.o.AlarmRates()
	}
	if data == nil {
		http.Error(w, "This box has not counted its alarms yet.", http.StatusNotFound)
		return
	}
	sendJSON(w, data)
}

// bus answers with what goes on on the CAN links: an array of pictures, one a link (bus/traffic).
func (s *Server) bus(w http.ResponseWriter, _ *http.Request) {
	var data []byte
	if s.o.Bus != nil {
		data = s.o.Bus()
	}
	if data == nil {
		http.Error(w, "This box listens to no bus.", http.StatusNotFound)
		return
	}
	sendJSON(w, data)
}

func sendJSON(w http.ResponseWriter, data []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(data) //nolint:gosec // JSON that the box wrote itself, with its own type; a browser that has gone needs no answer
}

// health answers for service managers: 200 and "ok", or 503 and what is wrong.
func (s *Server) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	if s.o.Health != nil {
		if err := s.o.Health(); err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = io.WriteString(w, "ok\n")
}

// metrics writes the OpenMetrics text form, which ends with an EOF line.
func (s *Server) metrics(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/openmetrics-text; version=1.0.0; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if s.o.Metrics != nil {
		s.o.Metrics(w)
	}
	_, _ = fmt.Fprintf(w, `# TYPE airhold_page_commands counter
# HELP airhold_page_commands Commands of people by outcome.
airhold_page_commands_total{outcome="done"} %d
airhold_page_commands_total{outcome="refused"} %d
airhold_page_commands_total{outcome="failed"} %d
# TYPE airhold_page_gate_refusals counter
# HELP airhold_page_gate_refusals Requests that the gate turned away.
airhold_page_gate_refusals_total{reason="host"} %d
airhold_page_gate_refusals_total{reason="origin"} %d
# EOF
`, s.count.done.Load(), s.count.refused.Load(), s.count.failed.Load(), s.count.hosts.Load(), s.count.origins.Load())
}
