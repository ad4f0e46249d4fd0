// SPDX-License-Identifier: Apache-2.0

// From the state of a leak-down test to what its screens say: pure, as view.ts is for home.

import { since, testOf, type Inbox, type Moment } from './inbox'
import type { Measure, RankNow, Test, TestCondition, TestCurve, TestResult, TestStep, TestTick, TestUpdate, Verdict } from './payload'
import { foreign, heard, key, num, say } from './say'
import { banded, boxTime, chances, clockTime, fine, glue, percent, set, stretch, unit, upper } from './words'

/** The five steps, in their order. */
export const steps: readonly { step: TestStep; words: string }[] = [
  { step: 'make_safe', words: key('Make safe') }, { step: 'fill', words: key('Fill') }, { step: 'isolate', words: key('Isolate') },
  { step: 'watch', words: key('Watch') }, { step: 'result', words: key('Result') },
]

/** While it watches the box speaks every second or so; figures older than this are told as old. */
export const quietAfter = 8000

/** Seen is a condition as the box sees it: a figure, its unit or words, and whether it is as it should be. */
export interface Seen {
  id: string
  text: string
  figure: string
  words: string
  met: 'yes' | 'no' | 'not_seen'
  why: string
}

export interface Go {
  words: string
  ready: boolean
}

/** Cell is one figure of the table with its band; no figure stands without one. */
export interface Cell {
  figure: string
  unit: string // only where the row does not say it
  band: string
  measure: Measure | undefined
}

export interface TableRow {
  id: 'leak' | 'drop' | 'hole' | 'hold'
  name: string
  under: string
  before: Cell | undefined
  now: Cell
}

export interface ResultView {
  verdict: Verdict
  judged: boolean // pass, fail or undecided: a leak was estimated that may be shown
  sub: string
  reasons: string[]
  rows: TableRow[]
  heads: { before: string; now: string } | undefined
  first: string[] // what must be read before anything is done
  more: Group[]
  curve: TestCurve | undefined
  before: TestCurve | undefined
  next: { zone: string; words: string } | undefined
}

export interface Group {
  name: string
  lines: string[]
}

export interface TestView {
  run: string
  zone: string
  where: string
  step: TestStep
  at: number // place in steps
  running: boolean
  title: string
  phase: string // "watch 1 of 2"; empty where there is one
  phases: number
  second: boolean // the second watch, or what leads to it
  heard: string // "last heard 12 s ago"; empty while it is fresh
  ticks: TestTick[]
  seen: Seen[]
  go: Go | undefined
  todo: string[]
  hear: string
  cautions: string[]
  pressure: Measure | undefined
  target: Measure | undefined
  safe: Measure | undefined
  limit: Measure | undefined
  seconds: number
  leak: (Measure & { low: number; high: number }) | undefined
  pass: number
  fail: number
  cooling: string
  lost: string
  updates: TestUpdate[]
  heldBack: boolean
  curve: TestCurve | undefined
  result: ResultView | undefined
}

/** Zone is a part that can be tested. */
export interface Zone {
  zone: string
  words: string
}

/** zonesOf lists what can be tested on this machine. */
export function zonesOf(ranks: readonly RankNow[] | null | undefined): Zone[] {
  const names = (ranks ?? []).map((r) => r.name).filter((n) => n !== '')
  return [{ zone: 'tank', words: say('Tank side') }, ...names.map((n) => ({ zone: n, words: upper(heard(`${n.replace(/ rank$/, '')} rank`)) }))]
}

/** testView tells the newest test; undefined where the box knows of none. */
export function testView(b: Inbox, at: Moment): TestView | undefined {
  const found = testOf(b)
  if (found === undefined) return undefined
  const t = found.what
  const old = since(found.at, at)
  const place = Math.max(0, steps.findIndex((s) => s.step === t.step))
  const curve = b.curves.get(t.run)
  return {
    run: t.run, zone: t.zone, where: heard(t.where), step: t.step, at: place, running: t.step !== 'result', phases: t.phases, second: t.phase > 1,
    title: titleOf(t), phase: t.phases > 1 ? say('watch {n} of {of}', { n: t.phase, of: t.phases }) : '',
    heard: t.step === 'watch' && old > quietAfter ? say('last heard {n} s ago', { n: Math.floor(old / 1000) }) : '',
    ticks: (t.ticks ?? []).map((k) => ({ ...k, text: heard(k.text), ...(k.note ? { note: heard(k.note) } : {}) })), seen: seenOf(t), go: goOf(t), todo: (t.do ?? []).map((s) => glue(heard(s))), hear: heard(t.hear ?? ''), cautions: (t.cautions ?? []).filter((c) => !/^The machine.s manual/.test(c)).map(heard),
    pressure: own(t.pressure), target: own(t.target), safe: own(t.safe), limit: own(t.limit),
    seconds: Number.isFinite(t.seconds) ? Math.floor(t.seconds) : 0, leak: banded(t.leak) ? t.leak : undefined, pass: t.pass, fail: t.fail,
    cooling: part(t.cooling), lost: part(t.lost), updates: t.updates ?? [], heldBack: t.held_back, curve,
    result: t.step === 'result' ? resultOf(t, curve, zonesOf(b.now?.what.ranks)) : undefined,
  }
}

