// SPDX-License-Identifier: Apache-2.0

// From what arrived to what is shown: one pure function of the inbox and the present moment.

import { idOf, type Episode } from './alerts'
import { since, type Inbox, type Moment } from './inbox'
import { wanted, type BarState } from './bar'
import type { Ringing } from './bell'
import { dueOf, waterOf, type CareItem } from './care'
import { factsOf, leftOf, noteOf, type Fact } from './foot'
import { lastWords, steps, testView, type TestView } from './leakdown'
import type { Doubt, Figure, LeakMark, LineRank, LineState } from './line'
import { morningOf, type MorningView } from './morning'
import type { Alarm, Measure, Now, Priority, StateCode } from './payload'
import { heard, say } from './say'
import { asBox, inUnits, type Choice } from './units'
import {
  age, boxTime, clockTime, compressorWords, figure, kPa, listOf, lower, named, quality, rounded, stateWords, unit, unsure, upper, weight,
  alarmState,
} from './words'

/** Older figures are dimmed and show their age. */
export const staleAfter = 2000
/** After this long without a reading the page covers itself. */
export const coverAfter = 3000
/** After this long without a first answer the cover takes the place of the waiting sentence. */
export const askFor = 10_000

export interface Row {
  when: 'Now' | 'Then' | 'Tonight' | 'Cause' | 'Where' | 'Why' // named by the head
  text: string
}

/** AlarmRef names an alarm for a command. */
export interface AlarmRef {
  key: string
  where: string
  own?: boolean // it waits on this tablet alone
}

/** Head is the place that answers the operator's questions; an alarm takes it over instead of adding to it. */
export interface Head {
  ink: Priority
  word: string
  mark: 'word' | 'title' | 'none'
  blink: boolean
  title: string
  rows: Row[]
  cause: string
  seen: AlarmRef[] // what Seen acknowledges; empty: no button
  later: AlarmRef[] // what Later puts off; empty: no button
}

export interface ListedAlarm {
  ref: AlarmRef
  title: string
  priority: Priority
  state: string
  since: string
  act: string
  caution: string
  unacked: boolean
}

export interface ListedChannel {
  id: string
  text: string
  value: Measure | undefined
  quality: string
  age: string
  old: boolean
  source: string
}

interface Frame {
  clock: string
  hour: number // by the box's clock, for day and night; NaN while it is not known
  sim: string
  t: string // the box's present time for a command, ISO; empty while it is not known
  rings: Ringing[] // what is to be heard
}

export interface Asking extends Frame { kind: 'asking'; seconds: number }
export interface Cover extends Frame { kind: 'cover'; title: string; rows: Row[]; seconds: number; unit: string; past: string; state: StateCode | 'none' }
export interface Home extends Frame {
  kind: 'home'
  state: StateCode
  head: Head
  line: LineState
  bar: BarState
  facts: Fact[]
  note: string
  banner: boolean // the note tells what is wrong with the box: it never vanishes
  alarms: ListedAlarm[]
  channels: ListedChannel[]
  moving: boolean
  test: { run: string; running: boolean; words: string } | undefined // the leak-down test that goes on, or the last one
  morning: MorningView | undefined // the first screen of the day; it gives way to an alarm
  care: CareItem[] // what is due, the most pressing first
  water: string
}
export type View = Asking | Cover | Home

/**
 * derive returns what to show at this moment, in the units this tablet was told to use. away is what came and went while
 * nobody could look at this tablet.
 */
export function derive(b: Inbox, at: Moment, units: Choice = asBox, away: Episode[] = []): View {
  const now = b.now && { ...b.now, what: inUnits(b.now.what, units) }
  if (now === undefined) {
    const waited = since(b.started, at)
    const frame: Frame = { clock: '', hour: NaN, sim: say('compressed air'), t: '', rings: [] }
    if (waited < askFor && b.online?.what.online !== false) return { kind: 'asking', seconds: Math.floor(waited / 1000), ...frame }
    return { kind: 'cover', ...coverWords(b), seconds: Math.floor(waited / 1000), unit: say('s and no reading yet'), past: '', state: 'none', ...frame, rings: [linkLost] }
  }
  const old = since(now.at, at)
  const frame = frameOf(now.what, old)
  const gone = b.online !== undefined && !b.online.what.online && since(b.online.at, at) <= old
  if (old > coverAfter || gone) {
    return {
      kind: 'cover', ...coverWords(b), seconds: Math.floor(old / 1000), unit: say('s since the last reading'), past: past(now.what, testView(b, at)?.running === true),
      state: now.what.state, ...frame, rings: [linkLost, ...ringsOf(b, 'none')],
    }
  }
  const listed = [...awayOf(b, away), ...[...b.alarms.values()].map((a) => a.alarm).filter(shown)].sort(byUrgency)
  const test = testView(b, at)
  const head = headOf(now.what, listed.filter((a) => !a.standing), test)
  const bar = barOf(now.what, listed)
  const note = noteOf(now.what, bar, head.cause)
  return {
    kind: 'home', state: now.what.state, head, line: lineOf(now.what, old, listed), bar,
    facts: factsOf(now.what, b.sum?.out_of_service ?? 0), note, banner: note !== '' && note === heard(now.what.banner ?? ''), alarms: listed.map(listAlarm),
    channels: channelsOf(now.what, old, b), moving: now.what.moving, test: test && { run: test.run, running: test.running, words: testWords(test) },
    morning: morningOf(now.what, head), care: dueOf(now.what), water: waterOf(now.what.water), ...frame,
    rings: ringsOf(b, b.sum?.flood ? 'high' : 'low'),
  }
}

