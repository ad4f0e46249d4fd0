// SPDX-License-Identifier: Apache-2.0

// The first screen of the day: what the night has left. Two readings and nothing known between them, so the curve is a
// guess and dotted; the difference is split into what the cold explains and what it does not.

import type { Measure, Morning, Now } from './payload'
import type { Head, Row } from './view'
import { heard, key, say, tongue } from './say'
import { boxTime, clockTime, figure, kPa, lower, rounded, tiny, unit } from './words'

/** Side is one end of the night: a pressure and when it was read. */
export interface Side {
  kPa: number
  text: string
  measure: Measure
  when: string
}

/** Share is one part of the difference, in kPa for drawing; positive is a fall. */
export interface Share {
  kPa: number
  text: string // "29 cooling"
  about: string // "tank wall 21 to 10 °C"
  measure: Measure
}

export interface MorningView {
  id: string // a morning that was left is not shown again
  head: Head
  places: string // of the state; empty where it stands in a row
  from: Side | undefined
  to: Side | undefined
  cooling: Share | undefined
  lost: Share | undefined
  guess: boolean // what lay between the readings can be guessed: nobody filled or drained the tank
  words: string // the whole of it in one line
}

const states: Record<string, string> = { held: key('Held overnight'), lost: key('Lost air overnight') }
const unknown = key('Overnight not known')

/** morningOf returns the first screen of the day while there is one, with the head that stands on it. */
export function morningOf(n: Now, head: Head): MorningView | undefined {
  const m = n.morning
  if (!m || typeof m.state !== 'string' || head.ink === 'high' || head.ink === 'medium') return undefined
  const word = states[m.state] ?? unknown
  const long = span(m.from_at, m.to_at) >= 24 * 3600e3
  const places = word === unknown ? '' : placesOf(m.places ?? [], (n.ranks ?? []).map((r) => r.name))
  const noted = head.mark === 'title'
  const beside = places !== '' && places.length <= 16 && word !== states.lost
  const rows: Row[] = [{ when: 'Now', text: doOf(n) }]
  if (!noted && places && !beside) rows.push({ when: 'Where', text: places })
  else if (!noted && m.why) rows.push({ when: 'Why', text: heard(m.why) })
  return {
    id: m.to_at ?? n.t.slice(0, 10), head: { ...head, word: say(word), rows, cause: noted ? head.cause : '' }, places: beside ? places : '',
    from: sideOf(m.from, m.from_at, long), to: sideOf(m.to, m.to_at, long), ...sharesOf(m), guess: word !== unknown, words: heard(m.words),
  }
}

/** doOf is what to do first. A box that names nothing leaves it to what is due, or to the search for a leak. */
function doOf(n: Now): string {
  if (n.do && n.do !== 'nothing to do') return heard(n.do)
  if (n.morning?.state === 'lost') return say('find the leak: Menu, Leak-down test')
  const due = n.care?.find((c) => c.due)
  return due ? say('engine off, then {what}', { what: lower(heard(due.words)) }) : say('nothing to do')
}

/** placesOf joins places as people say them; all ranks together are "ranks". */
function placesOf(places: string[], ranks: string[]): string {
  const full = (name: string) => (name.endsWith(' rank') ? name : `${name} rank`)
  const all = ranks.length > 1 && ranks.every((r) => places.includes(full(r)) || places.includes(r))
  const own = all ? [...places.filter((p) => !ranks.some((r) => p === r || p === full(r))), 'ranks'] : places
  const names = own.map((p) => (p === 'ranks' ? say('ranks') : heard(p)))
  const last = names.at(-1)
  return names.length < 2 || last === undefined ? names.join('') : say('{list} and {last}', { list: names.slice(0, -1).join(', '), last })
}

function span(from: string | null | undefined, to: string | null | undefined): number {
  const d = boxTime(to) - boxTime(from)
  return Number.isFinite(d) ? d : 0
}

function sideOf(m: Measure | null | undefined, at: string | null | undefined, long: boolean): Side | undefined {
  if (!m || !Number.isFinite(kPa(m))) return undefined
  const t = boxTime(at)
  const day = long && Number.isFinite(t) ? `${new Date(t).toLocaleDateString(tongue(), { day: 'numeric', month: 'short' })} ` : ''
  return { kPa: kPa(m), text: figure(m), measure: m, when: day + clockTime(t) }
}

