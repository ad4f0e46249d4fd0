// SPDX-License-Identifier: Apache-2.0

// Geometry of the leak-down test's drawings: the falling pressure, the band that narrows, the result beside its limit.
// Pure: seconds and kPa in, px out.

import type { Band, Measure, Point, TestCurve, TestUpdate } from './payload'
import { num, say } from './say'
import { banded } from './words'

export interface Size {
  width: number
  height: number
  small: boolean // a phone: smaller letters
}

/** Plot is the ground every drawing stands on. */
export interface Plot {
  left: number
  right: number
  top: number
  base: number
  small: boolean
  x: (s: number) => number
  y: (v: number) => number
  rows: { y: number; text: string }[] // lines of equal value
  times: { x: number; text: string; anchor: 'middle' | 'end' }[]
}

/** Mark is a word in a drawing; it keeps the place where it was put. */
export interface Mark {
  x: number
  y: number
  text: string
  anchor: 'start' | 'middle' | 'end'
  strong: boolean
}

/** horizon is where the time axis ends: it steps on as the watch goes on, and never follows every second. */
export function horizon(seconds: number): number {
  const ends = [120, 180, 300, 450, 600, 900, 1200, 1800, 3600]
  return ends.find((e) => e >= seconds * 1.15) ?? Math.ceil(seconds / 1800) * 1800 + 1800
}

/** step returns the next of 1, 2, 5 times a power of ten that cuts range into at most n parts. */
export function step(range: number, n: number): number {
  const want = Math.max(range, 1e-9) / n
  const ten = 10 ** Math.floor(Math.log10(want) + 1e-9)
  return ([1, 2, 5, 10].find((k) => k * ten >= want * (1 - 1e-9)) ?? 10) * ten
}

/** marks lists the multiples of by between low and high. */
export function marks(low: number, high: number, by: number): number[] {
  const out = []
  for (let i = Math.ceil(low / by - 1e-9); i * by <= high + 1e-9 * by; i++) out.push(Number((i * by).toPrecision(12)))
  return out
}

function timeMarks(end: number, most: number): number[] {
  const by = [5, 10, 20, 30, 60, 120, 150, 200, 300, 600, 1200].find((b) => end / b <= most) ?? end / 4
  return marks(0, end, by)
}

/** plot lays out the axes for values from low to high over the time from 0 to end. */
export function plot(size: Size, end: number, low: number, high: number, every?: number): Plot {
  const left = size.small ? 40 : 64
  const right = size.width - 8
  const top = size.small ? 10 : 12
  const base = size.height - (size.small ? 24 : 40)
  const x = (s: number) => left + (Math.min(Math.max(s, 0), end) / end) * (right - left)
  const by = every ?? step(high - low, Math.max(2, Math.floor((base - top) / (size.small ? 32 : 40))))
  const y = (v: number) => base - (Math.min(Math.max(v, low), high) - low) / (high - low) * (base - top)
  const places = Math.max(0, -Math.floor(Math.log10(by) + 1e-9))
  const at = timeMarks(end, Math.max(2, (right - left) / (size.small ? 90 : 130)))
  return {
    left, right, top, base, small: size.small, x, y,
    rows: marks(low, high, by).map((v) => ({ y: y(v), text: num(v.toFixed(Math.min(places, 3))) })),
    times: at.map((s) => ({ x: x(s), text: s === at.at(-1) ? `${s} s` : String(s), anchor: s === end ? 'end' as const : 'middle' as const })),
  }
}

/** until cuts a line at end, on the line. */
export function until<T extends number[]>(line: readonly T[], end: number): number[][] {
  const out: number[][] = []
  for (const [i, p] of line.entries()) {
    if ((p[0] ?? 0) <= end) {
      out.push(p)
      continue
    }
    const a = line[i - 1]
    if (a) {
      const part = (end - (a[0] ?? 0)) / ((p[0] ?? 0) - (a[0] ?? 0))
      out.push(p.map((v, k) => (a[k] ?? 0) + part * (v - (a[k] ?? 0))))
    }
    break
  }
  return out
}

