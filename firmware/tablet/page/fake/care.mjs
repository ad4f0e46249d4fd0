// SPDX-License-Identifier: Apache-2.0

// An invented care list and invented learned values of the invented planter "Kettle Ridge 16".

const item = (item, words, every, why, caution, more = {}) => ({ item, words, due: false, soon: false, why, every, caution, last: null, ...more })
const by = (at, who = 'A. Tester', note = '') => ({ at, by: who, note })

// The cautions are those of the box's own list (firmware/care), so that the page is held to their length.
const still = 'Parked on level ground, engine off, key out: the compressor must not be able to start.'
const first = "Eye protection. The machine's manual, local rules and licensed practice come first."
const cautions = {
  drain: `${still} Let the pressure off as the manual says; open the drain slowly and stand to its side, face and hands out of the jet: compressed air and what it throws can hurt. ${first}`,
  oil: `${still} Let it cool. Open no filler or plug while the compressor is under pressure: let the pressure off and see the gauge at zero. ${first}`,
  filter: `${still} Let it cool; hands clear of belt and fan. ${first}`,
  bags: `Parked on level ground, engine off, key out; raised parts lowered or blocked, nobody under them. Bags move linkages when they fill or vent: nobody at the row units then. Leak spray, never a hand; loosen no fitting under pressure: let the pressure off first and see the gauge at zero. ${first}`,
}

const items = [
  item('drain', 'Drain the tank', 'every 2 working days, or when the water reckoned in it asks for it', '2 working days since the last', cautions.drain, { due: true, last: by('2026-04-26T18:30:00Z') }),
  item('oil-level', 'Look at the compressor\u2019s oil', 'every 2 working days', '2 working days since the last', cautions.oil, { due: true }),
  item('intake-filter', 'Look at the intake filter', 'every 3.5 days', '3 of 3.5 days', cautions.filter, { soon: true, needs: 'a clock: days are not known until the time is set', last: by('2026-04-25T12:00:00Z', 'box screen') }),
  item('bag-inspection', 'Look over bags and fittings', 'once a season', 'done for this season', cautions.bags, { last: by('2026-04-02T09:00:00Z', 'A. Tester', 'two fittings tightened') }),
  item('filter-change', 'Replace the intake filter', 'once a season, or when the compressor gives less than it did', 'done for this season', cautions.filter, { last: by('2026-03-28T15:00:00Z') }),
  item('oil-change', 'Change the compressor\u2019s oil', 'once a season', 'done for this season', cautions.oil, { last: by('2026-03-28T15:00:00Z', 'A. Tester', 'said when the season began') }),
  item('leak-test', 'Make a leak-down test', 'every 30 days', '26 of 30 days', cautions.bags, { last: by('2026-04-02T10:00:00Z') }),
]

/** due is what a snapshot says of an item. */
export const due = (name) => {
  const { item: is, words, why, caution } = items.find((i) => i.item === name)
  return { item: is, words, why, caution, due: true }
}

/** careList is what the box would answer, after what was pressed. */
export function careList(done) {
  return {
    items: items.map((i) => (done.has(i.item) ? { ...i, due: false, soon: false, why: 'done today', last: by('2026-04-28T05:11:00Z', 'box screen') } : i)),
    history: [
      ...items.filter((i) => done.has(i.item)).map((i) => ({ item: i.item, words: i.words, ...by('2026-04-28T05:11:00Z', 'box screen') })),
      ...items.filter((i) => i.last).map((i) => ({ item: i.item, words: i.words, ...i.last })),
    ],
    clock: true,
    ask: done.has('belt') ? [] : [{ item: 'belt', words: 'Was the compressor\u2019s belt looked at for this season?' }],
  }
}

const value = (v, unit, reference) => ({ value: v, unit, ...(reference ? { reference } : {}) })

/** learned is what the box would answer to /api/learned. */
export const learned = [
  { name: 'cut-in', words: 'cut-in of the compressor', value: value(661.4, 'kPa', 'gauge'), text: 'from 14 starts' },
  { name: 'cut-out', words: 'cut-out of the compressor', value: value(758.9, 'kPa', 'gauge'), text: 'from 14 stops' },
  { name: 'delivery', words: 'what the compressor gives at its usual speed', value: value(180.4, 'L/min', 'ANR'), text: 'from 9 pump-ups' },
  { name: 'bag-front', words: 'air that the front bags take for one change', value: value(0.384, 'L', 'ANR'), text: 'from 212 changes' },
  { name: 'water', words: 'water in the tank, by the balance', value: value(9.55e-8, 'L'), text: 'since airhold began to count; no drain was recorded; 0.0 m3 of air taken in' },
  { name: 'signature/tank', words: 'how the air of the tank side cools after a charge', text: 'from 2 clean tests' },
]
