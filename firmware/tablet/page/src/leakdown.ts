// SPDX-License-Identifier: Apache-2.0

// From the state of a leak-down test to what its screens say: pure, as view.ts is for home.

import { since, testOf, type Inbox, type Moment } from './inbox'
import type { Measure, RankNow, Test, TestCondition, TestCurve, TestResult, TestStep, TestTick, TestUpdate, Verdict } from './payload'
import { banded, boxTime, chances, clockTime, fine, glue, percent, set, stretch, unit, upper } from './words'

/** The five steps, in their order. */
export const steps: readonly { step: TestStep; words: string }[] = [
  { step: 'make_safe', words: 'Make safe' }, { step: 'fill', words: 'Fill' }, { step: 'isolate', words: 'Isolate' },
  { step: 'watch', words: 'Watch' }, { step: 'result', words: 'Result' },
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
  return [{ zone: 'tank', words: 'Tank side' }, ...names.map((n) => ({ zone: n, words: `${upper(n.replace(/ rank$/, ''))} rank` }))]
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
    run: t.run, zone: t.zone, where: t.where, step: t.step, at: place, running: t.step !== 'result', phases: t.phases, second: t.phase > 1,
    title: titleOf(t), phase: t.phases > 1 ? `watch ${t.phase} of ${t.phases}` : '',
    heard: t.step === 'watch' && old > quietAfter ? `last heard ${Math.floor(old / 1000)} s ago` : '',
    ticks: t.ticks ?? [], seen: seenOf(t), go: goOf(t), todo: (t.do ?? []).map(glue), hear: t.hear ?? '', cautions: (t.cautions ?? []).filter((c) => !/^The machine.s manual/.test(c)),
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
  return banded(m) ? `${fine(m)} (${band(m)})` : `about ${fine(m as Measure)}`
}

/** band prints the 95 % interval. */
export function band(m: Measure & { low: number; high: number }): string {
  return `${fine(m, m.low)} to ${fine(m, m.high)}`
}

function titleOf(t: Test): string {
  switch (t.step) {
    case 'make_safe':
      return 'Walk round, then tick'
    case 'fill':
      return own(t.target) ? `Fill to ${set(t.target as Measure)} ${unit(t.target as Measure)}` : 'Fill'
    case 'isolate':
      if (t.phase < 2) return 'Close up, then leave it still'
      return own(t.target) ? `Vent the ranks to ${set(t.target as Measure)} ${unit(t.target as Measure)}` : 'Vent the ranks'
    case 'watch':
      return `${upper(t.where)} leaks`
    default:
      return verdictWords(t.where, t.result?.verdict ?? t.verdict)
  }
}

/** verdictWords is a result's headline. */
export function verdictWords(where: string, v: Verdict): string {
  const place = upper(where)
  switch (v) {
    case 'pass':
      return `${place} passes`
    case 'fail':
      return `${place} fails`
    case 'undecided':
      return `${place}: cannot decide`
    case 'stopped':
      return `${place}: stopped, no result`
    case 'measuring':
      return `${place}: not judged yet`
    default:
      return `${place}: test not valid`
  }
}

function seenOf(t: Test): Seen[] {
  return (t.conditions ?? []).map((c) => {
    const [, figure = '', words = ''] = /^([-−]?\d[\d.,]*)\s*(.*)$/.exec(c.sees ?? '') ?? ['', '', c.sees ?? '']
    return { id: c.id, text: c.text, figure, words, met: met(c), why: c.why ?? '' }
  })
}

function met(c: TestCondition): Seen['met'] {
  return c.met === 'yes' || c.met === 'not_seen' ? c.met : 'no'
}

function goOf(t: Test): Go | undefined {
  if (t.step === 'result') return undefined
  if (t.can_go) return t.next ? { words: t.next, ready: true } : undefined
  if (t.step === 'make_safe' && t.left > 0) return { words: `${t.left} left to tick`, ready: false }
  if (t.step === 'watch') return undefined
  if (t.step === 'isolate' && !t.next) return { words: 'Goes on by itself', ready: false }
  const open = (t.conditions ?? []).filter((c) => met(c) === 'no').length
  return { words: open > 0 ? `${open} not there yet` : 'Not yet', ready: false }
}

// The result.

const judgedVerdicts = new Set<Verdict>(['pass', 'fail', 'undecided'])

/** What the test cannot say, whatever its verdict. */
export const silentOn = [
  'It tells what leaves the closed part at this pressure, standing still. Work, heat and vibration can open or close a leak.',
  'It tells a class of places, never the single fitting.',
  'It says nothing of the compressor’s delivery, of any part’s strength or of a repair’s safety.',
]