function frameOf(n: Now, old: number): Frame {
  const rate = n.rate > 0 ? n.rate : 1
  const t = boxTime(n.t) + old * rate
  const known = Number.isFinite(t) && n.clk !== 'unset'
  return {
    clock: known ? clockTime(t) : say('no clock'),
    hour: known ? new Date(t).getHours() : NaN,
    sim: simOf(n.simulated, Number(rate.toPrecision(3))),
    t: Number.isFinite(t) ? new Date(t).toISOString() : '',
    rings: [],
  }
}

/** simOf is the foot: what kind of air, and how fast the time of a simulation runs. */
function simOf(simulated: boolean, rate: number): string {
  if (rate === 1) return simulated ? say('compressed air, simulated') : say('compressed air')
  return simulated ? say('compressed air, simulated, {n} times as fast', { n: rate }) : say('compressed air, {n} times as fast', { n: rate })
}

function coverWords(b: Inbox): { title: string; rows: Row[] } {
  const drive: Row = { when: 'Now', text: say('Go by the machine’s own gauge') }
  if (b.linked && b.online?.what.online === false) {
    return { title: say('The box has stopped'), rows: [drive, { when: 'Then', text: say('Look at the box’s light and its supply') }] }
  }
  if (b.linked) {
    return { title: say('The box is silent'), rows: [drive, { when: 'Then', text: say('Look at the box’s light') }] }
  }
  return { title: say('No link to the box'), rows: [drive, { when: 'Then', text: say('Look at the box’s light and the Wi-Fi') }] }
}

/** testWords tells the running test, or the last one, in a line. */
function testWords(t: TestView): string {
  if (!t.running) return lastWords(t)
  const places = { where: upper(t.where), at: t.at + 1, of: steps.length, step: lower(say(steps[t.at]?.words ?? '')), n: t.seconds }
  return t.step === 'watch' ? say('{where}, step {at} of {of}: {step}, {n} s', places) : say('{where}, step {at} of {of}: {step}', places)
}

/** past tells the last state in the past tense. */
function past(n: Now, testing: boolean): string {
  const when = n.clk === 'unset' ? '' : clockTime(boxTime(n.t), true)
  const p = n.tank.pressure
  const places = { when: when === '' ? say('At the last reading') : say('At {time}', { time: when }), ...(p ? { n: figure(p), unit: unit(p) } : {}) }
  const all = p ? wasWithTank(n.state, places) : was(n.state, places)
  if (testing) return `${all} ${say('The leak-down test goes on in the box. This page shows readings again as soon as they arrive.')}`
  return `${all} ${say('The machine’s air does not depend on this page. It shows readings again as soon as they arrive.')}`
}

/** was tells a state in the past tense. */
function was(s: StateCode, places: Record<string, string>): string {
  switch (s) {
    case 'holds':
      return say('{when} air held.', places)
    case 'low':
      return say('{when} air was low.', places)
    case 'short':
      return say('{when} air was short.', places)
    default:
      return say('{when} air was not known.', places)
  }
}

function wasWithTank(s: StateCode, places: Record<string, string>): string {
  switch (s) {
    case 'holds':
      return say('{when} air held and the tank had {n} {unit}.', places)
    case 'low':
      return say('{when} air was low and the tank had {n} {unit}.', places)
    case 'short':
      return say('{when} air was short and the tank had {n} {unit}.', places)
    default:
      return say('{when} air was not known and the tank had {n} {unit}.', places)
  }
}

// Alarms.

const hidden = new Set(['normal', 'shelved', 'suppressed', 'out_of_service'])

