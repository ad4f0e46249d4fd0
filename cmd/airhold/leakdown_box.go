// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/leakdown/session"
)

const (
	defaultBox  = "http://127.0.0.1:8080"
	boxPatience = 5 * time.Second // for one answer
	mostAnswer  = 16 << 20
)

// boxClient talks to a running box.
type boxClient struct {
	base string
	by   string
	http *http.Client
	n    int
	tag  string // makes this process's commands differ from another's
}

// boxURL is where the box answers: the flag, else the machine file's page, else the default.
func boxURL(named string, m *config.Machine) (string, error) {
	if named == "" && m != nil && m.Page.Listen != "" {
		host, port, err := net.SplitHostPort(m.Page.Listen)
		if err != nil {
			return "", fmt.Errorf("page.listen %q of the machine file is no host:port", m.Page.Listen)
		}
		if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
			host = "127.0.0.1"
		}
		return "http://" + net.JoinHostPort(host, port), nil
	}
	if named == "" {
		return defaultBox, nil
	}
	if !strings.Contains(named, "://") {
		named = "http://" + named
	}
	u, err := url.Parse(named)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return "", fmt.Errorf("--box %q is no address; write it as %s", named, defaultBox)
	}
	return u.Scheme + "://" + u.Host, nil
}

// boxOf finds the box that a command is for, and reads the machine file where one is named; a code other than exitOK: a
// sentence was said and the command ends with it.
func boxOf(command, named, file string, stderr io.Writer) (base string, m *config.Machine, code int) {
	if file != "" {
		if m, code = loadMachine(file, stderr); m == nil {
			return "", nil, code
		}
	}
	base, err := boxURL(named, m)
	if err != nil {
		return "", nil, wrongUsage(command, stderr, "%v", err)
	}
	return base, m, exitOK
}

// boxError is a refusal in the box's own words.
type boxError struct {
	status   int
	sentence string
	wait     time.Duration // where the box says when to come again
}

func (e boxError) Error() string { return e.sentence }

// errNoTest says that the box has no test to show.
var errNoTest = errors.New("the box has no test")

func (b *boxClient) get(ctx context.Context, path string) ([]byte, error) {
	return b.do(ctx, http.MethodGet, path, nil)
}

func (b *boxClient) do(ctx context.Context, method, path string, body []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, boxPatience)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, b.base+path, bytes.NewReader(body)) //nolint:gosec // the box is the one the user named
	if err != nil {
		return nil, err
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := b.http.Do(req) //nolint:gosec // the box is the one the user named
	if err != nil {
		return nil, err
	}
	defer res.Body.Close() //nolint:errcheck // only read
	data, err := io.ReadAll(io.LimitReader(res.Body, mostAnswer))
	if err != nil {
		return nil, err
	}
	if res.StatusCode == http.StatusOK {
		return data, nil
	}
	e := boxError{status: res.StatusCode, sentence: strings.TrimSpace(string(data))}
	if n, err := strconv.Atoi(res.Header.Get("Retry-After")); err == nil {
		e.wait = time.Duration(n) * time.Second
	}
	var answer struct{ Error string }
	if json.Unmarshal(data, &answer) == nil && answer.Error != "" {
		e.sentence = answer.Error
	}
	if len(e.sentence) > 300 {
		e.sentence = e.sentence[:300]
	}
	return nil, e
}

// state asks for the test that goes on or went on last.
func (b *boxClient) state(ctx context.Context) (*session.State, []byte, error) {
	data, err := b.get(ctx, "/api/test")
	var e boxError
	if errors.As(err, &e) && e.status == http.StatusNotFound {
		if !strings.Contains(e.sentence, "leak-down") {
			return nil, nil, boxError{status: e.status, sentence: "what answers there knows no leak-down tests; it is no airhold box, or an older one"}
		}
		return nil, nil, errNoTest
	}
	if err != nil {
		return nil, nil, err
	}
	s := &session.State{}
	if err := json.Unmarshal(data, s); err != nil || s.Step == "" {
		return nil, nil, boxError{sentence: "what answers there is no airhold box, or one of another version"}
	}
	return s, data, nil
}

func (b *boxClient) curve(ctx context.Context) *session.Curve {
	data, err := b.get(ctx, "/api/test/curve")
	if err != nil {
		return nil // the picture is a comfort: the figures are in the state
	}
	c := &session.Curve{}
	if json.Unmarshal(data, c) != nil {
		return nil
	}
	return c
}

// tell sends a command. Where the box asks for patience, it is sent again.
func (b *boxClient) tell(ctx context.Context, verb session.Verb, args map[string]string) error {
	b.n++
	body, err := json.Marshal(map[string]any{"id": fmt.Sprintf("cli-%s-%d", b.tag, b.n), "by": b.by, "args": args})
	if err != nil {
		return err
	}
	for range 10 {
		_, err = b.do(ctx, http.MethodPost, "/api/cmd/"+string(verb), body)
		var e boxError
		if !errors.As(err, &e) || e.status != http.StatusTooManyRequests {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(max(e.wait, time.Second)):
		}
	}
	return err
}

// unreachable says what to do when nothing answers.
func unreachable(base string, err error) string {
	return fmt.Sprintf(`no box answers at %s (%v).
A test is led by a running box. Start one:
  airhold demo --story shop            a simulated machine, parked for a test
  airhold run --machine machine.yaml   on the machine
or say where it is with --box URL. Recorded readings need no box: airhold leakdown --machine FILE --readings FILE.csv`, base, root(err))
}

// root is the innermost reason, without the address said twice.
func root(err error) error {
	if op, ok := errors.AsType[*net.OpError](err); ok {
		return op.Err
	}
	if u, ok := errors.AsType[*url.Error](err); ok {
		return u.Err
	}
	return err
}
