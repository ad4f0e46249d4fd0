// SPDX-License-Identifier: Apache-2.0

// Invented states of a leak-down test on the invented planter "Kettle Ridge 16", as the box would publish them. No curve
// here was measured and no figure was estimated: a falling line made of an exponential and a straight share, with a
// fixed wobble for noise.

const kPa = (value, more = {}) => ({ value, unit: 'kPa', reference: 'gauge', ...more })
const flow = (value, low, high) => ({ value, unit: 'L/min', reference: 'ANR', ...(low === undefined ? {} : { low, high, confidence: 0.95 }) })
const fall = (value, low, high) => ({ value, unit: 'kPa/min', low, high, confidence: 0.95 })
const mm = (value, low, high) => ({ value, unit: 'mm', low, high, confidence: 0.95 })
const s = (value, low, high) => ({ value, unit: 's', low, high, confidence: 0.95 })

/** curve makes the drawing of a part that began at start, lost cool by cooling and leak kPa a minute. */
export function curve({ start, cool, tau, leak, edge, seconds, ahead = 600 }) {
  const cold = (t) => start - cool * (1 - Math.exp(-t / tau))
  const real = (t) => cold(t) - (leak * t) / 60
  const times = (from, to, by) => Array.from({ length: Math.floor((to - from) / by + 1e-9) + 1 }, (_, i) => from + i * by)
  const two = (v) => Math.round(v * 100) / 100
  const gap = Math.max(1, seconds / 70)
  return {
    measured: times(gap, seconds, gap).map((t, i) => [two(t), two(real(t) + 0.7 * Math.sin(i * 2.4) * Math.cos(i * 0.7))]),
    fit: times(0, seconds, Math.max(1, seconds / 40)).map((t) => [two(t), two(real(t)), two(real(t) - 0.6), two(real(t) + 0.6)]),
    ahead: seconds < ahead ? times(seconds, ahead, 10).map((t) => [two(t), two(real(t)), two(real(t) - 0.6 - (t - seconds) / 60), two(real(t) + 0.6 + (t - seconds) / 60)]) : [],
    cooling: times(0, ahead, 5).map((t) => [two(t), two(cold(t))]),
    limit: times(0, ahead, 5).map((t) => [two(t), two(cold(t) - (edge * t) / 60)]),
  }
}

const ticks = (done) => [
  ['park', 'Parked on level ground, brake set'], ['key', 'Engine stopped, key out', 'it runs again for the fill alone'], ['down', 'Planter down, or blocked against sinking'],
  ['clear', 'Nobody near the row units', 'bags move the linkages as they fill and vent'], ['eyes', 'Eyes protected'], ['spray', 'Soapy water ready', 'a hand must never look for a leak'],
].map(([id, text, note]) => ({ id, text, ...(note ? { note } : {}), done: done.includes(id) }))
const all = ['park', 'key', 'down', 'clear', 'eyes', 'spray']

const condition = (id, text, sees, met = 'yes', why = '') => ({ id, text, sees, met, ...(why ? { why } : {}) })
const still = condition('still', 'planter still', '0.0 km/h')
const stopped = condition('drive', 'engine stopped', '0 /min')
const safe = condition('safe', 'tank below its safe 1000 kPa', '742 kPa')
const off = condition('off', 'compressor off', 'resting')
const steady = condition('steady', 'valves still', 'for 12 s')
const charged = condition('charged', 'tank at 220 kPa or more', '741 kPa')

const manual = 'The machine\'s manual, local rules and licensed practice come first. Airhold only looks; it is no safety device.'
const cautions = ['Compressed air can hurt: never loosen a fitting under pressure, never open a drain or a valve in a hurry.', manual]
const filling = {
  hear: 'The compressor, and short puffs as bags fill. When the switch ends the charge, the unloading puff at the compressor is usual.',
  do: [
    'Simulated: the engine is started and charges tank and ranks; that takes a minute or two.', 'Start the engine and let the compressor charge the tank to 760 kPa; its own switch ends that.',
    'Let the ranks come to the pressure they work with before that: air that they take later spoils the test.', 'Then go on; from there the engine is stopped.',
  ],
  cautions: [
    'Everyone clear of the row units before the engine starts: bags move the linkages as they fill.',
    'Never above 1000 kPa: tank plate and relief valve set that limit. Stop the fill if the pressure goes past its usual end.',
    'Eyes protected; nobody beside the relief valve.', manual,
  ],
}
const looking = ['Before anything is opened: engine off, key out, air relieved as the manual says, eyes protected.', manual]

