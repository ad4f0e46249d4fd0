// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"fmt"
	"strings"
	"testing"

	"airhold/config"
)

func TestChangesAreThoseOfSettings(t *testing.T) {
	t.Parallel()
	base := "name: a\nlimits: {altitude: 200 m}\nranks:\n  - {name: front, volume: 18 L, loads: [load_1]}\nalarms:\n  tank-low: {on_delay: 60 s}\n"
	for _, tc := range []struct{ name, old, new, want string }{
		{"nothing", "", "", "[]"},
		{"a comment and the order", "name: a\nlimits: {altitude: 200 m}", "# mine\nlimits:\n  altitude: 200 m # above the sea\nname: a", "[]"},
		{"a delay", "on_delay: 60 s", "on_delay: 15 s", "[{alarms.tank-low.on_delay 60 s 15 s}]"},
		{"an alarm switched off", "tank-low: {on_delay: 60 s}", "tank-low: {on_delay: 60 s}\n  box-hot: {off: true}", "[{alarms.box-hot.off  true}]"},
		{"a limit taken away", "limits: {altitude: 200 m}", "limits: {}", "[{limits.altitude 200 m }]"},
		{"a rank by its name", "volume: 18 L", "volume: 19 L", "[{ranks.front.volume 18 L 19 L}]"},
		{"one more load", "[load_1]", "[load_1, load_2]", "[{ranks.front.loads.2  load_2}]"},
	} {
		got, err := config.Changes([]byte(base), []byte(strings.Replace(base, tc.old, tc.new, 1)))
		if err != nil || fmt.Sprint(got) != tc.want {
			t.Errorf("%s: %v, %v; want %s", tc.name, got, err, tc.want)
		}
	}
	if _, err := config.Changes([]byte("a: [1"), []byte(base)); err == nil {
		t.Error("a torn file has no changes; want an error")
	}
	if got, err := config.Changes(config.Example(), config.Example()); err != nil || len(got) != 0 {
		t.Errorf("the example against itself: %v, %v", got, err)
	}
}
