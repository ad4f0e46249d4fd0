// SPDX-License-Identifier: Apache-2.0

// The care list and what was learned, as the page reads and tells them. The list is invented (fake/care.mjs).

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { bar, type BarState } from '../src/bar'
import { dayOf, pagesOf, readCare, readLearned, sentence, share, tellOf, waterOf, type CareList } from '../src/care'
import { factsOf, noteOf } from '../src/foot'
import type { Now } from '../src/payload'
import { atMost, named } from '../src/words'
import { careList, learned } from '../fake/care.mjs'
import { scenes } from '../fake/scenes.mjs'

const list = readCare(careList(new Set())) as CareList
const healthy = (scenes as unknown as Record<string, { now: Now }>).healthy?.now as Now

describe('the wire', () => {
  const source = (file: string) => readFileSync(new URL(`../../../care/${file}`, import.meta.url), 'utf8')
  const fields = (go: string, type: string) => {
    const body = new RegExp(`type ${type} struct \\{([^}]*)\\}`).exec(go)?.[1] ?? ''
    return [...body.matchAll(/json:"([a-z_]+)/g)].map((m) => m[1] as string)
  }
  test('the invented list has no field that the box does not write, by its own source', () => {
    const care = source('care.go')
    const fake = careList(new Set()) as unknown as Record<string, Record<string, unknown>[]>
    const known = { items: fields(care, 'Item'), history: fields(care, 'Record'), ask: fields(care, 'Question') }
    for (const [part, names] of Object.entries(known)) {
      expect(names.length, part).toBeGreaterThan(1)
      for (const one of fake[part] ?? []) for (const key of Object.keys(one)) expect(names, `${part}.${key}`).toContain(key)
    }
    for (const key of Object.keys(fake)) expect(fields(source('sheet.go'), 'Sheet')).toContain(key)
  })
  test('the answers to a question are those the box takes', () => {
    const go = [...source('care.go').matchAll(/Answer = "([a-z-]+)"/g)].map((m) => m[1])
    const page = [...readFileSync(new URL('../src/Care.tsx', import.meta.url), 'utf8').matchAll(/\['([a-z-]+)', key\('[A-Z]/g)].map((m) => m[1])
    expect(page).toEqual(go)
  })
  test('what was learned is read as the box writes it', () => {
    const go = readFileSync(new URL('../../care.go', import.meta.url), 'utf8')
    for (const l of learned) for (const key of Object.keys(l)) expect(fields(go, 'Learned')).toContain(key)
  })
})

describe('the list', () => {
  test('due first, then what soon will be, the rest in the box’s order', () => {
    expect(list.items.map((c) => c.item)).toEqual(['drain', 'oil-level', 'intake-filter', 'bag-inspection', 'filter-change', 'oil-change', 'leak-test'])
    const mixed = readCare({ items: [{ item: 'a' }, { item: 'b', soon: true }, { item: 'c', due: true }] }) as CareList
    expect(mixed.items.map((c) => c.item)).toEqual(['c', 'b', 'a'])
  })
  test('an item tells why, how often, when it was last done and by whom, and what it lacks', () => {
    const of = (item: string) => tellOf(list.items.find((c) => c.item === item) as CareList['items'][0])
    expect(of('drain')).toBe('2 working days since the last. Every 2 working days, or when the water reckoned in it asks for it; last 26 Apr 2026, by A. Tester.')
    expect(of('oil-level')).toMatch(/not recorded yet\.$/)
    expect(of('intake-filter')).toMatch(/Needs a clock: days are not known until the time is set\./)
  })
  test('a record without a clock has no day, and none is invented', () => {
    expect([dayOf('0001-01-01T00:00:00Z'), dayOf(''), dayOf('nonsense')]).toEqual(['', '', ''])
  })
  test.each([undefined, null, [], 'x', {}, { items: 'none' }])('%j is no care list', (v) => expect(readCare(v)).toBeUndefined())
  test('what is broken in a list is left out, the rest stands', () => {
    const odd = readCare({ items: [null, 7, { words: 'no name' }, { item: 'drain' }], history: [null], ask: [{ item: 'x' }, { item: 'y', words: 'Was it?' }] }) as CareList
    expect([odd.items.map((c) => c.words), odd.history, odd.ask.map((q) => q.item)]).toEqual([['Drain'], [], ['y']])
  })
  test('an empty list is one', () => expect(readCare({ items: [], history: [], ask: [] })).toEqual({ items: [], history: [], ask: [] }))
})

describe('cautions', () => {
  const cautions = list.items.map((c) => c.caution)
  test('no sentence is lost by telling once what holds for several', () => {
    for (let i = 0; i < cautions.length; i++) {
      for (let j = i + 1; j <= cautions.length; j++) {
        const some = cautions.slice(i, j)
        const told = share(some)
        some.forEach((c, k) => {
          for (const s of c.split(/(?<=\.) /)) expect(`${told.shared} ${told.own[k]}`).toContain(s)
        })
      }
    }
  })
  test('one alone keeps all of its own; what differs by a word is not shared', () => {
    expect(share([cautions[0] ?? ''])).toEqual({ shared: '', own: [cautions[0]] })
    expect(share(['Engine off. Stand back.', 'Engine off, key out. Stand back.'])).toEqual({ shared: 'Stand back.', own: ['Engine off.', 'Engine off, key out.'] })
    expect(share(['', 'Engine off.'])).toEqual({ shared: '', own: ['', 'Engine off.'] })
  })
  test('sentences end as such', () => {
    expect([sentence('engine off'), sentence('Was it?'), sentence(' '), sentence('Stop.')]).toEqual(['Engine off.', 'Was it?', '', 'Stop.'])
  })
})

test('a list is parted into whole pages, in order, none of them empty', () => {
  expect(pagesOf([1, 2, 3, 4, 5], (p) => p.reduce((a, b) => a + b) <= 5)).toEqual([[1, 2], [3], [4], [5]])
  expect(pagesOf([9, 9], () => false)).toEqual([[9], [9]])
  expect(pagesOf([], () => true)).toEqual([])
})

describe('what was learned', () => {
  test('a value with its unit, a thing of many numbers without', () => {
    const all = readLearned(learned)
    expect(all?.map((l) => l.value)).toEqual(['661 kPa', '759 kPa', '180 L/min ANR', '0.384 L ANR', '0 L', ''])
    expect(all?.[0]).toMatchObject({ words: 'Cut-in of the compressor', text: 'from 14 starts' })
  })
  test.each([undefined, {}, 'x'])('%j is no such list', (v) => expect(readLearned(v)).toBeUndefined())
  test('what is next to nothing is 0', () => {
    expect(readLearned([{ name: 'water', words: 'water', value: { value: 9.55e-8, unit: 'L' } }])?.[0]?.value).toBe('0 L')
  })
  test('nothing learned is an empty list', () => expect(readLearned([])).toEqual([]))
})

describe('water and the foot of home', () => {
  const unsaid = { gives: undefined, bags: undefined, drains: undefined, leak: undefined, use: undefined, spare: undefined, short: undefined } as unknown as BarState
  test('the water tells its bounds, or why there is none', () => {
    expect(waterOf(undefined)).toBe('')
    expect(waterOf({ words: 'not known: no humidity' })).toBe('Not known: no humidity.')
    expect(waterOf({ liquid: { value: 0.3, unit: 'L' }, words: '' })).toBe('Water in the tank: about 0.3 L.')
    expect(waterOf({ liquid: { value: 1e-7, unit: 'L', low: 0, high: 3e-5 }, words: '' })).toBe('Water in the tank: under 0.1 L.')
  })
  test('the time to the drain stands second, once', () => {
    const water = { drain: '13 h to the drain', words: '' }
    const without = { ...healthy, facts: [{ value: '97', words: '% ground contact' }, { value: '19', words: 'days of log space' }], water }
    expect(factsOf(without, 0).map((f) => `${f.value} ${f.words}`)).toEqual(['97 % ground contact', '13 h to the drain', '19 days of log space'])
    expect(factsOf({ ...healthy, water }, 0).filter((f) => f.words.includes('drain'))).toHaveLength(1)
    expect(factsOf({ ...healthy, facts: [], water: { drain: 'due: 0.3 L', words: '' } }, 0)).toEqual([])
  })
  test('the water itself has a place where there is room', () => {
    expect(factsOf({ ...healthy, facts: [], water: { liquid: { value: 0.12, unit: 'L' }, words: '' } }, 0)).toEqual([{ value: '0.1', words: 'L of water in the tank', unit: 'L' }])
  })
  test('what is being learned is one quiet sentence; a standing one of the box comes first', () => {
    const n = { ...healthy, learning: 'leak watch learning, 40 min left', compressor: { word: 'running' as const, learning: 'learning the compressor' } }
    expect(noteOf(n, unsaid, '')).toBe('leak watch learning, 40 min left; learning the compressor')
    expect(noteOf({ ...n, banner: 'Machine file refused.' }, unsaid, '')).toBe('Machine file refused.')
    expect(noteOf(healthy, unsaid, '')).toBe('')
    // Words of a whole budget repeat the bar; words of half a one do not.
    const said = { ...healthy, budget: { ...healthy.budget, rated: true, words: 'what it can give: learning' } }
    expect(noteOf(said, { ...unsaid, bags: said.budget.bags ?? undefined }, '')).toBe('')
    expect(noteOf(said, { ...unsaid, use: { value: 31, unit: 'L/min' } }, '')).toBe(said.budget.words)
    expect(noteOf({ ...said, budget: { ...said.budget, rated: false } }, { ...unsaid, use: { value: 31, unit: 'L/min' } }, '')).toBe('')
  })
})

describe('a leak in the budget', () => {
  const flow = (value: number, more = {}) => ({ value, unit: 'L/min', reference: 'ANR', ...more })
  const lay = (change: Partial<BarState>) => bar({
    gives: flow(180), rated: false, bags: flow(28), drains: flow(2), leak: flow(8), use: undefined, spare: flow(142), short: undefined, words: '', mark: undefined, shortInk: 'high', ...change,
  }, 1042, 34, 27)
  test('the stripes reach as far as the cut may lie: more leak takes from the bags, less leaves them more', () => {
    const b = lay({ leak: flow(20, { low: 14, high: 30 }) })
    const cut = b.segments.find((s) => s.name === 'leak')?.x ?? 0
    expect(b.stripes?.x).toBeCloseTo(cut - (10 * 860) / 180)
    expect((b.stripes?.x ?? 0) + (b.stripes?.width ?? 0)).toBeCloseTo(cut + (6 * 860) / 180)
  })
  test('stripes never leave what they doubt', () => {
    const b = lay({ bags: flow(5), leak: flow(6, { low: -4, high: 40 }) })
    const leak = b.segments.find((s) => s.name === 'leak')
    expect(b.stripes?.x).toBe(0)
    expect((b.stripes?.x ?? 0) + (b.stripes?.width ?? 0)).toBeLessThanOrEqual((leak?.x ?? 0) + (leak?.width ?? 0) + 1e-9)
  })
  test('an upper bound is rounded up, so that it stays one', () => {
    expect([atMost(flow(1.2)), atMost(flow(2)), atMost(flow(0.05)), atMost({ value: 0.03, unit: 'scfm' })]).toEqual(['2', '2', '1', '0.1'])
    expect(lay({ leak: flow(0.4, { low: -1.2, high: 1.2 }) }).top.find((l) => l.what === 'leak-under')).toMatchObject({ text: 'leak under 2', measure: { value: 1.2 } })
  })
  test('a leak that would read 0 is told by its bound', () => {
    expect(lay({ leak: flow(0.2, { low: 0.1, high: 0.3 }) }).top.some((l) => l.what === 'leak-under')).toBe(true)
  })
  test('a leak of no known place is not named after one', () => {
    const b = lay({ bags: flow(8), leak: flow(120, { low: 112, high: 128 }), spare: flow(50), mark: { where: 'not told apart', priority: 'medium' } })
    expect(b.inside.find((l) => l.what === 'leak')?.text).toBe('leak, about 120')
    expect(named('Air leak', 'not told apart')).toBe('Air leak, place not told apart')
  })
  test('an unsure post does not blur the sharp end of what is short', () => {
    expect(lay({ gives: flow(180, { low: 160, high: 200 }), spare: undefined, short: flow(20) }).postWidth).toBeUndefined()
  })
  test('the spare stands beside an unsure post', () => {
    const b = lay({ gives: flow(180, { low: 160, high: 200 }) })
    const spare = b.inside.find((l) => l.what === 'spare')
    expect(spare?.x).toBeLessThan((b.postWidth?.from ?? 0) - 60)
  })
})

// The file is written by the Go side from its own types (contract_test.go), so a renamed field fails here.
test('the care list and what was learned, as the Go side writes them, are read field by field', () => {
  const go = JSON.parse(readFileSync(new URL('../fake/from-go.json', import.meta.url), 'utf8')) as { care: unknown; learned: unknown }
  expect(readCare(go.care)).toEqual({
    items: [{
      item: 'drain', words: 'Drain the tank', due: true, soon: true, why: '2 working days since the last', needs: 'a clock', every: 'every 2 working days', caution: 'Engine off',
      last: '28 Apr 2026, by A. Tester, half a cup',
    }],
    history: [{ at: '28 Apr 2026', words: 'Drain the tank', by: 'A. Tester', note: 'half a cup' }],
    ask: [{ item: 'oil-change', words: 'Was the compressor\'s oil changed for this season?' }],
  })
  expect(readLearned(go.learned)).toMatchObject([
    { name: 'cut-in', words: 'Cut-in of the compressor', value: '661 kPa', text: 'from 14 starts' },
    { name: 'signature/tank', words: 'How the air of the tank cools after a charge', value: '', text: 'from 2 clean tests' },
  ])
})
