// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"time"

	"airhold/firmware/findings"
)

// sensorRows are the rows about sensors and wires.
func sensorRows() []Row {
	return []Row{
		{
			Key: "sensor-supply-off", Title: "Sensor supply off",
			Condition:   "a rail that feeds sensors is out of tolerance",
			Cause:       "a fuse, or a short in the harness",
			Consequence: "every sensor of that rail is blind",
			Do:          "Stop safely; check the fuse when parked", Caution: cautionBox, Where: Parked,
			Respond: AtOnce, Priority: High, Limit: "5 % off its nominal voltage",
			OnDelay: 500 * time.Millisecond, OffDelay: 2 * time.Second, Share: 0.01,
			Raises:   S1,
			Children: []findings.Key{"pressure-fault", "load-fault", "rank-disagree"},
		},
		{
			Key: "can-silent", Title: "CAN silent",
			Condition:   "no frame arrives although the bus should be alive",
			Cause:       "a cable, or the key is off",
			Consequence: "speed and targets are unknown",
			Do:          "Check the bus plug when parked", Caution: cautionBox, Where: Parked,
			Respond: Soon, Priority: Medium, Limit: "2 s without a frame",
			OnDelay: 2 * time.Second, OffDelay: 2 * time.Second,
			Suppressors: []Suppressor{S3, S5}, Raises: S2,
			Children: []findings.Key{
				"rank-off-target", "load-fault", "load-drift", "load-outlier", "load-off-target", "contact-low",
				"contact-full", "bounce-high",
			},
		},
		{
			Key: "pressure-fault", Title: "Pressure sensor fault",
			Condition:   "a pressure sensor is open, shorted, stuck, or does not follow what happens",
			Cause:       "its wire or plug, or the sensor",
			Consequence: "everything computed from it is blind, and says so",
			Do:          "Check the plug when parked, then probe", Caution: cautionBox, Where: Parked,
			Respond: Soon, Priority: Medium, Steps: []Step{{Priority: High, Where: "tank", Planting: true}},
			Limit:   "outside the sensor's electrical band, or without the response it owes",
			OnDelay: 2 * time.Second, OffDelay: 10 * time.Second,
			Suppressors: []Suppressor{S1}, Raises: S6,
		},
		{
			Key: "load-fault", Title: "Gauge-wheel sensor fault",
			Condition:   "a load sensor is open, shorted, stuck, or does not follow what happens",
			Cause:       "its wire or plug, or the sensor",
			Consequence: "the average of its whole rank is moved while the machine still counts it",
			Do:          "Take it out; check its plug when parked", Caution: cautionBox, Where: Parked,
			Respond: Soon, Priority: Medium, Limit: "outside the sensor's electrical band, or without the response it owes",
			OnDelay: 2 * time.Second, OffDelay: 10 * time.Second,
			Suppressors: []Suppressor{S1, S2}, Raises: S6,
		},
		{
			Key: "load-drift", Title: "Gauge-wheel sensor drift",
			Condition:   "a raised row's sensor no longer reads nothing",
			Cause:       "a bent arm, or dirt",
			Consequence: "that row's load is wrong by as much",
			Do:          "Set its zero anew when raised and secured",
			Caution:     "Lift locks in, as the manual says; nobody underneath.", Where: Parked,
			Respond: Today, Priority: Low, Limit: "zero off by 50 N while raised",
			OnDelay: 30 * time.Second, OffDelay: 30 * time.Second, Deadband: 15,
			Suppressors: []Suppressor{S1, S2, S6},
		},
		{
			Key: "can-errors", Title: "CAN errors", Kind: ShopNote,
			Condition:   "the controller reports many error frames, or has left the bus",
			Cause:       "a terminator, or noise on the pair",
			Consequence: "holes in what is recorded",
			Do:          "Check terminator and plugs when parked", Caution: cautionBox, Where: Parked,
			Respond: Today, Priority: Low, Limit: "50 a minute",
			OnDelay: 60 * time.Second, OffDelay: 120 * time.Second, Deadband: 20.0 / 60,
			Suppressors: []Suppressor{S5},
		},
		{
			Key: "can-unanswered", Title: "CAN unanswered", Kind: ShopNote,
			Condition:   "one device repeats one frame without end, because no other acknowledges it",
			Cause:       "the rest of the bus is off, or a plug is out",
			Consequence: "nothing else of the machine is heard",
			Do:          "Check the bus plugs when parked, key on", Caution: cautionBox, Where: Parked,
			Respond: Today, Priority: Low, Limit: "the same frame as fast as the bus lets it",
			OnDelay: 5 * time.Second, OffDelay: 5 * time.Second,
		},
	}
}

