// SPDX-License-Identifier: Apache-2.0

import { expect, test } from 'vitest'
import { ends, grow, holes, panelsOf, readTrend, stretchOf, turned, valueAt, type Trend } from '../src/trend'

const answer = (mean: (number | null)[], more: object = {}) => ({
  from: '2026-04-28T12:00:00Z', to: '2026-04-28T12:05:00Z', notes: [],
  series: [{
    id: 'tank', kind: 'channel', unit: 'kPa', reference: 'gauge', first: '2026-04-28T12:00:00Z', step: { value: 60, unit: 's' },
    min: mean.map((v) => (v === null ? null : v - 10)), mean, max: mean.map((v) => (v === null ? null : v + 10)), count: mean.map((v) => (v === null ? 0 : 4)), bad: mean.map(() => 0), ...more,
  }],
})
const read = (mean: (number | null)[], more: object = {}) => readTrend(answer(mean, more)) as Trend
const curve = (t: Trend) => t.curves[0] as Trend['curves'][0]

test('what is no answer is none', () => {
  for (const v of [undefined, null, 'x', [], {}, { series: 1 }, { series: [{ id: 'tank' }] }, answer([1], { step: { value: 0, unit: 's' } })]) expect(readTrend(v)).toBeUndefined()
  expect(curve(read([1, null, Number.NaN])).mean).toEqual([1, null, null])
})

test('a hole is a hole, in the right place', () => {
  expect(holes(curve(read([700, null, null, 700, 700])), Date.parse('2026-04-28T12:00:00Z'), Date.parse('2026-04-28T12:05:00Z'), 0.1)).toEqual([[0.2, 0.6]])
  expect(holes(curve(read([null, null, null, null, null])), Date.parse('2026-04-28T12:00:00Z'), Date.parse('2026-04-28T12:05:00Z'), 0.1)).toEqual([[0, 1]])
  expect(valueAt(curve(read([700, null])), Date.parse('2026-04-28T12:01:30Z'))).toBe('tank: not seen')
  expect(valueAt(curve(read([700, null])), Date.parse('2026-04-28T12:00:30Z'))).toBe('tank 700 kPa (690 to 710)')
})

// 1 psi is 6.894757293168 kPa: NIST SP 811, B.8.
test('units are those of the tablet, also where zero is not zero', () => {
  const psi = turned(curve(read([689.4757293168, null])), { pressure: '[psi]', flow: 'box', temperature: 'box' })
  expect([psi.unit, psi.mean[1]]).toEqual(['[psi]', null])
  expect(psi.mean[0]).toBeCloseTo(100, 9)
  const warm = turned(curve(read([100, 0], { unit: 'Cel', reference: undefined })), { pressure: 'box', flow: 'box', temperature: '[degF]' })
  expect(warm.mean[0]).toBeCloseTo(212, 9)
  expect(warm.mean[1]).toBeCloseTo(32, 9)
})

test('what the box says now goes into the last bucket, or opens new ones, and the span moves on', () => {
  const t = read([700, 700, 700, 700, 700])
  const inside = curve(grow(t, Date.parse('2026-04-28T12:04:59Z'), new Map([['tank', 750]])))
  expect([inside.mean[4], inside.min[4], inside.max[4], inside.count[4]]).toEqual([710, 690, 750, 5]) // (4 * 700 + 750) / 5
  const later = grow(t, Date.parse('2026-04-28T12:07:10Z'), new Map([['tank', 640]]))
  expect(curve(later).mean).toEqual([700, 700, null, null, 640])
  expect(curve(later).first).toBe(Date.parse('2026-04-28T12:03:00Z'))
  expect(later.to - later.from).toBe(300_000)
  expect(grow(t, Date.parse('2026-04-30T00:00:00Z'), new Map([['tank', 640]]))).toBe(t)
})

test('curves of one unit share a scale that holds them, and their words never lie on one another', () => {
  const t = read([700, 690])
  const many = Array.from({ length: 6 }, (_, i) => ({ ...curve(t), id: `c${i}`, name: `c${i}`, mean: [700, 700 - i] }))
  const [p, ...others] = panelsOf(many)
  expect(others).toEqual([])
  expect(p && [p.low, p.high >= 710, p.ticks[0], p.ticks.at(-1)]).toEqual([0, true, 0, p?.high])
  const words = ends(p as never, 300, 27)
  for (let i = 1; i < words.length; i++) expect((words[i]?.top ?? 0) - (words[i - 1]?.top ?? 0)).toBeGreaterThanOrEqual(27)
  expect(Math.max(...words.map((w) => w.top))).toBeLessThanOrEqual(300 - 27)
})

test('a span is asked for as the box takes it', () => {
  expect(stretchOf('8h', 0, Number.NaN)).toEqual({ from: '-480m', to: 'now' })
  expect(stretchOf('10d', 2, Number.NaN)).toEqual({ from: '-43200m', to: '-28800m' })
  const day = stretchOf('today', 1, Date.parse('2026-04-28T12:00:00Z'))
  expect(Date.parse(day.to) - Date.parse(day.from)).toBe(86_400_000)
})
