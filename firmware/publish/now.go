// SPDX-License-Identifier: Apache-2.0

// Package publish speaks the MQTT contract: whole state on retained topics, so that a client that comes late or comes
// back knows everything, with the box's own broker inside or another one named by the machine file.
//
// Words: a retained topic holds the last state of one thing; now is the snapshot that moves twice a second; the
// outlet is the one goroutine that owns what was last said.
package publish

import (
	"time"

	"airhold/firmware/findings"
)

// Stamp stands at the head of every payload.
type Stamp struct {
	V    int       `json:"v"`    // contract version, 1
	T    time.Time `json:"t"`    // UTC, milliseconds
	Clk  string    `json:"clk"`  // clock quality: unset, coarse, good
	Boot string    `json:"boot"` // id of this run of the box
	Mono int64     `json:"mono"` // boot clock, ms
	Seq  uint64    `json:"seq"`
}

// Now is the snapshot for screens: topic airhold/v1/{machine}/now, twice a second, not retained.
type Now struct {
	Stamp

	Simulated  bool           `json:"simulated"`
	State      string         `json:"state"` // holds | low | short | not_known
	Why        string         `json:"why,omitempty"`
	Do         string         `json:"do"`                // the Now line, from the seat
	Then       string         `json:"then,omitempty"`    // once parked
	Tonight    string         `json:"tonight,omitempty"` // care due
	Banner     string         `json:"banner,omitempty"`  // a standing sentence: machine file refused, log stopped
	Setup      string         `json:"setup,omitempty"`   // "needed": the box runs without a machine file
	Rate       float64        `json:"rate"`              // times real time, 1 on a real box
	Compressor CompressorNow  `json:"compressor"`
	Tank       TankNow        `json:"tank"`
	Ranks      []RankNow      `json:"ranks"`
	Top        Quantity       `json:"top"` // top of the pressure scale, fixed per machine
	Left       *LeftNow       `json:"left,omitempty"`
	Budget     BudgetNow      `json:"budget"`
	Morning    *MorningNow    `json:"morning,omitempty"` // what the night has left; only until the day's work begins
	Care       []CareNow      `json:"care"`              // what is due, most pressing first
	Water      *WaterNow      `json:"water,omitempty"`
	Learning   string         `json:"learning,omitempty"` // "leak watch learning, 40 min left"
	Facts      []FactNow      `json:"facts"`
	Moving     bool           `json:"moving"`
	Lowered    *bool          `json:"lowered,omitempty"`
	Unseen     []UnseenNow    `json:"unseen"` // checks that cannot see on this machine, and what they need
	Values     []ChannelValue `json:"values"` // last good value of every channel
}

// Quantity is a measured or inferred quantity with its age; nil where there is none.
type Quantity = *findings.Measure

// CompressorNow is what the compressor does.
type CompressorNow struct {
	Word          string   `json:"word"` // resting | running | no_rest | not_seen
	Duty          Quantity `json:"duty,omitempty"`
	Window        string   `json:"window,omitempty"` // over which duty is taken, in words: "10 min"
	Runs          int      `json:"runs"`
	StartsPerHour Quantity `json:"starts_per_hour,omitempty"`
	Learning      string   `json:"learning,omitempty"` // "learning the compressor, 40 min left"
}

// TankNow is the tank.
type TankNow struct {
	Pressure   Quantity `json:"pressure,omitempty"` // 1 s mean
	Age        int64    `json:"age"`                // ms since the last good sample
	Quality    string   `json:"quality"`            // readings.Quality word
	CutIn      Quantity `json:"cut_in,omitempty"`
	CutOut     Quantity `json:"cut_out,omitempty"`
	FallPerMin Quantity `json:"fall,omitempty"` // kPa a minute, positive when falling; unit says kPa/min
}

// RankNow is one rank.
type RankNow struct {
	Name     string   `json:"name"`
	Pressure Quantity `json:"pressure,omitempty"`
	Age      int64    `json:"age"`
	Quality  string   `json:"quality"`
	Need     Quantity `json:"need,omitempty"`
	Assumed  bool     `json:"assumed"`         // the need is assumed from the rank's own pressure
	Short    Quantity `json:"short,omitempty"` // how far below the need
	Raised   bool     `json:"raised"`
}

// LeftNow is the time until the highest need fails.
type LeftNow struct {
	Minutes float64 `json:"minutes"`
	About   bool    `json:"about"`
}

// BudgetNow is the air budget as far as it is known; each part is nil while it is not.
type BudgetNow struct {
	Gives  Quantity `json:"gives,omitempty"` // what the compressor can give
	Rated  bool     `json:"rated"`           // gives is the machine file's rated delivery, not learned
	Bags   Quantity `json:"bags,omitempty"`
	Drains Quantity `json:"drains,omitempty"`
	Leak   Quantity `json:"leak,omitempty"`
	Use    Quantity `json:"use,omitempty"` // all uses together, where the split is not known
	Spare  Quantity `json:"spare,omitempty"`
	Short  Quantity `json:"short,omitempty"`
	Words  string   `json:"words,omitempty"` // "what it can give: learning, 40 min left"
}

// MorningNow is the overnight hold, the first thing of the day.
type MorningNow struct {
	State    string     `json:"state"` // held | lost | not_known
	Words    string     `json:"words"` // the whole of it in one line
	Why      string     `json:"why,omitempty"`
	Places   []string   `json:"places"`              // which held or lost: "tank", "front rank"
	From     Quantity   `json:"from,omitempty"`      // the tank in the evening
	To       Quantity   `json:"to,omitempty"`        // and in the morning
	FromAt   *time.Time `json:"from_at,omitempty"`   // when each was read
	ToAt     *time.Time `json:"to_at,omitempty"`     //
	Cooling  Quantity   `json:"cooling,omitempty"`   // of the fall, what the cold explains
	Lost     Quantity   `json:"lost,omitempty"`      // of the fall, what it does not
	Leak     Quantity   `json:"leak,omitempty"`      // the rest as a flow, ANR, with its interval
	WarmFrom Quantity   `json:"warm_from,omitempty"` // temperature taken for the tank in the evening
	WarmTo   Quantity   `json:"warm_to,omitempty"`   // and in the morning
	Warm     string     `json:"warm,omitempty"`      // what measured it: "tank wall" or "air"
}

// CareNow is one item of the care list.
type CareNow struct {
	Item    string `json:"item"`  // the word that records it: "drain"
	Words   string `json:"words"` // "Drain the tank"
	Why     string `json:"why"`   // "2 working days since the last; about 0.3 L"
	Caution string `json:"caution"`
	Due     bool   `json:"due"`
}

// WaterNow is the water in the tank as far as it is known.
type WaterNow struct {
	Liquid   Quantity `json:"liquid,omitempty"`    // since the last drain, with its bounds
	DewPoint Quantity `json:"dew_point,omitempty"` // of the air in the tank, at its pressure
	Drain    string   `json:"drain,omitempty"`     // "13 h to the drain" or why it is due
	Words    string   `json:"words"`               // what it rests on, or why it is not known
}

// FactNow is one number of the foot row.
type FactNow struct {
	Value string `json:"value"`
	Words string `json:"words"`
}

// UnseenNow is a check without an input.
type UnseenNow struct {
	Key   string `json:"key"`
	Where string `json:"where,omitempty"`
	Needs string `json:"needs"`
}

// ChannelValue is the last value of a channel.
type ChannelValue struct {
	ID      string   `json:"id"`
	Value   Quantity `json:"value,omitempty"`
	Quality string   `json:"quality"`
	Age     int64    `json:"age"` // ms
}
