// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/rig"
)

// Management of change: what differs from the machine file of the boot before stands in the journal, once, and the same file
// again does not.
func TestChangedLimitsStandInTheJournal(t *testing.T) {
	dir := t.TempDir()
	base := string(config.Example())
	louder := strings.Replace(base, "\n  box-hot: {limit: 75 °C}", "\n  box-hot: {limit: 70 °C}\n  tank-low: {on_delay: 15 s}", 1)
	for i, text := range []string{base, louder, louder, "# a remark\n" + louder} {
		play(t, standOptions{story: rig.ShopStory, dir: dir, boot: string(rune('a' + i)), script: []cue{{35 * time.Second, func(*stand) {}}}, box: func(o *firmware.BoxOptions) {
			o.Text = []byte(text)
			if err := o.Store.AcceptMachine(o.Text); err != nil {
				t.Error(err)
			}
		}})
	}
	var got []string
	for _, r := range journal(t, dir) {
		if strings.HasSuffix(r.Kind, "-changed") || r.Kind == "machine-file" {
			text := r.Reason
			if strings.HasPrefix(text, "The machine file is another one") {
				text = "another"
			}
			got = append(got, r.Boot+" "+r.Kind+": "+text)
		}
	}
	want := []string{
		"b machine-file: another",
		"b limit-changed: Changed in the machine file: alarms.box-hot.limit from 75 °C to 70 °C.",
		"b limit-changed: Changed in the machine file: alarms.tank-low.on_delay from its default to 15 s.",
		"d machine-file: another",
		"d machine-file: No setting has changed in it: comments or layout only.",
	}
	if !slices.Equal(got, want) {
		t.Errorf("the journal says\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
