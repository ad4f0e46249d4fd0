// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"log/slog"

	"airhold/firmware/publish"
)

// checkJournal checks the chain of the journal while the box runs. A disk that cannot be read is said once.
func (b *Box) checkJournal(ctx context.Context) error {
	said := false
	return b.history.Run(ctx, func(err error) {
		if !said {
			b.o.Log.WarnContext(ctx, "the journal cannot be checked", slog.Any("error", err))
		}
		said = true
	})
}

// chain says how far it was checked.
func (b *Box) chain(ctx context.Context) (publish.Chain, error) {
	c, err := b.history.Chain(ctx)
	return publish.Chain{Records: c.Records, Checked: c.Checked, Holds: c.Why == "", Head: c.Head, Why: c.Why}, err
}
