// SPDX-License-Identifier: Apache-2.0

// The leak-down test's words and drawings, on the invented states of fake/tests.mjs. Nothing in them was measured.

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { area, at as read, bandDrawing, horizon, marks, path, plot, range, resultDrawing, spread, step, until, watchDrawing } from '../src/curve'
import { empty, receive, testOf, type Event, type Inbox } from '../src/inbox'
import { silentOn, steps, tableOf, testView, verdictWords, zonesOf, type TestView } from '../src/leakdown'
import type { Test, TestCurve, TestResult } from '../src/payload'
import { derive, type Cover, type Home } from '../src/view'
import { banded, chances, fine, percent, set, stretch } from '../src/words'
import { scenes } from '../fake/scenes.mjs'
import { curve, tests } from '../fake/tests.mjs'

interface Faked { state: Test; curve?: TestCurve }
const all = tests as unknown as Record<string, Faked>
const state = (name: string) => (all[name] as Faked).state
const at = (ms: number) => ({ steady: ms, wall: 1_800_000_000_000 + ms })
const message = (branch: string, what: unknown, ms: number): Event =>
  ({ kind: 'message', topic: `airhold/v1/kettle/${branch}`, retained: true, text: what === '' ? '' : JSON.stringify(what), at: at(ms) })
const snapshot = (ms: number, change: object = {}): Event => ({
  ...message('now', { ...(scenes as Record<string, { now: object }>).parked?.now, t: '2026-04-28T15:40:00Z', clk: 'good', boot: 'b1', mono: ms, seq: ms, ...change }, ms), retained: false,
} as Event)

/** box folds a test, its curve and a snapshot at 1 s. */
function box(name: string, change: Partial<Test> = {}): Inbox {
  const f = all[name] as Faked
  const t = { ...f.state, ...change }
  const events = [message(`test/${t.run}`, t, 900), ...(f.curve ? [message(`test/${t.run}/curve`, f.curve, 900)] : []), snapshot(1000)]
  return events.reduce(receive, { ...empty(at(0)), generation: 0 })
}
const seen = (name: string, change: Partial<Test> = {}) => testView(box(name, change), at(1200)) as TestView