/** What to do before anybody looks for a leak. */
const search = 'Look for it with soapy water and eyes protected, never with a hand. Engine off, planter lowered or blocked; relieve the pressure before anything is opened.'

function resultOf(t: Test, live: TestCurve | undefined, zones: Zone[]): ResultView {
  const r = t.result ?? undefined
  const verdict = r?.verdict ?? t.verdict
  const judged = judgedVerdicts.has(verdict) && banded(r?.leak ?? t.leak)
  const before = t.before && judgedVerdicts.has(t.before.verdict) ? t.before : undefined
  const reasons = (r?.reasons ?? t.reasons ?? []).map(glue)
  const rows = judged && r ? tableOf(r, before) : []
  const place = zones.findIndex((z) => z.zone === t.zone)
  const follow = place >= 0 && zones.length > 1 ? zones[(place + 1) % zones.length] : undefined
  return {
    verdict, judged, reasons, rows, sub: subOf(t, r, verdict),
    heads: judged ? { before: before ? when(before.at, r?.at ?? t.started) : '', now: when(r?.at ?? t.started, undefined) } : undefined,
    first: firstOf(t, r, verdict, reasons), more: moreOf(t, r, verdict, reasons),
    curve: r?.curve ?? live, before: before?.curve ?? undefined,
    next: follow && { zone: follow.zone, words: `Next: ${follow.words.toLowerCase()}` },
  }
}

const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'June', 'July', 'Aug', 'Sept', 'Oct', 'Nov', 'Dec']

/** when is the time of day, or the day where that is not the day of now. */
function when(at: string | undefined, now: string | undefined): string {
  const ms = boxTime(at)
  if (!Number.isFinite(ms)) return 'no clock'
  const [d, today] = [new Date(ms), new Date(boxTime(now))]
  if (Number.isNaN(today.getTime()) || d.toDateString() === today.toDateString()) return clockTime(ms)
  return `${d.getDate()} ${months[d.getMonth()]}${d.getFullYear() === today.getFullYear() ? '' : ` ${d.getFullYear()}`}`
}

/** subOf says how sure, after how long, against which limit. */
function subOf(t: Test, r: TestResult | undefined, verdict: Verdict): string {
  const limit = own(r?.limit ?? t.limit)
  const start = own(r?.start)
  const against = limit ? ` Limit ${set(limit)} ${unit(limit)}${start ? ` at ${set(start)} ${unit(start)}` : ''}.` : ''
  const watched = Math.round(r?.duration || t.seconds || 0)
  const two = (r?.phases ?? 1) > 1 ? ' Two watches.' : ''
  switch (verdict) {
    case 'pass': case 'fail': {
      const after = Math.round(r?.decided_at || watched)
      const sure = percent(verdict === 'pass' ? t.pass : t.fail)
      return `${sure.startsWith('over') ? `Surer than${sure.slice(4)}` : `Sure to ${sure}`} after ${stretch(after).join(' ')}.${two}${against}`
    }
    case 'undecided':
      return `After ${stretch(watched).join(' ')}: pass ${chances(t.pass, t.fail).join(', fail ')}. Neither is sure enough.${against}`
    case 'stopped':
      return watched > 0 ? `Stopped after ${stretch(watched).join(' ')}. Nothing is judged, neither a pass nor a fail.` : 'Stopped before the watch. Nothing is judged.'
    default:
      return `${watched > 0 ? `Watched ${stretch(watched).join(' ')}. ` : ''}Nothing is judged, neither a pass nor a fail.`
  }
}

function cell(m: Measure | null | undefined): Cell {
  if (!banded(m)) return { figure: 'not known', unit: '', band: '', measure: undefined }
  return { figure: fine(m), unit: '', band: band(m), measure: m }
}

/** holdCell tells a hold time; one whose upper end is open is told by its lower end only. */
function holdCell(r: TestResult): Cell {
  const m = r.hold_time
  if (!banded(m)) {
    if (r.hold_at_least && m && Number.isFinite(m.low)) return atLeast(m, m.low as number)
    return { figure: 'not known', unit: '', band: '', measure: undefined }
  }
  if (r.hold_at_least) return atLeast(m, m.low)
  const [figure, word] = stretch(m.value)
  const [low, lowWord] = stretch(m.low)
  const [high, highWord] = stretch(m.high)
  return { figure, unit: word, band: lowWord === highWord && lowWord === word ? `${low} to ${high}` : `${low} ${lowWord} to ${high} ${highWord}`, measure: m }
}

