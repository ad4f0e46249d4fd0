// SPDX-License-Identifier: Apache-2.0

// Invented states of an invented planter, "Kettle Ridge 16", as the box would publish them. Nothing here was measured.

import { due } from './care.mjs'

const kPa = (value, more = {}) => ({ value, unit: 'kPa', reference: 'gauge', ...more })
const flow = (value, more = {}) => ({ value, unit: 'L/min', reference: 'ANR', ...more })
const perMin = (value) => ({ value, unit: 'kPa/min' })
const psi = (value) => ({ value, unit: '[psi]', reference: 'gauge' })
const scfm = (value) => ({ value, unit: 'scfm' })

const wall = (value) => ({ value, unit: 'Cel' })
const litre = (value, low, high) => ({ value, unit: 'L', low, high, confidence: 0.95 })

const rank = (name, p, need, more = {}) => ({
  name, pressure: p === null ? null : kPa(p), age: 80, quality: p === null ? 'open' : 'ok', need: need === null ? null : kPa(need), assumed: false, raised: false, ...more,
})

/** healthy is the state all others are told as a difference from. */
export const healthy = {
  simulated: true, state: 'holds', do: '', tonight: 'look at the intake filter', rate: 1,
  compressor: { word: 'resting', runs: 3 },
  tank: { pressure: kPa(722), age: 60, quality: 'ok', cut_in: kPa(660), cut_out: kPa(760), fall: perMin(8) },
  ranks: [rank('front', 310, 310), rank('rear', 260, 260)],
  top: kPa(800), left: { minutes: 5.4, about: false },
  budget: { gives: flow(180), rated: false, bags: flow(28), drains: flow(2), leak: flow(1), spare: flow(149) },
  facts: [{ value: '97', words: '% ground contact' }, { value: '13', words: 'h to the drain' }, { value: '19', words: 'days of log space' }],
  moving: true, lowered: true, unseen: [{ key: 'water-in-tank', needs: 'a moisture probe' }],
  values: [
    { id: 'tank', value: kPa(722.4), quality: 'ok', age: 60 }, { id: 'front', value: kPa(310.2), quality: 'ok', age: 60 },
    { id: 'rear', value: kPa(259.8), quality: 'ok', age: 60 }, { id: 'ambient', value: { value: 11.3, unit: 'Cel' }, quality: 'ok', age: 400 },
    { id: 'load_1', value: { value: 612, unit: 'N' }, quality: 'ok', age: 60 }, { id: 'load_2', value: null, quality: 'open', age: 912_000 },
    { id: 'speed', value: { value: 2.2, unit: 'm/s' }, quality: 'ok', age: 100 }, { id: 'humidity', value: { value: 61, unit: '%' }, quality: 'ok', age: 2600 },
  ],
}

const alarm = (key, where, title, priority, state, onset, more = {}) => ({
  key, where, title, priority, state, onset: `2026-04-28T${onset}Z`, firstout: false, silent: false, ...more,
})

const shortAlarms = [
  alarm('tank-short', '', 'Tank cannot hold target', 'high', 'active_unacked', '14:07:00.000', { group: 'air-leak/front rank', do: 'stop and let the tank fill', from: 'from the seat' }),
  alarm('comp-overworked', '', 'Compressor overworked', 'medium', 'active_unacked', '14:04:00.000', { group: 'air-leak/front rank', silent: true }),
  alarm('tank-low', '', 'Tank pressure low', 'medium', 'active_acked', '14:01:00.000', { group: 'air-leak/front rank', silent: true }),
  alarm('air-leak', 'front rank', 'Air leak', 'medium', 'active_acked', '09:46:00.000', { group: 'air-leak/front rank', firstout: true, do: 'park, engine off, then test the front rank', from: 'parked', caution: 'Keep clear of lines under pressure; the machine’s manual comes first' }),
]