const base = {
  run: 'k16-0428-1', zone: 'tank', where: 'tank side', step: 'make_safe', phase: 1, phases: 1, by: 'R. Voss (invented)', started: '2026-04-28T15:40:00Z', limit: flow(3),
  ticks: ticks([]), left: 6, conditions: [still, stopped, safe], can_go: false, next: '', do: [], cautions, pressure: kPa(742), target: kPa(760), safe: kPa(1000),
  seconds: 0, leak: null, drop: null, pass: 0, fail: 0, cooling: null, lost: null, updates: [], held_back: true, verdict: 'measuring', reasons: [],
}

const tankCurve = curve({ start: 760, cool: 38, tau: 25, leak: 3.9, edge: 7.8, seconds: 70 })
const updates = [[15, 4.2, 0, 19], [20, 3.8, 0, 16], [25, 3.1, 0, 12.4], [30, 2.6, 0, 10.6], [35, 2.9, 0, 9.6], [40, 2.2, 0, 7.8], [45, 2.0, 0, 6.5], [50, 1.8, 0, 5.5], [60, 1.6, 0, 3.9], [70, 1.5, 0, 3.3]]
  .map(([at, v, low, high], i) => ({ at, leak: flow(v, low, high), pass: Math.min(0.95, 0.3 + i * 0.072), fail: Math.max(0.05, 0.7 - i * 0.072) }))

const budget = [{ words: 'cooling of the air', u: flow(0.14) }, { words: 'volume of the tank', u: flow(0.05) }]

const result = {
  run: base.run, at: '2026-04-28T15:42:00Z', zone: 'front', where: 'front rank', by: base.by, phases: 1, verdict: 'pass', reasons: ['The leak is below the limit with a chance of more than 99 %.'],
  decided_at: 60, duration: 60, start: kPa(310), limit: flow(3), leak: flow(0.4, 0.1, 0.8), drop: fall(3.5, 0.9, 7), naive_drop: { value: 3.6, unit: 'kPa/min' }, hole: mm(0.13, 0.07, 0.19), discharge: 0.61,
  hold_time: s(540, 260, 2100), hold_at_least: false, hold_to: kPa(279), dominant_uncertainty: 'creep of the bags', help: 'Rest the bags for longer before the watch.', budget,
  curve: curve({ start: 310, cool: 0.6, tau: 20, leak: 3.1, edge: 25, seconds: 60, ahead: 60 }), simulated: true,
}
const before = {
  ...result, run: 'k16-0428-0', at: '2026-04-28T12:20:00Z', verdict: 'fail', decided_at: 60, leak: flow(8.1, 7.3, 8.9), drop: fall(70, 63, 77), hole: mm(0.59, 0.56, 0.62), hold_time: s(28, 25, 31),
  curve: curve({ start: 310, cool: 0.6, tau: 20, leak: 67, edge: 25, seconds: 60, ahead: 60 }),
}
const done = { ...base, zone: 'front', where: 'front rank', step: 'result', ticks: ticks(all), left: 0, conditions: [], pressure: kPa(306), seconds: 60, verdict: 'pass', pass: 0.992, fail: 0.008, leak: result.leak, held_back: false, reasons: result.reasons, cautions: looking }

