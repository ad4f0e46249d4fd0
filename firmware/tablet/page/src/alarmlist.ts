// SPDX-License-Identifier: Apache-2.0

// The alarms as the screen "Alarms" lists them, and the journal's records as it tells them. Pure.

import { idOf, type Episode } from './alerts'
import { since, type Inbox, type Moment } from './inbox'
import { object, type Alarm, type Measure, type Priority } from './payload'
import { say } from './say'
import { inUnits, type Choice } from './units'
import type { AlarmRef } from './view'
import { alarmState, boxTime, clockTime, figure, named, unit, upper, weight } from './words'

/** Listed is an alarm in a list, with all that is told of it once it is opened. */
export interface Listed {
  id: string
  ref: AlarmRef
  title: string
  priority: Priority
  state: string // in words, with since when
  group: string // its part in a group, in words; empty: it stands alone
  lines: string[] // value and limit, and who did what
  act: string
  cause: string
  consequence: string
  caution: string
  seen: boolean // it may be acknowledged
  later: boolean // it may be put off
  back: boolean // it may be shown again
}

export interface Section {
  name: string
  items: Listed[]
}

const active = (a: Alarm) => a.state.startsWith('active') || a.state.startsWith('latched')
const unacked = (a: Alarm) => a.state.endsWith('_unacked')

/** sectionsOf sorts what a person may want to look at; sections that hold nothing are left out. */
export function sectionsOf(b: Inbox, away: Episode[], at: Moment, units: Choice): Section[] {
  const all = [...b.alarms.values()].map((a) => inUnits(a.alarm, units)).filter((a) => a.key !== 'care-due' && a.state !== 'normal' && a.state !== 'suppressed')
  const told = new Set(all.filter(unacked).map((a) => idOf(a.key, a.where)))
  const hid = (a: Alarm) => a.state === 'shelved' || a.state === 'out_of_service'
  const note = (a: Alarm) => a.kind === 'note' || a.kind === 'reminder'
  const plain = all.filter((a) => !hid(a) && !a.standing && !(note(a) && weight(a.priority) < 2))
  const now = mono(b, at)
  return [
    { name: say('waits and stands'), items: [...grouped(plain).map((a) => listed(a, plain, now)), ...away.filter((e) => !told.has(idOf(e.key, e.where))).map(gone)] },
    { name: say('put off'), items: all.filter((a) => a.state === 'shelved').map((a) => listed(a, [], now)) },
    { name: say('out of service'), items: all.filter((a) => a.state === 'out_of_service').map((a) => listed(a, [], now)) },
    { name: say('active for more than a day'), items: all.filter((a) => !hid(a) && a.standing && !note(a)).map((a) => listed(a, [], now)) },
    { name: say('notes for the shop'), items: all.filter((a) => !hid(a) && note(a) && (a.standing || weight(a.priority) < 2)).map((a) => listed(a, [], now)) },
  ].filter((s) => s.items.length > 0)
}

/** mono is the box's running clock now, in ms: the last one heard, and how long ago that is. */
function mono(b: Inbox, at: Moment): number {
  if (!b.now) return NaN
  return b.now.what.mono + since(b.now.at, at) * (b.now.what.rate > 0 ? b.now.what.rate : 1)
}

const inGroup = (a: Alarm) => a.group !== undefined && a.group !== ''

/** grouped puts the most urgent group first, and in a group what came first on top. */
function grouped(all: Alarm[]): Alarm[] {
  const rank = (a: Alarm) => Number(unacked(a)) * 4 + weight(a.priority) + (active(a) ? 8 : 0)
  const best = (a: Alarm) => Math.max(...all.filter((x) => x === a || (inGroup(a) && x.group === a.group)).map(rank))
  const name = (a: Alarm) => (inGroup(a) ? a.group ?? '' : idOf(a.key, a.where))
  return [...all].sort((a, b) => best(b) - best(a) || name(a).localeCompare(name(b)) || Number(b.firstout) - Number(a.firstout) || (boxTime(a.onset) || 0) - (boxTime(b.onset) || 0) || a.key.localeCompare(b.key))
}

