// SPDX-License-Identifier: Apache-2.0

// The inbox holds what arrived last, and when. It is a pure fold over events: no clock, no network.

import { isAlarm, isCurve, isNow, isTest, object, type About, type Alarm, type AlarmsSum, type Now, type Online, type Test, type TestCurve } from './payload'

/** Two clocks at one moment, in ms. `steady` never jumps but may stand still while a tablet sleeps; `wall` counts
 * through sleep but may be set by hand. An age is the larger of both differences, so old is never taken for fresh. */
export interface Moment {
  steady: number
  wall: number
}

/** since returns how long ago then was, in ms, never negative. */
export function since(then: Moment, now: Moment): number {
  return Math.max(now.steady - then.steady, now.wall - then.wall, 0)
}

export interface Arrived<T> {
  what: T
  at: Moment
}

export interface Inbox {
  started: Moment
  linked: boolean
  linkedAt?: Moment
  generation: number // counts connections: retained topics of an older one are swept once the new one is whole
  now?: Arrived<Now>
  boots: string[] // runs of the box that are over
  online?: Arrived<Online>
  about?: About
  sum?: AlarmsSum
  alarms: Map<string, { alarm: Alarm; generation: number }> // by topic
  tests: Map<string, Arrived<Test> & { generation: number }> // by run
  curves: Map<string, TestCurve> // by run
}

export type Event =
  | { kind: 'linked' | 'unlinked'; at: Moment }
  | { kind: 'message'; topic: string; retained: boolean; text: string; at: Moment }

/** empty returns the inbox of a page that has just been opened. */
export function empty(started: Moment): Inbox {
  return { started, linked: false, generation: 0, boots: [], alarms: new Map(), tests: new Map(), curves: new Map() }
}

/** receive returns the inbox after e. What cannot be read changes nothing. */
export function receive(b: Inbox, e: Event): Inbox {
  if (e.kind === 'linked') return { ...b, linked: true, linkedAt: e.at, generation: b.generation + 1 }
  if (e.kind !== 'message') return { ...b, linked: false }
  const [, version, , branch, ...rest] = e.topic.split('/')
  if (version !== 'v1' || branch === undefined) return b
  if (branch === 'alarm' && rest.length > 0) return withAlarm(b, e.topic, e.text)
  if (branch === 'test' && rest[0] !== undefined) return rest[1] === 'curve' ? withCurve(b, rest[0], e.text) : withTest(b, rest[0], e.text, e.at)
  const what = parse(e.text)
  switch (branch) {
    case 'now':
      return e.retained || !isNow(what) ? b : withNow(b, what, e.at)
    case 'online':
      return object(what) && typeof what.online === 'boolean' ? { ...b, online: { what: what as unknown as Online, at: e.at } } : b
    case 'about':
      return object(what) ? { ...b, about: what as unknown as About } : b
    case 'alarms':
      return object(what) ? { ...b, sum: what as unknown as AlarmsSum } : b
    default:
      return b
  }
}

/** withNow takes a snapshot only when the box's own clock has moved on: a repeated or late one is no new reading. */
function withNow(b: Inbox, now: Now, at: Moment): Inbox {
  const last = b.now?.what
  let boots = b.boots
  if (last !== undefined) {
    if (now.boot === last.boot ? now.mono <= last.mono : boots.includes(now.boot)) return b
    if (now.boot !== last.boot) boots = [...boots.slice(-15), last.boot]
  }
  const alarms = new Map([...b.alarms].filter(([, a]) => a.generation === b.generation))
  const tests = new Map([...b.tests].filter(([, t]) => t.generation === b.generation))
  return { ...b, now: { what: now, at }, boots, alarms, tests }
}

function withAlarm(b: Inbox, topic: string, text: string): Inbox {
  const alarms = new Map(b.alarms)
  if (text === '') {
    alarms.delete(topic)
    return { ...b, alarms }
  }
  const what = parse(text)
  if (!isAlarm(what)) return b
  alarms.set(topic, { alarm: what, generation: b.generation })
  return { ...b, alarms }
}

/** withTest keeps the newest word of a run; an emptied topic takes the run away. */
function withTest(b: Inbox, run: string, text: string, at: Moment): Inbox {
  const tests = new Map(b.tests)
  tests.delete(run) // the run that spoke last stands last
  if (text === '') {
    const curves = new Map(b.curves)
    curves.delete(run)
    return { ...b, tests, curves }
  }
  const what = parse(text)
  if (!isTest(what) || what.run !== run) return b
  tests.set(run, { what, at, generation: b.generation })
  return { ...b, tests }
}

function withCurve(b: Inbox, run: string, text: string): Inbox {
  const curves = new Map(b.curves)
  if (text === '') curves.delete(run)
  else {
    const what = parse(text)
    if (!isCurve(what)) return b
    curves.set(run, what)
  }
  return { ...b, curves }
}

/** testOf returns the test that goes on, else the one that began last. Without a clock the one that spoke last counts. */
export function testOf(b: Inbox): Arrived<Test> | undefined {
  const all = [...b.tests.values()].reverse()
  const began = (t: Test) => Date.parse(t.started ?? '') || 0
  return all.find((t) => t.what.step !== 'result') ?? all.reduce<Arrived<Test> | undefined>((best, t) => (best && began(best.what) >= began(t.what) ? best : t), undefined)
}

function parse(text: string): unknown {
  try {
    return JSON.parse(text)
  } catch {
    return undefined
  }
}