/** tests maps a name to the state of a test, with its curve where there is one. */
export const tests = {
  safe: { state: { ...base, ticks: ticks(['park', 'key', 'down', 'eyes']), left: 2 } },
  ready: { state: { ...base, ticks: ticks(all), left: 0, can_go: true, next: 'Next: fill' } },
  unsafe: {
    state: {
      ...base, ticks: ticks(all), left: 0,
      conditions: [condition('still', 'planter still', '1.2 km/h', 'no', 'Stop, and park on level ground.'), condition('drive', 'engine stopped', 'not seen', 'not_seen', 'The box does not see the drive: your tick "Engine stopped, key out" stands for it.'), safe],
    },
  },
  fill: {
    state: {
      ...base, ...filling, step: 'fill', ticks: ticks(all), left: 0, pressure: kPa(588), next: 'Next: isolate',
      conditions: [condition('pressure', 'tank charged to 760 kPa', '588 kPa', 'no', 'Let the machine charge it.'), condition('safe', 'tank below its safe 1000 kPa', '588 kPa'), still],
    },
  },
  filled: {
    state: {
      ...base, ...filling, step: 'fill', ticks: ticks(all), left: 0, pressure: kPa(758), can_go: true, next: 'Next: isolate',
      conditions: [condition('pressure', 'tank charged to 760 kPa', '758 kPa'), condition('safe', 'tank below its safe 1000 kPa', '758 kPa'), still],
    },
  },
  isolate: {
    state: {
      ...base, step: 'isolate', phases: 2, ticks: ticks(all), left: 0, pressure: kPa(756), hear: 'Nothing. Air that hisses on is a leak: note where, but go near only with the engine off and eyes protected.',
      do: ['Stop the engine, key out.', 'Then touch nothing: the watch begins by itself, and counts from the moment the air was shut in.'],
      cautions: ['Engine off and key out before anyone goes to the machine.', 'Never loosen a fitting under pressure.', manual],
      conditions: [condition('off', 'compressor off', 'running', 'no', 'Engine off, key out: then the compressor cannot start.'), condition('steady', 'valves still', 'front rank moves', 'no', 'Touch nothing; the box waits until the pressures go by themselves.'), still, charged],
    },
  },
  vent: {
    state: {
      ...base, step: 'isolate', phase: 2, phases: 2, ticks: ticks(all), left: 0, pressure: kPa(741), target: kPa(50), next: 'Vented: watch', hear: 'Air leaving the exhaust of the rank valves, then nothing.',
      do: ['Simulated: the ranks are vented with the machine\'s own control.', 'Vent every rank to about 50 kPa with the machine\'s own control, then leave everything alone.', 'The tank stays charged as it is.', 'The bags then rest for 180 s while the box watches; begin the watch with the button once they are vented.'],
      cautions: ['Vent with the machine\'s own control only; never loosen a fitting to let air out.', 'Nobody at the row units: bags move the linkages as they vent, and what they held up can sink.', 'Eyes protected. Leave the tank as it is: the compressor must not start.', manual],
      conditions: [condition('vented', 'ranks vented to 50 kPa', 'front 182 kPa, rear 64 kPa', 'no', 'Vent with the machine\'s own control, as its manual says; nobody at the row units.'), off, condition('steady', 'valves still', 'front rank moves', 'no', 'Touch nothing; the box waits until the pressures go by themselves.'), still, charged],
    },
  },
  rests: {
    state: {
      ...base, zone: 'front', where: 'front rank', step: 'watch', ticks: ticks(all), left: 0, conditions: [off, steady, still], pressure: kPa(309), seconds: 50, leak: flow(0.3, 0, 1.7), pass: 0.9997, fail: 0.0003, cooling: kPa(0.5), lost: kPa(0.9),
      do: ['Leave the machine alone; the box stops by itself when it is sure.', 'The bags of the front rank still stretch: the verdict counts in 118 s.'], updates: [[30, 0.8, 0, 6], [40, 0.5, 0, 2.5], [50, 0.3, 0, 1.7]].map(([at, v, low, high]) => ({ at, leak: flow(v, low, high), pass: 0.76, fail: 0.24 })),
    },
    curve: curve({ start: 310, cool: 0.6, tau: 20, leak: 0.6, edge: 25, seconds: 50, ahead: 180 }),
  },
  early: { state: { ...base, step: 'watch', ticks: ticks(all), left: 0, pressure: kPa(748), seconds: 9, do: ['Leave the machine alone; the box stops by itself when it is sure.'], conditions: [off, steady, still] }, curve: curve({ start: 760, cool: 38, tau: 25, leak: 3.9, edge: 7.8, seconds: 9 }) },
  watch: {
    state: {
      ...base, step: 'watch', ticks: ticks(all), left: 0, pressure: kPa(720), seconds: 70, leak: flow(1.5, 0, 3.3), drop: fall(3.9, 0, 8.6), pass: 0.95, fail: 0.05,
      cooling: kPa(35.2), lost: kPa(4.6), updates,
    },
    curve: tankCurve,
  },
  gross: {
    state: {
      ...base, step: 'watch', phases: 2, ticks: ticks(all), left: 0, pressure: kPa(520), seconds: 40, leak: flow(74.2, 66, 83), drop: fall(260, 240, 280), pass: 0, fail: 0.9994, cooling: kPa(31, { low: 20, high: 41 }), lost: kPa(174, { low: 160, high: 185 }),
      updates: [[15, 80, 40, 130], [20, 77, 55, 102], [25, 75, 60, 92], [30, 74, 63, 86], [40, 74.2, 66, 83]].map(([at, v, low, high]) => ({ at, leak: flow(v, low, high), pass: 0, fail: 0.999 })),
    },
    curve: curve({ start: 760, cool: 38, tau: 25, leak: 260, edge: 7.8, seconds: 40, ahead: 120 }),
  },
  pass: { state: { ...done, result, before, compare: 'Better than at 12:20: 8.1 then, 0.4 now.' } },
  fail: {
    state: {
      ...done, zone: 'tank', where: 'tank side', verdict: 'fail', pass: 0.001, fail: 0.999, reasons: ['The leak is above the limit with a chance of more than 99 %.'], phases: 2,
      result: {
        ...result, zone: 'tank', where: 'tank side', phases: 2, verdict: 'fail', reasons: ['The leak is above the limit with a chance of more than 99 %.'], decided_at: 120, duration: 120, start: kPa(760), leak: flow(6.2, 5.1, 7.3), drop: fall(16, 13, 19), naive_drop: { value: 46, unit: 'kPa/min' },
        hole: mm(0.36, 0.33, 0.39), hold_time: s(1560, 1300, 1900), hold_to: kPa(310), dominant_uncertainty: 'cooling of the air', help: 'Start from a tank that has rested for an hour.',
        paths: [{ where: 'tank side', includes: ['tank shell', 'drain', 'fittings', 'check valve of the compressor'], leak: flow(6.2, 5.1, 7.3), posterior: 0.97 }],
        cannot_tell: 'cannot tell the drain from the compressor’s check valve: close the shut-off before the check valve and test again',
        curve: curve({ start: 760, cool: 38, tau: 25, leak: 16, edge: 7.8, seconds: 120, ahead: 120 }),
      },
    },
  },
  undecided: {
    state: {
      ...done, verdict: 'undecided', pass: 0.61, fail: 0.39, seconds: 600, reasons: ['The leak lies so near the limit that ten minutes cannot tell.'],
      result: {
        ...result, verdict: 'undecided', reasons: ['The leak lies so near the limit that ten minutes cannot tell.'], decided_at: 0, duration: 600, leak: flow(2.9, 2.6, 3.2), drop: fall(25, 22, 28), hole: mm(0.35, 0.33, 0.37),
        hold_time: s(75, 60, 90), hold_at_least: true, curve: curve({ start: 310, cool: 0.6, tau: 20, leak: 24, edge: 25, seconds: 600, ahead: 600 }),
      },
      before, compare: 'Better than at 12:20, when 8.1 L/min leaked.',
    },
  },
  invalid: {
    state: {
      ...done, verdict: 'invalid', pass: 0, fail: 0, seconds: 44, reasons: ['The compressor started after 44 s, so the air was not shut in.', 'Switch the compressor’s drive off and begin again from a full tank.'],
      result: { ...result, verdict: 'invalid', reasons: ['The compressor started after 44 s, so the air was not shut in.', 'Switch the compressor’s drive off and begin again from a full tank.'], decided_at: 0, duration: 44, leak: flow(0.2, 0, 2), curve: curve({ start: 310, cool: 0.6, tau: 20, leak: 3, edge: 25, seconds: 44, ahead: 44 }) },
    },
  },
  stopped: { state: { ...done, verdict: 'stopped', pass: 0, fail: 0, seconds: 12, leak: null, reasons: ['Stopped by a person.'], result: { ...result, verdict: 'stopped', reasons: ['Stopped by a person.'], decided_at: 0, duration: 12, leak: null, drop: null, hole: null, hold_time: null, curve: null } } },
}