function own(m: Measure | null | undefined): Measure | undefined {
  return m && Number.isFinite(m.value) ? m : undefined
}

/** part tells what cooling or the leak took so far: with its band where there is one, else as "about". */
function part(m: Measure | null | undefined): string {
  if (!own(m)) return ''
  return banded(m) ? `${fine(m)} (${band(m)})` : say('about {n}', { n: fine(m as Measure) })
}

/** band prints the 95 % interval. */
export function band(m: Measure & { low: number; high: number }): string {
  return say('{from} to {to}', { from: fine(m, m.low), to: fine(m, m.high) })
}

function titleOf(t: Test): string {
  switch (t.step) {
    case 'make_safe':
      return say('Walk round, then tick')
    case 'fill':
      return own(t.target) ? say('Fill to {n} {unit}', { n: set(t.target as Measure), unit: unit(t.target as Measure) }) : say('Fill')
    case 'isolate':
      if (t.phase < 2) return say('Close up, then leave it still')
      return own(t.target) ? say('Vent the ranks to {n} {unit}', { n: set(t.target as Measure), unit: unit(t.target as Measure) }) : say('Vent the ranks')
    case 'watch':
      return say('{where} leaks', { where: upper(heard(t.where)) })
    default:
      return verdictWords(t.where, t.result?.verdict ?? t.verdict)
  }
}

/** verdictWords is a result's headline. */
export function verdictWords(where: string, v: Verdict): string {
  const place = { where: upper(heard(where)) }
  switch (v) {
    case 'pass':
      return say('{where} passes', place)
    case 'fail':
      return say('{where} fails', place)
    case 'undecided':
      return say('{where}: cannot decide', place)
    case 'stopped':
      return say('{where}: stopped, no result', place)
    case 'measuring':
      return say('{where}: not judged yet', place)
    default:
      return say('{where}: test not valid', place)
  }
}

function seenOf(t: Test): Seen[] {
  return (t.conditions ?? []).map((c) => {
    const [, figure = '', words = ''] = /^([-−]?\d[\d.,]*)\s*(.*)$/.exec(c.sees ?? '') ?? ['', '', c.sees ?? '']
    return { id: c.id, text: heard(c.text), figure: num(figure), words: heard(words), met: met(c), why: heard(c.why ?? '') }
  })
}

function met(c: TestCondition): Seen['met'] {
  return c.met === 'yes' || c.met === 'not_seen' ? c.met : 'no'
}

function goOf(t: Test): Go | undefined {
  if (t.step === 'result') return undefined
  if (t.can_go) return t.next ? { words: heard(t.next), ready: true } : undefined
  if (t.step === 'make_safe' && t.left > 0) return { words: say('{n} left to tick', { n: t.left }), ready: false }
  if (t.step === 'watch') return undefined
  if (t.step === 'isolate' && !t.next) return { words: say('Goes on by itself'), ready: false }
  const open = (t.conditions ?? []).filter((c) => met(c) === 'no').length
  return { words: open > 0 ? say('{n} not there yet', { n: open }) : say('Not yet'), ready: false }
}

// The result.

const judgedVerdicts = new Set<Verdict>(['pass', 'fail', 'undecided'])

/** What the test cannot say, whatever its verdict. */
export const silentOn = [
  key('It tells what leaves the closed part at this pressure, standing still. Work, heat and vibration can open or close a leak.'),
  key('It tells a class of places, never the single fitting.'),
  key('It says nothing of the compressor’s delivery, of any part’s strength or of a repair’s safety.'),
]

/** What to do before anybody looks for a leak. */
const search = key('Look for it with soapy water and eyes protected, never with a hand. Engine off, planter lowered or blocked; relieve the pressure before anything is opened.')

