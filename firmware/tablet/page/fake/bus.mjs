// SPDX-License-Identifier: Apache-2.0

// An invented picture of two links of an invented planter, as GET /api/bus answers. Nothing here was heard.

const share = (value) => ({ value, unit: '%' })
const names = ['engine', 'rear PTO', 'tractor control', 'planter control', 'terminal', 'file server', 'steering', 'position']
const group = (pgn, source, messages, key, period, even = true) => ({ pgn, source, count: messages, key, period: period === null ? null : { value: period, unit: 's' }, even })

export const bus = [
  {
    link: 'can0', frames: 482_113, silent: null, bitrate: { value: 250_000, unit: 'bit/s' }, reckoned: false, load: share(31.24), busiest: share(44.06), second: share(30.9),
    controller: { state: 'active', words: 'sound (error active)' }, remarks: ['Two devices claimed address 38 within a minute; one of them had to give it up and is not heard any more'],
    talkers: names.map((words, i) => ({ address: i === 0 ? 0 : 20 + 6 * i, words: i % 3 === 2 ? `no NAME heard; this address is usually: ${words}` : words, name_hex: i % 3 === 2 ? '' : `A00${i}840003200${i}11`, frames: 1 + 9000 * i })),
    faults: [{ source: 38, spn: 150, fmi: 3, words: 'voltage too high, or shorted to supply', active: true }, { source: 0, spn: 110, fmi: 0, words: 'above normal, most severe', active: false }],
    groups: [group(61_444, 0, 48_211, 'engine', 0.0202), group(65_265, 26, 9_640, 'cruise', 0.1), group(65_096, 32, 9_638, 'wheel_speed', 0.1), group(60_928, 38, 3, 'address_claim', null), group(65_280, 38, 812, 'unknown', 1.93, false), { id: '123', pgn: 0, source: 0, count: 1, key: 'unknown', period: null }],
  },
  { link: 'can1', frames: 0, silent: { value: 912, unit: 's' }, bitrate: { value: 250_000, unit: 'bit/s' }, reckoned: true, load: null, busiest: null, controller: { words: 'no frame and no report yet' }, remarks: [], talkers: [], faults: [], groups: [] },
]
