// SPDX-License-Identifier: Apache-2.0

// Package tablet serves the page of the cab tablet and the few HTTP addresses beside it: the page's files, the
// snapshot, the alarms, the person's commands, health and metrics. The live readings reach the page over MQTT at
// /mqtt, by a handler that is given.
//
// Words: the page is what a browser loads (sources in page, built into dist); a command is one thing a person tells
// the box; the gate is what stands before every address: which host name, which origin, how often.
//
// A tablet is paired when the box knows it by a cookie that it got for a code. Who may do what stands in one table, grades:
// anybody may look (or paired tablets only, as the machine file wants it), the box itself (loopback) and paired tablets
// may acknowledge, put off, note and record care, and all else is the box's own until there is a page over TLS.
//
// It never decides about an alarm, never keeps state of the machine, and has no way to a wire or a valve.
//
// Sources: RFC 9110 (status codes, entity tags), RFC 6454 (origin), RFC 6265 with its draft successor (cookies, __Host-),
// the OpenMetrics 1.0 text form, W3C CSP Level 3.
package tablet

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"syscall"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
)

//go:embed dist
var dist embed.FS

// Commands takes what a person tells the box. Do may be called from many goroutines; it blocks until the box has
// decided or ctx ends, and a repeated id gets the first answer again.
type Commands interface {
	Do(ctx context.Context, c alarms.Command) (alarms.Answer, error)
}

// Snapshot returns what was last published, as JSON. Both may be called from many goroutines and must not block.
type Snapshot interface {
	// Now returns the last snapshot; false while there has been none.
	Now() ([]byte, bool)
	// Alarms returns the alarms that stand, a JSON array.
	Alarms() []byte
}

// Tests tells of leak-down tests, as JSON. Its methods may be called from many goroutines and must not block.
type Tests interface {
	// Test returns the state of the test that goes on, or went on last, and its curve; nil where there is none.
	Test() (state, curve []byte)
	// History returns the results of finished tests, newest first, without their curves, a JSON array; an empty zone
	// means all.
	History(zone string) []byte
	// Result returns one finished test.
	Result(run string) (result []byte, ok bool)
	// Paper returns a file made of a finished test: kind is "report" (HTML) or "curve.png". Its error is a sentence.
	Paper(run, kind string) (data []byte, contentType string, err error)
}

// Care tells of the care list and of what was learned, as JSON. Its methods may be called from many goroutines and must
// not block.
type Care interface {
	// Care returns the care list: a care.Sheet.
	Care() []byte
	// Learned returns what the machine has taught the box, an array of Learned.
	Learned() []byte
}

// ErrNoTest says that there is no test of that name.
var ErrNoTest = errors.New("no such test")

// Clock is the part of the box's clock that the gate needs: boot time for rates, wall time for the age of a command.
type Clock interface {
	Boot() time.Duration
	Sample() clock.Sample
}

// Options says where and for whom the page is served. The zero value of a field is its default; Clock is needed.
type Options struct {
	Listen     string              // address; default 127.0.0.1:8080
	Assets     fs.FS               // the built page; default: the one inside the program
	Commands   Commands            // nil: every command is refused with a sentence
	Snapshot   Snapshot            // nil: /api/now and /api/alarms say that there is none
	Tests      Tests               // nil: /api/test and its kin say that there is none
	Alerts     Alerts              // nil: /api/alerts says that there is none
	Journal    Journal             // nil: /api/journal says that there is none
	Contract   fs.FS               // served below /contract/; nil: 404
	Care       Care                // nil: /api/care and /api/learned say that there is none
	Bus        func() []byte       // nil: /api/bus says that there is none. Called from many goroutines; must not block for long
	AlarmRates func() []byte       // nil: /api/alarm-health says that there is none. As Bus
	Setup      Setup               // nil: /api/setup and its kin say that there is none
	Sensors    Sensors             // nil: /api/sensor says that there is none
	Trends     Trends              // nil: /api/trend says that there is none
	Recording  func() []byte       // a Recording as JSON; nil: /api/log says that there is none. Called as Bus is
	Exports    Exports             // nil: /api/export says that there is none
	WS         http.Handler        // serves /mqtt; nil: 404. It checks the Origin of an upgrade itself
	Health     func() error        // nil: healthy while the server runs
	Metrics    func(w io.Writer)   // writes OpenMetrics families without the closing EOF line; nil: only the server's own
	AllowHosts []string            // host names, without port, beside the loopback ones
	Clock      Clock               // needed
	MaxAge     time.Duration       // older commands are refused; default 30 s of the box's time
	Logger     *slog.Logger        // default: none
	Ready      func(addr net.Addr) // called once the port is open; may be nil

	Tablets     Tablets                 // nil: no tablet can be paired
	ViewPaired  bool                    // looking needs pairing too
	PairAtStart bool                    // a code is open for the first ten minutes; the log says it
	Event       func(kind, text string) // hears of pairings, for the journal. Called from many goroutines; may be nil
}

// ErrPortInUse says that another program has the port.
var ErrPortInUse = errors.New("port in use")

// Server serves the page.
type Server struct {
	o       Options
	log     *slog.Logger
	handler http.Handler
	count   counters
	grades  map[string]grade
	book    *book
	code    pairing
	sockets sockets
	at      atomic.Pointer[net.Addr] // where it listens; nil while it does not
}

// Limits of one connection. A page is small and a command smaller; a slow tablet on weak Wi-Fi still has 20 s.
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 20 * time.Second
	writeTimeout  = 30 * time.Second
	idleTimeout   = 2 * time.Minute
	stopTimeout   = 3 * time.Second
	maxHeader     = 16 << 10
)

