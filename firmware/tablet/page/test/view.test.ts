// SPDX-License-Identifier: Apache-2.0

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { empty, receive, type Event, type Inbox } from '../src/inbox'
import { derive, type Cover, type Home } from '../src/view'
import { scenes } from '../fake/scenes.mjs'

interface Scene { t: string; now: object; alarms: { key: string; where: string }[] }
const all = scenes as Record<string, Scene>
const at = (ms: number) => ({ steady: ms, wall: 1_800_000_000_000 + ms })
const stamp = (t: string, seq: number) => ({ t: `2026-04-28T${t}.000Z`, clk: 'good', boot: 'b1', mono: seq, seq })
const message = (branch: string, what: object, ms: number): Event => ({ kind: 'message', topic: `airhold/v1/kettle/${branch}`, retained: false, text: JSON.stringify(what), at: at(ms) })

/** box folds a scene whose snapshot came at 1 s, with changes. */
function box(name: string, change: object = {}, alarmChange: object = {}): Inbox {
  const s = all[name] as Scene
  const events: Event[] = [{ kind: 'linked', at: at(0) }, message('online', { online: true, t: '', boot: 'b1' }, 1)]
  for (const a of s.alarms) events.push(message(`alarm/${a.key}/${a.where.replaceAll(' ', '-')}`, { ...stamp(s.t, 1), ...a, ...alarmChange }, 2))
  events.push(message('now', { ...s.now, ...stamp(s.t, 2), ...change }, 1000))
  return events.reduce(receive, empty(at(0)))
}
const home = (b: Inbox, ms = 1200) => {
  const v = derive(b, at(ms))
  expect(v.kind).toBe('home')
  return v as Home
}

describe('never old for live', () => {
  test.each([
    [0, 'asking', 0], [3000, 'asking', 3], [9999, 'asking', 9], [10_000, 'cover', 10],
  ])('without any reading, after %i ms: %s', (ms, kind, seconds) => {
    expect(derive(empty(at(0)), at(ms))).toMatchObject({ kind, seconds })
  })
  test('three seconds without a snapshot cover the page, and the age counts', () => {
    const b = box('healthy')
    expect(derive(b, at(4000)).kind).toBe('home')
    expect(derive(b, at(4001))).toMatchObject({ kind: 'cover', seconds: 3, state: 'holds' })
    expect(derive(b, at(13_000))).toMatchObject({ kind: 'cover', seconds: 12 })
  })
  test('the cover tells the last state in the past tense and names no live figure', () => {
    const v = derive(receive(box('healthy'), { kind: 'unlinked', at: at(1100) }), at(13_000)) as Cover
    expect(v.title).toBe('No link to the box')
    expect(v.past).toMatch(/^At \d\d:20:00 air held and the tank had 722 kPa\./)
  })
  test('a box that says goodbye is covered at once; the next snapshot lifts it', () => {
    const bye = receive(box('healthy'), message('online', { online: false, t: '', boot: 'b1' }, 1500))
    expect(derive(bye, at(1600))).toMatchObject({ kind: 'cover', title: 'The box has stopped' })
    expect(derive(receive(bye, message('now', { ...all.healthy?.now, ...stamp('08:20:09', 9) }, 1700)), at(1800)).kind).toBe('home')
  })
  test('a figure older than 2 s shows its age, counted from its own age and the silence since', () => {
    const b = box('old')
    expect(home(b, 1000).line.tank?.age).toBe('4 s')
    expect(home(b, 1000).line.ranks.map((r) => r.pressure?.age)).toEqual(['3 s', undefined])
    expect(home(box('healthy'), 2900).line.tank?.age).toBeUndefined()
    expect(home(box('healthy'), 3000).line.tank?.age).toBe('2 s')
  })
  test('a reading of bad quality is a hole, even with a number beside it', () => {
    const tank = { pressure: { value: 700, unit: 'kPa' }, age: 10, quality: 'frozen' }
    expect(home(box('healthy', { tank })).line.tank).toBeUndefined()
    expect(home(box('hole')).line.ranks[0]?.pressure).toBeUndefined()
    expect(home(box('hole')).line.ranks[0]?.need?.text).toBe('310')
  })
  test('a figure that may be wrong by more than a tenth is told as its interval, of the tank as of a rank', () => {
    const tank = (low: number, high: number) => ({ pressure: { value: 700, unit: 'kPa', low, high }, age: 10, quality: 'ok' })
    expect(home(box('healthy', { tank: tank(660, 740) })).line.doubt).toEqual({ low: 660, high: 740 })
    expect(home(box('healthy', { tank: tank(690, 710) })).line.doubt).toBeUndefined()
    expect(home(box('doubt')).line.ranks[0]?.doubt).toEqual({ low: 285, high: 330 })
  })
  test('of three ranks the foot says whose need is not heard', () => {
    const ranks = [['left', 310], ['mid', null], ['right', null]].map(([name, need]) => ({ name, pressure: { value: 300, unit: 'kPa' }, age: 10, quality: 'ok', need: need ? { value: need, unit: 'kPa' } : null, assumed: false, raised: false }))
    expect(home(box('healthy', { ranks })).note).toBe('need not heard: mid, right')
    expect(home(box('healthy', { ranks: ranks.slice(0, 2) })).note).toBe('')
  })
  test('among many alarms only a High is heard', () => {
    const flood = { ...stamp('21:35:00', 3), unacked: 11, active: 11, shelved: 0, out_of_service: 0, highest: 'medium', flood: true }
    expect(home(box('low')).rings[0]?.priority).toBe('medium')
    expect(home(receive(box('low'), message('alarms', flood, 1100))).rings[0]?.priority).toBe('none')
    expect(home(receive(box('short'), message('alarms', flood, 1100))).rings[0]?.priority).toBe('high')
  })
  test('without the tank no time is told', () => {
    expect(home(box('tankless', { left: { minutes: 5, about: false } })).line.left).toBeUndefined()
  })
})

