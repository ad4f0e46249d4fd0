// SPDX-License-Identifier: Apache-2.0

// The box numbers every change of an alarm once it is on its disk. This fold keeps the number of the last one that this
// tablet has taken, sees when some are missing, and remembers what was announced while nobody could look at this tablet
// and was over before anybody acknowledged it. It is pure: no clock, no network, no storage.
//
// What stands is told by the alarms' own retained topics. The fold never tells it a second time, and never sounds.

import { object } from './payload'

/** Alert is one change of an alarm, as the box numbers it. */
export interface Alert {
  line: string
  seq: number
  prev: number
  t?: string
  boot: string
  mono: number
  kind?: string // note and reminder are never announced
  key: string
  where?: string
  title: string
  from: string
  to: string
  by?: string
}

/** Question is what GET /api/alerts is to be asked. */
export interface Question {
  line: string
  since: number
}

/** Episode is an alarm that was announced and that nobody has acknowledged, by the alerts taken so far. */
export interface Episode {
  key: string
  where: string
  title: string
  boot: string // its last change that left it unacknowledged
  mono: number
  t: string // when that was; once it is over, when it ended; empty where the box had no clock
  times: number
  met: boolean // this tablet has shown it before that change
  over: boolean // nobody saw it, and the box no longer waits for anybody: it waits here
}

/** Met is an unacknowledged alarm that this tablet has shown: the run and the time of the change that led there. */
interface Met {
  boot: string
  mono: number
}

/** Alerts is what a tablet keeps. */
export interface Alerts {
  fresh: boolean // this tablet was never here before: what was before it is not its own
  line: string
  seq: number
  marks: Record<string, number> // numbers reached on other lines
  lack: boolean // something is missing
  open: Record<string, Episode> // by alarm
  met: Record<string, Met[]> // by alarm, newest last
}

const mostMarks = 4
const mostMet = 12

/** none is what a tablet keeps that was never here before. */
export const none: Alerts = { fresh: true, line: '', seq: 0, marks: {}, lack: false, open: {}, met: {} }

export const idOf = (key: string, where = '') => `${key}/${where}`

/** question returns what to ask for now; undefined where nothing is missing. */
export function question(a: Alerts): Question | undefined {
  return a.lack ? { line: a.line, since: a.seq } : undefined
}

/** waiting lists what is over and waits to be seen here, the latest first. */
export function waiting(a: Alerts): Episode[] {
  return Object.values(a.open).filter((e) => e.over).sort((x, y) => y.t.localeCompare(x.t) || idOf(x.key, x.where).localeCompare(idOf(y.key, y.where)))
}

/** hear takes a payload of topic alert; taken says whether it was the next one. */
export function hear(a: Alerts, what: unknown): { alerts: Alerts; taken: number } {
  if (!isAlert(what)) return { alerts: a, taken: 0 }
  if (a.fresh) a = { ...a, fresh: false, line: what.line, seq: what.prev }
  if (what.line !== a.line) return { alerts: lacking(a), taken: 0 } // the box alone knows which line is the present one
  if (what.seq <= a.seq) return { alerts: a, taken: 0 }
  return what.prev <= a.seq ? { alerts: take(a, what), taken: 1 } : { alerts: lacking(a), taken: 0 }
}

/** hearLast takes a payload of topic alert/last. A lower number than ours is asked about: the journal may be an older copy. */
export function hearLast(a: Alerts, what: unknown): Alerts {
  if (!object(what) || typeof what.line !== 'string' || !whole(what.seq)) return a
  if (a.fresh) return { ...a, fresh: false, line: what.line, seq: what.seq }
  return what.line === a.line && what.seq === a.seq ? a : lacking(a)
}

/** answered takes what the box answered to a question; undefined where it did not. The box's own list is never in doubt. */
export function answered(a: Alerts, to: Question, what: unknown): { alerts: Alerts; taken: number } {
  if (!object(what) || typeof what.line !== 'string' || !whole(what.last) || !Array.isArray(what.alerts)) return { alerts: a, taken: 0 }
  if (what.line !== a.line) a = begin(a, what.line)
  else if (to.line === a.line && what.last < to.since) a = { ...a, seq: what.last }
  let taken = 0
  for (const one of what.alerts) {
    if (!isAlert(one) || one.line !== a.line || one.seq <= a.seq) continue
    a = take(a, one)
    taken++
  }
  return { alerts: { ...a, lack: a.seq < what.last }, taken }
}

/** meet notes which unacknowledged alarms a person can see on this tablet now. */
export function meet(a: Alerts, shown: { key: string; where?: string; boot: string; mono: number }[]): Alerts {
  let met = a.met
  for (const s of shown) {
    const id = idOf(s.key, s.where)
    if (met[id]?.some((m) => m.boot === s.boot && m.mono === s.mono)) continue
    met = { ...met, [id]: [...(met[id] ?? []), { boot: s.boot, mono: s.mono }].slice(-mostMet) }
  }
  return met === a.met ? a : { ...a, met }
}

