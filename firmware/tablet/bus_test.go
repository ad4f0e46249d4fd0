// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"io"
	"strings"
	"testing"

	"airhold/firmware/tablet"
)

func TestTheBusIsServed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		bus  func() []byte
		code int
		body string
	}{
		"no bus on this box": {nil, 404, "listens to no bus"},
		"none to tell of":    {func() []byte { return nil }, 404, "listens to no bus"},
		"two links":          {func() []byte { return []byte(`[{"link":"can0"},{"link":"can1"}]`) }, 200, `"can1"`},
	} {
		res := ask(handler(t, tablet.Options{Bus: c.bus}), get("http://localhost/api/bus"))
		text, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != c.code || !strings.Contains(string(text), c.body) {
			t.Errorf("%s: %d %q, %v; want %d with %q", name, res.StatusCode, text, err, c.code, c.body)
		}
	}
}
