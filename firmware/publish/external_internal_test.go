// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/mochi-mqtt/server/v2/packets"
)

// FuzzScreen lets a screen say anything: nothing panics, and nothing that publishes is passed on. Packet types are
// those of MQTT 3.1.1 section 2.2.1.
func FuzzScreen(f *testing.F) {
	f.Fuzz(func(t *testing.T, said []byte) {
		for _, e := range []*External{{}, {Username: "box", Password: []byte("secret")}} {
			var passed bytes.Buffer
			if err := e.pass(&passed, bytes.NewReader(said)); err == nil {
				t.Error("pass = nil error at the end of what a screen said; want why it ended")
			}
			for passed.Len() > 0 {
				head, body, err := readPacket(&passed)
				if err != nil {
					t.Fatalf("what was passed on is no packet: %v", err)
				}
				switch head >> 4 {
				case packets.Publish:
					t.Errorf("a publish of %d bytes was passed on", len(body))
				case packets.Connect:
					// Flags are the byte after the protocol name and level (section 3.1.2.3); bit 2 is the will.
					if at := 2 + 4 + 1; len(body) > at && body[at]&0x04 != 0 {
						t.Error("a will was passed on")
					}
				}
			}
		}
	})
}

func TestSeeds(t *testing.T) {
	found, err := filepath.Glob("testdata/fuzz/FuzzScreen/*")
	if err != nil || len(found) == 0 {
		t.Fatalf("no fuzz seeds: %v", err)
	}
	for _, name := range found {
		if b, err := os.ReadFile(name); err != nil || !bytes.HasPrefix(b, []byte("go test fuzz v1\n")) {
			t.Errorf("%s is no seed: %v", name, err)
		}
	}
}
