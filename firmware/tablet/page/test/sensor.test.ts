// SPDX-License-Identifier: Apache-2.0

// What the page makes of GET /api/sensor. The answer is one of a box on its simulated machine (fake/sensor-from-go.json); means
// and shifts are checked by arithmetic here, on invented loads.

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { sensors } from '../fake/sensor.mjs'
import { blamed, effectOf, factsOf, faulty, meteredOf, nearby, readSensor, scaleOf, silent, titleOf, whole, type Sensor } from '../src/sensor'

const real = JSON.parse(readFileSync(new URL('../fake/sensor-from-go.json', import.meta.url), 'utf8')) as unknown
const read = (v: unknown): Sensor => readSensor(v) as Sensor
const of = (name: string) => read((sensors as Record<string, unknown>)[name])
const fact = (s: Sensor, data: string) => factsOf(s).find((f) => f.data === data)?.text ?? ''

describe('the answer', () => {
  test('of a real box is read whole', () => {
    const s = read(real)
    expect(titleOf(s)).toBe('Load sensor 2: no fault seen')
    expect(faulty(s)).toBe(false)
    expect(s.rank?.sensors.map((b) => b.value?.value)).toEqual([779.769, 633.633, 334.357])
    expect(meteredOf(s.wires as NonNullable<Sensor['wires']>)).toMatchObject([{ what: 'supply', right: '4.75–5.25', odd: false }, { what: 'signal', right: '0.45–4.57', odd: false }])
  })
  test.each([['nothing', undefined], ['a list', []], ['no id', { says: 'stuck' }], ['no words', { id: 'a' }], ['an empty id', { id: '', says: 'stuck' }]])('that is %s is no sensor', (_, v) => {
    expect(readSensor(v)).toBeUndefined()
  })
  test('with holes and wrong kinds is read as far as it goes', () => {
    const s = read({ id: 'load_9', says: 'hums', name: 3, electrical: { signal: { value: NaN, unit: 'V' } }, rank: { sensors: [1, { id: 'load_9' }], average: { value: '3', unit: 'N' } }, calibrated: {}, since: '0001-01-01T00:00:00Z', priority: 'loud' })
    expect([titleOf(s), s.priority, s.since, s.wires?.signal, s.rank?.sensors.length, s.rank?.average, s.compared]).toEqual(['load_9: hums', 'none', NaN, undefined, 1, undefined, undefined])
    expect(factsOf(s).every((f) => f.text !== '' && !/NaN|undefined/.test(f.text))).toBe(true)
  })
})

describe('what it does to its rank', () => {
  test('the invented loads have these means', () => {
    const mean = (l: number[]) => l.reduce((a, b) => a + b, 0) / l.length
    const r = of('load_2').rank
    expect([r?.average?.value, r?.rest?.value, r?.shift?.value]).toEqual([mean([505, 925, 520]), mean([505, 520]), mean([505, 925, 520]) - mean([505, 520])])
  })
  test.each([
    ['load_2', /lifts the average by 138 N: 650 N instead of 513 N.*too light.*Inferred/], ['load_1 silent', /no value.*as no load reads 382 N instead of 573 N.*Inferred/],
    ['load_2 alone', /No other sensor of the rank can be believed/], ['load_2 uncounted', /own control does not count it/], ['load_1', /With it the rank averages/],
    ['load_2 pair', /^With it the rank averages 723 N, without it 520 N\. Inferred/],
  ])('%s', (name, says) => {
    const s = of(name)
    expect(effectOf(s, s.rank as NonNullable<Sensor['rank']>)).toMatch(says)
  })
  test('one that reads low makes the rank too heavy', () => {
    const s = of('load_2')
    const n = (value: number) => ({ value, unit: 'N' })
    expect(effectOf({ ...s, says: 'reads low' }, { ...(s.rank as NonNullable<Sensor['rank']>), average: n(400), rest: n(500), shift: n(-100) })).toMatch(/lowers the average by 100 N: 400 N instead of 500 N.*too heavy/)
  })
})

test('facts tell what is known and what is not', () => {
  expect(fact(of('load_2'), 'compared')).toMatch(/^On 14 Mar 2026 with a crane scale, to within 4 N\.$/)
  expect(fact(of('tank'), 'compared')).toMatch(/No comparison/)
  expect(fact(of('load_1 silent'), 'service')).toMatch(/out of service; that is changed on the box only/)
  expect(fact(of('load_1 silent'), 'value')).toBe('604 N, 912 s old; line open now')
  expect(fact(of('speed'), 'value')).toBe('No good value since the box started; not heard now.')
  expect(fact(of('speed'), 'box')).toMatch(/nothing here to hold a meter to/)
  expect(fact(of('load_2 raised'), 'zero')).toMatch(/reads 410 N; right is 0/)
  expect(factsOf(of('tank')).some((f) => f.data === 'effect')).toBe(false)
  expect(whole({ value: -0.2, unit: 'N' })).toBe('0 N')
})

test('of two that differ none is blamed; what has no value now is silent, and its last value is the past', () => {
  expect(['load_2', 'load_2 pair', 'load_1'].map((k) => [faulty(of(k)), blamed(of(k))])).toEqual([[true, true], [true, false], [false, false]])
  expect(['load_1 silent', 'speed', 'load_2', 'tank'].map((k) => silent(of(k)))).toEqual([true, true, false, false])
})

test('a signal outside its band is marked', () => {
  expect(meteredOf(of('load_1 silent').wires as NonNullable<Sensor['wires']>).map((r) => r.odd)).toEqual([false, true])
})

describe('the scale', () => {
  test.each([[[505, 925, 520, 650], 200, 0, 1000], [[3, 410, -6], 200, -100, 500], [[], 200, 0, 200], [[undefined, 4], 50, 0, 50], [[15_000], 200, 0, 15_000], [[1e6], 200, 0, 1e6]])('of %j holds every value between round marks', (values, least, low, high) => {
    const s = scaleOf(values as (number | undefined)[], least as number)
    expect([s.low, s.high]).toEqual([low, high])
    expect(s.marks[0]).toBe(low)
    expect(s.marks.at(-1)).toBe(high)
    expect(s.marks.length).toBeLessThanOrEqual(9)
  })
  test('a long rank keeps the sensor itself among those drawn', () => {
    const all = Array.from({ length: 12 }, (_, i) => ({ id: `load_${i + 1}`, name: '', value: undefined, believed: true }))
    for (const id of ['load_1', 'load_7', 'load_12']) {
      const { drawn, left } = nearby(all, id, 4)
      expect(drawn.map((b) => b.id)).toContain(id)
      expect([drawn.length, left]).toEqual([4, 8])
    }
    expect(nearby(all, 'load_3', 20)).toEqual({ drawn: all, left: 0 })
  })
})