// boxRows are the rows about the box itself.
func boxRows() []Row {
	return []Row{
		{
			Key: "box-undervoltage", Title: "Box supply weak",
			Condition:   "the box's own supply is low, or its board says so",
			Cause:       "battery, or the supply wire",
			Consequence: "the box resets and the log has a hole",
			Do:          "Check the supply wire when parked", Caution: cautionBox, Where: Parked,
			Respond: Soon, Priority: Medium, Limit: "11 V (22 V on a 24 V machine), or the board's flag",
			OnDelay: 2 * time.Second, OffDelay: 30 * time.Second, Deadband: 0.5,
			Suppressors: []Suppressor{S8},
		},
		{
			Key: "box-hot", Title: "Box hot", Kind: ShopNote,
			Condition:   "the board's temperature is near where it slows itself down",
			Cause:       "sun, or dust in its vents",
			Consequence: "it slows down, then resets",
			Do:          "Shade it; clean its vents when parked", Caution: cautionBox, Where: Parked,
			Respond: Today, Priority: Low, Limit: "75 degC",
			OnDelay: 60 * time.Second, OffDelay: 300 * time.Second, Deadband: 5,
		},
		{
			Key: "disk-full", Title: "Log space short", Kind: ShopNote,
			Condition:   "at the present rate the log's disk is soon full",
			Cause:       "nothing was exported for long",
			Consequence: "recording stops",
			Do:          "Export recorded days or delete old ones", Caution: cautionCab, Where: Parked,
			Respond: Today, Priority: Low, Steps: []Step{{Priority: Medium, Under: 2 * 3600}},
			Limit:   "24 h left; it is announced from 2 h on",
			OnDelay: 60 * time.Second, OffDelay: 60 * time.Second, Deadband: 3600,
		},
		{
			Key: "clock-unset", Title: "Clock not set", Kind: ShopNote,
			Condition:   "no source has told the box what time it is",
			Cause:       "no sky for the receiver, no network, no battery clock",
			Consequence: "recorded times of day are wrong; durations are right",
			Do:          "Drive outdoors, or set the clock", Caution: cautionCab, Where: FromSeat,
			Respond: Today, Priority: Low, Limit: "clock quality unset",
			OnDelay: 120 * time.Second, OffDelay: 5 * time.Second,
		},
		{
			Key: "log-gap", Title: "Gap in log", Kind: ShopNote,
			Condition:   "the log misses something for more than a second",
			Cause:       "the disk stalled, or the supply dipped",
			Consequence: "a hole in the recorded day",
			Do:          "Note it; check supply and disk, parked", Caution: cautionBox, Where: Parked,
			Respond: Today, Priority: Low, Limit: "1 s",
			Latching: true,
		},
		{
			Key: "readings-lost", Title: "Readings lost", Kind: ShopNote,
			Condition:   "frames or samples came faster than they could be taken in",
			Cause:       "the box is busy, or a bus is flooded",
			Consequence: "the checks see less than there was",
			Do:          "Tell the shop", Caution: cautionCab, Where: Parked,
			Respond: Today, Priority: Low, Limit: "any",
			OnDelay: 0, OffDelay: 60 * time.Second,
		},
		{
			Key: "link-lost", Title: "No link to box", Kind: PageMade,
			Condition:   "the page has heard nothing from the box",
			Cause:       "radio link, or the box is off",
			Consequence: "what the screen shows is old",
			Do:          "Look at the box's light and Wi-Fi", Caution: cautionCab, Where: FromSeat,
			Respond: AtOnce, Priority: Medium, Limit: "3 s",
			OnDelay: 3 * time.Second, OffDelay: time.Second,
		},
	}
}

// reminderRows are care and set-up: no sound, no rate.
func reminderRows() []Row {
	return []Row{
		{
			Key: "need-near-cut-in", Title: "Need too close to cut-in", Kind: Reminder,
			Condition:   "a rank is asked for nearly as much as the compressor waits for before it starts",
			Cause:       "the wanted pressure, or the switch's setting",
			Consequence: "there is no reserve to warn about in time",
			Do:          "Choose less pressure, or a higher cut-in", Caution: cautionAir, Where: Parked,
			Respond: Today, Priority: Low, Limit: "highest need within 50 kPa of cut-in",
			OnDelay: 60 * time.Second, OffDelay: 60 * time.Second, Deadband: 20e3,
			Suppressors: []Suppressor{S6}, Inputs: []string{"tank"},
		},
		{
			Key: "delivery-low", Title: "Compressor gives less", Kind: Reminder,
			Condition:   "its runs fill the tank more slowly than they used to, at the same pressure and speed",
			Cause:       "a clogged intake filter, a slipping belt, worn rings or valves",
			Consequence: "longer runs, more heat, and less to spare when it is wanted",
			Do:          "Look at the intake filter first, parked", Caution: cautionRun, Where: Parked,
			Respond: Today, Priority: Low, Limit: "15 % less than its own baseline, with 95 % certainty",
			Deadband:    0.05,
			Suppressors: []Suppressor{S6}, Inputs: []string{"tank"},
		},
		{
			Key: "care-due", Title: "Care due", Kind: Reminder,
			Condition:   "an item of the care list has reached its interval",
			Cause:       "working days, hours, season or litres have passed",
			Consequence: "wear, water, or a leak that grows unseen",
			Do:          "Plan it for the next stop", Caution: cautionAir, Where: Parked,
			Respond: Today, Priority: Low, Limit: "the item's interval",
		},
	}
}
