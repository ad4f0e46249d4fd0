// SPDX-License-Identifier: Apache-2.0

// What a box answers to the set-up. setup-from-go.json is what a box on its simulated machine answered to GET /api/setup, with
// the NAMEs written in; the rest is invented.

import { readFileSync } from 'node:fs'

const real = JSON.parse(readFileSync(new URL('setup-from-go.json', import.meta.url), 'utf8'))
const example = readFileSync(new URL('../../../../config/example.yaml', import.meta.url), 'utf8')

const problem = (line, column, message, allowed = '', suggestion = '') => ({ file: 'machine.yaml', line, column, severity: 'error', message, allowed, suggestion })

/** setups are states of the set-up, by name. */
export const setups = {
  running: { ...real, file: 'machine.yaml', where: 'machine.setup-1.yaml', why_not: '' },
  demo: real,
  wired: { ...real, file: 'machine.yaml', where: 'machine.setup-1.yaml', why_not: '', links: real.links.map((l) => ({ ...l, checked: true, sent: 0, words: 'Listening only, checked. 0 frames sent.' })) },
  refused: {
    ...real, state: 'refused', from: 'first', file: 'machine.yaml', where: 'machine.setup-1.yaml', why_not: '', inputs: [],
    problems: [
      problem(1, 1, 'the machine file lacks "compressors": say at least how the compressor is controlled'),
      problem(3, 11, '"volume" is 38 without a unit', 'a number and one of these units: L, m3, mL, gal, ft3'),
      problem(9, 3, '"tank" has no key "relief_seting"', 'volume, volume_uncertainty, safe_working_pressure, relief_setting, drain_volume, channel, wall, wet', 'relief_setting'),
    ],
    links: [{ ...real.links[0], open: false, checked: false, busy: null, talkers: [], words: 'Not heard: can0: not in listen-only mode: it would acknowledge on the machine’s bus; set it with: sudo airhold link can0 --bitrate 250000.' }],
    needs: real.needs.map((n) => ({ ...n, state: 'not_heard', using: '', then: 'nothing can tell planting from standing' })),
    questions: real.questions.map((q) => ({ ...q, value: q.kind === 'word' ? q.value : '' })),
  },
}

/** checkedBy answers a check as the box would: a bare number and a wrong unit are refused. */
export function checkedBy(body) {
  const problems = Object.entries(body.answers ?? {}).filter(([path]) => path === 'tank.volume').flatMap(([path, text]) => (
    /^\d+(\.\d+)?$/.test(text) ? [{ ...problem(21, 11, `"volume" is ${text} without a unit`, 'a number and one of these units: L, m3, mL, gal, ft3'), path }]
      : / (L|gal|m3)$/.test(text) ? [] : [{ ...problem(21, 11, `"volume" is in ${JSON.stringify(text.split(' ')[1] ?? text)}, which is no unit of volume`, 'a number and one of these units: L, m3, mL, gal, ft3'), path }]))
  const text = example.replace('volume: 38 L', `volume: ${body.answers?.['tank.volume'] ?? '38 L'}`)
  return { ok: problems.length === 0, problems, text, changed: body.answers?.['tank.volume'] ? [21] : [], sha256: '0'.repeat(64) }
}