function listed(a: Alarm, among: Alarm[], now: number): Listed {
  const group = inGroup(a) ? among.filter((x) => x.group === a.group) : []
  const first = group.find((x) => x.firstout)
  const when = clockTime(boxTime(a.onset))
  const state = alarmState(a.state)
  const left = a.state === 'shelved' && a.until_mono ? Math.max(0, Math.ceil((a.until_mono - now) / 60_000)) : NaN
  return {
    id: idOf(a.key, a.where), ref: { key: a.key, where: a.where ?? '' }, title: named(a.title, a.where), priority: a.priority,
    state: Number.isFinite(left) ? say('put off, {n} min of running time left', { n: left }) : when ? say('{state}, since {time}', { state, time: when }) : state,
    group: group.length < 2 ? '' : a.firstout ? say('first of {n} with one cause', { n: group.length }) : first ? say('after: {what}', { what: named(first.title, first.where) }) : say('one of {n} with one cause', { n: group.length }),
    lines: [
      a.value ? (a.limit ? say('{value}, limit {limit}', { value: told(a.value), limit: told(a.limit) }) : told(a.value)) : '',
      a.by && a.state === 'shelved' ? say('Put off by {who}.', { who: a.by }) : a.by && a.state === 'out_of_service' ? say('Taken out of service by {who}.', { who: a.by }) : '',
      a.why ? say('Why: {why}', { why: a.why }) : '', a.detail ?? '',
    ].filter((l) => l !== ''),
    act: a.do ? upper(a.do) : '', cause: a.cause ?? '', consequence: a.consequence ?? '', caution: a.caution ?? '',
    seen: unacked(a), later: a.priority !== 'high' && (a.state === 'active_unacked' || a.state === 'active_acked'), back: a.state === 'shelved',
  }
}

/** gone lists what came and went while this tablet was away. */
function gone(e: Episode): Listed {
  const when = clockTime(boxTime(e.t))
  return {
    id: idOf(e.key, e.where), ref: { key: e.key, where: e.where, own: true }, title: named(e.title, e.where), priority: 'low',
    state: when ? say('came and went unseen, over {when}', { when }) : say('came and went unseen'),
    group: '', lines: [e.times > 1 ? say('It came {n} times while this tablet was away.', { n: e.times }) : say('It came once while this tablet was away.')],
    act: '', cause: '', consequence: '', caution: '', seen: true, later: false, back: false,
  }
}

function told(m: Measure): string {
  return `${figure(m)} ${unit(m)}`.trim()
}

/** Told is a record of the journal as the history tells it. */
export interface Told {
  seq: number
  day: string // 2026-04-28; empty where the clock was not set
  time: string
  what: string
  words: string
  value: string
  who: string
}

export interface History {
  records: Told[]
  next: number // what to ask for older ones; 0: there are none
  chain: string
}

/** readHistory reads GET /api/journal. */
export function readHistory(v: unknown, units: Choice): History | undefined {
  if (!object(v) || !Array.isArray(v.records) || !object(v.chain)) return undefined
  const c = v.chain
  const head = typeof c.head === 'string' ? c.head.slice(0, 8) : ''
  return {
    records: v.records.flatMap((r: unknown) => (object(r) && typeof r.seq === 'number' && typeof r.words === 'string' ? [tell(r, units)] : [])),
    next: v.more === true && typeof v.next === 'number' ? v.next : 0,
    chain: c.holds === false ? say('The journal does not hold together: {why}.', { why: String(c.why ?? '') }) :
      say('Checked up to record {n} of {all}; the last one is {head}.', { n: Number(c.checked) || 0, all: Number(c.records) || 0, head: head || '-' }),
  }
}

function tell(r: Record<string, unknown>, units: Choice): Told {
  const text = (k: string) => (typeof r[k] === 'string' ? r[k] : '')
  const t = boxTime(text('utc'))
  const known = Number.isFinite(t) && r.clk !== 'unset'
  const d = new Date(t)
  const two = (n: number) => String(n).padStart(2, '0')
  const value = object(r.value) && typeof r.value.value === 'number' && typeof r.value.unit === 'string' ? told(inUnits(r.value as unknown as Measure, units)) : ''
  return {
    seq: r.seq as number, day: known ? `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}` : '', time: known ? clockTime(t, true) : say('no clock'),
    what: r.kind === 'alarm' ? named(text('title') || text('alarm'), text('where')) : '', words: text('words'), value,
    who: text('actor') ? (text('via') === 'cli' ? say('{who}, at the box', { who: text('actor') }) : text('actor')) : '',
  }
}

/** rates tells from GET /api/alarm-health how often alarms rang today; undefined where that is not known. */
export function rates(v: unknown): string | undefined {
  const day: unknown = object(v) && Array.isArray(v.days) ? v.days[0] : undefined
  if (!object(day) || typeof day.announced !== 'number') return undefined
  const o = day.operating
  const hours = object(o) && typeof o.value === 'number' ? o.value / ({ h: 1, min: 60, s: 3600 }[String(o.unit)] ?? NaN) : NaN
  return hours >= 1 ? say('{n} rang today, {rate} an hour.', { n: day.announced, rate: (day.announced / hours).toFixed(1) }) : say('{n} rang today.', { n: day.announced })
}
