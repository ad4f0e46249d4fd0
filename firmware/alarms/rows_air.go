// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"time"

	"airhold/firmware/findings"
)

const (
	cautionAir   = "Air injures. Manual, local codes and a qualified person lead."
	cautionRun   = "Engine off, key out, air relieved before anyone looks."
	cautionDrain = "Engine off. Stand to the side of the drain, open it slowly."
	cautionCab   = "Eyes on the field first."
	cautionBox   = "Park and switch off before touching plugs."
)

// airRows are the rows about the tank, its pressure and its losses.
func airRows() []Row {
	return []Row{
		{
			Key: "tank-low", Title: "Tank pressure low",
			Condition:   "tank pressure is under the reserve that the ranks will want next",
			Cause:       "the bags take more than the compressor gives, or air is leaking",
			Consequence: "the ranks lose their load on the gauge wheels if it goes on",
			Do:          "Slow down; watch the air budget", Caution: cautionCab, Where: FromSeat,
			Respond: Soon, Priority: Medium,
			Limit: "the lower of 70 kPa under cut-in and 50 kPa over the highest need, at least 30 kPa under cut-in",
			// Lowering the planter fills every bag at once: some 100 L of air, which a compressor of 180 L/min needs
			// 35 to 45 s to give back. That is no shortage.
			OnDelay: 60 * time.Second, OffDelay: 15 * time.Second, Deadband: 20e3,
			Suppressors: []Suppressor{S1, S4, S5, S6}, Inputs: []string{"tank"},
		},
		{
			Key: "tank-short", Title: "Tank cannot hold target",
			Condition:   "tank pressure has sunk to what the hungriest rank wants",
			Cause:       "use or loss beyond what the compressor gives",
			Consequence: "bags are under their target from now on and depth suffers",
			Do:          "Stop and let the tank fill", Caution: cautionCab, Where: FromSeat,
			Respond: AtOnce, Priority: High,
			Limit:   "highest rank target plus the learned loss in the lines",
			OnDelay: 3 * time.Second, OffDelay: 10 * time.Second, Deadband: 20e3,
			Suppressors: []Suppressor{S1, S4, S5, S6}, Inputs: []string{"tank"},
			Children: []findings.Key{"rank-off-target", "contact-low"},
			Hides:    []findings.Key{"tank-low"},
		},
		{
			Key: "tank-high", Title: "Tank pressure high",
			Condition:   "tank pressure is over every limit it should stay under",
			Cause:       "pressure switch or unloader stuck; or a full tank warming up with the compressor off",
			Consequence: "the relief valve opens, and the tank is closer to its safe pressure than it should be",
			Do:          "Switch the compressor drive off",
			Caution:     "Stay clear of tank and relief valve; open nothing.",
			Where:       FromSeat, Respond: AtOnce, Priority: High,
			Limit:   "the lowest of learned cut-out plus 70 kPa, 95 % of the relief setting, and the tank's safe working pressure",
			OnDelay: 3 * time.Second, OffDelay: 10 * time.Second, Deadband: 20e3,
			Suppressors: []Suppressor{S1, S6}, Inputs: []string{"tank"},
		},
		{
			Key: "air-leak", Title: "Air leak",
			Condition:   "air goes somewhere that neither bags nor known drains explain",
			Cause:       "a fitting, a hose or a bag lets air out",
			Consequence: "the compressor works for nothing, and the reserve is gone when it is wanted",
			Do:          "Note the place; test it at the next stop",
			Caution:     cautionAir, Where: Parked, Respond: Soon, Priority: Low,
			Steps:   []Step{{Priority: Medium, OverLimit: true}},
			Limit:   "the running sum of unexplained loss crosses its threshold; medium over a tenth of the compressor's delivery",
			OnDelay: 0, OffDelay: 600 * time.Second, Share: 0.2,
			Suppressors: []Suppressor{S1, S4, S6}, Inputs: []string{"tank"},
			Children: []findings.Key{"comp-overworked", "tank-low", "tank-short", "rank-off-target"},
		},
	}
}