/** early is the machine before its day: parked, cold, nothing running. */
const early = {
  ...healthy, do: 'drain the tank before the engine starts', tonight: '', moving: false, lowered: false, left: null,
  tank: { ...healthy.tank, pressure: kPa(655), fall: null }, ranks: [rank('front', 240, null, { raised: true }), rank('rear', 231, null, { raised: true })],
  budget: { gives: flow(180), rated: false, words: 'use: watching, 10 min of work needed' }, facts: [{ value: '19', words: 'days of log space' }],
  morning: {
    state: 'held', words: 'Held overnight: 690 to 655 kPa, cooling explains 29, leak 0.01 L/min ANR', places: ['tank', 'front rank', 'rear rank'],
    from: kPa(690), to: kPa(655), from_at: '2026-04-27T19:45:00Z', to_at: '2026-04-28T05:10:00Z', cooling: kPa(29), lost: kPa(6), leak: flow(0.004, { low: -0.001, high: 0.01 }),
    warm_from: wall(21), warm_to: wall(10), warm: 'tank wall',
  },
  care: [due('drain'), due('oil-level')], water: { liquid: litre(0.3, 0.15, 0.4), dew_point: wall(12), drain: 'due: 2 working days since the last', words: 'reckoned from the intake’s humidity' },
}
const night = (more) => ({ ...early, morning: { ...early.morning, ...more } })