function resultOf(t: Test, live: TestCurve | undefined, zones: Zone[]): ResultView {
  const r = t.result ?? undefined
  const verdict = r?.verdict ?? t.verdict
  const judged = judgedVerdicts.has(verdict) && banded(r?.leak ?? t.leak)
  const before = t.before && judgedVerdicts.has(t.before.verdict) ? t.before : undefined
  const reasons = (r?.reasons ?? t.reasons ?? []).map((s) => glue(heard(s)))
  const rows = judged && r ? tableOf(r, before) : []
  const place = zones.findIndex((z) => z.zone === t.zone)
  const follow = place >= 0 && zones.length > 1 ? zones[(place + 1) % zones.length] : undefined
  return {
    verdict, judged, reasons, rows, sub: subOf(t, r, verdict),
    heads: judged ? { before: before ? when(before.at, r?.at ?? t.started) : '', now: when(r?.at ?? t.started, undefined) } : undefined,
    first: firstOf(t, r, verdict, reasons), more: moreOf(t, r, verdict, reasons),
    curve: r?.curve ?? live, before: before?.curve ?? undefined,
    next: follow && { zone: follow.zone, words: say('Next: {what}', { what: foreign() ? follow.words : follow.words.toLowerCase() }) },
  }
}

const months = [key('Jan'), key('Feb'), key('Mar'), key('Apr'), key('May'), key('June'), key('July'), key('Aug'), key('Sept'), key('Oct'), key('Nov'), key('Dec')]

/** when is the time of day, or the day where that is not the day of now. */
function when(at: string | undefined, now: string | undefined): string {
  const ms = boxTime(at)
  if (!Number.isFinite(ms)) return say('no clock')
  const [d, today] = [new Date(ms), new Date(boxTime(now))]
  if (Number.isNaN(today.getTime()) || d.toDateString() === today.toDateString()) return clockTime(ms)
  const places = { day: d.getDate(), month: say(months[d.getMonth()] ?? ''), year: d.getFullYear() }
  return d.getFullYear() === today.getFullYear() ? say('{day} {month}', places) : say('{day} {month} {year}', places)
}

/** subOf says how sure, after how long, against which limit. */
function subOf(t: Test, r: TestResult | undefined, verdict: Verdict): string {
  const limit = own(r?.limit ?? t.limit)
  const start = own(r?.start)
  const against = !limit ? '' : start ? say('Limit {n} {unit} at {start}.', { n: set(limit), unit: unit(limit), start: `${set(start)} ${unit(start)}` }) : say('Limit {n} {unit}.', { n: set(limit), unit: unit(limit) })
  const watched = Math.round(r?.duration || t.seconds || 0)
  const two = (r?.phases ?? 1) > 1 ? say('Two watches.') : ''
  switch (verdict) {
    case 'pass': case 'fail': {
      const after = Math.round(r?.decided_at || watched)
      const sure = percent(verdict === 'pass' ? t.pass : t.fail)
      const places = { sure, time: stretch(after).join(' '), n: 99.9 }
      const chance = verdict === 'pass' ? t.pass : t.fail
      return joined(chance >= 0.9995 ? say('Surer than {n} % after {time}.', places) : say('Sure to {sure} after {time}.', places), two, against)
    }
    case 'undecided':
      return joined(say('After {time}: pass {pass}, fail {fail}. Neither is sure enough.', { time: stretch(watched).join(' '), pass: chances(t.pass, t.fail)[0], fail: chances(t.pass, t.fail)[1] }), against)
    case 'stopped':
      return watched > 0 ? say('Stopped after {time}. Nothing is judged, neither a pass nor a fail.', { time: stretch(watched).join(' ') }) : say('Stopped before the watch. Nothing is judged.')
    default:
      return joined(watched > 0 ? say('Watched {time}.', { time: stretch(watched).join(' ') }) : '', say('Nothing is judged, neither a pass nor a fail.'))
  }
}

function joined(...all: string[]): string {
  return all.filter((s) => s !== '').join(' ')
}

function cell(m: Measure | null | undefined): Cell {
  if (!banded(m)) return { figure: say('not known'), unit: '', band: '', measure: undefined }
  return { figure: fine(m), unit: '', band: band(m), measure: m }
}

/** holdCell tells a hold time; one whose upper end is open is told by its lower end only. */
function holdCell(r: TestResult): Cell {
  const m = r.hold_time
  if (!banded(m)) {
    if (r.hold_at_least && m && Number.isFinite(m.low)) return atLeast(m, m.low as number)
    return { figure: say('not known'), unit: '', band: '', measure: undefined }
  }
  if (r.hold_at_least) return atLeast(m, m.low)
  const [figure, word] = stretch(m.value)
  const [low, lowWord] = stretch(m.low)
  const [high, highWord] = stretch(m.high)
  return { figure, unit: word, band: say('{from} to {to}', lowWord === highWord && lowWord === word ? { from: low, to: high } : { from: `${low} ${lowWord}`, to: `${high} ${highWord}` }), measure: m }
}

function atLeast(m: Measure, low: number): Cell {
  const [figure, word] = stretch(low)
  return { figure, unit: word, band: say('or more'), measure: m }
}

