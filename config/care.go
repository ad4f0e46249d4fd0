// SPDX-License-Identifier: Apache-2.0

package config

import (
	"fmt"
	"math"
	"time"

	"airhold/sensors/units"
)

// CareEvery is how often an item of the care list is due where that is not the trade's interval: one of its fields.
type CareEvery struct {
	Off    bool
	Season bool          // once a season
	Days   float64       // days; working days for the items that go by those (drain, oil_level)
	Hours  time.Duration // run hours of the compressor
}

// careItems are the items of the care list that have an interval in run hours.
func careItems() []string {
	return []string{"oil_level", "oil_change", "intake_filter", "filter_change", "drain", "bag_inspection", "belt"}
}

const everyAllowed = "days (2 d), run hours (200 h), season, or off"

// care reads the care list's own intervals.
func (r *reader) care(m *Machine, top object) {
	items := append(careItems(), "leak_test")
	list := top.child("care", items...)
	for _, item := range items {
		if _, ok := list.have[item]; !ok {
			continue
		}
		o := list.child(item, "every")
		o.must("every", "say how often: "+everyAllowed)
		every, ok := o.every()
		if !ok {
			continue
		}
		if m.Care == nil {
			m.Care = map[string]CareEvery{}
		}
		m.Care[item] = every
	}
}

// every reads an interval of the care list.
func (o object) every() (CareEvery, bool) {
	text, ok := o.text("every")
	switch {
	case !ok:
		return CareEvery{}, false
	case text == "off":
		return CareEvery{Off: true}, true
	case text == "season":
		return CareEvery{Season: true}, true
	}
	number, unit := units.Split(text)
	switch {
	case number == "":
		o.r.fail(placeOf(o.have["every"].value), fmt.Sprintf("\"every\" cannot be %q", text), everyAllowed, nearest(text, []string{"off", "season"}))
		return CareEvery{}, false
	case unit == "":
		o.r.fail(placeOf(o.have["every"].value), fmt.Sprintf("\"every\" is %s without a unit", text), everyAllowed, "")
		return CareEvery{}, false
	}
	u, err := units.ParseUnit(unit, units.Time)
	switch {
	case err == nil && u.Code == "d":
		v, ok := o.quantity("every", units.Time, "1 d", "3650 d")
		return CareEvery{Days: v.SI / 86400}, ok
	case err == nil && u.Code == "h":
		v, ok := o.quantity("every", units.Time, "1 h", "20000 h")
		return CareEvery{Hours: time.Duration(math.Round(v.SI * float64(time.Second)))}, ok
	}
	o.r.fail(placeOf(o.have["every"].value), fmt.Sprintf("\"every\" cannot be %q: it counts in days or in run hours", text), everyAllowed, "")
	return CareEvery{}, false
}