describe('the wire', () => {
  test('the invented states have the fields that the box writes, by its own source', () => {
    const go = readFileSync(new URL('../../../leakdown/session/state.go', import.meta.url), 'utf8')
    const fields = (type: string) => {
      const body = new RegExp(`type ${type} struct \\{([^}]*)\\}`).exec(go)?.[1] ?? ''
      return [...body.matchAll(/json:"([a-z_]+)/g)].map((m) => m[1] as string)
    }
    expect(fields('State').length).toBeGreaterThan(30)
    const check = (type: string, of: object | null | undefined) => {
      const known = fields(type)
      for (const key of Object.keys(of ?? {})) expect(known, `${type}.${key}`).toContain(key)
    }
    for (const f of Object.values(all)) {
      check('State', f.state)
      check('Tick', f.state.ticks?.[0])
      check('Condition', f.state.conditions?.[0])
      check('Update', f.state.updates?.[0])
      check('Result', f.state.result)
      check('Result', f.state.before)
      check('Path', f.state.result?.paths?.[0])
      check('Curve', f.curve)
    }
    for (const must of ['step', 'ticks', 'left', 'can_go', 'next', 'do', 'hear', 'cautions', 'pressure', 'target', 'safe', 'leak', 'pass', 'fail', 'cooling', 'lost', 'updates', 'held_back', 'verdict', 'result', 'before', 'compare']) {
      expect(fields('State')).toContain(must)
    }
  })
  // The file is written by the Go side from its own types (contract_test.go), so a renamed field fails here.
  test('a test and its curve as the Go side writes them are read field by field', () => {
    const go = JSON.parse(readFileSync(new URL('../fake/from-go.json', import.meta.url), 'utf8')) as { test: object; curve: object }
    const b = [message('test/r-1', go.test, 900), message('test/r-1/curve', go.curve, 900), snapshot(1000)].reduce(receive, { ...empty(at(0)), generation: 0 })
    expect(testOf(b)?.what).toMatchObject({ limit: { value: 3 }, left: 1, can_go: true, next: 'Next: fill', started: '2026-04-28T13:55:00Z', compare: 'worse than before' })
    expect(b.curves.get('r-1')).toEqual({ run: 'r-1', measured: [[0, 740], [60, 731.5]], fit: [[0, 740, 739, 741]], ahead: [[60, 731, 729, 733]], cooling: [[0, 740], [60, 739]], limit: [[0, 740], [60, 736]] })
    const v = testView(b, at(1200)) as TestView
    expect(v).toMatchObject({
      run: 'r-1', zone: 'front', where: 'front rank', step: 'result', phases: 2, running: false, seconds: 150, pass: 0.01, fail: 0.99, heldBack: true,
      ticks: [{ id: 'engine', text: 'engine off', note: 'key out', done: true }], seen: [{ id: 'compressor', text: 'compressor off', met: 'not_seen', why: 'look at it' }],
      pressure: { value: 731, unit: 'kPa' }, target: { value: 745 }, safe: { value: 1000 }, limit: { value: 3, unit: 'L/min' }, leak: { value: 8, low: 6, high: 10 },
      updates: [{ at: 30, leak: { value: 8, low: 5, high: 11 }, pass: 0.04, fail: 0.96 }],
    })
    expect(v.result).toMatchObject({ verdict: 'fail', judged: true, reasons: ['more than the limit'], curve: { measured: [[0, 740], [60, 731.5]] } })
    const rows = v.result?.rows ?? []
    expect(rows.map((r) => r.id)).toEqual(['leak', 'drop', 'hole', 'hold'])
    expect(rows[0]).toMatchObject({ now: { figure: '8.0', measure: { low: 6, high: 10 } }, before: { figure: '2.0', measure: { low: 1, high: 2.5 } } })
    expect(rows[3]).toMatchObject({ now: { figure: '8', unit: 'min', band: 'or more' } })
    const said = JSON.stringify(v.result).replace(/\u00a0/g, ' ')
    for (const words of ['Most of the doubt: the volume', 'Measure the volume', 'Cannot tell one from the other', 'Worse than before', 'Front rank: 8.0 L/min', 'bags, lines']) expect(said).toContain(words)
  })
  test('the test that goes on counts before one that is done, else the one that began last', () => {
    const done = { ...state('pass'), run: 'a', started: '2026-04-28T16:00:00Z' }
    const going = { ...state('watch'), run: 'b', started: '2026-04-28T15:00:00Z' }
    const older = { ...state('fail'), run: 'c', started: '2026-04-28T12:00:00Z' }
    const fold = (...l: Test[]) => l.map((t) => message(`test/${t.run}`, t, 10)).reduce(receive, empty(at(0)))
    expect(testOf(fold(going, done))?.what.run).toBe('b')
    expect(testOf(fold(done, older))?.what.run).toBe('a')
    expect(testOf(fold(older, done))?.what.run).toBe('a')
  })
  test('an emptied topic takes a run away, a broken one changes nothing, another run’s state is not taken for this one', () => {
    const b = box('watch')
    expect(testOf(receive(b, message('test/k16-0428-1', '', 20)))).toBeUndefined()
    for (const what of [{}, [], null, { ...state('watch'), run: 'other' }]) expect(receive(b, message('test/k16-0428-1', what, 20)).tests).toBe(b.tests)
    for (const what of [[], { measured: [[1]] }, { fit: [[1, 2, 3, null]] }, { cooling: 'x' }]) expect(receive(b, message('test/k16-0428-1/curve', what, 20)).curves).toBe(b.curves)
  })
  test('a run that the box no longer keeps goes once a new connection is whole', () => {
    const later = [{ kind: 'linked', at: at(2000) } as Event, snapshot(2100)].reduce(receive, box('watch'))
    expect(testOf(later)).toBeUndefined()
  })
})

describe('figures', () => {
  test.each([
    [0.4, 'L/min', '0.4'], [8.1, 'L/min', '8.1'], [74.2, 'L/min', '74'], [0, 'L/min', '0'], [0.04, 'L/min', '0'], [0.13, 'mm', '0.13'], [70, 'kPa/min', '70'], [3.5, 'kPa/min', '3.5'], [9.99, 'kPa', '10.0'], [9.996, 'kPa', '10'], [742, 'kPa', '742'], [0.12, 'scfm', '0.12'],
  ])('%f %s reads %s', (value, unit, text) => expect(fine({ value, unit })).toBe(text))
  test('what a person set has no trailing nought', () => expect([set({ value: 3, unit: 'L/min' }), set({ value: 2.5, unit: 'L/min' })]).toEqual(['3', '2.5']))
  test.each([[1, 'over 99.9 %'], [0.9994, '99.9 %'], [0.992, '99.2 %'], [0.99, '99 %'], [0.95, '95 %'], [0.05, '5 %'], [0.01, '1 %'], [0.004, 'under 1 %'], [0, 'under 1 %'], [NaN, 'not known']])(
    'a chance of %f never reads as certain: %s', (p, text) => expect(percent(p)).toBe(text))
  test('pass and fail add up to 100', () => {
    expect(chances(0.895, 0.105)).toEqual(['90 %', '10 %'])
    expect(chances(0.9997, 0.0003)).toEqual(['over 99.9 %', 'under 1 %'])
    expect(chances(0.3, 0.3)).toEqual(['30 %', '30 %'])
  })
  test.each([[28, '28 s'], [119, '119 s'], [120, '2 min'], [540, '9 min'], [258, '4.3 min'], [2100, '35 min'], [7200, '2 h'], [200_000, '2 days']])('%i s reads %s', (s, text) => expect(stretch(s).join(' ')).toBe(text))
  test('a band needs both its ends', () => {
    expect([banded({ value: 1, unit: 'x', low: 0, high: 2 }), banded({ value: 1, unit: 'x', low: 0 }), banded({ value: NaN, unit: 'x', low: 0, high: 2 }), banded(null)]).toEqual([true, false, false, false])
  })
})

describe('scales', () => {
  test.each([[120, 4, 50], [8.97, 4, 5], [1, 1, 1], [45, 4, 20], [0.3, 3, 0.1]])('%f in at most %i parts steps by %f', (r, n, by) => expect(step(r, n)).toBeCloseTo(by))
  test('marks are multiples within the range', () => expect(marks(713, 761, 20)).toEqual([720, 740, 760]))
  test('the time axis steps on and is always ahead of the watch', () => {
    let last = 0
    for (let s = 0; s < 4000; s++) {
      const end = horizon(s)
      expect(end).toBeGreaterThan(s)
      expect(end).toBeGreaterThanOrEqual(last)
      last = end
    }
    expect([horizon(70), horizon(110), horizon(600)]).toEqual([120, 180, 900])
  })
  test('time and pressure are linear, and what lies outside is held at the edge', () => {
    const p = plot({ width: 800, height: 330, small: false }, 120, 700, 760)
    expect(p.x(60) - p.x(0)).toBeCloseTo(p.x(120) - p.x(60))
    expect(p.y(700) - p.y(720)).toBeCloseTo(p.y(740) - p.y(760))
    expect([p.y(699), p.y(800), p.x(-1), p.x(500)]).toEqual([p.base, p.top, p.left, p.right])
  })
  test('a tight part does not fill the drawing with its noise', () => {
    const r = range([310, 309.8], 8)
    expect(r.high - r.low).toBeGreaterThanOrEqual(8)
  })
  test('a line is cut on the line', () => {
    expect(until([[0, 10], [10, 0]], 4)).toEqual([[0, 10], [4, 6]])
    expect(read([[0, 10], [10, 0]], 5)).toBe(5)
    expect(read([[0, 10], [10, 0]], 11)).toBeUndefined()
  })
  test('words at the ends of lines keep apart and in order', () => {
    const word = (y: number, text: string) => ({ x: 0, y, text, anchor: 'start' as const, strong: true })
    const out = spread([word(100, 'b'), word(98, 'a'), word(101, 'c')], 30, 0, 140)
    expect(out.map((w) => w.text).join('')).toBe('abc')
    out.slice(1).forEach((w, i) => expect(w.y - (out[i]?.y ?? 0)).toBeGreaterThanOrEqual(30))
    expect(out.at(-1)?.y).toBeLessThanOrEqual(140)
  })
})

describe('the falling curve', () => {
  const size = { width: 800, height: 330, small: false }
  const draw = (name: string, seconds: number) => watchDrawing((all[name] as Faked).curve as TestCurve, seconds, size, { cooling: 'about 35', lost: 'about 4.6' })
  test('the fit ends at the present, what goes on begins there', () => {
    const d = draw('watch', 70)
    expect(d?.now).toBeCloseTo(d?.plot.x(70) ?? 0)
    const last = /L([\d.]+) ([\d.]+)$/.exec(d?.fit ?? '')
    const first = /^M([\d.]+) ([\d.]+)/.exec(d?.ahead ?? '')
    expect([Number(last?.[1]), Number(last?.[2])]).toEqual([Number(first?.[1]), Number(first?.[2])])
    expect(d?.dots.length).toBe(70)
  })
  test('with a leak the fit lies under the line of cooling alone', () => {
    const c = (all.watch as Faked).curve as TestCurve
    const d = draw('watch', 70)
    expect(read(c.cooling ?? [], 70)).toBeGreaterThan(read(c.fit ?? [], 70) ?? Infinity)
    expect(d?.leakPart.split(' ').length).toBeGreaterThan(20)
    expect(d?.words.map((w) => w.text)).toEqual(['cooling about 35', 'leak about 4.6', 'if only cooling'])
  })
  test.each([['watch', 70], ['gross', 40], ['early', 9], ['rests', 50]])('%s: words keep apart and inside', (name, s) => {
    for (const small of [false, true]) {
      const z = small ? { width: 358, height: 180, small } : size
      const d = watchDrawing((all[name] as Faked).curve as TestCurve, s as number, z, { cooling: 'about 35', lost: 'about 4.6' })
      const w = d?.words ?? []
      for (const a of w) expect(a.y > (d?.plot.top ?? 0) - 12 && a.y <= (d?.plot.base ?? 0)).toBe(true)
    }
  })
  test('nothing to draw draws nothing', () => {
    expect(watchDrawing({ measured: [], fit: null, ahead: null, cooling: [], limit: null }, 0, size, { cooling: '', lost: '' })).toBeUndefined()
  })
  test('a long watch has its figures on the free side of the present', () => {
    const d = watchDrawing(curve({ start: 760, cool: 38, tau: 25, leak: 5, edge: 8, seconds: 590 }) as unknown as TestCurve, 590, size, { cooling: 'about 35', lost: 'about 49' })
    for (const w of d?.words ?? []) expect(w.anchor === 'end' ? w.x <= 800 : w.x + w.text.length * 13 <= 800).toBe(true)
  })
  test('paths and areas hold no NaN', () => {
    const p = plot(size, 120, 0, 10)
    expect(path(p, [[0, 1], [10, 2]]) + area(p, [[0, 1]], [[0, 0]])).not.toMatch(/NaN/)
  })
})

describe('the band that narrows', () => {
  const size = { width: 800, height: 210, small: false }
  test('the limit stands at one place while the leak stays under four of it', () => {
    const one = bandDrawing(state('watch').updates ?? [], { value: 3, unit: 'L/min' }, 70, size)
    const none = bandDrawing([], { value: 3, unit: 'L/min' }, 0, size)
    expect(one.limit).toBe(none.limit)
    expect(one.plot.rows.map((r) => r.text)).toEqual(['0', '6', '12'])
    expect(none).toMatchObject({ band: '', line: '', dot: undefined })
  })
  test('a leak far above raises the ceiling, so that its band is seen', () => {
    const d = bandDrawing(state('gross').updates ?? [], { value: 3, unit: 'L/min' }, 40, size)
    expect(d.dot?.y).toBeGreaterThan(d.plot.top)
    expect(d.plot.rows.at(-1)?.text).toBe('100')
  })
  test('an estimate without a band is not drawn', () => {
    const bare = [{ at: 20, leak: { value: 1, unit: 'L/min' }, pass: 0.5, fail: 0.5 }, { at: 30, leak: null, pass: 0.5, fail: 0.5 }]
    expect(bandDrawing(bare, { value: 3, unit: 'L/min' }, 30, size)).toMatchObject({ band: '', line: '', dot: undefined })
  })
})

describe('steps', () => {
  test.each([['safe', 0], ['fill', 1], ['isolate', 2], ['watch', 3], ['pass', 4]])('%s stands at %i', (name, n) => expect(seen(name).at).toBe(n))
  test('there are five', () => expect(steps.map((s) => s.words)).toEqual(['Make safe', 'Fill', 'Isolate', 'Watch', 'Result']))
  test('the press says what is missing until the box lets go on', () => {
    expect(seen('safe').go).toEqual({ words: '2 left to tick', ready: false })
    expect(seen('ready').go).toEqual({ words: 'Next: fill', ready: true })
    expect(seen('unsafe').go).toEqual({ words: '1 not there yet', ready: false })
    expect(seen('fill').go?.ready).toBe(false)
    expect(seen('filled').go).toEqual({ words: 'Next: isolate', ready: true })
    expect(seen('isolate').go).toEqual({ words: 'Goes on by itself', ready: false })
    expect(seen('watch').go).toBeUndefined()
  })
  test('what the box cannot see is said, and never taken for met', () => {
    expect(seen('unsafe').seen.map((s) => [s.id, s.met])).toEqual([['still', 'no'], ['drive', 'not_seen'], ['safe', 'yes']])
    expect(seen('watch', { conditions: [{ id: 'x', text: 'x', sees: '', met: 'perhaps' }] }).seen[0]?.met).toBe('no')
  })
  test('a state that grew old while it watches says so', () => {
    expect(testView(box('watch'), at(1200))?.heard).toBe('')
    expect(testView(box('watch'), at(20_900))?.heard).toBe('last heard 20 s ago')
  })
  test('parts are the tank side and every rank', () => {
    expect(zonesOf([{ name: 'front' }, { name: 'Rear rank' }] as never)).toEqual([{ zone: 'tank', words: 'Tank side' }, { zone: 'front', words: 'Front rank' }, { zone: 'Rear rank', words: 'Rear rank' }])
    expect(zonesOf(null)).toEqual([{ zone: 'tank', words: 'Tank side' }])
  })
  test('no estimate is shown without its band', () => {
    expect(seen('watch').leak).toMatchObject({ value: 1.5, low: 0, high: 3.3 })
    expect(seen('watch', { leak: { value: 1.5, unit: 'L/min' } }).leak).toBeUndefined()
    expect([seen('watch').cooling, seen('gross').cooling]).toEqual(['about 35', '31 (20 to 41)'])
  })
  test('lists that are missing are empty ones', () => {
    const bare = { run: 'r', zone: 'tank', where: 'tank side', step: 'watch', verdict: 'measuring' }
    const b = [message('test/r', bare, 1), snapshot(5)].reduce(receive, empty(at(0)))
    expect(testView(b, at(10))).toMatchObject({ ticks: [], seen: [], todo: [], cautions: [], updates: [], seconds: 0, leak: undefined })
  })
})

describe('the result', () => {
  test.each([['pass', 'Front rank passes'], ['fail', 'Tank side fails'], ['undecided', 'Front rank: cannot decide'], ['invalid', 'Front rank: test not valid'], ['stopped', 'Front rank: stopped, no result']])(
    '%s is told in words', (name, title) => expect(seen(name).title).toBe(title))
  test('a verdict that is not known is none, and never a pass', () => expect(verdictWords('tank side', 'whatever' as never)).toBe('Tank side: test not valid'))
  test.each(['invalid', 'stopped'])('%s judges nothing: no figure, no edge, its reason in words', (name) => {
    const r = seen(name).result
    expect(r).toMatchObject({ judged: false, rows: [], heads: undefined, first: [] })
    expect(r?.reasons.length).toBeGreaterThan(0)
    expect(r?.sub).toMatch(/Nothing is judged/)
    if (r?.curve) expect(resultDrawing(r.curve, r.before, { width: 700, height: 300, small: false }, false)).toMatchObject({ allowed: '', limit: '', now: '', before: '' })
  })
  test('a pass without an interval shows no figure', () => {
    const bare = { ...(state('pass').result as TestResult), leak: { value: 0.4, unit: 'L/min' } }
    expect(seen('pass', { result: bare, leak: null }).result).toMatchObject({ judged: false, rows: [] })
  })
  test('how sure, after how long, against what', () => {
    expect(seen('pass').result?.sub).toBe('Sure to 99.2 % after 60 s. Limit 3 L/min ANR at 310 kPa.')
    expect(seen('fail').result?.sub).toBe('Sure to 99.9 % after 2 min. Two watches. Limit 3 L/min ANR at 760 kPa.')
    expect(seen('pass', { pass: 1, fail: 0 }).result?.sub).toMatch(/^Surer than 99\.9 % after 60 s\./)
    expect(seen('undecided').result?.sub).toMatch(/^After 10 min: pass 61 %, fail 39 %\. Neither is sure enough\./)
  })
  test('the table sets before beside now, each with its band', () => {
    const rows = tableOf(state('pass').result as TestResult, state('pass').before as TestResult)
    expect(rows.map((r) => [r.name, r.before?.figure, r.before?.band, r.now.figure, r.now.unit, r.now.band])).toEqual([
      ['leak', '8.1', '7.3 to 8.9', '0.4', '', '0.1 to 0.8'], ['falls', '70', '63 to 77', '3.5', '', '0.9 to 7.0'],
      ['like a hole of', '0.59', '0.56 to 0.62', '0.13', '', '0.07 to 0.19'], ['stays within 10\u00a0%', '28', '25 to 31', '9', 'min', '4.3 to 35'],
    ])
    for (const name of ['pass', 'fail', 'undecided']) for (const r of seen(name).result?.rows ?? []) expect(r.now.band, `${name} ${r.id}`).not.toBe('')
  })
  test('a figure that came without a band is not known', () => {
    const rows = tableOf({ ...(state('pass').result as TestResult), hole: { value: 0.2, unit: 'mm' } }, undefined)
    expect(rows.find((r) => r.id === 'hole')?.now).toMatchObject({ figure: 'not known', band: '' })
  })
  test('a hold time with an open end is told by its lower end', () => {
    expect(seen('undecided').result?.rows.find((r) => r.id === 'hold')?.now).toMatchObject({ figure: '60', unit: 's', band: 'or more' })
  })
  test('an earlier test of another day is told by its day', () => {
    const before = state('pass').before as TestResult
    expect(seen('pass').result?.heads?.before).toMatch(/^\d\d:\d\d$/)
    expect(seen('pass', { before: { ...before, at: '2026-04-02T12:00:00Z' } }).result?.heads?.before).toBe('2 Apr')
    expect(seen('pass', { before: { ...before, at: '2025-11-12T12:00:00Z' } }).result?.heads?.before).toBe('12 Nov 2025')
    expect(seen('pass', { before: { ...before, at: undefined } }).result?.heads?.before).toBe('no clock')
  })
  test('a test of another kind of end is no earlier one', () => {
    expect(seen('pass', { before: { ...(state('pass').before as TestResult), verdict: 'invalid' } }).result?.heads?.before).toBe('')
  })
  test.each(['fail', 'undecided'])('%s sends to look with soapy water, never a hand, and relieves first', (name) => {
    const last = seen(name).result?.first.at(-1) ?? ''
    for (const must of [/soapy water/, /never with a hand/, /relieve the pressure before/]) expect(last).toMatch(must)
  })
  test('what cannot be told apart is said with the step that would', () => {
    expect(seen('fail').result?.first.join(' ')).toMatch(/Cannot tell the drain from .* test again/)
    expect(seen('fail').result?.more.find((g) => g.name === 'Where')?.lines[0]).toMatch(/Tank side: 6\.2\sL\/min ANR \(5\.1 to 7\.3\), 97\s% sure\. .*drain/)
  })
  test.each(['pass', 'fail', 'undecided'])('%s says what it does not say', (name) => {
    expect(seen(name).result?.more.find((g) => g.name === 'What it does not say')?.lines.length).toBe(silentOn.length)
  })
  test('the next part follows, the last leads to the first', () => {
    expect(seen('pass').result?.next).toEqual({ zone: 'rear', words: 'Next: rear rank' })
    expect(seen('pass', { zone: 'rear' }).result?.next?.zone).toBe('tank')
  })
  test('the earlier test is drawn from this one’s start with this one’s cooling: its leak is compared, not its warmth', () => {
    const size = { width: 660, height: 300, small: false }
    const now = curve({ start: 749, cool: 40, tau: 25, leak: 0.4, edge: 7.8, seconds: 70, ahead: 70 }) as unknown as TestCurve
    const then = curve({ start: 738, cool: 70, tau: 20, leak: 0.4, edge: 7.8, seconds: 70, ahead: 70 }) as unknown as TestCurve
    const d = resultDrawing(now, then, size, true)
    const last = (path: string | undefined) => Number(/ ([\d.]+)$/.exec(path ?? '')?.[1])
    expect(last(d?.before)).toBeCloseTo(last(d?.now), 0)
    expect(last(d?.before)).toBeLessThan(last(d?.limit))
    expect(resultDrawing(now, { ...then, cooling: null }, size, true)?.before).toBe('')
  })
  test('the earlier test is drawn, and left out where it would flatten this one', () => {
    const size = { width: 660, height: 300, small: false }
    const r = seen('pass').result
    expect(resultDrawing(r?.curve as TestCurve, r?.before, size, true)?.before).not.toBe('')
    const far = curve({ start: 310, cool: 0.6, tau: 20, leak: 900, edge: 8, seconds: 60, ahead: 60 }) as unknown as TestCurve
    expect(resultDrawing(r?.curve as TestCurve, far, size, true)?.before).toBe('')
  })
})

describe('home while a test runs', () => {
  const home = (name: string) => derive(box(name), at(1200)) as Home
  test('the box’s word stays, and a way back is there', () => {
    const v = home('watch')
    expect(v.head.rows[0]).toEqual({ when: 'Now', text: 'nothing to do' })
    expect(v.head.cause).toBe('Leak-down test: tank side, step 4 of 5: watch, 70 s. Air alarms are held back.')
    expect(v.test).toMatchObject({ running: true, words: 'Tank side, step 4 of 5: watch, 70 s' })
  })
  test('one that is done does not speak up', () => {
    const v = home('pass')
    expect(v.head.cause).toBe('')
    expect(v.test).toMatchObject({ running: false, words: expect.stringMatching(/^Front rank passes, \d\d:\d\d$/) as string })
  })
  test('a lost link says that the test goes on in the box', () => {
    expect((derive(box('watch'), at(9000)) as Cover).past).toMatch(/leak-down test goes on in the box/)
    expect((derive(box('pass'), at(9000)) as Cover).past).not.toMatch(/goes on/)
  })
})