/** What is due of the care list is no alarm: it has its own list, and the line of the evening. */
const careDue = 'care-due'

/** linkLost is the one alarm that the page makes itself. */
const linkLost: Ringing = { id: 'link-lost', priority: 'medium' }

/** ringsOf lists what waits to be seen; what is below least keeps still. Behind a cover nothing is known to ring. */
function ringsOf(b: Inbox, least: Priority): Ringing[] {
  return [...b.alarms.values()].map((a) => a.alarm).filter((a) => shown(a) && unacked(a) && standing(a) && !a.silent)
    .map((a) => ({ id: `${a.key}/${a.where ?? ''}`, priority: least !== 'none' && weight(a.priority) >= weight(least) ? a.priority : 'none' }))
}

/** unseen lists the unacknowledged alarms that screens show. */
export function unseen(b: Inbox): Alarm[] {
  return [...b.alarms.values()].map((a) => a.alarm).filter((a) => shown(a) && unacked(a))
}

/** awayOf makes alarms of what waits here. What the box still waits for stands on its own topic, and is not told twice. */
function awayOf(b: Inbox, away: Episode[]): Alarm[] {
  const told = new Set(unseen(b).map((a) => idOf(a.key, a.where)))
  return away.filter((e) => !told.has(idOf(e.key, e.where))).map((e) => ({
    key: e.key, where: e.where, title: e.title, state: 'returned_unacked', priority: 'low', firstout: false, silent: true, own: true, t: e.t, clk: '', boot: e.boot, mono: e.mono, seq: 0,
  }))
}

function shown(a: Alarm): boolean {
  return !hidden.has(a.state) && a.key !== careDue
}

function unacked(a: Alarm): boolean {
  return a.state.endsWith('_unacked')
}

function standing(a: Alarm): boolean {
  return a.state.startsWith('active') || a.state.startsWith('latched')
}

/** byUrgency puts last what has stood for more than a day, and first what the head must show: the highest priority, then the air itself, then the unacknowledged, then the earliest. */
function byUrgency(a: Alarm, b: Alarm): number {
  return Number(a.standing ?? false) - Number(b.standing ?? false) || weight(b.priority) - weight(a.priority) || Number(airKeys.has(b.key)) - Number(airKeys.has(a.key)) || Number(unacked(b)) - Number(unacked(a)) || Number(a.silent) - Number(b.silent) ||
    (boxTime(a.onset) || 0) - (boxTime(b.onset) || 0) || a.key.localeCompare(b.key)
}

function ref(a: Alarm): AlarmRef {
  return { key: a.key, where: a.where ?? '', ...(a.own ? { own: true } : {}) }
}

const airKeys = new Set(['tank-low', 'tank-short'])

/** headOf says what stands in the head: the state, or the alarm that takes its place. */
function headOf(n: Now, alarms: Alarm[], test: TestView | undefined): Head {
  const word = say(stateWords[n.state] ?? stateWords.not_known)
  const now: Row = { when: 'Now', text: n.do ? heard(n.do) : say('nothing to do') }
  const quiet: Head = { ink: 'none', word, mark: 'none', blink: false, title: '', rows: [now], cause: '', seen: [], later: [] }
  const over = alarms.filter((a) => !standing(a))
  alarms = alarms.filter(standing)
  const lead = alarms[0]
  if (lead === undefined) {
    if (test?.running) quiet.cause = say('Leak-down test: {what}.', { what: lower(testWords(test)) }) + (test.heldBack ? ` ${say('Air alarms are held back.')}` : '')
    else if (n.banner) quiet.cause = heard(n.banner)
    else if (n.then) quiet.rows.push({ when: 'Then', text: heard(n.then) })
    else if (n.tonight) quiet.rows.push({ when: 'Tonight', text: listOf(n.tonight) })
    return over.length > 0 ? returned(quiet, over) : quiet
  }
  const group = alarms.filter((a) => a === lead || (lead.group !== undefined && lead.group !== '' && a.group === lead.group))
  const waiting = unacked(lead) || group.some(unacked) ? group.filter(unacked) : alarms.filter(unacked).slice(0, 1)
  const head: Head = {
    ...quiet, blink: lead.priority === 'high' && unacked(lead), seen: waiting.map(ref),
    later: waiting.some((a) => a.priority === 'high') ? [] : waiting.map(ref),
  }
  const other = waiting.find((a) => !group.includes(a))
  const title = named(lead.title, lead.where)
  const loud = lead.priority === 'high' || (lead.priority === 'medium' && (unacked(lead) || n.state !== 'holds'))
  head.ink = lead.priority
  head.cause = [groupWords(lead, group), other ? say('Also: {what}', { what: lower(named(other.title, other.where)) }) : '', rest(alarms, group)]
    .filter((s) => s !== '').join('. ')
  if (loud && airKeys.has(lead.key) && n.state !== 'holds') {
    head.mark = 'word'
    const second: Row | undefined = n.then ? { when: 'Then', text: upper(heard(n.then)) } : lead.cause ? { when: 'Cause', text: heard(lead.cause) } : undefined
    head.rows = [{ when: 'Now', text: upper(now.text) }, ...(second ? [second] : [])]
    return head
  }
  head.title = title
  head.mark = 'title'
  const act: Row | undefined = lead.do ? { when: lead.from === 'parked' ? 'Then' : 'Now', text: upper(heard(lead.do)) } : undefined
  if (!loud) {
    head.ink = lead.priority === 'high' ? 'high' : 'low'
    head.rows = [now]
    head.cause = [act ? act.when === 'Then' ? say('Then: {what}', { what: lower(act.text) }) : say('Now: {what}', { what: lower(act.text) }) : '', head.cause].filter((s) => s !== '').join('. ')
    return head
  }
  if (lead.priority === 'high') {
    // A High that is not the state itself: its name takes the large place, the state stays in words below.
    head.word = title
    head.title = word
    head.mark = 'word'
  }
  if (lead.caution) head.cause = [heard(lead.caution).replace(/\.$/, ''), head.cause].filter((s) => s !== '').join('. ')
  head.rows = act?.when === 'Now' ? [act] : [{ when: 'Now', text: upper(now.text) }, ...(act ? [act] : [])]
  if (act?.when === 'Now' && n.then) head.rows.push({ when: 'Then', text: upper(heard(n.then)) })
  return head
}

