// SPDX-License-Identifier: Apache-2.0

import { expect, test } from 'vitest'
import { scenes } from '../fake/scenes.mjs'
import { none } from '../src/alerts'
import { rates, readHistory, sectionsOf } from '../src/alarmlist'
import { empty, receive, type Inbox } from '../src/inbox'
import { asBox } from '../src/units'

const at = { steady: 0, wall: 0 }

function inboxOf(alarms: { key: string; where?: string; more?: object }[], mono = 100_000): Inbox {
  const stamp = { v: 1, t: '2026-04-28T14:20:00Z', clk: 'good', boot: 'b', mono, seq: 1 }
  let b = receive(empty(at), { kind: 'linked', at })
  for (const a of alarms) b = receive(b, { kind: 'message', topic: `airhold/v1/m/alarm/${a.key}/${a.where ?? ''}`, retained: true, text: JSON.stringify({ ...stamp, ...a, ...a.more }), at })
  return receive(b, { kind: 'message', topic: 'airhold/v1/m/now', retained: false, text: JSON.stringify({ ...stamp, ...scenes.healthy.now }), at })
}

test('each alarm is in one list, a group stands together, and what came first stands first', () => {
  const all = sectionsOf(inboxOf(scenes.alarmed.alarms), [], at, asBox)
  expect(all.map((s) => [s.name, s.items.map((i) => i.ref.key)])).toEqual([
    ['waits and stands', ['air-leak', 'tank-low', 'comp-overworked', 'tank-short']], ['put off', ['load-fault']], ['out of service', ['load-drift']],
    ['active for more than a day', ['comp-short-cycle']], ['notes for the shop', ['can-errors']],
  ])
  expect(all[0]?.items.map((i) => i.group)).toEqual(['first of 4 with one cause', ...Array(3).fill('after: Air leak, front rank')])
  expect(all[1]?.items[0]?.state).toBe('put off, 5 min of running time left') // 400 s less 100 s
  expect(all[2]?.items[0]?.lines).toEqual(['Taken out of service by B. Shop.', 'Why: new sensor ordered'])
})

test('time that is left counts down by the box, at its own pace', () => {
  const b = inboxOf(scenes.alarmed.alarms)
  expect(sectionsOf(b, [], { steady: 61_000, wall: 61_000 }, asBox)[1]?.items[0]?.state).toBe('put off, 4 min of running time left')
  const fast = { ...b, now: b.now && { ...b.now, what: { ...b.now.what, rate: 60 } } }
  expect(sectionsOf(fast, [], { steady: 4000, wall: 4000 }, asBox)[1]?.items[0]?.state).toBe('put off, 1 min of running time left')
})

test('a High is never put off from here; what came and went is listed where the box does not wait for it', () => {
  const gone = { key: 'tank-high', where: '', title: 'Tank pressure high', boot: 'b', mono: 1, t: '', times: 2, met: false, over: true }
  const items = sectionsOf(inboxOf(scenes.short.alarms), [gone, { ...gone, key: 'tank-short' }], at, asBox)[0]?.items ?? []
  expect(items.map((i) => [i.ref.key, i.seen, i.later])).toEqual([
    ['air-leak', false, true], ['tank-low', false, true], ['comp-overworked', true, true], ['tank-short', true, false], ['tank-high', true, false],
  ])
  expect(sectionsOf(inboxOf([]), [], at, asBox)).toEqual([])
  expect(none.open).toEqual({})
})

test('a record is told with when, what, value and who; without a clock it has no day', () => {
  const page = readHistory({
    records: [
      { seq: 7, utc: '2026-04-28T14:07:03Z', clk: 'good', kind: 'alarm', alarm: 'air-leak', title: 'Air leak', where: 'front rank', words: 'acknowledged', value: { value: 34, unit: 'kPa' }, actor: 'A. Tester', via: 'page' },
      { seq: 6, clk: 'unset', kind: 'start', words: 'airhold has started.' }, 'no record',
    ], more: true, next: 6, chain: { records: 7, checked: 5, holds: true, head: 'abcdef0123456789' },
  }, { ...asBox, pressure: 'bar' })
  expect(page?.records).toEqual([
    { seq: 7, day: expect.stringMatching(/^2026-04-2[89]$/), time: expect.stringMatching(/:07:03$/), what: 'Air leak, front rank', words: 'acknowledged', value: '0.34 bar', who: 'A. Tester' },
    { seq: 6, day: '', time: 'no clock', what: '', words: 'airhold has started.', value: '', who: '' },
  ])
  expect([page?.next, page?.chain]).toEqual([6, 'Checked up to record 5 of 7; the last one is abcdef01.'])
  expect(readHistory({ records: [], chain: { holds: false, why: 'record 3 is missing' } }, asBox)?.chain).toBe('The journal does not hold together: record 3 is missing.')
  expect(readHistory({ records: 3 }, asBox)).toBeUndefined()
})

test('how often alarms rang is told by the hour once there is an hour of it', () => {
  expect(rates({ days: [{ announced: 5, operating: { value: 4, unit: 'h' } }] })).toBe('5 rang today, 1.3 an hour.')
  expect(rates({ days: [{ announced: 5, operating: { value: 20, unit: 'min' } }] })).toBe('5 rang today.')
  expect(rates({ days: [] })).toBeUndefined()
})