// New checks the options and prepares the page's files; it opens no port.
func New(o Options) (*Server, error) {
	if o.Clock == nil {
		return nil, errors.New("tablet: a clock is needed")
	}
	if o.Listen == "" {
		o.Listen = "127.0.0.1:8080"
	}
	if o.MaxAge <= 0 {
		o.MaxAge = 30 * time.Second
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Assets == nil {
		sub, err := fs.Sub(dist, "dist")
		if err != nil {
			return nil, fmt.Errorf("open the built page: %w", err)
		}
		o.Assets = sub
	}
	files, err := loadFiles(o.Assets)
	if err != nil {
		return nil, err
	}
	s := &Server{o: o, log: o.Logger, grades: grades(), code: pairing{clock: o.Clock}, sockets: sockets{open: map[*socket]struct{}{}}}
	if s.book, err = newBook(context.Background(), o.Clock, o.Tablets, o.Logger); err != nil {
		return nil, err
	}
	papers, err := loadContract(o.Contract)
	if err != nil {
		return nil, err
	}
	s.handler = s.routes(files, papers)
	return s, nil
}

// Handler returns all routes behind the gate, for a caller that has a listener of its own.
func (s *Server) Handler() http.Handler { return s.handler }

func (s *Server) routes(files, papers map[string]*file) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /{$}", files["index.html"])
	for name, f := range files {
		mux.Handle("GET /"+name, f)
	}
	for name, f := range papers {
		mux.Handle("GET /contract/"+name, f)
	}
	if s.o.WS != nil {
		mux.Handle("GET /mqtt", s.bounded(s.o.WS))
	}
	mux.HandleFunc("POST /api/cmd/{verb}", s.command(newRates(s.o.Clock, burst, pressEvery)))
	mux.HandleFunc("GET /api/now", s.now)
	mux.HandleFunc("GET /api/alarms", s.alarms)
	mux.HandleFunc("GET /api/trend", s.trend())
	mux.HandleFunc("GET /api/alarm-health", s.alarmHealth)
	mux.HandleFunc("GET /api/alerts", s.alerts(newRates(s.o.Clock, burst, askEvery)))
	mux.HandleFunc("POST /api/alerts/got", s.got(newRates(s.o.Clock, burst, askEvery)))
	mux.HandleFunc("GET /api/journal", s.readJournal(newRates(s.o.Clock, burst, askEvery)))
	mux.HandleFunc("GET /api/test", s.test)
	mux.HandleFunc("GET /api/test/curve", s.testCurve)
	mux.HandleFunc("GET /api/tests", s.history)
	mux.HandleFunc("GET /api/tests/{run}", s.result)
	mux.HandleFunc("GET /api/tests/{run}/{paper}", s.paper)
	mux.HandleFunc("GET /api/care", s.care)
	mux.HandleFunc("GET /api/learned", s.learned)
	mux.HandleFunc("GET /api/bus", s.bus)
	mux.HandleFunc("GET /api/me", s.who)
	mux.HandleFunc("POST /api/pair", s.pairTablet(newRates(s.o.Clock, codeBurst, codeRefill)))
	mux.HandleFunc("GET /api/pair", s.pairedTablets)
	mux.HandleFunc("DELETE /api/pair/{name}", s.revoke)
	mux.HandleFunc("POST /api/pair/open", s.openPairing)
	mux.HandleFunc("GET /api/sensor", s.sensor)
	mux.HandleFunc("GET /api/setup", s.setup())
	mux.HandleFunc("POST /api/setup/check", s.setupCheck(newRates(s.o.Clock, burst, askEvery)))
	mux.HandleFunc("POST /api/setup/save", s.setupSave(newRates(s.o.Clock, burst, pressEvery)))
	mux.HandleFunc("GET /api/log", s.recording)
	mux.HandleFunc("GET /api/export", s.exportState)
	mux.HandleFunc("POST /api/export", s.beginExport(newRates(s.o.Clock, burst, pressEvery)))
	mux.HandleFunc("DELETE /api/export", s.cancelExport)
	mux.HandleFunc("GET /api/export/file", s.exportFile)
	mux.HandleFunc("GET /healthz", s.health)
	mux.HandleFunc("GET /metrics", s.metrics)
	return s.gate(s.admit(mux))
}

// Run serves until ctx ends, then lets open answers finish for a few seconds. A port that is taken is ErrPortInUse.
func (s *Server) Run(ctx context.Context) error {
	l, err := s.listen(ctx)
	if err != nil {
		return err
	}
	srv := &http.Server{
		Handler: s.handler, ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader, BaseContext: func(net.Listener) context.Context { return ctx },
		ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	s.log.InfoContext(ctx, "page is served", "addr", l.Addr().String())
	addr := l.Addr()
	s.at.Store(&addr)
	s.openAtStart(ctx)
	if s.o.Ready != nil {
		s.o.Ready(l.Addr())
	}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	select {
	case err = <-ended:
		return fmt.Errorf("serve the page on %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	if err = srv.Shutdown(last); err != nil {
		err = errors.Join(err, srv.Close())
	}
	if serve := <-ended; !errors.Is(serve, http.ErrServerClosed) {
		err = errors.Join(err, serve)
	}
	if err != nil {
		return fmt.Errorf("stop serving the page: %w", err)
	}
	return nil
}

func (s *Server) listen(ctx context.Context) (net.Listener, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", s.o.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("serve the page on %s: %w: stop the other program (perhaps a second airhold) or give the page another port", s.o.Listen, ErrPortInUse)
	}
	if err != nil {
		return nil, fmt.Errorf("serve the page on %s: %w; give an address of this box and a free port, as 127.0.0.1:8080", s.o.Listen, err)
	}
	return l, nil
}
