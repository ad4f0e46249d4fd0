// SPDX-License-Identifier: Apache-2.0

package main

import (
	"testing"

	"airhold/firmware/leakdown/zones"
)

func TestZoneRowsRepeat(t *testing.T) {
	c := zoneCases()[0]
	first, err := c.run(t.Context(), 7, 5, 1)
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.run(t.Context(), 7, 5, 2)
	if err != nil {
		t.Fatal(err)
	}
	if first != again {
		t.Errorf("equal seeds: %+v and %+v; want the same", first, again)
	}
	if first.refused > 0 || first.n != 5 {
		t.Errorf("of 5 tests %d were made and %d not judged; want 5 and 0", first.n, first.refused)
	}
}

// A table that counts a wrong answer as right would prove nothing.
func TestZoneRowCounts(t *testing.T) {
	m := parkedMachine{truth: map[string]float64{"front rank": 1e-5}}
	path := func(where string) []zones.Path { return []zones.Path{{Where: where}} }
	for _, c := range []struct {
		name string
		out  zones.Outcome
		want zoneRow
	}{
		{"right, size not covered", zones.Outcome{Answer: zones.Found, Paths: path("front rank")}, zoneRow{n: 1, right: 1, sizes: 1}},
		{"wrong", zones.Outcome{Answer: zones.Found, Paths: path("rear rank")}, zoneRow{n: 1, flat: 1}},
		{"one too many", zones.Outcome{Answer: zones.Found, Paths: append(path("rear rank"), path("front rank")...)}, zoneRow{n: 1, flat: 1}},
		{"in doubt", zones.Outcome{Answer: zones.CannotTell, Paths: path("front rank")}, zoneRow{n: 1, cannot: 1}},
		{"missed", zones.Outcome{Answer: zones.Nothing}, zoneRow{n: 1, none: 1}},
		{"refused", zones.Outcome{Answer: zones.NotJudged}, zoneRow{n: 1, refused: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			row := zoneRow{}
			row.count(m, c.out)
			if row != c.want {
				t.Errorf("count = %+v; want %+v", row, c.want)
			}
		})
	}
}
