// SPDX-License-Identifier: Apache-2.0

import { describe, expect, test } from 'vitest'
import { bar, textWidth, wide, type BarState } from '../src/bar'
import { headroom, height, leakAt, plan, split, swingOf, type Figure, type LineRank, type LineState } from '../src/line'

const size = { width: 1042, height: 306, small: false }
const fig = (kPa: number): Figure => ({ kPa, text: String(kPa), measure: { value: kPa, unit: 'kPa' } })
const rank = (name: string, p: number | null, need: number | null): LineRank => ({
  name, pressure: p === null ? undefined : fig(p), need: need === null ? undefined : fig(need), assumed: false, raised: false, doubt: undefined, short: undefined, impossible: false,
})
const line = (change: Partial<LineState> = {}): LineState => ({
  top: 800, unit: 'kPa', compressor: 'resting', running: false, compressorSeen: true, tank: fig(722), swing: { low: 660, high: 760 }, fall: undefined,
  ranks: [rank('front', 310, 310), rank('rear', 260, 260)], left: { text: '5', about: false }, leak: undefined, ...change,
})

describe('the pressure line', () => {
  test('y is linear in gauge pressure between ground and top', () => {
    const p = plan(size, 2)
    const y = (kPa: number) => height(p, 800, kPa)
    expect(y(0)).toBe(p.ground)
    expect(y(800)).toBe(p.ceiling)
    expect(y(0) - y(200)).toBeCloseTo((y(0) - y(800)) / 4)
    expect(y(300) - y(400)).toBeCloseTo(y(600) - y(700))
  })
  test('what is above the top is cut there, a vacuum lies on the ground', () => {
    const p = plan(size, 2)
    expect([height(p, 800, 900), height(p, 800, -5)]).toEqual([p.ceiling, p.ground])
  })
  test('one rank stands where the first of two does: nothing stretches', () => {
    expect(plan(size, 1).slots[0]).toEqual(plan(size, 2).slots[0])
    expect(plan(size, 1).tank).toEqual(plan(size, 2).tank)
  })
  test.each([[1, false], [2, false], [3, false], [1, true], [2, true], [3, true]])('%i ranks (phone %s) stay inside and apart', (n, small) => {
    const width = small ? 358 : 1042
    const { slots, tank } = plan({ width, height: 250, small }, n)
    let right = tank.to
    for (const s of slots) {
      expect(s.fall).toBeGreaterThan(right)
      expect(s.fall < s.step && s.step < s.end && s.end < s.tick).toBe(true)
      right = s.tick
    }
    expect(right).toBeLessThanOrEqual(width)
  })
  test('four ranks go on two lines, none is lost', () => {
    const parts = split(line({ ranks: ['a', 'b', 'c', 'd', 'e'].map((n) => rank(n, 300, 300)) }))
    expect(parts.map((p) => p.ranks.map((r) => r.name).join(''))).toEqual(['abc', 'de'])
  })
  test('the brackets say normal only outside of them, and the fall only below', () => {
    const p = plan(size, 2)
    const fall = { text: '34', measure: { value: 34, unit: 'kPa/min' } }
    expect(swingOf(p, line({ fall }))).toMatchObject({ inside: true, fall: 'none' })
    expect(swingOf(p, line({ fall, tank: fig(566) }))).toMatchObject({ inside: false, fall: 'body' })
    expect(swingOf(p, line({ fall, tank: fig(318) }))).toMatchObject({ inside: false, fall: 'arrow' })
    expect(swingOf(p, line({ fall, tank: fig(790) }))).toMatchObject({ inside: false, fall: 'none' })
  })
  test('headroom runs from the supply to the highest need, on its tick', () => {
    const p = plan(size, 2)
    const h = headroom(p, line({ ranks: [rank('front', 260, 260), rank('rear', 310, 310)] }), false)
    expect(h?.x).toBeGreaterThan(p.slots[1]?.end ?? 0)
    expect(h?.text).toBe('two')
    expect(headroom(p, line({ tank: fig(520) }), false)?.text).toBe('one')
    // A shortage of that rank has its words above the tick: the time keeps off them.
    const short = line({ ranks: [{ ...rank('front', 223, 310), short: { value: 87, unit: 'kPa' } }, rank('rear', 260, 260)] })
    expect(headroom(p, short, false)).toMatchObject({ text: 'one', low: (h?.to ?? 0) - 44, to: h?.to })
  })
  test.each([
    ['no tank', line({ tank: undefined })], ['no need', line({ ranks: [rank('front', 310, null)] })], ['no time', line({ left: undefined })],
    ['supply below the need', line({ tank: fig(300) })], ['raised', line({ ranks: [{ ...rank('front', 310, 310), raised: true }] })],
  ])('no arrow: %s', (_, s) => {
    expect(headroom(plan(size, s.ranks.length), s, false)).toBeUndefined()
  })
  test.each([['front rank', 0], ['rear fill valve', 1], ['tank side', -1], ['somewhere', undefined], ['', undefined]])('a leak at "%s" stands at %s', (where, at) => {
    expect(leakAt(line({ leak: { where, priority: 'low' } }))).toBe(at)
  })
})

const flow = (value: number, more = {}) => ({ value, unit: 'L/min', reference: 'ANR', ...more })
const budget = (change: Partial<BarState> = {}): BarState => ({
  gives: flow(180), rated: false, bags: flow(28), drains: flow(2), leak: flow(1), use: undefined, spare: flow(149), short: undefined, words: '', mark: undefined, shortInk: 'high', ...change,
})
const lay = (s: BarState) => bar(s, 1042, 34, 27)

