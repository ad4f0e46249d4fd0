// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"strings"

	"airhold/config"
)

// machineMemory is the name under which the store keeps which machine file the last boot ran with: its SHA-256.
const machineMemory = "machine/last"

// noteChanges puts into the journal in what the machine file differs from the one the last boot ran with: limits and
// overrides of alarms are changed nowhere else, and whoever reads the journal later must see when they were.
func (b *Box) noteChanges(learned map[string][]byte) {
	sum := sha256.Sum256(b.o.Text)
	now, before := hex.EncodeToString(sum[:]), string(learned[machineMemory])
	if now == before {
		return
	}
	b.o.Store.KeepLearned(machineMemory, []byte(now))
	if before == "" {
		return // the first boot
	}
	at := b.o.Clock.Boot()
	b.o.Store.Event(at, "machine-file", fmt.Sprintf("The machine file is another one: %s, before %s.", now[:12], before[:min(12, len(before))]))
	was, err := b.o.Store.MachineOf(before)
	if err != nil || was == nil {
		b.o.Log.Warn("the machine file of the last boot is not kept", slog.String("sha256", before), slog.Any("error", err))
		b.o.Store.Event(at, "machine-file", "What has changed in it is not known: the earlier one is not kept.")
		return
	}
	changes, err := config.Changes(was, b.o.Text)
	switch {
	case err != nil:
		b.o.Log.Warn("the machine files cannot be compared", slog.Any("error", err))
		b.o.Store.Event(at, "machine-file", "What has changed in it cannot be told: one of the two cannot be read.")
	case len(changes) == 0:
		b.o.Store.Event(at, "machine-file", "No setting has changed in it: comments or layout only.")
	}
	for _, c := range changes {
		kind := "setting-changed"
		if strings.HasPrefix(c.Path, "alarms.") || strings.HasPrefix(c.Path, "limits.") {
			kind = "limit-changed"
		}
		if strings.Contains(c.Path, "password") { // the path of a file, and nobody's business
			c.From, c.To = "(not told)", "(not told)"
		}
		b.o.Store.Event(at, kind, fmt.Sprintf("Changed in the machine file: %s from %s to %s.", c.Path, written(c.From), written(c.To)))
	}
}

func written(s string) string {
	if s == "" {
		return "its default"
	}
	return s
}