/** between cuts away what lies before from. */
function between<T extends number[]>(line: readonly T[], from: number, end: number): number[][] {
  const upTo = until(line, from)
  const start = at(line, from)
  const rest = until(line, end).slice(upTo.length)
  return start === undefined ? rest : [[from, start], ...rest]
}

/** at reads a line at a time; undefined outside of it. */
export function at(line: readonly number[][], s: number): number | undefined {
  const first = line[0]
  const last = line.at(-1)
  if (!first || !last || s < (first[0] ?? 0) - 1e-9 || s > (last[0] ?? 0) + 1e-9) return undefined
  return until(line, s).at(-1)?.[1]
}

/** path draws a line; a gap in time stays one line, for the fit has none. */
export function path(p: Plot, line: readonly number[][]): string {
  return line.map(([s = 0, v = 0], i) => `${i === 0 ? 'M' : 'L'}${round(p.x(s))} ${round(p.y(v))}`).join(' ')
}

/** area draws what lies between two lines. */
export function area(p: Plot, over: readonly number[][], under: readonly number[][]): string {
  const one = ([s = 0, v = 0]: readonly number[]) => `${round(p.x(s))},${round(p.y(v))}`
  return [...over.map(one), ...[...under].reverse().map(one)].join(' ')
}

function round(n: number): number {
  return Math.round(n * 10) / 10
}

function values(lines: readonly (readonly number[][])[]): number[] {
  return lines.flatMap((l) => l.map((p) => p[1] ?? NaN)).filter((v) => Number.isFinite(v))
}

/** range spans values with some room below, and is never narrower than least. */
export function range(all: readonly number[], least: number, below = 0.12): { low: number; high: number } {
  const max = Math.max(...all)
  const min = Math.min(...all)
  const room = Math.max(max - min, least)
  return { low: Math.min(min, max - room) - room * below, high: max + room * 0.03 }
}

export interface WatchDrawing {
  plot: Plot
  dots: { x: number; y: number }[]
  leakPart: string // area between the cooling and the fit, up to now
  cooling: string
  fit: string
  fitBand: string
  ahead: string
  now: number
  brackets: { x: number; from: number; to: number }[]
  words: Mark[]
}

/** The smallest span of the pressure axis, kPa: noise of a tight tank must not fill the drawing. */
const leastSpan = 8

/** watchDrawing draws the falling curve: what was measured, the fit, what only cooling would have done, and where the fit goes on. */
export function watchDrawing(c: TestCurve, seconds: number, size: Size, told: { cooling: string; lost: string }): WatchDrawing | undefined {
  const measured: Point[] = c.measured ?? []
  const fit: Band[] = c.fit ?? []
  const cooling: Point[] = c.cooling ?? []
  const ahead: Band[] = c.ahead ?? []
  const last = Math.max(seconds, measured.at(-1)?.[0] ?? 0, fit.at(-1)?.[0] ?? 0)
  const end = horizon(last)
  const shown = [measured, fit, until(cooling, end), until(ahead, end)]
  const all = values(shown)
  if (all.length === 0) return undefined
  const { low, high } = range(all, leastSpan)
  const p = plot(size, end, low, high)
  const now = fit.at(-1)?.[0] ?? last
  const nowX = p.x(now)
  const start = cooling[0]?.[1] ?? fit[0]?.[1]
  const cool = at(cooling, now)
  const fell = fit.at(-1)?.[1]
  const brackets: WatchDrawing['brackets'] = []
  const words: Mark[] = []
  const gap = size.small ? 18 : 28
  const flip = nowX > p.right - (size.small ? 130 : 200)
  const beside = flip ? nowX - 12 : nowX + (size.small ? 22 : 34)
  const anchor = flip ? 'end' as const : 'start' as const
  if (start !== undefined && cool !== undefined && fell !== undefined) {
    if (told.cooling !== '' && p.y(cool) - p.y(start) > gap) {
      brackets.push({ x: nowX, from: p.y(start), to: p.y(cool) })
      words.push({ x: beside, y: (p.y(start) + p.y(cool)) / 2 + gap / 4, text: say('cooling {n}', { n: told.cooling }), anchor, strong: true })
    }
    if (told.lost !== '') {
      const tall = p.y(fell) - p.y(cool)
      // Where the leak's part is too low for a word, the word stands under the line that goes on, as far as the word is wide.
      const reach = Math.min(end, now + (size.small ? 120 : 200) / (p.right - p.left) * end)
      const under = Math.min(Math.max(p.y(fell), flip ? 0 : p.y(at(ahead, reach) ?? fell)) + gap, p.base - 6)
      if (tall > gap * 1.2) brackets.push({ x: nowX, from: p.y(cool), to: p.y(fell) })
      words.push(tall > gap * 1.2 ? { x: beside, y: (p.y(cool) + p.y(fell)) / 2 + gap / 3, text: say('leak {n}', { n: told.lost }), anchor, strong: true } :
        { x: flip ? nowX - 12 : nowX + 12, y: under, text: say('leak {n}', { n: told.lost }), anchor, strong: true })
    }
  }
  const far = until(cooling, end).at(-1)
  if (far && (far[0] ?? 0) > now) words.push({ x: p.right, y: p.y(far[1] ?? 0) - (size.small ? 7 : 12), text: say('if only cooling'), anchor: 'end', strong: false })
  return {
    plot: p, now: nowX, brackets, words: apart(words, gap, p.top + gap / 2, p.base - 4, size),
    dots: measured.map(([s, v]) => ({ x: round(p.x(s)), y: round(p.y(v)) })),
    leakPart: fit.length > 0 && cooling.length > 0 ? area(p, until(cooling, now), fit) : '',
    cooling: path(p, until(cooling, end)), fit: path(p, fit),
    fitBand: fit.length > 0 ? area(p, fit.map(([s, , , up]) => [s, up]), fit.map(([s, , lo]) => [s, lo])) : '',
    ahead: path(p, between(ahead, now, end)),
  }
}