/** scenes maps a name to what the box says: the time of day (UTC), the snapshot, and the alarms that stand. */
export const scenes = {
  healthy: { t: '08:20:00', now: healthy, alarms: [] },
  short: {
    t: '14:07:30', alarms: shortAlarms,
    now: {
      ...healthy, state: 'short', do: 'stop and let the tank fill', then: 'park, engine off, test the front rank', tonight: '', compressor: { word: 'no_rest', runs: 9 },
      tank: { ...healthy.tank, pressure: kPa(318), fall: perMin(47) },
      ranks: [rank('front', 262, 310, { short: kPa(48) }), rank('rear', 258, 260)], left: { minutes: 0, about: false },
      budget: { gives: flow(180), rated: false, bags: flow(28), drains: flow(2), leak: flow(168, { low: 154, high: 182 }), short: flow(18) },
      facts: [{ value: '91', words: '% ground contact' }, { value: '0', words: 'min left, front' }, { value: '1', words: 'min left, rear' }],
    },
  },
  both: { // a High that was seen stands, and a Low waits
    t: '14:09:00', now: healthy, alarms: [
      ...shortAlarms.map((a) => ({ ...a, state: 'active_acked' })), alarm('ground-contact', 'rear rank', 'Ground contact low', 'low', 'active_unacked', '14:08:00.000', { do: 'slow down', from: 'from the seat' }),
    ],
  },
  low: {
    t: '21:35:00',
    alarms: [alarm('tank-low', '', 'Tank pressure low', 'medium', 'active_unacked', '21:34:00.000', { do: 'slow down', from: 'from the seat', cause: 'the bags take more than comes in' })],
    now: {
      ...healthy, state: 'low', do: 'slow down', tonight: '', compressor: { word: 'no_rest', runs: 12 },
      tank: { ...healthy.tank, pressure: kPa(566), fall: perMin(34) }, ranks: [rank('front', 311, 310), rank('rear', 259, 260)], left: { minutes: 7.2, about: false },
      budget: { gives: flow(110), rated: false, bags: flow(121), drains: flow(2), leak: flow(0.4), short: flow(13) },
      facts: [{ value: '96', words: '% ground contact' }, ...healthy.facts.slice(1)],
    },
  },
  leak: {
    t: '10:05:00',
    alarms: [alarm('air-leak', 'front rank', 'Air leak', 'low', 'active_unacked', '09:46:00.000', { do: 'test the front rank', from: 'parked' })],
    now: { ...healthy, tonight: 'test the front rank', tank: { ...healthy.tank, pressure: kPa(704) }, ranks: [rank('front', 309, 310), rank('rear', 260, 260)], left: { minutes: 4.6, about: false }, budget: { ...healthy.budget, leak: flow(8, { low: 6, high: 10 }), spare: flow(142) } },
  },
  fault: {
    t: '11:04:00',
    alarms: [alarm('load-fault', 'load_2', 'Gauge-wheel sensor fault', 'medium', 'active_unacked', '11:03:40.000', { do: 'take row 2 out of the machine’s average', from: 'from the seat' })],
    now: healthy,
  },
  high: {
    t: '12:10:00',
    alarms: [alarm('tank-high', '', 'Tank pressure high', 'high', 'active_unacked', '12:09:40.000', { do: 'stop the compressor drive; keep away from the tank', from: 'from the seat', caution: 'Open nothing' })],
    now: { ...healthy, compressor: { word: 'running', runs: 4 }, tank: { ...healthy.tank, pressure: kPa(842) } },
  },
  assumed: {
    t: '09:00:00', alarms: [],
    now: { ...healthy, ranks: [rank('front', 308, 308, { assumed: true }), rank('rear', 260, 260, { assumed: true })], left: { minutes: 5.1, about: true }, budget: { gives: flow(180), rated: true, use: flow(33), spare: flow(147, { low: 120, high: 160 }), words: 'what it can give: learning, 40 min left' }, compressor: { word: 'running', runs: 1, learning: 'learning the compressor, 40 min left' } },
  },
  learning: {
    t: '06:00:00', alarms: [],
    now: { ...healthy, compressor: { word: 'running', runs: 0 }, left: null, budget: { rated: false, use: flow(31), words: 'what it can give: learning, 40 min left' }, ranks: [rank('front', 308, null), rank('rear', 250, null)] },
  },
  watching: {
    t: '06:10:00', alarms: [],
    now: { ...healthy, left: null, budget: { gives: flow(180), rated: true, drains: flow(2), words: 'use: watching, 10 min of work needed' } },
  },
  hole: {
    t: '09:10:00', alarms: [],
    now: { ...healthy, ranks: [rank('front', null, 310), rank('rear', 260, 260)], left: null },
  },
  tankless: {
    t: '09:15:00', alarms: [alarm('pressure-fault', 'tank', 'Pressure sensor fault', 'high', 'active_unacked', '09:14:00.000', { do: 'drive by the machine’s own gauge; check plug P3 when parked', from: 'from the seat' })],
    now: { ...healthy, state: 'not_known', why: 'the tank cannot be seen', do: 'drive by the machine’s own gauge', tank: { pressure: null, age: 14_000, quality: 'open' }, left: null, budget: { rated: false, words: 'not known without the tank' }, compressor: { word: 'not_seen', runs: 0 } },
  },
  three: {
    t: '09:20:00', alarms: [],
    now: { ...healthy, ranks: [rank('left', 310, 310), rank('mid', 285, 285), rank('right', 260, 260)] },
  },
  four: {
    t: '09:20:00', alarms: [],
    now: { ...healthy, ranks: [rank('left', 310, 310), rank('mid', 285, 285), rank('right', 260, 260), rank('far', 200, 260, { short: kPa(60) })] },
  },
  doubt: {
    t: '09:25:00', alarms: [],
    now: { ...healthy, ranks: [{ ...rank('front', 308, 310), pressure: kPa(308, { low: 285, high: 330 }), short: kPa(2) }, rank('rear', 830, 260)] },
  },
  raised: {
    t: '09:30:00', alarms: [], now: { ...healthy, do: 'nothing to do', lowered: false, ranks: [rank('front', 180, 310, { raised: true, short: kPa(130) }), rank('rear', 200, 260, { raised: true })], left: null },
  },
  parked: {
    t: '15:40:00', alarms: [],
    now: { ...healthy, do: 'nothing to do', tonight: '', moving: false, tank: { ...healthy.tank, pressure: kPa(742) }, ranks: [rank('front', 180, 310, { raised: true }), rank('rear', 200, 260, { raised: true })], left: null },
  },
  old: {
    t: '09:40:00', alarms: [], now: { ...healthy, tank: { ...healthy.tank, age: 4100 }, ranks: [{ ...rank('front', 310, 310), age: 3100 }, rank('rear', 260, 260)] },
  },
  psi: {
    t: '08:20:00', alarms: [],
    now: {
      ...healthy, tank: { pressure: psi(105), age: 60, quality: 'ok', cut_in: psi(96), cut_out: psi(110) }, top: psi(116),
      ranks: [{ ...rank('front', 310, 310), pressure: psi(45), need: psi(45) }, { ...rank('rear', 260, 260), pressure: psi(38), need: psi(38) }],
      budget: { gives: scfm(6.3), rated: false, bags: scfm(1.0), drains: scfm(0.1), leak: scfm(0.03), spare: scfm(5.2) }, banner: 'Machine file refused: line 14, unknown bus "ic2-1". The last accepted copy is in use.',
    },
  },
  rated: { // the whole sentence finds no room beside a fast demo's foot
    t: '12:00:00', alarms: [],
    now: { ...healthy, rate: 60, budget: { gives: flow(180), rated: true, drains: flow(2), use: flow(31), spare: flow(149), words: 'The compressor can give 180 L/min ANR (rated, not measured): 31 are used, 2.0 of it by drains; bags and leaks are not told apart; 149 to spare.' } },
  },
  fast: { t: '08:20:00', alarms: [], now: { ...healthy, rate: 60, ranks: [rank('front', 310, 310)] } },
  apart: {
    t: '10:20:00', alarms: [alarm('air-leak', 'not told apart', 'Air leak', 'medium', 'active_unacked', '10:19:00.000', { do: 'at the next stop, test each part', from: 'parked' })],
    now: { ...healthy, budget: { ...healthy.budget, leak: flow(20, { low: 14, high: 27 }), spare: flow(130) } },
  },
  tankside: {
    t: '10:25:00', alarms: [alarm('air-leak', 'tank side', 'Air leak', 'low', 'active_acked', '10:19:00.000', { do: 'test the tank side', from: 'parked' })],
    now: { ...healthy, budget: { ...healthy.budget, leak: flow(9, { low: 4, high: 14 }), spare: flow(141) } },
  },
  filling: { // a rank that is being filled from a full tank, and sentences as long as the box has them
    t: '09:21:00', alarms: [alarm('rank-off-target', 'front rank', 'Rank pressure off target', 'medium', 'active_acked', '09:20:30.000', { do: 'note the place; test it at the next stop', from: 'parked' })],
    now: { ...healthy, do: 'carry on', rate: 200, learning: 'leak watch learning: 72 minutes to go', compressor: { word: 'resting', runs: 1, learning: 'learning the compressor: 39 minutes to go' }, ranks: [rank('front', 93, 310, { short: kPa(217) }), rank('rear', 260, 260)] },
  },
  returned: {
    t: '11:20:00', now: { ...healthy, tank: { ...healthy.tank, pressure: kPa(560) } }, alarms: [
      alarm('comp-no-build', '', 'Compressor not building pressure', 'high', 'returned_unacked', '10:39:00.000'), alarm('tank-short', '', 'Tank cannot hold target', 'high', 'returned_unacked', '10:36:00.000'),
    ],
  },
  vented: {
    t: '11:02:00', alarms: [alarm('air-leak', 'front rank', 'Air leak', 'low', 'active_unacked', '10:19:00.000', { do: 'note the place; test it at the next stop', from: 'parked' })],
    now: { ...healthy, do: 'carry on', lowered: false, ranks: [rank('front', 1, 310, { raised: true, assumed: true }), rank('rear', 64, 270, { raised: true, assumed: true })], left: null, budget: { gives: flow(181, { low: 149, high: 215 }), rated: false, drains: flow(2), use: flow(204), short: flow(23) } },
  },
  unsure: {
    t: '10:30:00', alarms: [], now: {
      ...healthy, learning: 'leak watch learning, 40 min left', budget: { gives: flow(180, { low: 170, high: 188 }), rated: false, bags: flow(28), drains: flow(2), leak: flow(0.4, { low: -1.2, high: 1.6 }), spare: flow(149, { low: 139, high: 158 }) },
      facts: [{ value: '97', words: '% ground contact' }], water: { liquid: litre(0.12, 0.05, 0.2), drain: '13 h to the drain', words: 'reckoned from the intake’s humidity' },
    },
  },
  alarmed: { // something in every list of the alarms, the machine parked
    t: '14:20:00', now: { ...healthy, moving: false, do: 'nothing to do', tonight: '' }, alarms: [
      ...shortAlarms.map((a) => ({ ...a, cause: 'use or loss beyond what the compressor gives', consequence: 'bags are under their target from now on and depth suffers', value: kPa(318), limit: kPa(330) })),
      alarm('load-fault', 'load_2', 'Gauge-wheel sensor fault', 'medium', 'shelved', '11:03:40.000', { do: 'take row 2 out of the machine’s average', from: 'from the seat', more: { by: 'A. Tester', until_mono: 400_000 } }),
      alarm('load-drift', 'load_4', 'Gauge-wheel sensor drift', 'low', 'out_of_service', '08:00:00.000', { do: 're-zero it when raised', from: 'parked', more: { by: 'B. Shop', why: 'new sensor ordered' } }),
      alarm('comp-short-cycle', '', 'Compressor starts too often', 'low', 'active_acked', '13:00:00.000', { standing: true, do: 'drain the tank when parked', from: 'parked' }),
      alarm('can-errors', '', 'CAN errors', 'low', 'active_unacked', '12:00:00.000', { kind: 'note', silent: true, do: 'check the terminator', from: 'parked' }),
    ],
  },
  morning: { t: '05:10:00', alarms: [], now: early },
  lost: {
    t: '05:10:00', alarms: [], now: night({
      state: 'lost', words: 'Lost air overnight, front rank: 690 to 655 kPa in the tank', places: ['front rank'], to: kPa(412), cooling: kPa(27), lost: kPa(251), leak: flow(0.16, { low: 0.15, high: 0.18 }), warm: 'air', warm_from: wall(20), warm_to: wall(9),
    }),
  },
  nightless: {
    t: '05:10:00', alarms: [], now: {
      ...night({ state: 'not_known', words: 'Overnight not known: the tank was filled in between', why: 'the tank was filled in between, so the two readings cannot be set side by side', places: [], to: kPa(702), cooling: null, lost: null, leak: null, warm_from: null, warm_to: null }), do: '', care: [],
    },
  },
  clockless: {
    t: '05:10:00', alarms: [], now: { ...early, do: '', care: [due('drain'), due('oil-level'), due('intake-filter')], morning: { state: 'not_known', words: 'Overnight not known: the clock was not set', why: 'the clock was not set', places: [] } },
  },
  warmer: {
    t: '13:10:00', alarms: [], now: night({ words: 'Held: 690 to 709 kPa, the sun explains 24', places: ['tank'], to: kPa(709), from_at: '2026-04-25T19:45:00Z', to_at: '2026-04-28T13:10:00Z', cooling: kPa(-24), lost: kPa(5), warm_from: wall(12), warm_to: wall(22), warm: 'air' }),
  },
  dawnleak: {
    t: '05:10:00', alarms: [alarm('air-leak', 'front rank', 'Air leak', 'low', 'active_unacked', '05:09:00.000', { do: 'test the front rank', from: 'parked' })],
    now: night({ state: 'lost', places: ['front rank'] }),
  },
  empty: {
    t: '05:00:00', alarms: [],
    now: { ...healthy, state: 'not_known', tonight: '', compressor: { word: 'not_seen', runs: 0 }, tank: { pressure: null, age: -1, quality: 'not_available' }, ranks: [rank('front', null, null), rank('rear', null, null)], top: null, left: null, budget: { rated: false }, facts: [], values: [], unseen: [] },
  },
}

/** about is the same for all scenes. */
export const about = {
  name: 'Kettle Ridge 16', software: 'test', simulated: true, machine_sha256: '', catalogue_sha256: '',
  signals: [
    { id: 'tank', quantity: 'pressure', unit: 'kPa', reference: 'gauge', source: 'adc main input 0' }, { id: 'load_2', quantity: 'load', unit: 'N', source: 'adc main input 5' },
    { id: 'speed', quantity: 'speed', unit: 'm/s', source: 'can wheel_speed.speed' },
  ],
}
