// SPDX-License-Identifier: Apache-2.0

import { describe, expect, test } from 'vitest'
import { empty, receive, since, type Event, type Inbox } from '../src/inbox'
import { healthy, scenes } from '../fake/scenes.mjs'

const at = (ms: number, slept = 0) => ({ steady: ms, wall: 1_800_000_000_000 + ms + slept })
const stamp = (seq: number, boot = 'b1') => ({ t: '2026-04-28T08:20:00Z', clk: 'good', boot, mono: 1000 + 500 * seq, seq })
const message = (branch: string, what: unknown, ms: number, retained = false): Event =>
  ({ kind: 'message', topic: `airhold/v1/kettle/${branch}`, retained, text: typeof what === 'string' ? what : JSON.stringify(what), at: at(ms) })
const now = (seq: number, ms: number, boot = 'b1') => message('now', { ...healthy, ...stamp(seq, boot) }, ms)
const alarm = (key: string, state: string, ms: number) => message(`alarm/${key}`, { ...stamp(1), key, title: key, state, priority: 'medium' }, ms, true)
const fold = (events: Event[]): Inbox => events.reduce(receive, empty(at(0)))

describe('what the inbox takes for a reading', () => {
  test('the newest snapshot counts, with the moment it came', () => {
    const b = fold([now(1, 100), now(2, 600)])
    expect([b.now?.what.seq, b.now?.at.steady]).toEqual([2, 600])
  })
  test('a repeated snapshot does not make the page fresh again', () => {
    expect(fold([now(2, 600), now(2, 4000)]).now?.at.steady).toBe(600)
  })
  test('a late snapshot is dropped', () => {
    expect(fold([now(3, 600), now(2, 700)]).now?.what.seq).toBe(3)
  })
  test('a box that has started again is taken, its former run never', () => {
    const b = fold([now(9, 600), now(1, 700, 'b2'), now(10, 800)])
    expect([b.now?.what.boot, b.now?.at.steady]).toEqual(['b2', 700])
  })
  test('a kept snapshot is none: nothing says how old it is', () => {
    expect(fold([{ ...now(1, 10), retained: true } as Event]).now).toBeUndefined()
  })
  test.each(['', '{', '[]', 'null', '{"t":1}', '"now"'])('%j changes nothing', (text) => {
    expect(fold([now(1, 100), message('now', text, 200), message('online', text, 200), message('alarm/x', text === '' ? '{' : text, 200)])).toEqual(fold([now(1, 100)]))
  })
  test('other topics and versions are left alone', () => {
    const other = { ...now(1, 1), topic: 'airhold/v2/kettle/now' } as Event
    expect(fold([other]).now).toBeUndefined()
  })
})

describe('alarms across connections', () => {
  test('an alarm that the box no longer keeps goes once the new connection is whole', () => {
    const before: Event[] = [{ kind: 'linked', at: at(1) }, alarm('air-leak', 'active_unacked', 2), alarm('tank-low', 'active_acked', 2), now(1, 3)]
    const after: Event[] = [{ kind: 'unlinked', at: at(900) }, { kind: 'linked', at: at(1500) }, alarm('tank-low', 'active_acked', 1501)]
    expect(fold([...before, ...after]).alarms.size).toBe(2)
    expect([...fold([...before, ...after, now(4, 1510)]).alarms.values()].map((a) => a.alarm.key)).toEqual(['tank-low'])
  })
  test('an emptied topic takes its alarm away', () => {
    expect(fold([alarm('air-leak', 'active_unacked', 2), message('alarm/air-leak', '', 3)]).alarms.size).toBe(0)
  })
})

describe('age', () => {
  test('time that a tablet slept counts', () => {
    expect(since(at(1000), at(1500, 60_000))).toBe(60_500)
  })
  test('a clock set back makes nothing younger', () => {
    expect(since(at(1000), at(5000, -3_600_000))).toBe(4000)
  })
  test('it is never negative', () => {
    expect(since(at(1000), at(900))).toBe(0)
  })
})

test('every invented scene is a snapshot the page accepts', () => {
  for (const [name, s] of Object.entries(scenes)) {
    expect(fold([message('now', { ...(s as { now: object }).now, ...stamp(1) }, 5)]).now, name).toBeDefined()
  }
})
