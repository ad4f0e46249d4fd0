// SPDX-License-Identifier: Apache-2.0

// The first screen of the day, on the invented mornings of fake/scenes.mjs. Nothing in them was measured.

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { empty, receive, type Event } from '../src/inbox'
import { night, nightCurve, type MorningView, type NightSize } from '../src/morning'
import type { Morning } from '../src/payload'
import { derive, type Home } from '../src/view'
import { tiny } from '../src/words'
import { scenes } from '../fake/scenes.mjs'

interface Scene { t: string; now: { morning?: Morning; care?: object[] } & object; alarms: { key: string; where: string }[] }
const all = scenes as unknown as Record<string, Scene>
const at = (ms: number) => ({ steady: ms, wall: 1_800_000_000_000 + ms })
const message = (branch: string, what: object, ms: number): Event => ({ kind: 'message', topic: `airhold/v1/kettle/${branch}`, retained: false, text: JSON.stringify(what), at: at(ms) })

/** home shows a scene, with changes to its snapshot and to its morning. */
function home(name: string, change: object = {}, morning: Partial<Morning> = {}, alarm: object = {}): Home {
  const s = all[name] as Scene
  const stamp = { t: `2026-04-28T${s.t}.000Z`, clk: 'good', boot: 'b1', mono: 9, seq: 9 }
  const events: Event[] = [{ kind: 'linked', at: at(0) }]
  for (const a of s.alarms) events.push(message(`alarm/${a.key}/${a.where.replaceAll(' ', '-')}`, { ...stamp, ...a, ...alarm }, 2))
  const now = { ...s.now, ...stamp, ...(s.now.morning ? { morning: { ...s.now.morning, ...morning } } : {}), ...change }
  const v = derive([...events, message('now', now, 1000)].reduce(receive, empty(at(0))), at(1200))
  expect(v.kind).toBe('home')
  return v as Home
}
const first = (...of: Parameters<typeof home>) => home(...of).morning as MorningView
const kPa = (value: number) => ({ value, unit: 'kPa', reference: 'gauge' })

describe('what the night has left', () => {
  test('held: the word, where, both pressures with their times, and what explains the fall', () => {
    const v = first('morning')
    expect(v.head).toMatchObject({ ink: 'none', word: 'Held overnight', rows: [{ when: 'Now', text: 'drain the tank before the engine starts' }] })
    expect(v.places).toBe('tank and ranks')
    expect([v.from?.text, v.to?.text]).toEqual(['690', '655'])
    expect(v.from?.when).toMatch(/^\d\d:45$/)
    expect([v.cooling?.text, v.cooling?.about]).toEqual(['29 cooling', 'tank wall 21 to 10 °C'])
    expect([v.lost?.text, v.lost?.about]).toEqual(['6 leak', '0 to 0.01 L/min ANR'])
    expect(v.guess).toBe(true)
  })
  test('lost: where it went is a row of its own', () => {
    const v = first('lost')
    expect([v.head.word, v.places]).toEqual(['Lost air overnight', ''])
    expect(v.head.rows[1]).toEqual({ when: 'Where', text: 'front rank' })
  })
  test('not known: the reason, and no curve between readings that cannot be set side by side', () => {
    const v = first('nightless')
    expect(v.head.word).toBe('Overnight not known')
    expect(v.head.rows).toEqual([{ when: 'Now', text: 'nothing to do' }, { when: 'Why', text: all.nightless?.now.morning?.why }])
    expect([v.guess, v.cooling, v.lost]).toEqual([false, undefined, undefined])
  })
  test('a word of a newer box reads not known, never held', () => {
    expect(first('morning', {}, { state: 'odd' }).head.word).toBe('Overnight not known')
  })
  test('nothing is drawn of what was not read', () => {
    const v = first('clockless')
    expect([v.from, v.to, v.cooling, v.lost]).toEqual([undefined, undefined, undefined, undefined])
  })
  test('a night of more than a day says the days', () => {
    expect([first('warmer').from?.when, first('warmer').to?.when]).toEqual([expect.stringMatching(/^25 Apr \d\d:45$/), expect.stringMatching(/^28 Apr \d\d:10$/)])
  })
  test('a tank that has become warmer says so; a loss that is none is no leak', () => {
    expect(first('warmer').cooling?.text).toBe('24 warming')
    expect(first('morning', {}, { lost: kPa(-1) }).lost?.text).toBe('no leak seen')
    expect(first('morning', {}, { leak: null }).lost?.about).toBe('as a flow: not known')
    expect(first('morning', {}, { warm_to: null }).cooling?.about).toBe('temperature not seen')
  })
  test.each([
    [['tank'], 'tank'], [['tank', 'front rank', 'rear rank'], 'tank and ranks'], [['front rank', 'rear rank'], 'ranks'], [['tank', 'rear rank'], 'tank and rear rank'], [[], ''],
  ])('the places %j read "%s"', (places, words) => {
    const v = first('morning', {}, { places })
    expect(v.places || (v.head.rows.find((r) => r.when === 'Where')?.text ?? '')).toBe(words)
  })
})

describe('what to do first', () => {
  test('the box’s word, else what is due, else the search for what was lost', () => {
    expect(first('clockless').head.rows[0]?.text).toBe('engine off, then drain the tank')
    expect(first('lost', { do: 'nothing to do' }).head.rows[0]?.text).toBe('find the leak: Menu, Leak-down test')
    expect(first('morning', { do: '', care: [] }).head.rows[0]?.text).toBe('nothing to do')
  })
})