// compressorRows are the rows about the compressor.
func compressorRows() []Row {
	return []Row{
		{
			Key: "comp-no-build", Title: "Compressor not building",
			Condition:   "the compressor turns, the tank is under cut-in, and hardly any air arrives",
			Cause:       "belt slips, unloader hangs, intake blocked; or air is lost as fast as it comes",
			Consequence: "the tank runs empty while everything looks switched on",
			Do:          "Stop safely, engine off", Caution: cautionRun, Where: FromSeat,
			Respond: AtOnce, Priority: High, Limit: "a quarter of the learned delivery",
			// As long as tank-low, and for the same reason: while the bags fill, nothing arrives in the tank.
			OnDelay: 60 * time.Second, OffDelay: 30 * time.Second, Share: 0.4,
			Suppressors: []Suppressor{S1, S4, S5, S6}, Inputs: []string{"tank"},
			Children: []findings.Key{"tank-low", "tank-short"},
		},
		{
			Key: "comp-overworked", Title: "Compressor overworked",
			Condition:   "the compressor ran for a larger share of the window than it is made for",
			Cause:       "a leak, worn rings, or much bag movement",
			Consequence: "it overheats and wears out early",
			Do:          "Slow down; plan a leak test", Caution: cautionRun, Where: FromSeat,
			Respond: Soon, Priority: Medium, Limit: "60 % of 10 min unless the machine file says otherwise",
			OnDelay: 60 * time.Second, OffDelay: 300 * time.Second, Deadband: 0.1,
			Suppressors: []Suppressor{S1, S4, S6}, Inputs: []string{"tank"},
			Children: []findings.Key{"air-leak"},
		},
		{
			Key: "comp-short-cycle", Title: "Compressor starts too often",
			Condition:   "five cycles in a row stored far less air than the tank's volume allows",
			Cause:       "the tank is full of water, or the switch's two pressures lie too close",
			Consequence: "clutch and motor wear",
			Do:          "Drain it parked; have the switch checked",
			Caution:     cautionDrain, Where: Parked,
			Respond: Today, Priority: Low, Limit: "60 % of what the tank should store between its two pressures",
			OnDelay: 0, OffDelay: 1800 * time.Second, Deadband: 0.1,
			Suppressors: []Suppressor{S1, S4, S6}, Inputs: []string{"tank"},
		},
	}
}

