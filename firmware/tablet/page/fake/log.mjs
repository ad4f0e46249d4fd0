// SPDX-License-Identifier: Apache-2.0

// Invented answers of GET /api/log and /api/export: the day of the scenes, with one hole, one old boot and one sensor that is not seen.

const boot = (id, from, to, bytes, more = {}) => ({ id, present: false, from, to, bytes, sealed: true, torn: false, readings: 0, words: 'whole', ...more })
const signal = (id, quantity, unit, source, rate, value, quality = 'ok', more = {}) => ({
  id, quantity, unit, ...(quantity === 'pressure' ? { reference: 'gauge' } : {}), source, rate: { value: rate, unit: '/s' }, value: value === null ? null : { value, unit }, quality, age: 60, calibration: null, ...more,
})
const trued = { who: 'R. Voss (invented)', at: '2026-03-11T08:00:00Z', instrument: 'dead-weight tester' }

/** log is what is recorded, at a time of the invented day. */
export const log = (now) => ({
  name: 'Kettle Ridge 16', simulated: true, t: new Date(now).toISOString(), boot: '7c1e', since: '2026-04-28T05:02:00Z', seconds: 38_280, state: 'recording', space: { value: 19, unit: 'd' },
  frames: { state: 'recording', heard: 10_180_000, rate: 270, written: 10_180_000, lost: 0, kernel: 0, sent: 0, sent_know: 'The driver is in listen-only mode: it cannot answer.' },
  lost: { spine: 0, disk: 218, none: 0 }, holes: [{ at: '2026-04-28T12:31:07Z', mono: 27_000_000, seconds: 1.9, lost: 218, of: 'readings' }],
  clock: { quality: 'good', source: 'the tractor’s clock on the bus', within: { value: 0.4, unit: 's' } },
  boots: [boot('7c1e', '2026-04-28T05:02:00Z', new Date(now).toISOString(), 190_000_000, { present: true, sealed: false }), boot('6b02', '2026-04-27T05:30:00Z', '2026-04-27T20:10:00Z', 231_000_000, { torn: true, words: 'the last 2 s are missing' })],
  signals: [
    signal('tank', 'pressure', 'kPa', 'adc main input 0', 10, 722.4, 'ok', { calibration: trued }), signal('front', 'pressure', 'kPa', 'adc main input 1', 10, 310.2), signal('rear', 'pressure', 'kPa', 'adc main input 2', 10, 259.8),
    signal('ambient', 'temperature', 'Cel', '1-wire 28-000001', 0.2, 11.3), signal('load_1', 'load', 'N', 'adc main input 4', 10, 612), signal('load_2', 'load', 'N', 'adc main input 5', 10, null, 'open'),
    signal('speed', 'speed', 'm/s', 'can wheel_speed.speed', 10, 2.2), signal('humidity', 'humidity', '%', 'i2c sht 0x44', 1, 61),
  ],
})

/** none is the state of the export before one was asked for. */
export const none = { state: 'none', percent: 0, bytes: 0, name: '', error: '', notes: [] }