/** returned tells of what is over and was not yet seen: nothing is to be done, so it asks for Seen and no more. */
function returned(head: Head, over: Alarm[]): Head {
  const last = over.reduce((a, b) => ((boxTime(b.t) || 0) > (boxTime(a.t) || 0) ? b : a))
  const when = clockTime(boxTime(last.t))
  return {
    ...head, ink: 'low', mark: 'title', title: last.own ? cameAndWent(named(last.title, last.where), when) : when ? say('{what}: returned {time}', { what: named(last.title, last.where), time: when }) : say('{what}: returned', { what: named(last.title, last.where) }),
    cause: [head.cause, over.length > 1 ? say('{n} more returned, in Menu, Alarms', { n: over.length - 1 }) : ''].filter((s) => s !== '').join('. '),
    seen: over.map(ref), later: [],
  }
}

/** cameAndWent tells what nobody could see on this tablet. */
function cameAndWent(what: string, when: string): string {
  return when ? say('{what}: came and went while this tablet was away, over {when}', { what, when }) : say('{what}: came and went while this tablet was away', { what })
}

function groupWords(lead: Alarm, group: Alarm[]): string {
  if (group.length < 2) return ''
  const first = group.find((a) => a.firstout) ?? lead
  const onset = clockTime(boxTime(first.onset))
  const places = { n: group.length, what: lower(named(first.title, first.where)), time: onset }
  return onset ? say('{n} alarms, one cause. First: {what}, since {time}', places) : say('{n} alarms, one cause. First: {what}', places)
}

function rest(alarms: Alarm[], group: Alarm[]): string {
  const n = alarms.length - group.length
  return n > 0 ? say('{n} more in Menu, Alarms', { n }) : ''
}

function listedState(a: Alarm): string {
  if (a.own) return say('came and went while this tablet was away')
  return a.standing ? say('active for more than a day') : alarmState(a.state)
}

function listAlarm(a: Alarm): ListedAlarm {
  return {
    ref: ref(a), title: named(a.title, a.where), priority: a.priority, state: listedState(a), since: clockTime(boxTime(a.onset)),
    act: a.do ? upper(heard(a.do)) : '', caution: heard(a.caution ?? ''), unacked: unacked(a),
  }
}

// The drawing.

const usable = (q: string) => q === 'ok' || q === ''

function reading(m: Measure | null | undefined, q: string, ageMs: number): Figure | undefined {
  if (!m || !usable(q) || !Number.isFinite(kPa(m))) return undefined
  return { kPa: kPa(m), text: figure(m), measure: m, ...(ageMs > staleAfter ? { age: age(ageMs) } : {}) }
}

function plain(m: Measure | null | undefined): Figure | undefined {
  return m && Number.isFinite(kPa(m)) ? { kPa: kPa(m), text: figure(m), measure: m } : undefined
}

