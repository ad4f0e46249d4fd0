// SPDX-License-Identifier: Apache-2.0

package report

import (
	"errors"
	"io"
)

// HTML writes the sheet: one HTML file in UTF-8 that needs nothing else and prints on one side of A4 or US Letter.
func HTML(_ io.Writer, _ Input) error { return errors.New("the sheet is not written yet") }