/** sharesOf splits the fall. A tank that has become warmer has gained by it; a loss that is none says so. */
function sharesOf(m: Morning): { cooling: Share | undefined; lost: Share | undefined } {
  const cooling = wordy(m.cooling, (c) => (rounded(c) === 0 ? say('no cooling') : c.value < 0 ? say('{n} warming', { n: figure(c, -c.value) }) : say('{n} cooling', { n: figure(c) })), warmth(m))
  const lost = wordy(m.lost, (l) => (rounded(l) <= 0 ? say('no leak seen') : say('{n} leak', { n: figure(l) })), m.leak ? tiny(m.leak) : say('as a flow: not known'))
  return { cooling, lost }
}

function wordy(m: Measure | null | undefined, words: (m: Measure) => string, about: string): Share | undefined {
  if (!m || !Number.isFinite(kPa(m))) return undefined
  return { kPa: kPa(m), text: words(m), about, measure: m }
}

function warmth(m: Morning): string {
  if (!m.warm_from || !m.warm_to) return say('temperature not seen')
  return say('{what} {from} to {to} {unit}', { what: m.warm ? heard(m.warm) : say('temperature'), from: m.warm_from.value.toFixed(0), to: m.warm_to.value.toFixed(0), unit: unit(m.warm_to) })
}

/** Size is the room for the drawing. */
export interface NightSize {
  width: number
  height: number
  small: boolean
}

/** Block is a part of the split bar. */
export interface Block {
  x: number
  y: number
  height: number
}

export interface NightPlan {
  left: { from: number; to: number }
  right: { from: number; to: number }
  y: { from: number; to: number }
  bar: number
  wide: number
  cooling: Block | undefined
  lost: Block | undefined
  labels: number // where the words of the split begin
}

/** fullFall is the least fall that fills the drawing: a smaller one looks smaller. */
const fullFall = 35 // kPa

/** night lays out the two readings and the split; the height is in proportion to the fall, but for a fall that would not fit. */
export function night(v: Pick<MorningView, 'from' | 'to' | 'cooling' | 'lost'>, size: NightSize): NightPlan {
  const small = size.small
  const top = small ? 40 : 62
  const bottom = size.height - (small ? 30 : 54)
  const share = (s: Share | undefined) => s?.kPa ?? 0
  const fall = v.from !== undefined && v.to !== undefined ? v.from.kPa - v.to.kPa : 0
  // What the parts reach, measured downwards from the evening's reading.
  const reach = [0, fall, share(v.cooling), share(v.cooling) + share(v.lost)]
  const [low, high] = [Math.min(...reach), Math.max(...reach)]
  const scale = (bottom - top) / Math.max(high - low, fullFall)
  const y = (down: number) => top + (down - low) * scale
  const places = small ? { step: 74, right: [174, 252], bar: 286, wide: 20 } : { step: 150, right: [470, 590], bar: 650, wide: 24 }
  const block = (x: number, from: number, to: number): Block => ({ x, y: Math.min(y(from), y(to)), height: Math.abs(y(to) - y(from)) })
  // Cooling and leak on one another where both take; side by side where one has given.
  const apart = share(v.cooling) < 0 && share(v.lost) > 0
  const beside = places.bar + (apart ? places.wide + 6 : 0)
  return {
    left: { from: 0, to: places.step }, right: { from: places.right[0] ?? 0, to: places.right[1] ?? 0 }, y: { from: y(0), to: y(fall) }, bar: places.bar, wide: places.wide,
    cooling: v.cooling && share(v.cooling) !== 0 ? block(places.bar, 0, share(v.cooling)) : undefined,
    lost: v.lost && v.lost.kPa > 0 ? block(beside, share(v.cooling), share(v.cooling) + v.lost.kPa) : undefined,
    labels: beside + places.wide + 24,
  }
}

/** nightCurve is the guess between the readings: steep at first, as cooling is. */
export function nightCurve(p: NightPlan): string {
  const { to: x0 } = p.left
  const { from: x1 } = p.right
  const [y0, y1] = [p.y.from, p.y.to]
  const w = x1 - x0
  return `M${x0} ${y0} C${x0 + w * 0.28} ${y0 + (y1 - y0) * 0.67} ${x0 + w * 0.53} ${y0 + (y1 - y0) * 0.985} ${x1} ${y1}`
}

/** spoken is the drawing for those who hear the page. */
export function spoken(v: MorningView): string {
  if (v.words) return v.words
  const of = (s: Side | undefined) => (s ? `${s.text} ${unit(s.measure)}` : say('not seen'))
  return say('Tank in the evening {from}, in the morning {to}', { from: of(v.from), to: of(v.to) })
}