function lineOf(n: Now, old: number, alarms: Alarm[]): LineState {
  const tank = reading(n.tank.pressure, n.tank.quality, n.tank.age + old)
  const ranks = (n.ranks ?? []).map((r): LineRank => {
    const p = reading(r.pressure, r.quality, r.age + old)
    const need = plain(r.need)
    const doubt = doubtOf(p)
    const inDoubt = doubt !== undefined && need !== undefined && need.kPa >= doubt.low && need.kPa <= doubt.high
    return {
      name: r.name.replace(/ rank$/, ''), pressure: p, need, assumed: r.assumed, raised: r.raised, doubt,
      short: r.raised || inDoubt || !p ? undefined : r.short ?? undefined,
      impossible: p !== undefined && tank !== undefined && impossible(p, tank),
    }
  })
  const shown = n.top ?? n.tank.pressure ?? n.ranks?.find((r) => r.pressure)?.pressure
  const cutIn = plain(n.tank.cut_in)
  const cutOut = plain(n.tank.cut_out)
  const fall = n.tank.fall
  return {
    top: plain(n.top)?.kPa ?? highest([tank, cutOut, ...ranks.flatMap((r) => [r.pressure, r.need])]),
    unit: shown ? unit(shown) : '',
    compressor: compressorWords[n.compressor.word] ?? compressorWords.not_seen,
    running: n.compressor.word === 'running' || n.compressor.word === 'no_rest',
    compressorSeen: n.compressor.word in compressorWords && n.compressor.word !== 'not_seen',
    tank, doubt: doubtOf(tank),
    swing: cutIn && cutOut ? { low: cutIn.kPa, high: cutOut.kPa } : undefined,
    fall: fall && fall.value > 0 && rounded(fall) > 0 ? { text: figure(fall), measure: fall } : undefined,
    ranks,
    left: tank && n.left ? leftOf(n.left, ranks.some((r) => r.assumed)) : undefined,
    leak: leakOf(alarms),
  }
}

function doubtOf(f: Figure | undefined): Doubt | undefined {
  return f && unsure(f.measure) ? { low: kPa(f.measure, f.measure.low), high: kPa(f.measure, f.measure.high) } : undefined
}

/** A rank cannot stay above the tank that feeds it; 2 % of the reading stands in where none says its uncertainty. */
function impossible(rank: Figure, tank: Figure): boolean {
  const half = (f: Figure) => f.measure.low !== undefined && f.measure.high !== undefined ?
    kPa(f.measure, (f.measure.high - f.measure.low) / 2) : Math.max(0.02 * Math.abs(f.kPa), 5)
  return rank.kPa - tank.kPa > half(rank) + half(tank)
}

/** Where the box names no top of the scale: the highest thing known, rounded up to 100 kPa, never below 200. */
function highest(figures: (Figure | undefined)[]): number {
  return Math.max(200, Math.ceil(Math.max(0, ...figures.map((f) => f?.kPa ?? 0)) / 100) * 100)
}

/** leakOf finds the leak to draw, in the ink of the loudest alarm it has brought about. */
function leakOf(alarms: Alarm[]): LeakMark | undefined {
  const a = alarms.find((x) => x.key === 'air-leak' && standing(x))
  if (a === undefined) return undefined
  const loudest = alarms.find((x) => x === a || (a.group !== undefined && a.group !== '' && x.group === a.group))
  return { where: a.where ?? '', priority: loudest?.priority ?? a.priority }
}

function barOf(n: Now, alarms: Alarm[]): BarState {
  const b = n.budget
  const air = alarms.find((a) => airKeys.has(a.key) && standing(a))
  return {
    gives: wanted(b.gives), rated: b.rated, bags: wanted(b.bags), drains: wanted(b.drains), leak: wanted(b.leak), use: wanted(b.use),
    spare: wanted(b.spare), short: wanted(b.short), words: heard(b.words ?? ''), mark: leakOf(alarms),
    shortInk: air ? air.priority : n.state === 'short' ? 'high' : 'medium',
  }
}

function channelsOf(n: Now, old: number, b: Inbox): ListedChannel[] {
  const sources = new Map((b.about?.signals ?? []).map((s) => [s.id, s.source]))
  return (n.values ?? []).map((v) => {
    const total = v.age + old
    const value = v.value && usable(v.quality) ? v.value : undefined
    return {
      id: v.id, value, text: value ? `${figure(value)} ${unit(value)}`.trim() : say('not seen'), quality: quality(v.quality),
      age: v.age < 0 ? say('never') : age(total), old: total > staleAfter, source: sources.get(v.id) ?? '',
    }
  })
}