/** apart moves words down until none lies on another; those that would leave the drawing move up instead. */
function apart(words: Mark[], gap: number, top: number, bottom: number, size: Size): Mark[] {
  const out: Mark[] = []
  const wide = (m: Mark) => m.text.length * (size.small ? 8.6 : 13)
  const from = (m: Mark) => (m.anchor === 'end' ? m.x - wide(m) : m.anchor === 'middle' ? m.x - wide(m) / 2 : m.x)
  const hits = (a: Mark, b: Mark) => Math.abs(a.y - b.y) < gap && from(a) < from(b) + wide(b) && from(b) < from(a) + wide(a)
  for (const w of words) {
    const placed = { ...w, y: Math.min(Math.max(w.y, top), bottom) }
    for (const way of [0, 1, -1]) {
      const tried = { ...placed }
      for (let i = 0; i < 4 && out.some((o) => hits(o, tried)); i++) tried.y += way * gap
      if (tried.y >= top && tried.y <= bottom && !out.some((o) => hits(o, tried))) {
        placed.y = tried.y
        break
      }
    }
    out.push(placed)
  }
  return out
}

export interface BandDrawing {
  plot: Plot
  band: string
  line: string
  dot: { x: number; y: number } | undefined
  limit: number | undefined
  limitText: { x: number; y: number } | undefined
}

/** bandDrawing draws the leak's estimate and its band over time against the limit, on the time axis of the curve above. */
export function bandDrawing(updates: readonly TestUpdate[], limit: Measure | undefined, seconds: number, size: Size): BandDrawing {
  const seen = updates.flatMap((u) => (banded(u.leak) ? [{ at: u.at, ...u.leak }] : []))
  const last = seen.at(-1)
  // Four limits high, so that the limit stands at one place; only a leak that would leave it raises the ceiling.
  const least = limit && limit.value > 0 ? 4 * limit.value : 1
  const top = last && last.high > least ? step(last.high * 1.1, 1) : least
  const p = plot(size, horizon(Math.max(seconds, last?.at ?? 0)), 0, top, top / 2)
  const line = (pick: (u: (typeof seen)[number]) => number) => seen.map((u) => [u.at, pick(u)])
  return {
    plot: p, band: seen.length > 1 ? area(p, line((u) => u.high), line((u) => u.low)) : '', line: seen.length > 1 ? path(p, line((u) => u.value)) : '',
    dot: last && { x: p.x(last.at), y: p.y(last.value) },
    limit: limit && p.y(limit.value),
    limitText: limit && { x: p.right, y: p.y(limit.value) - (size.small ? 7 : 12) },
  }
}

