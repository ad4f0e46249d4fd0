// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"errors"
	"net/http"
	"strings"
	"testing"

	"airhold/firmware/tablet"
)

// bench sets nothing up; it says what it is told to say.
type bench struct {
	fail  error
	asked []tablet.SetupAsk
}

func (b *bench) Setup() []byte { return []byte(`{"state":"running"}`) }

func (b *bench) Check(ask tablet.SetupAsk) ([]byte, error) {
	b.asked = append(b.asked, ask)
	return []byte(`{"ok":true}`), b.fail
}

func (b *bench) Save(ask tablet.SetupAsk) ([]byte, error) {
	b.asked = append(b.asked, ask)
	return []byte(`{"file":"machine.setup-1.yaml"}`), b.fail
}

func (b *bench) Sensor(id string) []byte {
	if id == "tank" {
		return []byte(`{"id":"tank"}`)
	}
	return nil
}

func TestSetupIsServed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		path, body, from string
		fail             error
		status           int
		says             string
	}{
		"what is heard":            {"/api/setup", "", "127.0.0.1:1", nil, 200, "running"},
		"a sensor":                 {"/api/sensor?id=tank", "", "192.168.4.7:1", nil, 200, "tank"},
		"no such sensor":           {"/api/sensor?id=%3Cb%3E", "", "127.0.0.1:1", nil, 404, `no channel "b"`},
		"no sensor said":           {"/api/sensor", "", "127.0.0.1:1", nil, 404, "no channel"},
		"a check from a tablet":    {"/api/setup/check", `{"answers":{"tank.volume":"38 L"}}`, "192.168.4.7:1", nil, 200, "true"},
		"a check that cannot be":   {"/api/setup/check", `{}`, "127.0.0.1:1", errors.New("it has no tank"), 400, "no tank"},
		"no JSON":                  {"/api/setup/check", `{"answers":3}`, "127.0.0.1:1", nil, 400, "no JSON"},
		"too long":                 {"/api/setup/check", `{"text":"` + strings.Repeat("x", 70<<10) + `"}`, "127.0.0.1:1", nil, 413, "64 KiB"},
		"too many answers":         {"/api/setup/check", `{"answers":{` + many(101) + `}}`, "127.0.0.1:1", nil, 400, "more answers"},
		"saved":                    {"/api/setup/save", `{"text":"name: a"}`, "127.0.0.1:1", nil, 200, "setup-1"},
		"saved by a tablet":        {"/api/setup/save", `{"text":"name: a"}`, "192.168.4.7:1", nil, 403, "needs the secure page, not in this release"},
		"saved while moving":       {"/api/setup/save", `{"text":"name: a"}`, "127.0.0.1:1", tablet.NotNowError("Stop first."), 409, "Stop first."},
		"saved where nothing goes": {"/api/setup/save", `{"text":"name: a"}`, "127.0.0.1:1", errors.New("read-only"), 503, "read-only"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := &bench{fail: c.fail}
			r := get("http://localhost" + c.path)
			if c.body != "" {
				r = post("http://localhost"+c.path, c.body)
			}
			r.RemoteAddr = c.from
			got := ask(handler(t, tablet.Options{Setup: b, Sensors: b}), r)
			if said := text(t, got); got.StatusCode != c.status || !strings.Contains(said, c.says) {
				t.Errorf("%d %.200s; want %d with %q", got.StatusCode, said, c.status, c.says)
			}
			if c.status == http.StatusForbidden && len(b.asked) > 0 {
				t.Error("a tablet's text reached the box's own writer")
			}
		})
	}
}

func many(n int) string {
	var b strings.Builder
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`"a` + strings.Repeat("x", i) + `":"1"`)
	}
	return b.String()
}

// A set-up sent by a page of another site does nothing.
func TestASetupOfAnotherSiteIsRefused(t *testing.T) {
	t.Parallel()
	b := &bench{}
	r := post("http://localhost/api/setup/save", `{"text":"name: a"}`)
	r.Header.Set("Origin", "http://evil.example")
	if got := ask(handler(t, tablet.Options{Setup: b}), r); got.StatusCode != http.StatusForbidden || len(b.asked) > 0 {
		t.Errorf("%d, reached %v; want 403 and nothing", got.StatusCode, b.asked)
	}
}