describe('the budget bar', () => {
  test('the post stands at the same place whatever the compressor gives', () => {
    expect(lay(budget()).post).toBe(860)
    expect(lay(budget({ gives: flow(95) })).post).toBe(860)
  })
  test('lengths are in proportion to the flow', () => {
    const s = lay(budget({ bags: flow(90), drains: undefined, leak: undefined })).segments
    expect(s[0]).toMatchObject({ name: 'bags', x: 0, width: 430 })
    expect(s[1]?.name).toBe('spare')
  })
  test('order is bags, drains, leak, then spare, and nothing overlaps', () => {
    const s = lay(budget()).segments
    expect(s.map((x) => x.name)).toEqual(['bags', 'drains', 'leak', 'spare'])
    s.slice(1).forEach((x, i) => expect(x.x).toBeGreaterThanOrEqual((s[i]?.x ?? 0) + (s[i]?.width ?? 0)))
  })
  test('a use that cannot be seen keeps 4 px', () => {
    expect(lay(budget({ leak: flow(0.01) })).segments.find((s) => s.name === 'leak')?.width).toBe(4)
  })
  test('short runs past the post by its own length; uses stop at the post', () => {
    const b = lay(budget({ leak: flow(168), spare: undefined, short: flow(18) }))
    expect(b.segments.find((s) => s.name === 'short')).toMatchObject({ x: 860, width: 86 })
    const leak = b.segments.find((s) => s.name === 'leak')
    expect((leak?.x ?? 0) + (leak?.width ?? 0)).toBeCloseTo(860)
    expect(b.segments.some((s) => s.name === 'spare')).toBe(false)
  })
  test('a longer overhang is cut, and says so', () => {
    const b = lay(budget({ short: flow(90), spare: undefined }))
    expect(b.cut).toBe(true)
    expect(b.segments.at(-1)?.width).toBe(180)
  })
  test('no post and no spare while it is not known what the compressor gives', () => {
    const b = lay(budget({ gives: undefined, bags: undefined, drains: undefined, leak: undefined, use: flow(31), words: 'what it can give: learning, 40 min left' }))
    expect([b.post, b.words]).toEqual([undefined, 'what it can give: learning, 40 min left'])
    expect(b.segments.map((s) => s.name)).toEqual(['use'])
  })
  test('while no use is known there is a post but no empty outline, which would read as all to spare', () => {
    const unknown = { bags: undefined, drains: undefined, leak: undefined, spare: undefined, words: 'use: watching, 10 min of work needed' }
    expect(lay(budget(unknown))).toMatchObject({ post: 860, outlined: false, segments: [], words: unknown.words })
    expect(lay(budget()).outlined).toBe(true)
    // While the split is not known all use is one bar, whatever is declared of the drains.
    expect(lay(budget({ bags: undefined, leak: undefined, use: flow(90) })).segments[0]).toMatchObject({ name: 'use', width: 430 })
    // The declared drains are no measurement of use.
    expect(lay(budget({ ...unknown, drains: flow(2) }))).toMatchObject({ outlined: false, segments: [{ name: 'drains' }], words: unknown.words })
  })
  test('an unsure supply has a post as wide as its interval', () => {
    expect(lay(budget({ gives: flow(180, { low: 171, high: 189 }) })).postWidth).toEqual({ from: 817, to: 903 })
  })
  test('an unsure cut carries stripes as wide as its interval, and says about', () => {
    const b = lay(budget({ leak: flow(168, { low: 154, high: 182 }), mark: { where: 'front rank', priority: 'high' }, short: flow(18), spare: undefined }))
    expect(b.stripes?.width).toBeCloseTo((28 / 180) * 860)
    expect(b.inside[0]).toMatchObject({ text: 'front rank leak, about 168', what: 'leak' })
  })
  test('a leak below its own doubt is told by its upper bound only', () => {
    expect(lay(budget({ leak: flow(0.4, { low: -1, high: 2 }) })).top.find((l) => l.what === 'leak-under')).toMatchObject({ text: 'leak under 2', measure: { value: 2 } })
  })
  test.each([
    budget(), budget({ leak: flow(8, { low: 6, high: 10 }), mark: { where: 'front rank', priority: 'low' } }), budget({ bags: flow(121), gives: flow(110), short: flow(13), spare: undefined }),
    budget({ gives: flow(180), rated: true, bags: undefined, drains: undefined, leak: undefined, use: flow(33) }),
  ])('labels of one row keep apart (%#)', (s) => {
    for (const [width, loud, quiet] of [[1042, 34, 27], [358, 22, 19]] as const) {
      const spans = bar(s, width, loud, quiet).top.map((l) => {
        const w = wide(l, l.loud ? loud : quiet)
        return l.anchor === 'end' ? [l.x - w, l.x] : [l.x, l.x + w]
      }).sort((a, b) => (a[0] ?? 0) - (b[0] ?? 0))
      spans.slice(1).forEach((x, i) => expect(x[0]).toBeGreaterThanOrEqual((spans[i]?.[1] ?? 0)))
    }
  })
  test('the estimate of a width is near the font: 10 digits of tabular Inter at 100 px are about 640 px', () => {
    // Inter's tabular digits are 0.62 to 0.65 em wide (measured in Chromium); the estimate may be a little off.
    expect(textWidth('0123456789', 100)).toBeGreaterThan(580)
    expect(textWidth('0123456789', 100)).toBeLessThan(680)
  })
})
