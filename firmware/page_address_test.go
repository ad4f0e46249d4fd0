// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"net/http"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware/rig"
)

// A box that listens on all its addresses says one that its own gate takes.
func TestTheAddressThatIsSaidCanBeOpened(t *testing.T) {
	t.Parallel()
	for _, listen := range []string{"0.0.0.0:0", "[::]:0", "127.0.0.1:0"} {
		play(t, standOptions{story: rig.ShopStory, change: func(m *config.Machine) { m.Page.Listen = listen }, script: []cue{{time.Second, func(s *stand) {
			if code, body := s.get("/api/me"); code != http.StatusOK {
				t.Errorf("%s: %s/api/me = %d %s; want 200", listen, s.addr.Page, code, body)
			}
		}}}})
	}
}
