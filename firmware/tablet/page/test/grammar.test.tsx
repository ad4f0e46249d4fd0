// SPDX-License-Identifier: Apache-2.0

// Every mark of the two drawings, measured on the SVG that is really drawn. What is expected comes from the rules of
// the drawings and from arithmetic on the pressures and flows put in: y is linear between the ground line and the top,
// and a bar is as long as its part of what the compressor gives. Each rule is also tried where it must not draw.

import { readFileSync } from 'node:fs'
import { renderToString } from 'preact-render-to-string'
import { describe, expect, test } from 'vitest'
import { BudgetBar } from '../src/BudgetBar'
import { PressureLine } from '../src/PressureLine'
import type { BarState } from '../src/bar'
import type { Figure, LineRank, LineState } from '../src/line'

interface Shape { tag: string; at: Record<string, string>; text: string }

/** shapes reads the elements of an SVG, with their attributes and plain text. */
function shapes(svg: string): Shape[] {
  return [...svg.matchAll(/<(\w+)((?:\s[^<>]*?)?)\/?>(?:([^<]*)(?=<))?/g)].map((m) => ({
    tag: m[1] ?? '', at: Object.fromEntries([...(m[2] ?? '').matchAll(/([\w-]+)="([^"]*)"/g)].map((a) => [a[1] as string, a[2] as string])), text: m[3] ?? '',
  }))
}
const words = (svg: string) => svg.replace(/<tspan[^>]*>/g, ' ').replace(/<\/text>/g, '|').replace(/<[^>]*>/g, '').replace(/\s+/g, ' ')
/** numbers reads all numbers of a path. */
const numbers = (d: string | undefined) => [...(d ?? '').matchAll(/-?\d+(\.\d+)?/g)].map((m) => Number(m[0]))

const fig = (kPa: number, more: Partial<Figure> = {}): Figure => ({ kPa, text: String(kPa), measure: { value: kPa, unit: 'kPa' }, ...more })
const rank = (name: string, p: number | null, need: number | null, more: Partial<LineRank> = {}): LineRank => ({
  name, pressure: p === null ? undefined : fig(p), need: need === null ? undefined : fig(need), assumed: false, raised: false, doubt: undefined, short: undefined, impossible: false, ...more,
})
const state = (change: Partial<LineState> = {}): LineState => ({
  top: 800, unit: 'kPa', compressor: 'resting', running: false, compressorSeen: true, tank: fig(722), swing: { low: 660, high: 760 }, fall: undefined,
  ranks: [rank('front', 310, 310), rank('rear', 260, 260)], left: { text: '5', about: false }, leak: undefined, ...change,
})

/** draw returns the line's marks and the y that a pressure must have in this picture. */
function draw(s: LineState, small = false, height = 306) {
  const svg = renderToString(<PressureLine state={s} size={{ width: small ? 358 : 1042, height, small }} />)
  const all = shapes(svg)
  const mark = (name: string) => all.filter((e) => e.at['data-mark'] === name)
  const ground = Number(mark('ground')[0]?.at.y1)
  // The scale is taken from a picture of its own: a tank exactly at the top.
  const full = shapes(renderToString(<PressureLine state={state({ tank: fig(800), ranks: [] })} size={{ width: small ? 358 : 1042, height, small }} />))
  const ceiling = numbers(full.find((e) => e.at['data-mark'] === 'step')?.at.d)[1] ?? NaN
  return { svg, words: words(svg), mark, ground, y: (kPa: number) => ground - (kPa / 800) * (ground - ceiling) }
}
/** tops returns the y of every step drawn plain. */
const tops = (marks: Shape[]) => marks.map((m) => numbers(m.at.d)[1] ?? NaN)

describe('the pressure line: position', () => {
  test('steps, bodies and ticks stand at their pressures', () => {
    const d = draw(state())
    const at = [722, 310, 260].map(d.y)
    tops(d.mark('step')).forEach((y, i) => expect(y).toBeCloseTo(at[i] ?? NaN, 3))
    d.mark('body').forEach((b, i) => {
      expect(Number(b.at.y)).toBeCloseTo(at[i] ?? NaN, 3)
      expect(Number(b.at.y) + Number(b.at.height)).toBeCloseTo(d.ground, 3)
    })
    d.mark('need').forEach((n, i) => expect(numbers(n.at.d)[1]).toBeCloseTo(at[i + 1] ?? NaN, 3))
  })
  test('a tick begins where its step ends', () => {
    const d = draw(state())
    d.mark('need').forEach((n, i) => expect(numbers(n.at.d)[0]).toBe(numbers(d.mark('step')[i + 1]?.at.d)[2]))
  })
  test('the supply runs level from the tank to the last rank’s fall', () => {
    const d = draw(state())
    const [x, y, end] = numbers(d.mark('supply')[0]?.at.d)
    expect(x).toBe(numbers(d.mark('step')[0]?.at.d)[2])
    expect(y).toBeCloseTo(d.y(722), 3)
    expect(Math.abs((end ?? 0) - (numbers(d.mark('fall')[1]?.at.d)[0] ?? 0))).toBeLessThanOrEqual(1)
  })
  test('the scale does not follow the pressures: a higher tank moves the tank alone', () => {
    expect(tops(draw(state({ tank: fig(600) })).mark('step')).slice(1)).toEqual(tops(draw(state()).mark('step')).slice(1))
  })
  test('above the top a pressure is cut there and keeps its number', () => {
    const d = draw(state({ tank: fig(842) }))
    expect(tops(d.mark('step'))[0]).toBeCloseTo(d.y(800), 3)
    expect(d.words).toContain('842')
  })
})

describe('the pressure line: marks', () => {
  test('the rise is dotted at rest, solid while it runs, gone when it is not seen', () => {
    expect([draw(state()).mark('rise-resting').length, draw(state()).mark('rise-running').length]).toEqual([1, 0])
    const runs = draw(state({ compressor: 'running', running: true }))
    expect([runs.mark('rise-resting').length, runs.mark('rise-running').length]).toEqual([0, 1])
    expect([runs.mark('rise-running')[0]?.at.class, draw(state()).mark('rise-resting')[0]?.at.class]).toEqual(['air', 'air rest'])
    const blind = draw(state({ compressor: 'not seen', compressorSeen: false }))
    expect([blind.mark('rise-resting').length, blind.mark('rise-running').length]).toEqual([0, 0])
    for (const w of ['resting', 'running', 'no rest', 'not seen']) expect(draw(state({ compressor: w })).words).toContain(w)
  })
  test('brackets stand from cut-in to cut-out', () => {
    const d = draw(state())
    const ys = numbers(d.mark('swing')[0]?.at.d)
    expect(Math.min(...ys.filter((v) => v > 0 && v < 100))).toBeCloseTo(d.y(760), 3)
    expect(ys.some((v) => Math.abs(v - d.y(660)) < 1e-3)).toBe(true)
    expect(draw(state({ swing: undefined })).mark('swing')).toEqual([])
  })
  test('normal is said only once the step has left the brackets, with the fall per minute', () => {
    const fall = { text: '34', measure: { value: 34, unit: 'kPa/min' } }
    expect(draw(state({ fall })).words).not.toMatch(/normal|34/)
    expect(draw(state({ fall, tank: fig(566) })).words).toMatch(/normal.*falls 34\/min/)
    const arrow = draw(state({ fall, tank: fig(318) }))
    expect(arrow.mark('falling').length).toBe(1)
    expect(arrow.words).toMatch(/34 kPa\|a minute/)
  })
  test('in line: the word need and no gap', () => {
    const d = draw(state())
    expect([d.mark('gap').length, d.words.match(/need/g)?.length]).toEqual([0, 2])
  })
  test('short: a hatched gap from the tick down to the step, a hard edge, and by how much', () => {
    const d = draw(state({ ranks: [rank('front', 262, 310, { short: { value: 48, unit: 'kPa' } }), rank('rear', 260, 260)] }))
    const gap = d.mark('gap')
    expect(gap.length).toBe(1)
    expect(Number(gap[0]?.at.y)).toBeCloseTo(d.y(310), 3)
    expect(Number(gap[0]?.at.y) + Number(gap[0]?.at.height)).toBeCloseTo(d.y(262) - 5, 3) // half the step's own thickness
    expect(numbers(d.mark('edge')[0]?.at.d)[1]).toBeCloseTo(d.y(310), 3)
    expect(d.words).toContain('48 short')
  })
  test('headroom is an arrow from the supply to the highest need, told as minutes', () => {
    const d = draw(state())
    const [x, from, to] = numbers(d.mark('headroom')[0]?.at.d)
    expect(Math.abs((from ?? 0) - d.y(722))).toBeLessThan(8)
    expect(Math.abs((to ?? 0) - d.y(310))).toBeLessThan(8)
    const [end, , tick] = numbers(d.mark('need')[0]?.at.d)
    expect((x ?? 0) > (end ?? 0) && (x ?? 0) < (tick ?? 0)).toBe(true)
    expect(d.words).toMatch(/5 min\|in the tank/)
    expect(draw(state({ left: { text: '5', about: true } })).words).toMatch(/about 5 min/)
    const tight = draw(state({ tank: fig(500) })) // under 90 px: one line only
    expect([tight.mark('headroom').length, /in the tank/.test(tight.words), /5 min/.test(tight.words)]).toEqual([1, false, true])
    expect(draw(state({ tank: fig(312) })).mark('headroom')).toEqual([])
  })
  test.each([['tank side', 'low', 0], ['front fill valve', 'medium', 1], ['rear rank', 'high', 2]])('a leak at the %s is three strokes at its place, a word and no size', (where, priority, step) => {
    const d = draw(state({ leak: { where, priority: priority as 'low' } }))
    const marks = d.mark('leak')
    expect(marks.length).toBe(1)
    expect((marks[0]?.at.d?.match(/M/g) ?? []).length).toBe(3)
    const [from, , to] = numbers(d.mark('step')[step]?.at.d)
    expect(Math.abs((numbers(marks[0]?.at.d)[0] ?? 0) - (step === 0 ? to ?? 0 : from ?? 0))).toBeLessThan(45)
    expect(d.words).toMatch(/\|leak\|/)
    expect(d.svg).toContain(`class="${priority}"`)
  })
  test('no strokes where there is no leak, or no place for it', () => {
    expect([draw(state()).mark('leak').length, draw(state({ leak: { where: 'not told apart', priority: 'low' } })).mark('leak').length]).toEqual([0, 0])
  })
  test('one rank ends the path earlier and stretches nothing', () => {
    const [one, two] = [draw(state({ ranks: [rank('front', 310, 310)] })), draw(state())]
    expect(one.mark('step').map((m) => m.at.d)).toEqual(two.mark('step').slice(0, 2).map((m) => m.at.d))
    expect(numbers(one.mark('supply')[0]?.at.d)[2]).toBeLessThan(numbers(two.mark('supply')[0]?.at.d)[2] ?? 0)
  })
  test('three ranks are narrower on the same scale, their time in the foot row; four go on two lines', () => {
    const three = draw(state({ ranks: ['left', 'mid', 'right'].map((n) => rank(n, 310, 310)) }))
    const width = (m: Shape | undefined) => (numbers(m?.at.d)[2] ?? 0) - (numbers(m?.at.d)[0] ?? 0)
    expect(width(three.mark('step')[1])).toBeLessThan(width(draw(state()).mark('step')[1]))
    expect(tops(three.mark('step'))[1]).toBeCloseTo(three.y(310), 3)
    expect(three.words).not.toContain('min')
    expect(draw(state({ ranks: ['a', 'b', 'c', 'd'].map((n) => rank(n, 310, 310)) })).mark('ground').length).toBe(2)
  })
  test('a rank that is not seen has no step and no body, keeps its tick and says so', () => {
    const d = draw(state({ ranks: [rank('front', null, 310), rank('rear', 260, 260)] }))
    expect([d.mark('step').length, d.mark('body').length, d.mark('need').length, d.mark('fall').length]).toEqual([2, 2, 2, 1])
    expect(d.words).toContain('not seen')
  })
  test('without the tank the line is gone but for the ranks, and no time is told', () => {
    const d = draw(state({ tank: undefined, left: undefined }))
    expect(['supply', 'fall', 'rise-resting', 'headroom'].map((m) => d.mark(m).length)).toEqual([0, 0, 0, 0])
    expect([d.mark('step').length, d.mark('need').length]).toEqual([2, 2])
    expect(d.words).toMatch(/time not known/)
  })
  test('an assumed need is a dashed tick that says so', () => {
    const d = draw(state({ ranks: [rank('front', 310, 310, { assumed: true }), rank('rear', 260, 260)] }))
    expect(d.mark('need').map((n) => n.at.class)).toEqual(['need assumed', 'need'])
    expect(d.words).toContain('assumed')
  })
  test('no need at all: no tick, no arrow, need not heard', () => {
    const d = draw(state({ ranks: [rank('front', 310, null)] }))
    expect([d.mark('need').length, d.mark('headroom').length]).toEqual([0, 0])
    expect(d.words).toMatch(/need not ?heard/)
  })
  test('in doubt a step, of a rank or of the tank, is a hatched band as high as its interval', () => {
    const d = draw(state({ doubt: { low: 690, high: 754 }, ranks: [rank('front', 308, 310, { doubt: { low: 285, high: 330 } })] }))
    expect(d.mark('step')).toEqual([])
    const bands = d.mark('doubt').map((b) => [Number(b.at.y), Number(b.at.y) + Number(b.at.height)])
    const want = [[754, 690], [330, 285]]
    expect(bands.length).toBe(2)
    for (const [high, low] of want) expect(bands.some((b) => Math.abs((b[0] ?? 0) - d.y(high ?? 0)) < 1e-3 && Math.abs((b[1] ?? 0) - d.y(low ?? 0)) < 1e-3)).toBe(true)
    expect(draw(state()).mark('doubt')).toEqual([])
  })
  test('what cannot be is drawn as it is, with the diamond and the words', () => {
    const d = draw(state({ ranks: [rank('front', 780, 310, { impossible: true })] }))
    expect(tops(d.mark('step'))[1]).toBeCloseTo(d.y(780), 3)
    expect(d.mark('cannot-be')[0]?.at.points?.split(' ').length).toBe(4)
    expect(d.words).toContain('cannot be')
    expect(draw(state()).mark('cannot-be')).toEqual([])
  })
  test('raised: grey ticks, the word, and nothing called short', () => {
    const d = draw(state({ ranks: [rank('front', 180, 310, { raised: true })], left: undefined }))
    expect(d.mark('need')[0]?.at.class).toBe('need raised')
    expect([d.words.includes('raised'), d.mark('gap').length, d.mark('headroom').length]).toEqual([true, 0, 0])
  })
  test('an old figure: an outline, its age beside the number; the rest stays solid', () => {
    const d = draw(state({ tank: fig(722, { age: '4 s' }) }))
    expect([d.mark('step-old').length, d.mark('step').length]).toEqual([1, 2])
    expect(d.words).toMatch(/722 , 4 s/)
  })
  test('a phone keeps line, ticks and figures and leaves names, need labels and time out', () => {
    const d = draw(state(), true, 250)
    expect([d.mark('step').length, d.mark('need').length, d.mark('supply').length]).toEqual([3, 2, 1])
    expect(d.words).not.toMatch(/need|min|compressor/)
  })
})

test('dotted, dashed and hatched are what the style makes of the marks', () => {
  const css = readFileSync(new URL('../src/page.css', import.meta.url), 'utf8')
  const rule = (name: string) => css.split('\n').find((l) => l.startsWith(`${name} {`)) ?? ''
  expect(rule('.air')).not.toContain('dasharray')
  for (const name of ['.air.rest', '.need.assumed', '.mark.falling']) expect(rule(name), name).toContain('stroke-dasharray')
  expect(rule('.need.raised')).toContain('--line')
  expect(rule('.hollow')).toContain('var(--ground)')
  expect(css).toMatch(/\.alarm-ink \.hatch[^{]*\{ fill: url\(#hatch-high\)/)
})

const flow = (value: number, more = {}) => ({ value, unit: 'L/min', reference: 'ANR', ...more })
const budget = (change: Partial<BarState> = {}): BarState => ({
  gives: flow(180), rated: false, bags: flow(28), drains: flow(2), leak: flow(1), use: undefined, spare: flow(149), short: undefined, words: '', mark: undefined, shortInk: 'high', ...change,
})
function lay(s: BarState) {
  const svg = renderToString(<BudgetBar state={s} width={1042} tall={112} />)
  const all = shapes(svg)
  const part = (name: string) => all.filter((e) => e.at['data-part'] === name)
  const span = (name: string) => part(name).map((e) => [Number(e.at.x), Number(e.at.x) + Number(e.at.width)])[0]
  /** The hatch of the overhang lies inside its group. */
  const short = all[all.findIndex((e) => e.at['data-part'] === 'short') + 1]
  return { svg, words: words(svg), part, span, short, post: numbers(part('post')[0]?.at.d)[0] }
}

describe('the budget bar', () => {
  test('the post stands at 860 of 1042 whatever is given; each use is its part of that', () => {
    for (const gives of [95, 180, 400]) expect(lay(budget({ gives: flow(gives) })).post).toBe(860)
    expect(lay(budget({ bags: flow(90) })).span('bags')).toEqual([0, 430])
    const [from, to] = lay(budget({ leak: flow(36) })).span('leak') ?? []
    expect((to ?? 0) - (from ?? 0)).toBeCloseTo(172)
  })
  test('spare is an empty outline with its number, and none where it is short', () => {
    expect(lay(budget()).part('spare').length).toBe(1)
    expect(lay(budget()).words).toContain('149 to spare')
    expect(lay(budget({ gives: undefined })).part('spare')).toEqual([])
  })
  test('the overhang begins at the post, is hatched, as long as what is missing, and sharp', () => {
    const d = lay(budget({ leak: flow(168), short: flow(18), spare: undefined }))
    expect([Number(d.short?.at.x), Number(d.short?.at.width)]).toEqual([860, 86])
    expect(d.short?.at.class).toContain('hatch')
    expect([d.part('post-doubt').length, d.part('cut').length]).toEqual([0, 0])
    expect(d.words).toContain('18 short')
  })
  test('a longer one is cut with an arrow and keeps its number', () => {
    const d = lay(budget({ short: flow(90), spare: undefined }))
    expect(d.part('cut').length).toBe(1)
    expect(d.words).toContain('90 short')
    expect(Number(d.short?.at.x) + Number(d.short?.at.width)).toBeLessThanOrEqual(1042)
  })
  test('the unsure cut has stripes in its own width, and about', () => {
    const d = lay(budget({ leak: flow(168, { low: 154, high: 182 }), short: flow(18), spare: undefined, mark: { where: 'front rank', priority: 'high' } }))
    const [from, to] = d.span('stripes') ?? []
    expect((to ?? 0) - (from ?? 0)).toBeCloseTo((28 / 180) * 860, 3)
    expect(d.words).toMatch(/about/)
    expect(lay(budget()).part('stripes')).toEqual([])
  })
  test('a leak with an alarm takes that alarm’s ink; a quiet one takes the plain', () => {
    expect(lay(budget({ leak: flow(40), mark: { where: 'front rank', priority: 'medium' } })).part('leak')[0]?.at.class).toBe('part leak ink-medium')
    expect(lay(budget()).part('leak')[0]?.at.class).toBe('part leak')
  })
  test('an unsure supply widens the post by its interval', () => {
    expect(lay(budget({ gives: flow(180, { low: 171, high: 189 }) })).span('post-doubt')).toEqual([817, 903])
  })
  test('an unknown supply: no post, no spare, and why', () => {
    const d = lay(budget({ gives: undefined, spare: undefined, words: 'what it can give: learning, 40 min left' }))
    expect([d.post, d.part('spare').length]).toEqual([undefined, 0])
    expect(d.words).toContain('what it can give: learning, 40 min left')
  })
  test('a rated supply says rated', () => {
    expect(lay(budget({ rated: true })).words).toMatch(/rated/)
    expect(lay(budget()).words).not.toMatch(/rated/)
  })
  test('a leak below its own doubt is told by its bound; what is too thin keeps 4 px', () => {
    const d = lay(budget({ leak: flow(0.4, { low: -1, high: 1.6 }) }))
    expect(d.words).toContain('leak under 2')
    const [from, to] = d.span('leak') ?? []
    expect((to ?? 0) - (from ?? 0)).toBe(4)
  })
})