/** seen forgets what waited here, once a person has seen it. */
export function seen(a: Alerts, ids: string[]): Alerts {
  return { ...a, open: Object.fromEntries(Object.entries(a.open).filter(([id, e]) => !(e.over && ids.includes(id)))) }
}

/** write tells what must outlive a reload. */
export function write(a: Alerts): string {
  return JSON.stringify({ v: 1, line: a.line, seq: a.seq, marks: a.marks, open: a.open, met: a.met })
}

/** read reads what write has told. What cannot be read makes the tablet a new one. */
export function read(text: string | null): Alerts {
  let said: unknown
  try {
    said = JSON.parse(text ?? '')
  } catch {
    return none
  }
  if (!object(said) || typeof said.line !== 'string' || !whole(said.seq)) return none
  const marks = Object.entries(object(said.marks) ? said.marks : {}).filter((m): m is [string, number] => whole(m[1]))
  const open = Object.entries(object(said.open) ? said.open : {}).filter((m): m is [string, Episode] => isEpisode(m[1]))
  const met = Object.entries(object(said.met) ? said.met : {}).filter((m): m is [string, Met[]] => Array.isArray(m[1]) && m[1].every(isMet))
  return { ...none, fresh: false, line: said.line, seq: said.seq, marks: Object.fromEntries(marks), open: Object.fromEntries(open), met: Object.fromEntries(met) }
}

/** older says whether what is kept is further than what is to be kept: another page of this tablet was quicker. */
export function older(a: Alerts, kept: string | null): boolean {
  const k = read(kept)
  return !k.fresh && k.line === a.line && k.seq > a.seq
}

function lacking(a: Alerts): Alerts {
  return a.lack ? a : { ...a, lack: true }
}

/** begin changes to another line. What nobody had acknowledged on the old one has nobody else now who waits for it. */
function begin(a: Alerts, line: string): Alerts {
  const marks = Object.fromEntries([...Object.entries(a.marks).filter(([l]) => l !== a.line && l !== line), ...(a.line ? [[a.line, a.seq] as const] : [])].slice(-mostMarks))
  const open = Object.fromEntries(Object.entries(a.open).map(([id, e]) => [id, { ...e, over: true }]))
  return { ...a, line, seq: a.marks[line] ?? 0, marks, open }
}

const unacked = (state: string) => state.endsWith('_unacked')

/** take counts an alert in. */
function take(a: Alerts, one: Alert): Alerts {
  const id = idOf(one.key, one.where)
  const was = a.open[id]
  a = { ...a, seq: one.seq }
  if (one.from === one.to || one.kind === 'note' || one.kind === 'reminder') return a
  const shown = (boot: string, mono: number) => a.met[id]?.some((m) => m.boot === boot && m.mono === mono) === true
  const met = was !== undefined && (was.met || shown(was.boot, was.mono))
  if (unacked(one.to)) {
    const begins = was === undefined || (one.to === 'active_unacked' && !unacked(one.from))
    const next: Episode = {
      key: one.key, where: one.where ?? '', title: one.title, boot: one.boot, mono: one.mono, t: one.t ?? '', times: (was?.times ?? 0) + (begins ? 1 : 0), met: met && !begins,
      over: was?.over === true,
    }
    return { ...a, open: { ...a.open, [id]: next } }
  }
  if (was === undefined) return a
  if (one.by || (!was.over && met)) {
    const { [id]: _, ...open } = a.open
    return { ...a, open }
  }
  return { ...a, open: { ...a.open, [id]: { ...was, t: unacked(one.from) ? one.t ?? '' : was.t, over: true } } }
}

function whole(v: unknown): v is number {
  return Number.isSafeInteger(v) && (v as number) >= 0
}

function isAlert(v: unknown): v is Alert {
  return object(v) && typeof v.line === 'string' && whole(v.seq) && whole(v.prev) && v.prev < v.seq && typeof v.boot === 'string' && typeof v.mono === 'number' &&
    typeof v.key === 'string' && typeof v.title === 'string' && typeof v.from === 'string' && typeof v.to === 'string'
}

function isMet(v: unknown): v is Met {
  return object(v) && typeof v.boot === 'string' && typeof v.mono === 'number'
}

function isEpisode(v: unknown): v is Episode {
  return object(v) && ['key', 'where', 'title', 'boot', 't'].every((k) => typeof v[k] === 'string') && typeof v.mono === 'number' && whole(v.times) && typeof v.met === 'boolean' && typeof v.over === 'boolean'
}
