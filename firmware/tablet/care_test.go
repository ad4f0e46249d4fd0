// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/tablet"
	"airhold/sensors/units"
)

// barn is what a box has to tell of its care.
type barn struct{ care, learned []byte }

func (b barn) Care() []byte    { return b.care }
func (b barn) Learned() []byte { return b.learned }

func TestCareIsServed(t *testing.T) {
	t.Parallel()
	full := barn{care: []byte(`{"items":[]}`), learned: []byte(`[{"name":"cut-in"}]`)}
	for _, c := range []struct {
		name string
		care tablet.Care
		path string
		code int
		body string
	}{
		{"none on this box", nil, "/api/care", 404, "no care list"},
		{"none yet", barn{}, "/api/learned", 404, "no care list"},
		{"care", full, "/api/care", 200, `{"items":[]}`},
		{"learned", full, "/api/learned", 200, "cut-in"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			res := ask(handler(t, tablet.Options{Care: c.care}), get("http://localhost"+c.path))
			text, err := io.ReadAll(res.Body)
			if err != nil || res.StatusCode != c.code || !strings.Contains(string(text), c.body) {
				t.Errorf("GET %s = %d %q, %v; want %d with %q", c.path, res.StatusCode, text, err, c.code, c.body)
			}
		})
	}
	for _, path := range []string{"/api/care", "/api/learned"} {
		r := get("http://localhost" + path)
		r.Host = "evil.example"
		if res := ask(handler(t, tablet.Options{Care: full}), r); res.StatusCode != http.StatusMisdirectedRequest {
			t.Errorf("GET %s by a foreign host name = %d; want 421", path, res.StatusCode)
		}
	}
}

// A measure goes out in the contract's form; what is more than one number has none.
func TestLearnedIsWritten(t *testing.T) {
	t.Parallel()
	text, err := tablet.LearnedJSON([]findings.Learned{
		{Name: "cut-in", Words: "cut-in of the compressor", Value: findings.Measure{SI: 661e3, Unit: units.Preferred(units.Pressure), Reference: units.Gauge}, Text: "from 14 starts"},
		{Name: "signature/tank", Words: "how the air of the tank cools"},
	})
	if err != nil {
		t.Fatal(err)
	}
	var got any
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	want := []any{
		map[string]any{
			"name": "cut-in", "words": "cut-in of the compressor", "text": "from 14 starts",
			"value": map[string]any{"value": 661.0, "unit": "kPa", "reference": "gauge"},
		},
		map[string]any{"name": "signature/tank", "words": "how the air of the tank cools"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("learned (-want +got):\n%s", d)
	}
	if text, err := tablet.LearnedJSON(nil); err != nil || string(text) != "[]" {
		t.Errorf("nothing learned = %s, %v; want an empty list", text, err)
	}
}

func TestCareCommandsNameTheirItem(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, verb, body string
		code             int
		says             string
		want             alarms.Command
	}{
		{"done", "care-done", `{"id":"1","where":"drain","why":"half a cup","by":"Ada"}`, 200, "", alarms.Command{Where: "drain", Why: "half a cup", By: "Ada"}},
		{"an answer", "care-done", `{"id":"1","where":"oil-change","args":{"answer":"not-done"}}`, 200, "", alarms.Command{Where: "oil-change", By: "terminal", Args: map[string]string{"answer": "not-done"}}},
		{"its key is left out", "care-done", `{"id":"1","where":"drain","key":"care-due"}`, 200, "", alarms.Command{Where: "drain", By: "terminal"}},
		{"forget", "forget", `{"id":"1","where":"signature/front rank"}`, 200, "", alarms.Command{Where: "signature/front rank", By: "terminal"}},
		{"nothing named", "care-done", `{"id":"1"}`, 400, "/api/care", alarms.Command{}},
		{"blanks", "care-done", `{"id":"1","where":"  "}`, 400, "/api/care", alarms.Command{}},
		{"nothing to forget", "forget", `{"id":"1"}`, 400, "/api/learned", alarms.Command{}},
		{"no id", "care-done", `{"where":"drain"}`, 400, "no id", alarms.Command{}},
		{"a time", "care-done", `{"id":"1","where":"drain","for":"10m"}`, 400, "putting off", alarms.Command{}},
		{"forget with arguments", "forget", `{"id":"1","where":"cut-in","args":{"all":"yes"}}`, 400, "arguments", alarms.Command{}},
		{"an odd argument", "care-done", `{"id":"1","where":"drain","args":{"an swer":"done"}}`, 400, "cannot be printed", alarms.Command{}},
		{"a note with a bell", "care-done", `{"id":"1","where":"drain","why":"a\u0007"}`, 400, "cannot be printed", alarms.Command{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := &box{}
			res := ask(handler(t, tablet.Options{Commands: b}), press(c.verb, c.body))
			if a := answerOf(t, res); res.StatusCode != c.code || !strings.Contains(strings.ToLower(a.Error), strings.ToLower(c.says)) {
				t.Fatalf("answer = %d %+v; want %d with %q", res.StatusCode, a, c.code, c.says)
			}
			if c.code != 200 {
				if len(b.told) > 0 {
					t.Errorf("the box was told %+v", b.told)
				}
				return
			}
			got := b.told[0]
			want := c.want
			want.ID, want.Verb, want.Role, want.Via = "1", alarms.Verb(c.verb), got.Role, got.Via
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("told (-want +got):\n%s", d)
			}
		})
	}
}