/** tableOf sets the earlier test beside this one. */
export function tableOf(r: TestResult, before: TestResult | undefined): TableRow[] {
  const rows: TableRow[] = []
  const row = (id: TableRow['id'], name: string, under: string, of: (x: TestResult) => Cell) =>
    rows.push({ id, name, under, before: before && of(before), now: of(r) })
  row('leak', say('leak'), r.leak ? unit(r.leak) : '', (x) => cell(x.leak))
  if (r.drop) row('drop', say('falls'), say('{unit}, leak alone', { unit: unit(r.drop) }), (x) => cell(x.drop))
  if (r.hole) row('hole', say('like a hole of'), `${unit(r.hole)}, ${edge(r.discharge)}`, (x) => cell(x.hole))
  const to = own(r.hold_to)
  if (r.hold_time && to) {
    const start = own(r.start)
    const tenth = start && start.unit === to.unit && Math.abs(to.value / start.value - 0.9) < 0.005
    const name = tenth ? say('stays within 10\u00a0%') : say('stays above {n}', { n: set(to) })
    const under = tenth && start ? say('of {n} {unit}, for', { n: set(start), unit: unit(start) }) : say('{unit}, for', { unit: unit(to) })
    row('hold', name, under, holdCell)
  }
  return rows
}

/** edge says what kind of hole the figure is one of; 0.6 to 0.62 is a sharp edge (orifice handbooks). */
function edge(cd: number): string {
  if (cd >= 0.595 && cd <= 0.625) return say('sharp edge')
  return Number.isFinite(cd) && cd > 0 ? say('coefficient {n}', { n: cd }) : say('sharp edge')
}

function pathLines(r: TestResult | undefined): string[] {
  return (r?.paths ?? []).map((p) => {
    const places = { where: upper(heard(p.where)), sure: percent(p.posterior) }
    return banded(p.leak) ? say('{where}: {leak}, {sure} sure', { ...places, leak: `${fine(p.leak)} ${unit(p.leak)} (${band(p.leak)})` }) : say('{where}, {sure} sure', places)
  })
}

/** firstOf are the sentences that stand on the first sheet. */
function firstOf(t: Test, r: TestResult | undefined, verdict: Verdict, reasons: string[]): string[] {
  if (!judgedVerdicts.has(verdict)) return []
  const out = verdict === 'undecided' ? reasons.slice(0, 1) : []
  if (verdict === 'undecided' && r?.help) out.push(upper(heard(r.help)))
  if (verdict !== 'pass') out.push(...pathLines(r).slice(0, 2))
  if (r?.cannot_tell) out.push(upper(heard(r.cannot_tell)))
  if (t.compare) out.push(upper(heard(t.compare)))
  if (verdict === 'fail') out.push(...reasons.slice(0, 1))
  if (verdict !== 'pass') out.push(say(search))
  return out.map(sentence)
}

function moreOf(t: Test, r: TestResult | undefined, verdict: Verdict, reasons: string[]): Group[] {
  const groups: Group[] = []
  const add = (name: string, lines: string[]) => { if (lines.length > 0) groups.push({ name, lines: lines.map(sentence) }) }
  add(say('Take care'), [...(verdict === 'pass' || verdict === 'stopped' ? [] : [say(search)]), ...(t.cautions ?? []).filter((c) => !/^The machine.s manual/.test(c)).map(heard), say('The machine’s manual, local rules and licensed practice come first')])
  if (judgedVerdicts.has(verdict)) add(say('Why'), reasons)
  // Where the box has told the paths among its reasons, they are not told again.
  add(say('Where'), [...(reasons.length > 1 ? [] : pathLines(r)).map((l, i) => {
    const parts = r?.paths?.[i]?.includes ?? []
    return parts.length > 0 ? say('{path}. One and the same to the gauge: {list}', { path: l, list: parts.map(heard).join(', ') }) : l
  }), ...(r?.cannot_tell ? [upper(heard(r.cannot_tell))] : [])])
  add(say('Before and now'), t.compare ? [upper(heard(t.compare))] : [])
  if (judgedVerdicts.has(verdict)) {
    const naive = own(r?.naive_drop)
    add(say('How sure'), [
      ...(r?.dominant_uncertainty ? [say('Most of the doubt: {what}', { what: heard(r.dominant_uncertainty) })] : []), ...(r?.help ? [upper(heard(r.help))] : []),
      ...(naive ? [say('The first minute alone fell {n} {unit}: that is cooling and leak together, and judges nothing', { n: fine(naive), unit: unit(naive) })] : []),
    ])
    add(say('What it does not say'), silentOn.map((s) => say(s)))
  }
  return groups
}

/** sentence ends a line as one. */
function sentence(s: string): string {
  return glue(/[.!?]$/.test(s) ? s : `${s}.`)
}

/** lastWords tells the newest finished test in a line, for the menu. */
export function lastWords(v: TestView | undefined): string {
  if (v === undefined || v.running) return ''
  return `${v.title}${v.result?.heads ? `, ${v.result.heads.now}` : ''}`
}