describe('the head', () => {
  test('healthy: state, nothing to do, tonight', () => {
    expect(home(box('healthy')).head).toMatchObject({ ink: 'none', word: 'Air holds', seen: [], later: [], rows: [{ when: 'Now', text: 'nothing to do' }, { when: 'Tonight', text: 'look at the intake filter' }] })
  })
  test.each([['holds', 'Air holds'], ['low', 'Air low'], ['short', 'Air short'], ['not_known', 'Air not known'], ['odd', 'Air not known']])('state %s reads %s', (state, word) => {
    expect(home(box('healthy', { state })).head.word).toBe(word)
  })
  test('a High fills the head, one cause named, no way to put it off', () => {
    const h = home(box('short')).head
    expect(h).toMatchObject({ ink: 'high', word: 'Air short', mark: 'word', blink: true, later: [] })
    expect(h.rows).toEqual([{ when: 'Now', text: 'Stop and let the tank fill' }, { when: 'Then', text: 'Park, engine off, test the front rank' }])
    expect(h.cause).toMatch(/^4 alarms, one cause\. First: air leak, front rank, since \d\d:46$/)
  })
  test('Seen acknowledges what the head shows: every waiting alarm of the group', () => {
    expect(home(box('short')).head.seen).toEqual([{ key: 'tank-short', where: '' }, { key: 'comp-overworked', where: '' }])
  })
  test('a Medium frames it, with its cause, and may be put off', () => {
    expect(home(box('low')).head).toMatchObject({ ink: 'medium', word: 'Air low', later: [{ key: 'tank-low' }], rows: [{ text: 'Slow down' }, { when: 'Cause', text: 'the bags take more than comes in' }] })
  })
  test('a Low is one line; the state and Now stay', () => {
    expect(home(box('leak')).head).toMatchObject({ ink: 'low', word: 'Air holds', mark: 'title', title: 'Air leak, front rank', rows: [{ when: 'Now', text: 'nothing to do' }], seen: [{ key: 'air-leak', where: 'front rank' }] })
  })
  test('what is due of the care list is no alarm: it takes neither the head nor a line of the alarms', () => {
    const due = { ...stamp('08:20:00', 1), key: 'care-due', where: 'tank drain', title: 'Care due', priority: 'low', state: 'active_unacked', silent: true, firstout: false }
    const v = home(receive(box('healthy'), message('alarm/care-due/tank-drain', due, 1001)))
    expect([v.head.ink, v.head.seen, v.alarms, v.rings]).toEqual(['none', [], [], []])
    expect(v.head.rows[1]?.when).toBe('Tonight')
  })
  test('a High that is not the state is named itself, and the state stays in words', () => {
    expect(home(box('high')).head).toMatchObject({ ink: 'high', word: 'Tank pressure high', title: 'Air holds', cause: 'Open nothing' })
  })
  test('once acknowledged there is no button, and an alarm that is not the air becomes a line', () => {
    expect(home(box('fault', {}, { state: 'active_acked' })).head).toMatchObject({ ink: 'low', word: 'Air holds', seen: [], later: [] })
    expect(home(box('short', {}, { state: 'active_acked' })).head).toMatchObject({ ink: 'high', blink: false, seen: [] })
  })
  test.each(['normal', 'shelved', 'suppressed', 'out_of_service'])('an alarm that is %s takes no place', (state) => {
    expect(home(box('short', {}, { state })).head.ink).toBe('none')
  })
  test('one that has returned still waits to be seen, as a quiet line that neither rings nor asks for anything', () => {
    for (const scene of ['fault', 'high']) {
      const v = home(box(scene, {}, { state: 'returned_unacked' }))
      expect(v.rings).toEqual([])
      expect(v.head).toMatchObject({ ink: 'low', word: 'Air holds', blink: false, later: [], rows: [{ when: 'Now', text: 'nothing to do' }, { when: 'Tonight' }] })
      expect(v.head.seen).toHaveLength(1)
      expect(v.head.title).toMatch(/: returned \d\d:\d\d$/)
    }
  })
  test('what rings is the loudest unacknowledged one that is not silent', () => {
    expect(home(box('short')).rings).toEqual([{ id: 'tank-short/', priority: 'high' }])
    expect(home(box('short', {}, { state: 'active_acked' })).rings).toEqual([])
    expect(derive(box('healthy'), at(9000)).rings).toEqual([{ id: 'link-lost', priority: 'medium' }])
    // Behind the cover a High may be over: it keeps still, and is not forgotten.
    expect(derive(box('short'), at(9000)).rings).toEqual([{ id: 'link-lost', priority: 'medium' }, { id: 'tank-short/', priority: 'none' }])
  })
})