function atLeast(m: Measure, low: number): Cell {
  const [figure, word] = stretch(low)
  return { figure, unit: word, band: 'or more', measure: m }
}

/** tableOf sets the earlier test beside this one. */
export function tableOf(r: TestResult, before: TestResult | undefined): TableRow[] {
  const rows: TableRow[] = []
  const row = (id: TableRow['id'], name: string, under: string, of: (x: TestResult) => Cell) =>
    rows.push({ id, name, under, before: before && of(before), now: of(r) })
  row('leak', 'leak', r.leak ? unit(r.leak) : '', (x) => cell(x.leak))
  if (r.drop) row('drop', 'falls', `${unit(r.drop)}, leak alone`, (x) => cell(x.drop))
  if (r.hole) row('hole', 'like a hole of', `${unit(r.hole)}, ${edge(r.discharge)}`, (x) => cell(x.hole))
  const to = own(r.hold_to)
  if (r.hold_time && to) {
    const start = own(r.start)
    const tenth = start && start.unit === to.unit && Math.abs(to.value / start.value - 0.9) < 0.005
    const name = tenth ? 'stays within 10 %' : `stays above ${set(to)}`
    const under = tenth && start ? `of ${set(start)} ${unit(start)}, for` : `${unit(to)}, for`
    row('hold', name, under, holdCell)
  }
  return rows
}

/** edge says what kind of hole the figure is one of; 0.6 to 0.62 is a sharp edge (orifice handbooks). */
function edge(cd: number): string {
  if (cd >= 0.595 && cd <= 0.625) return 'sharp edge'
  return Number.isFinite(cd) && cd > 0 ? `coefficient ${cd}` : 'sharp edge'
}

function pathLines(r: TestResult | undefined): string[] {
  return (r?.paths ?? []).map((p) => {
    const leak = banded(p.leak) ? `: ${fine(p.leak)} ${unit(p.leak)} (${band(p.leak)})` : ''
    return `${upper(p.where)}${leak}, ${percent(p.posterior)} sure`
  })
}

/** firstOf are the sentences that stand on the first sheet. */
function firstOf(t: Test, r: TestResult | undefined, verdict: Verdict, reasons: string[]): string[] {
  if (!judgedVerdicts.has(verdict)) return []
  const out = verdict === 'undecided' ? reasons.slice(0, 1) : []
  if (verdict === 'undecided' && r?.help) out.push(upper(r.help))
  if (verdict !== 'pass') out.push(...pathLines(r).slice(0, 2))
  if (r?.cannot_tell) out.push(upper(r.cannot_tell))
  if (t.compare) out.push(upper(t.compare))
  if (verdict === 'fail') out.push(...reasons.slice(0, 1))
  if (verdict !== 'pass') out.push(search)
  return out.map(sentence)
}

function moreOf(t: Test, r: TestResult | undefined, verdict: Verdict, reasons: string[]): Group[] {
  const groups: Group[] = []
  const add = (name: string, lines: string[]) => { if (lines.length > 0) groups.push({ name, lines: lines.map(sentence) }) }
  add('Take care', [...(verdict === 'pass' || verdict === 'stopped' ? [] : [search]), ...(t.cautions ?? []).filter((c) => !/^The machine.s manual/.test(c)), 'The machine’s manual, local rules and licensed practice come first'])
  if (judgedVerdicts.has(verdict)) add('Why', reasons)
  // Where the box has told the paths among its reasons, they are not told again.
  add('Where', [...(reasons.length > 1 ? [] : pathLines(r)).map((l, i) => {
    const parts = r?.paths?.[i]?.includes ?? []
    return parts.length > 0 ? `${l}. One and the same to the gauge: ${parts.join(', ')}` : l
  }), ...(r?.cannot_tell ? [upper(r.cannot_tell)] : [])])
  add('Before and now', t.compare ? [upper(t.compare)] : [])
  if (judgedVerdicts.has(verdict)) {
    const naive = own(r?.naive_drop)
    add('How sure', [
      ...(r?.dominant_uncertainty ? [`Most of the doubt: ${r.dominant_uncertainty}`] : []), ...(r?.help ? [upper(r.help)] : []),
      ...(naive ? [`The first minute alone fell ${fine(naive)} ${unit(naive)}: that is cooling and leak together, and judges nothing`] : []),
    ])
    add('What it does not say', silentOn)
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
