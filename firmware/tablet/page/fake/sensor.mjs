// SPDX-License-Identifier: Apache-2.0

// What a box answers to GET /api/sensor. sensor-from-go.json is what a box on its simulated machine answered; the faults are
// invented, as the box words them (firmware/sensors.go, firmware/trust, firmware/alarms).

import { readFileSync } from 'node:fs'

const real = JSON.parse(readFileSync(new URL('sensor-from-go.json', import.meta.url), 'utf8'))
const n = (value, unit = 'N') => ({ value, unit })
const rank = (loads, more) => ({ ...real.rank, sensors: loads.map((v, i) => ({ id: `load_${i + 1}`, name: `Load sensor ${i + 1}`, believed: true, ...(v === undefined ? { believed: false } : { value: n(v) }) })), wanted: n(650), ...more })
const box = (id, name, more) => ({ ...real, id, name, rank: undefined, electrical: undefined, plug: undefined, ...more })
const fault = { priority: 'medium', alarm: 'Gauge-wheel sensor fault', state: 'active_unacked', do: 'Carry on', then: 'Take it out; check its plug when parked. Park and switch off before touching plugs.' }

/** sensors are answers by channel, and by scene where a scene is named behind it. */
export const sensors = {
  load_2: {
    ...real, ...fault, says: 'reads high', why: '412 N above the average of the other 2 over the last minute', since: '2026-04-28T10:48:00Z', lasts: n(940, 's'), value: n(925),
    electrical: { ...real.electrical, supply: n(5.01, 'V'), signal: n(2.35, 'V'), raw: 12533, sentence: '925.0 N, 2.35 V' }, rank: rank([505, 925, 520], { average: n(650), rest: n(512.5), shift: n(137.5) }),
    calibrated: { date: '2026-03-14', reference: 'a crane scale', uncertainty: n(4) },
  },
  load_1: { ...real, id: 'load_1', name: 'Load sensor 1', plug: 'P4', source: 'board loads_front input 0', value: n(779.769) },
  'load_1 silent': {
    ...real, ...fault, id: 'load_1', name: 'Load sensor 1', says: 'no signal', quality: 'open', why: 'signal line open, plug P4', plug: 'P4', source: 'board loads_front input 0', age: 912_000, value: n(604), out_of_service: true,
    electrical: { ...real.electrical, signal: n(0.02, 'V'), raw: 107, sentence: 'signal line open, 0.02 V; check plug P4' }, rank: rank([604, 505, 640], { average: n(381.6667), rest: n(572.5), shift: n(-190.8333), as_zero: true }),
  },
  tank: box('tank', 'Tank pressure', {
    says: 'no fault seen', value: { value: 722, unit: 'kPa', reference: 'gauge' }, plug: 'P1', source: 'board main input 0', electrical: { ...real.electrical, signal: n(3.31, 'V'), raw: 17653, sentence: '722 kPa, 3.31 V' },
  }),
  speed: box('speed', 'Speed', { says: 'not seen', quality: 'not_available', age: 0, value: undefined, since: undefined, lasts: undefined, source: 'bus can0, wheel speed' }),
  ambient: box('ambient', 'Ambient', { says: 'no fault seen', value: n(11.3, 'Cel'), source: 'bus can0, ambient temperature' }),
}
sensors['load_2 raised'] = { ...sensors.load_2, ...{ says: 'zero moved', why: 'the planter is raised, and it reads 410 N', zero: n(410), value: n(410), rank: rank([3, 410, -6], { average: n(135.6667), rest: n(-1.5), shift: n(137.1667), wanted: undefined }) } }
sensors['load_2 many'] = { ...sensors.load_2, rank: rank([505, 925, 520, 498, 511, 530, 507, 489, 515, 522, 536, 501], { average: n(546.5833), rest: n(512.1818), shift: n(34.4015) }) }
sensors['load_2 alone'] = { ...sensors.load_2, says: 'no fault seen', priority: 'none', do: undefined, then: undefined, why: undefined, rank: rank([undefined, 925, undefined], { average: undefined, rest: undefined, shift: undefined }) }
sensors['load_2 pair'] = { ...sensors['load_2 alone'], says: 'differs from the other one', why: '405 N above it over the last minute; of two, nobody can tell which is right', rank: rank([520, 925], { average: n(722.5), rest: n(520), shift: n(202.5) }) }
sensors['load_2 uncounted'] = { ...sensors.load_2, rank: { ...sensors.load_2.rank, counted: false } }