describe('the drawing is told what the payload says', () => {
  test('short only where the box says so, never raised, never inside the doubt', () => {
    expect(home(box('short')).line.ranks.map((r) => r.short?.value)).toEqual([48, undefined])
    expect(home(box('raised')).line.ranks.map((r) => r.short)).toEqual([undefined, undefined])
    expect(home(box('doubt')).line.ranks[0]).toMatchObject({ short: undefined, doubt: { low: 285, high: 330 } })
  })
  test('a rank above the tank by more than both may be wrong cannot be', () => {
    expect(home(box('doubt')).line.ranks.map((r) => r.impossible)).toEqual([false, true])
  })
  test('every time from an assumed need says about', () => {
    expect(home(box('assumed', { left: { minutes: 5.9, about: false } })).line.left).toEqual({ text: '5', about: true })
  })
  test('psi are drawn on the same scale: 1 psi is 6.894757 kPa (NIST SP 811, table of B.8)', () => {
    const { line } = home(box('psi'))
    expect(line.unit).toBe('psi')
    expect(line.tank?.kPa).toBeCloseTo(723.949, 2)
    expect(line.tank?.text).toBe('105')
    expect(line.top).toBeCloseTo(799.792, 2)
  })
  test('a leak takes the ink of what it has brought about', () => {
    expect(home(box('short')).line.leak).toEqual({ where: 'front rank', priority: 'high' })
    expect(home(box('leak')).line.leak).toEqual({ where: 'front rank', priority: 'low' })
  })
  test('three ranks: the time moves to the foot row', () => {
    expect(home(box('three')).facts[0]).toMatchObject({ value: '5', words: 'min in the tank' })
  })
})