export interface ResultDrawing {
  plot: Plot
  allowed: string // what passes: everything above the limit's line
  limit: string
  now: string
  before: string
  dots: { x: number; y: number }[]
  words: Mark[]
}

/** alike draws the earlier test as it would have gone from this one's start with this one's cooling: another start or a
 * colder tank would make two like leaks look unlike. What its leak took is the way from its own cooling to its own fit. */
function alike(now: TestCurve, before: TestCurve, end: number): number[][] {
  return until(before.fit ?? [], end).flatMap(([s = 0, v = 0]) => {
    const here = at(now.cooling ?? [], s)
    const there = at(before.cooling ?? [], s)
    return here === undefined || there === undefined ? [] : [[s, here - (there - v)]]
  })
}

/** resultDrawing draws what was measured beside the edge of what passes and the earlier test; a test that is not judged has neither. */
export function resultDrawing(now: TestCurve, before: TestCurve | undefined, size: Size, judged: boolean): ResultDrawing | undefined {
  const fit: number[][] = now.fit ?? []
  const dots: number[][] = now.measured ?? []
  const end = Math.max(fit.at(-1)?.[0] ?? 0, dots.at(-1)?.[0] ?? 0)
  if (end <= 0) return undefined
  const edge: number[][] = judged ? until(now.limit ?? [], end) : []
  const old = judged && before ? alike(now, before, end) : []
  const own = values([fit, dots, edge])
  const wide = size.small ? 64 : 104
  // An earlier leak that was far larger would flatten this test: then it is told in the table only.
  const span = Math.max(leastSpan, Math.max(...own) - Math.min(...own))
  const fits = old.length > 1 && old.every((p) => Math.abs((p[1] ?? 0) - Math.max(...own)) < 8 * span)
  const { low, high } = range(fits ? [...own, ...values([old])] : own, leastSpan, 0.06)
  const p = plot({ ...size, width: judged ? size.width - wide : size.width }, end, low, high)
  const ends: Mark[] = []
  const name = (line: number[][], text: string, strong: boolean) => {
    const tip = line.at(-1)
    if (tip) ends.push({ x: p.x(tip[0] ?? 0) + (size.small ? 6 : 14), y: p.y(tip[1] ?? 0) + (size.small ? 5 : 8), text, anchor: 'start', strong })
  }
  name(fit.length > 1 ? fit : dots, say('now'), true)
  name(edge, say('limit'), true)
  const tip = fits ? old.at(-1) : undefined
  const whole = tip !== undefined && (tip[0] ?? 0) > 0.97 * end
  if (whole) name(old, say('before'), false)
  return {
    plot: p, allowed: edge.length > 1 ? area(p, [[0, high], [end, high]], edge) : '', limit: path(p, edge), now: judged ? path(p, fit) : '', before: fits ? path(p, old) : '',
    dots: judged ? [] : dots.map(([s = 0, v = 0]) => ({ x: round(p.x(s)), y: round(p.y(v)) })),
    words: [
      ...spread(ends, size.small ? 18 : 30, p.top + 8, p.base),
      // An earlier test that was decided sooner ends inside the drawing; its word stands under its end.
      ...(tip && !whole ? [{ x: p.x(tip[0] ?? 0), y: Math.min(p.y(tip[1] ?? 0) + (size.small ? 18 : 28), p.base - 4), text: say('before'), anchor: 'start' as const, strong: false }] : []),
    ],
  }
}

/** spread keeps words in one column apart, in the order of their lines. */
export function spread(words: Mark[], gap: number, top: number, bottom: number): Mark[] {
  const out = [...words].sort((a, b) => a.y - b.y).map((w) => ({ ...w }))
  let least = top
  for (const w of out) {
    w.y = Math.max(w.y, least)
    least = w.y + gap
  }
  let most = bottom
  for (const w of [...out].reverse()) {
    w.y = Math.min(w.y, most)
    most = w.y - gap
  }
  return out
}