describe('when it stands', () => {
  test('not without a morning, and not beside a High or a Medium', () => {
    expect(home('morning', { morning: null }).morning).toBeUndefined()
    expect(home('healthy').morning).toBeUndefined()
    for (const priority of ['medium', 'high']) expect(home('dawnleak', {}, {}, { priority }).morning).toBeUndefined()
  })
  test('a Low stands in its head, with what it asks for', () => {
    const v = first('dawnleak')
    expect(v.head).toMatchObject({ ink: 'low', mark: 'title', title: 'Air leak, front rank', seen: [{ key: 'air-leak', where: 'front rank' }] })
    expect(v.head.rows).toHaveLength(1)
  })
  test('another night is another screen, though this one was left', () => {
    expect(first('morning').id).not.toBe(first('morning', {}, { to_at: '2026-04-29T05:00:00Z' }).id)
  })
})

describe('the drawing', () => {
  const size: NightSize = { width: 1042, height: 250, small: false }
  test('heights are in proportion: the parts together are the fall', () => {
    const p = night(first('morning'), size)
    const fall = p.y.to - p.y.from
    expect((p.cooling?.height ?? 0) / fall).toBeCloseTo(29 / 35)
    expect((p.lost?.height ?? 0) / fall).toBeCloseTo(6 / 35)
    expect((p.cooling?.y ?? 0) + (p.cooling?.height ?? 0)).toBeCloseTo(p.lost?.y ?? 0)
    expect((p.lost?.y ?? 0) + (p.lost?.height ?? 0)).toBeCloseTo(p.y.to)
  })
  test('a small fall looks smaller than a large one, and a large one stays inside', () => {
    const drop = (to: number, lost: number) => night(first('morning', {}, { to: kPa(to), cooling: kPa(0), lost: kPa(lost) }), size)
    const tall = (p: ReturnType<typeof night>) => p.y.to - p.y.from
    expect(tall(drop(686, 4))).toBeCloseTo((tall(drop(655, 35)) * 4) / 35)
    expect(drop(100, 590).y.to).toBeLessThanOrEqual(250 - 54)
  })
  test('a rise goes up, and a leak within it stands beside what was gained', () => {
    const p = night(first('warmer'), size)
    expect(p.y.to).toBeLessThan(p.y.from)
    expect(p.lost?.x).toBeGreaterThan((p.cooling?.x ?? 0) + p.wide)
    expect((p.lost?.y ?? 0) + (p.lost?.height ?? 0)).toBeCloseTo(p.y.to)
  })
  test.each(['morning', 'lost', 'warmer', 'nightless'])('%s stays on the glass, large and small', (name) => {
    for (const s of [size, { width: 1042, height: 162, small: false }, { width: 358, height: 120, small: true }]) {
      const p = night(first(name), s)
      for (const y of [p.y.from, p.y.to]) expect(y >= 30 && y <= s.height - 28).toBe(true)
      expect(p.bar + p.wide * 2).toBeLessThanOrEqual(s.width)
      expect(nightCurve(p)).not.toMatch(/NaN/)
    }
  })
})

describe('a loss of air is told with what it is worth', () => {
  const m = (value: number, low?: number, high?: number, unit = 'L/min') => ({ value, unit, ...(unit === 'L/min' ? { reference: 'ANR' } : {}), ...(low === undefined ? {} : { low, high }) })
  test.each([
    [m(0.004, -0.001, 0.01), '0 to 0.01 L/min ANR'], [m(0.0304, 0.0272, 0.0336), '0.027 to 0.034 L/min ANR'], [m(0.16, 0.15, 0.18), '0.15 to 0.18 L/min ANR'], [m(3.1, 2.6, 3.7), '2.6 to 3.7 L/min ANR'], [m(18, 15.2, 22), '15 to 22 L/min ANR'],
    [m(0.0004, 0, 0.0004), '0 to 0.001 L/min ANR'], [m(-0.002, -0.01, -0.001), '0 to 0.001 L/min ANR'], [m(0.05), 'about 0.05 L/min ANR'], [m(0.006, 0.0051, 0.0052, 'scfm'), '0.005 to 0.006 scfm'],
  ])('%j reads %s', (q, words) => expect(tiny(q)).toBe(words))
})

test('the morning as the Go side writes it is read field by field', () => {
  const go = JSON.parse(readFileSync(new URL('../fake/from-go.json', import.meta.url), 'utf8')) as { now: { morning: Morning; care: object[]; water: object; learning: string } }
  const v = home('healthy', { morning: go.now.morning, care: go.now.care, water: go.now.water, learning: go.now.learning })
  expect(v.morning).toMatchObject({
    head: { word: 'Held overnight', rows: [{ when: 'Now', text: 'engine off, then drain the tank' }, { when: 'Where', text: 'tank and front rank' }] }, words: go.now.morning.words,
    from: { text: '690' }, to: { text: '655' }, cooling: { text: '29 cooling', about: 'tank wall 21 to 10 °C' }, lost: { text: '6 leak', about: '6 to 10 L/min ANR' },
  })
  expect(v.care).toEqual([{ item: 'drain', words: 'Drain the tank', why: '2 working days since the last', needs: '', caution: 'Engine off', due: true, soon: false, every: '', last: '' }])
  expect(v.water).toBe('Water in the tank: 0.3 L, between 0.1 and 0.4, dew point 12 °C. Reckoned from the intake\'s humidity.')
  expect(v.note).toBe('leak watch learning, 40 min left')
})
