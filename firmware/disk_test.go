// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The space that a box tells of, and rings for, is that of the disk its log is on, also where its machine is simulated:
// here the folder for passing files is on no disk at all.
func TestLogSpaceIsThatOfTheLog(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", filepath.Join(dir, "nowhere"))
	var facts []string
	play(t, standOptions{story: "quiet", rate: 20, dir: filepath.Join(dir, "log"), script: []cue{{10 * time.Second, func(s *stand) {
		for _, f := range s.now().Facts {
			facts = append(facts, f.Words)
		}
	}}}})
	for _, f := range facts {
		if strings.HasSuffix(f, "of log space") || strings.HasSuffix(f, "of log space or more") {
			return
		}
	}
	t.Errorf("the box tells of %q; want its log space among it", facts)
}
