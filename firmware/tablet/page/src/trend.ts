// SPDX-License-Identifier: Apache-2.0

// What the box has recorded, from the answer of GET /api/trend to what is drawn. A bucket without a reading is a hole.

import { object } from './payload'
import { heard, key, say } from './say'
import { inUnits, type Choice } from './units'
import { clockTime, figure, unit } from './words'

export interface Curve {
  id: string
  name: string
  channel: boolean
  unit: string
  reference: string
  first: number // ms since 1970
  step: number // ms
  min: (number | null)[]
  mean: (number | null)[]
  max: (number | null)[]
  count: number[]
}

export interface Trend {
  from: number
  to: number
  curves: Curve[]
  notes: string[]
}

export type Span = '15m' | '1h' | '8h' | 'today' | '10d'
export type Kind = 'air' | 'compressor' | 'water' | 'load' | 'one'

export const spans: [Span, string][] = [['15m', key('15 min')], ['1h', key('1 h')], ['8h', key('8 h')], ['today', key('today')], ['10d', key('10 days')]]

const hour = 3_600_000
const lengths: Record<Span, number> = { '15m': hour / 4, '1h': hour, '8h': 8 * hour, today: 24 * hour, '10d': 240 * hour }

/** stretchOf is what a choice asks for: its ends as the box takes them. back counts whole spans before the newest one; now is the box's time, NaN where nobody knows it. */
export function stretchOf(span: Span, back: number, now: number): { from: string; to: string } {
  if (span === 'today' && Number.isFinite(now)) {
    const begin = new Date(now)
    begin.setHours(0, 0, 0, 0)
    begin.setDate(begin.getDate() - back)
    const end = new Date(begin)
    end.setDate(end.getDate() + 1)
    return { from: begin.toISOString(), to: back === 0 ? 'now' : end.toISOString() }
  }
  const minutes = lengths[span] / 60_000
  return { from: `-${(back + 1) * minutes}m`, to: back === 0 ? 'now' : `-${back * minutes}m` }
}

/** idsOf are the series of a set, of those the machine has: ranks by name, loads by channel. */
export function idsOf(kind: Kind, one: string, ranks: string[], channels: string[]): string[] {
  const there = (all: string[]) => all.filter((id) => channels.includes(id))
  switch (kind) {
    case 'air': return [...there(['tank', ...ranks]), ...ranks.map((r) => `need.${r}`)]
    case 'compressor': return ['compressor.duty', 'compressor.delivery', 'compressor.runs']
    case 'water': return ['tank.water', ...there(['moisture', 'humidity'])]
    case 'load': return channels.filter((id) => /^load_\d+$/.test(id) || id.startsWith('contact'))
    default: return [one]
  }
}

/** nameOf says what a series is, in words short enough for a line's end. */
export function nameOf(id: string): string {
  const names: Record<string, string> = {
    'compressor.duty': say('duty'), 'compressor.delivery': say('delivery'), 'compressor.runs': say('runs'), 'air.gives': say('can give'), 'air.use': say('use'),
    'air.leak': say('leak'), 'tank.water': say('water'), 'tank.hold': say('lost over night'),
  }
  if (id.startsWith('need.')) return say('need {rank}', { rank: id.slice(5) })
  return names[id] ?? id.replaceAll('_', ' ')
}

const numbers = (v: unknown): (number | null)[] => (Array.isArray(v) ? v.map((x) => (typeof x === 'number' && Number.isFinite(x) ? x : null)) : [])

/** readTrend reads an answer. */
export function readTrend(v: unknown): Trend | undefined {
  if (!object(v) || !Array.isArray(v.series)) return undefined
  const curves: Curve[] = []
  for (const s of v.series) {
    const step = object(s) && object(s.step) ? Number(s.step.value) * 1000 : NaN
    if (!object(s) || typeof s.id !== 'string' || !(step > 0)) return undefined
    const mean = numbers(s.mean)
    const like = (x: unknown) => { const all = numbers(x); return all.length === mean.length ? all : mean }
    curves.push({
      id: s.id, name: nameOf(s.id), channel: s.kind === 'channel', unit: String(s.unit ?? '1'), reference: String(s.reference ?? ''), first: Date.parse(String(s.first)), step,
      min: like(s.min), mean, max: like(s.max), count: numbers(s.count).map((n) => n ?? 0),
    })
  }
  return { from: Date.parse(String(v.from)), to: Date.parse(String(v.to)), curves, notes: Array.isArray(v.notes) ? v.notes.map((s) => heard(String(s))) : [] }
}

/** turned gives a curve in the units of this tablet. */
export function turned(c: Curve, choice: Choice): Curve {
  const at = (value: number) => inUnits({ value, unit: c.unit, reference: c.reference }, choice)
  const zero = at(0)
  if (zero.unit === c.unit) return c
  const factor = at(1).value - zero.value
  const all = (list: (number | null)[]) => list.map((v) => (v === null ? null : v * factor + zero.value))
  return { ...c, unit: zero.unit, reference: zero.reference, min: all(c.min), mean: all(c.mean), max: all(c.max) }
}