describe('the foot', () => {
  test('it says what kind of air, simulated or not, and how fast', () => {
    expect(home(box('healthy')).sim).toBe('compressed air, simulated')
    expect(home(box('healthy', { simulated: false })).sim).toBe('compressed air')
    expect(home(box('fast')).sim).toBe('compressed air, simulated, 60 times as fast')
  })
  test('a command carries the time of the box, not of the tablet', () => {
    expect(home(box('healthy'), 1500).t).toBe('2026-04-28T08:20:00.500Z')
    expect(home(box('fast'), 1500).t).toBe('2026-04-28T08:20:30.000Z')
  })
  test('an unset clock is not shown as a time', () => {
    expect(home(box('healthy', { clk: 'unset' })).clock).toBe('no clock')
  })
  test('what is out of service is counted', () => {
    const b = receive(box('healthy'), message('alarms', { unacked: 0, active: 0, shelved: 0, out_of_service: 2, highest: 'none', flood: false }, 1001))
    expect(home(b).facts.at(-1)).toMatchObject({ value: '2', words: 'out of service' })
  })
  test('channels tell value, quality and age in words', () => {
    expect(home(box('healthy')).channels.find((c) => c.id === 'load_2')).toMatchObject({ text: 'not seen', quality: 'line open', age: '15 min', old: true })
  })
})

test('an alarm that has stood for more than a day leaves the head and is last in the list', () => {
  const b = box('leak', {}, { state: 'active_acked' })
  const [first] = home(b).alarms
  const key = first?.ref.key ?? ''
  const moved = receive(b, message(`alarm/${key}/${(first?.ref.where ?? '').replaceAll(' ', '-')}`, { ...[...b.alarms.values()].find((a) => a.alarm.key === key)?.alarm, standing: true, seq: 9 }, 1100))
  const v = home(moved)
  expect(v.alarms.at(-1)).toMatchObject({ ref: { key }, state: 'active for more than a day' })
  expect(v.head.title).not.toContain(first?.title)
})

// The file is written by the Go side from its own types (contract_test.go), so a renamed field fails here.
test('a snapshot and an alarm as the Go side writes them are read field by field', () => {
  const go = JSON.parse(readFileSync(new URL('../fake/from-go.json', import.meta.url), 'utf8')) as { now: object; alarm: object; online: object; alarms: object; about: object }
  const events: Event[] = [
    { kind: 'linked', at: at(0) }, message('online', go.online, 1), message('about', go.about, 1), message('alarms', go.alarms, 1),
    message('alarm/air-leak/front-rank', go.alarm, 1), message('now', go.now, 1000),
  ]
  const v = home(events.reduce(receive, empty(at(0))))
  expect(v).toMatchObject({ state: 'low', moving: true, sim: 'compressed air, simulated, 2 times as fast', note: 'a standing sentence' })
  expect(v.head).toMatchObject({ ink: 'medium', title: 'Air leak, front rank', seen: [{ key: 'air-leak', where: 'front rank' }] })
  expect(v.line).toMatchObject({ top: 800, compressor: 'no rest', tank: { text: '566' }, swing: { low: 660, high: 760 }, fall: { text: '34' }, left: { text: '7', about: true } })
  expect(v.line.ranks[0]).toMatchObject({ name: 'front', pressure: { text: '262' }, need: { text: '310' }, short: { value: 48 }, assumed: true, raised: false })
  expect(v.bar).toMatchObject({ gives: { value: 180 }, rated: true, bags: { value: 28 }, drains: { value: 2 }, leak: { value: 8, low: 6, high: 10 }, use: { value: 38 }, spare: { value: 142 }, short: { value: 18 }, words: 'learning' })
  expect(v.facts).toEqual([{ value: '97', words: '% ground contact', unit: '%' }, { value: '13', words: 'h to the drain', unit: 'h' }, { value: '1', words: 'out of service', unit: '1' }])
  expect(v.channels[0]).toMatchObject({ id: 'tank', text: '566 kPa', quality: 'ok', source: 'adc main input 0' })
})
