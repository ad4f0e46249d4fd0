// SPDX-License-Identifier: Apache-2.0

package care

// Sheet is the whole care list as screens and scripts take it.
type Sheet struct {
	Clock     bool       `json:"clock"`             // a clock that can be trusted is set
	Tonight   string     `json:"tonight,omitempty"` // what to do tonight, one short line
	Items     []Item     `json:"items"`             // what is due first
	Questions []Question `json:"ask"`
	History   []Record   `json:"history"` // newest first
}

// Sheet gathers the list.
func (c *Care) Sheet() Sheet {
	return Sheet{Clock: c.clock.known, Tonight: c.Tonight(), Items: c.List(), Questions: c.Ask(), History: c.History()}
}