/** grow lays the present values of channels behind a trend that ends now, and lets what is older than its span go. */
export function grow(t: Trend, at: number, values: Map<string, number>): Trend {
  if (!(at >= t.to - hour && at < t.to + hour)) return t // another day: it is asked for anew
  const curves = t.curves.map((c) => {
    const v = c.channel ? values.get(c.id) : undefined
    const i = Math.floor((at - c.first) / c.step)
    if (v === undefined || i < 0) return c
    const out = { ...c, min: [...c.min], mean: [...c.mean], max: [...c.max], count: [...c.count] }
    while (out.mean.length <= i) {
      out.min.push(null); out.mean.push(null); out.max.push(null); out.count.push(0)
    }
    const n = out.count[i] ?? 0
    const mean = out.mean[i] ?? null
    out.min[i] = Math.min(out.min[i] ?? v, v)
    out.max[i] = Math.max(out.max[i] ?? v, v)
    out.mean[i] = mean === null ? v : mean + (v - mean) / (n + 1)
    out.count[i] = n + 1
    const old = out.mean.length - c.mean.length
    return { ...out, first: out.first + old * c.step, min: out.min.slice(old), mean: out.mean.slice(old), max: out.max.slice(old), count: out.count.slice(old) }
  })
  const to = Math.max(t.to, at)
  return { ...t, curves, from: t.from + to - t.to, to }
}

export interface Panel {
  unit: string
  curves: Curve[]
  low: number
  high: number
  ticks: number[]
}

/** panelsOf puts curves of one unit on one scale; air pressures stand on the ground line. */
export function panelsOf(curves: Curve[]): Panel[] {
  const out: Panel[] = []
  for (const c of curves) {
    const word = unit({ value: 0, unit: c.unit, reference: c.reference })
    const p = out.find((x) => x.unit === word) ?? { unit: word, curves: [], low: 0, high: 0, ticks: [] }
    if (!out.includes(p)) out.push(p)
    p.curves.push(c)
  }
  for (const p of out) scale(p)
  return out
}

function scale(p: Panel): void {
  const all = p.curves.flatMap((c) => [...c.min, ...c.max]).filter((v): v is number => v !== null)
  const temperature = p.unit.startsWith('°')
  let low = Math.min(...all, temperature ? Infinity : 0)
  let high = Math.max(...all, temperature ? -Infinity : low)
  if (all.length === 0) [low, high] = [0, 1]
  const rough = Math.max((high - low) / 4, 1e-9, Math.abs(high) * 1e-6)
  const ten = 10 ** Math.floor(Math.log10(rough))
  const step = ([1, 2, 5, 10].find((n) => n * ten >= rough) ?? 10) * ten
  p.low = Math.floor(low / step + 1e-9) * step
  p.high = Math.max(p.low + step, Math.ceil(high / step - 1e-9) * step)
  for (let v = p.low; v <= p.high + step / 2; v += step) p.ticks.push(Number(v.toPrecision(12)))
}

/** holes are the stretches without a reading, of the panel's first curve, as shares of the width; small ones have no room for a word. */
export function holes(c: Curve, from: number, to: number, least: number): [number, number][] {
  const out: [number, number][] = []
  let begin = from
  for (let i = 0; i < c.mean.length; i++) {
    if (c.mean[i] === null) continue
    const at = c.first + i * c.step
    out.push([begin, at])
    begin = at + c.step
  }
  out.push([begin, to])
  return out.map(([a, b]): [number, number] => [Math.max(0, (a - from) / (to - from)), Math.min(1, (b - from) / (to - from))]).filter(([a, b]) => b - a >= least)
}

export interface End { id: string; text: string; top: number }

/** ends place the word of each curve where it ends, moved apart so that none lies on another. */
export function ends(p: Panel, tall: number, line: number): End[] {
  const out = p.curves.map((c): End => {
    const last = c.mean.filter((v) => v !== null).at(-1)
    const share = last === undefined ? 0 : (last - p.low) / (p.high - p.low)
    return { id: c.id, text: last === undefined ? say('{name}: not seen', { name: c.name }) : c.name, top: (1 - share) * tall - line / 2 }
  }).sort((a, b) => a.top - b.top)
  const room = Math.max(0, tall - line)
  out.forEach((e, i) => { e.top = Math.min(Math.max(e.top, i === 0 ? 0 : (out[i - 1] as End).top + line), room) })
  for (let i = out.length - 2; i >= 0; i--) (out[i] as End).top = Math.min((out[i] as End).top, (out[i + 1] as End).top - line)
  return out
}

/** valueAt says what a curve is at a time, in words. */
export function valueAt(c: Curve, at: number): string {
  const i = Math.floor((at - c.first) / c.step)
  const mean = c.mean[i]
  const [least, most] = [c.min[i], c.max[i]]
  if (mean === undefined || mean === null) return say('{name}: not seen', { name: c.name })
  const m = { value: mean, unit: c.unit, reference: c.reference }
  const text = figure(m)
  if (least === undefined || least === null || most === undefined || most === null || figure(m, least) === figure(m, most)) return say('{name} {value} {unit}', { name: c.name, value: text, unit: unit(m) })
  return say('{name} {value} {unit} ({least} to {most})', { name: c.name, value: text, unit: unit(m), least: figure(m, least), most: figure(m, most) })
}

/** timeOf writes a time so that the span of the trend is clear: over more than a day with the day. */
export function timeOf(at: number, long: boolean): string {
  if (!Number.isFinite(at)) return ''
  if (!long) return clockTime(at)
  const d = new Date(at)
  return say('{day}.{month}. {time}', { day: d.getDate(), month: d.getMonth() + 1, time: clockTime(at) })
}

/** rowsOf are the numbers as a short table: so many rows at most, each a time and what every curve was then. */
export function rowsOf(t: Trend, most: number): { at: number; texts: string[] }[] {
  const step = (t.to - t.from) / most
  return Array.from({ length: most }, (_, i) => {
    const at = t.from + (i + 0.5) * step
    return { at, texts: t.curves.map((c) => valueAt(c, at)) }
  })
}