// workRows are the rows about ranks, gauge wheels and the ground.
func workRows() []Row {
	return []Row{
		{
			Key: "rank-off-target", Title: "Rank pressure off target",
			Condition:   "a rank's pressure stays away from what is asked of it",
			Cause:       "its valve, a leak, or too little in the tank",
			Consequence: "wrong force on that rank's rows",
			Do:          "Look at that rank's valve when parked", Caution: cautionAir, Where: Parked,
			Respond: Soon, Priority: Medium, Limit: "10 % off, 15 s after the last change of the target",
			OnDelay: 15 * time.Second, OffDelay: 15 * time.Second, Deadband: 0.03,
			Suppressors: []Suppressor{S1, S2, S3, S4, S6},
		},
		{
			Key: "rank-disagree", Title: "Rank sensors disagree",
			Condition:   "two pressure sensors of one rank say different things while nothing moves",
			Cause:       "one of the sensors, or a blocked line between them",
			Consequence: "part of the rank may get a force nobody asked for",
			Do:          "Compare both with the test when parked", Caution: cautionAir, Where: Parked,
			Respond: Soon, Priority: Medium, Limit: "the larger of 15 kPa and 4 %, while steady",
			OnDelay: 20 * time.Second, OffDelay: 30 * time.Second, Deadband: 5e3,
			Suppressors: []Suppressor{S1, S2, S4, S6},
		},
		{
			Key: "contact-low", Title: "Ground contact low",
			Condition:   "gauge wheels were off the ground for too large a share of the last stretch",
			Cause:       "too fast, too little force, or hard ground",
			Consequence: "seed lies too shallow",
			Do:          "Slow down or raise the wanted load", Caution: cautionCab, Where: FromSeat,
			Respond: Soon, Priority: Medium, Limit: "upper 95 % bound under the wanted contact, 90 % by default",
			OnDelay: 0, OffDelay: 20 * time.Second, Deadband: 0.03,
			Suppressors: []Suppressor{S1, S2, S3, S4, S6},
		},
		{
			Key: "contact-full", Title: "Contact always full",
			Condition:   "no gauge wheel left the ground for ten minutes and the load is over the wanted one",
			Cause:       "more load than the ground needs",
			Consequence: "packed furrow walls",
			Do:          "Try less load; look at the furrow", Caution: cautionCab, Where: FromSeat,
			Respond: Today, Priority: Low, Limit: "100 % for 10 min",
			OnDelay: 0, OffDelay: 60 * time.Second,
			Suppressors: []Suppressor{S1, S2, S3, S6},
		},
		{
			Key: "load-off-target", Title: "Gauge-wheel load off target",
			Condition:   "the mean load stays away from the wanted one",
			Cause:       "the force setting, or the ground has changed",
			Consequence: "packed ground, or shallow seed",
			Do:          "Change the wanted load", Caution: cautionCab, Where: FromSeat,
			Respond: Soon, Priority: Medium, Limit: "the larger of 150 N and 30 %",
			OnDelay: 30 * time.Second, OffDelay: 30 * time.Second, Deadband: 50,
			Suppressors: []Suppressor{S1, S2, S3, S6},
		},
		{
			Key: "load-outlier", Title: "Gauge-wheel row out of line",
			Condition:   "one row carries something else than the others of its rank",
			Cause:       "a seized arm, mud, or its bag",
			Consequence: "that row runs shallow or deep",
			Do:          "Look at the named row when parked", Caution: cautionRun, Where: Parked,
			Respond: Soon, Priority: Low, Limit: "the row's own learned spread against its rank",
			OnDelay: 0, OffDelay: 60 * time.Second,
			Suppressors: []Suppressor{S1, S2, S3, S6},
		},
		{
			Key: "bounce-high", Title: "Bounce high",
			Condition:   "the load swings widely around its mean",
			Cause:       "speed, a rough field, or worn parts",
			Consequence: "uneven depth",
			Do:          "Slow down", Caution: cautionCab, Where: FromSeat,
			Respond: Soon, Priority: Low, Limit: "spread over mean above 0.35 in 30 s",
			OnDelay: 20 * time.Second, OffDelay: 30 * time.Second, Deadband: 0.05,
			Suppressors: []Suppressor{S1, S2, S3, S6},
		},
	}
}

// waterRows are the rows about water and frost.
func waterRows() []Row {
	return []Row{
		{
			Key: "water-in-tank", Title: "Water in tank",
			Condition:   "the probe is wet, or the reckoned water is more than the tank should hold",
			Cause:       "a drain was missed",
			Consequence: "water reaches the valves",
			Do:          "Drain at the next stop, parked",
			Caution:     cautionDrain, Where: Parked,
			Respond: Soon, Priority: Medium, Limit: "probe wet, or 0.5 L reckoned",
			OnDelay: 30 * time.Second, OffDelay: 60 * time.Second, Deadband: 1e-4,
			Suppressors: []Suppressor{S6},
		},
		{
			Key: "freeze-risk", Title: "Freeze risk in air lines",
			Condition:   "there is water, and the coming night is cold enough to freeze it",
			Cause:       "humid air pressed into cold lines",
			Consequence: "valves freeze",
			Do:          "Drain before leaving it tonight, parked",
			Caution:     cautionDrain, Where: Parked,
			Respond: Today, Priority: Medium,
			Limit:   "wall at or under 2 degC with 0.05 L of water, or a dew point within 3 K of the wall",
			OnDelay: 10 * time.Second, OffDelay: 1800 * time.Second, Deadband: 1,
			Suppressors: []Suppressor{S6},
		},
	}
}
