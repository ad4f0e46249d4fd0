// SPDX-License-Identifier: Apache-2.0

// Geometry of the air budget: what is used against what the compressor can give. The post stands at the same place on
// every machine and day; uses stop at it, and what is missing runs past it.

import type { LeakMark } from './line'
import type { Measure, Priority } from './payload'
import { heard, say } from './say'
import { fullWidth } from './size'
import { apart, atMost, banded, figure, rounded, unit, unsure } from './words'

export interface BarState {
  gives: Measure | undefined
  rated: boolean
  bags: Measure | undefined
  drains: Measure | undefined
  leak: Measure | undefined
  use: Measure | undefined
  spare: Measure | undefined
  short: Measure | undefined
  words: string
  mark: LeakMark | undefined
  shortInk: Priority
}

export interface Segment {
  name: 'bags' | 'drains' | 'leak' | 'use' | 'spare' | 'short'
  x: number
  width: number
}

export interface Label {
  text: string // the whole of it, with its figure
  measure: Measure
  what: string
  x: number
  anchor: 'start' | 'middle' | 'end'
  loud: boolean
  ink: 'ink' | 'ink2' | 'ground' | Priority
}

export interface Bar {
  post: number | undefined
  outlined: boolean // the empty outline means spare: only where the uses are known
  postWidth: { from: number; to: number } | undefined
  segments: Segment[]
  stripes: { x: number; width: number } | undefined
  cut: boolean // the overhang is longer than there is room for
  top: Label[]
  inside: Label[]
  words: string // where the post or the uses are not known
}

/** wanted turns a missing quantity into undefined. */
export function wanted(m: Measure | null | undefined): Measure | undefined {
  return m && Number.isFinite(m.value) ? m : undefined
}

/** Widths of Inter at weight 500, in parts of the size: enough to keep labels apart, a little wide on purpose. */
export function textWidth(text: string, size: number): number {
  let w = 0
  for (const c of text) w += c === ' ' ? 0.29 : /[ilj.,:;|’']/.test(c) ? 0.3 : /[mwMW%]/.test(c) ? 0.92 : /[A-Z]/.test(c) ? 0.72 : 0.6
  return w * size
}

/** bar lays the budget out in width px; sizes are those of the loud and the quiet text. */
export function bar(s: BarState, width: number, loud: number, quiet: number): Bar {
  const end = Math.round(width * (loud < 30 ? 0.838 : 860 / fullWidth))
  // While the split is not known, all uses are one; the declared drains are in it.
  const uses: [Segment['name'], Measure | undefined][] = s.use && !s.bags && !s.leak
    ? [['use', s.use]] : [['bags', s.bags], ['drains', s.drains], ['leak', s.leak]]
  const gives = s.gives && s.gives.value > 0 ? s.gives : undefined
  const scale = end / (gives ? gives.value : round(uses.reduce((sum, [, m]) => sum + Math.max(m?.value ?? 0, 0), 0)))
  const out: Bar = { post: gives ? end : undefined, outlined: gives !== undefined && usesKnown(s), postWidth: undefined, segments: [], stripes: undefined, cut: false, top: [], inside: [], words: (gives && usesKnown(s)) || !wordsFit(s, width, loud, quiet) ? '' : s.words }
  // Where it is short the end is measured and sharp: "about" alone says that the post is not.
  const shortOf = s.short !== undefined && s.short.value > 0
  if (!shortOf && gives?.low !== undefined && gives.high !== undefined && gives.high > gives.low) {
    out.postWidth = { from: Math.max(0, gives.low * scale), to: Math.min(width, gives.high * scale) }
  }
  let x = 0
  for (const [name, m] of uses) {
    if (m === undefined || x >= end) continue
    const w = Math.min(Math.max(m.value * scale, 4), end - x)
    out.segments.push({ name, x, width: w })
    if (name === 'leak' && m.low !== undefined && m.high !== undefined) {
      // Bags and leak together are surer than their cut: the more leak there is, the less the bags take.
      const from = Math.max(0, x - Math.max(m.high - m.value, 0) * scale)
      const to = Math.min(x + w, x + Math.max(m.value - Math.max(m.low, 0), 0) * scale)
      if (to - from >= 8) out.stripes = { x: from, width: to - from }
    }
    x += w + (x + w < end ? 2 : 0)
  }
  if (gives && s.short && shortOf) {
    const w = s.short.value * scale
    out.cut = w > width - end - 2
    out.segments.push({ name: 'short', x: end, width: Math.max(4, Math.min(w, width - end - 2)) })
  } else if (out.outlined && x < end) {
    out.segments.push({ name: 'spare', x, width: end - x })
  }
  labels(out, s, width, loud, quiet, end)
  return out
}

function labels(out: Bar, s: BarState, width: number, loud: number, quiet: number, end: number): void {
  const main = s.bags ?? s.use
  let left = 0
  if (main) {
    const l = label(mainWords(s, main), main, s.bags ? 'bags' : 'use', 0, 'start', true, 'ink')
    out.top.push(l)
    left = wide(l, loud) + 14
  }
  const short = out.segments.some((g) => g.name === 'short') && s.short
  let right = width
  if (short) {
    const l = label(say('{n} short', { n: figure(short) }), short, 'budget-short', width, 'end', true, s.shortInk)
    out.top.push(l)
    right = width - wide(l, loud) - 14
  }
  // A leak that rings keeps its words; then the post's, which carry the unit; then the drains.
  const leak = s.leak && leakLabel(out, s, s.leak, loud)
  if (leak?.anchor === 'middle') out.inside.push(leak)
  const beside = leak && leak.anchor !== 'middle' ? leak : undefined
  const gap = 12
  const kept = beside && s.mark ? wide(beside, loud) + gap : 0
  const drains = s.drains && (s.bags || s.leak) ? label(say('drains {n}', { n: figure(s.drains) }), s.drains, 'drains', left, 'start', false, 'ink2') : undefined
  const all = (beside ? wide(beside, beside.loud ? loud : quiet) + gap : 0) + (drains ? wide(drains, quiet) + gap : 0)
  const words = (from: number) => givesLabel(s, Math.min(right, end - 14), from, loud, quiet, Math.min(width, right))
  const give = words(left + all) ?? words(left + kept)
  const stop = give ? give.x - wide(give, quiet) - gap : right
  if (drains && left + wide(drains, quiet) + kept <= stop) {
    out.top.push(drains)
    left += wide(drains, quiet) + gap
  }
  if (beside && (kept > 0 || left + wide(beside, quiet) <= stop)) {
    const one = drains !== undefined && !beside.loud && out.top.includes(drains) // one saying: "drains 2, leak 1"
    if (one) drains.text += ','
    out.top.push({ ...beside, x: one ? left - 3 : left })
  }
  if (give) out.top.push(give)
  const spare = out.segments.find((g) => g.name === 'spare')
  if (spare && s.spare && s.spare.value >= 0) {
    const n = figure(s.spare)
    const l = label(unsure(s.spare) ? say('about {n} to spare', { n }) : say('{n} to spare', { n }), s.spare, 'spare', spare.x + spare.width / 2, 'middle', true, 'ink')
    // Beside the hatch of an unsure post where there is room, not in it.
    const clear = Math.min(end, out.postWidth?.from ?? end) - spare.x
    if (wide(l, loud) < clear - 12) l.x = spare.x + clear / 2
    if (wide(l, loud) < spare.width - 12) out.inside.push(l)
  }
}

/** usesKnown says whether it is known where the air goes; the declared drains alone are no such knowledge. */
export function usesKnown(s: BarState): boolean {
  return [s.bags, s.leak, s.use, s.spare, s.short].some((m) => m !== undefined)
}

/** wordsFit says whether the words that stand for an unknown post find room beside the first label. */
export function wordsFit(s: BarState, width: number, loud: number, quiet: number): boolean {
  const main = s.bags ?? s.use
  const left = main ? textWidth(mainWords(s, main), loud) + 14 : 0
  return left + textWidth(s.words, quiet) <= width
}

function mainWords(s: BarState, main: Measure): string {
  return s.bags ? say('Bags {n}', { n: figure(main) }) : say('Use {n}', { n: figure(main) })
}

/** givesLabel shortens the post's words until they fit between left and right. */
function givesLabel(s: BarState, right: number, left: number, loud: number, quiet: number, width: number): Label | undefined {
  if (s.gives === undefined) return undefined
  const narrow = loud < 30
  const n = `${figure(s.gives)} ${unit(s.gives)}`
  const all = s.rated ? say('{n}, rated', { n }) : n
  const plain = `${figure(s.gives)} ${s.gives.unit.replace(/[[\]]/g, '')}`
  const about = unsure(s.gives)
  const tries = narrow ? [say('of {n}', { n: all }), all, plain] : about
    ? [say('compressor gives about {n}', { n: all }), say('gives about {n}', { n: all }), say('about {n}', { n: all })]
    : [say('compressor gives {n}', { n: all }), say('gives {n}', { n: all }), all]
  for (const text of tries) {
    const l = label(text, s.gives, 'gives', narrow ? width : right, 'end', false, 'ink2')
    if (l.x - wide(l, quiet) >= left) return l
  }
  return undefined
}

function leakLabel(out: Bar, s: BarState, m: Measure, loud: number): Label {
  const seg = out.segments.find((g) => g.name === 'leak')
  const ink = s.mark ? s.mark.priority : 'ink2'
  const free = out.stripes && seg ? seg.x + seg.width - Math.max(seg.x, out.stripes.x + out.stripes.width) : seg?.width ?? 0
  const n = figure(m)
  const about = unsure(m)
  if (s.mark && seg) {
    const where = s.mark.where && s.mark.where !== apart ? heard(s.mark.where) : ''
    const bare = about ? say('leak, about {n}', { n }) : say('leak, {n}', { n })
    const whole = about ? say('{where} leak, about {n}', { where, n }) : say('{where} leak, {n}', { where, n })
    for (const text of where ? [whole, bare] : [bare]) { // the drawing says where, too
      const l = label(text, m, 'leak', seg.x + seg.width - free / 2, 'middle', true, 'ground')
      if (wide(l, loud) < free - 16) return l
    }
  }
  if (below(m)) return label(say('leak under {n}', { n: atMost(m, m.high) }), { ...m, value: m.high }, 'leak-under', 0, 'start', s.mark !== undefined, ink)
  return label(about ? say('leak about {n}', { n }) : say('leak {n}', { n }), m, 'leak', 0, 'start', s.mark !== undefined, ink)
}

/** below says whether a quantity is smaller than its own uncertainty, or than the smallest figure shown. */
function below(m: Measure): m is Measure & { low: number; high: number } {
  return banded(m) && m.high > 0 && (m.low <= 0 || rounded(m) === 0)
}

function label(
  text: string, measure: Measure, what: string, x: number, anchor: Label['anchor'], loud: boolean, ink: Label['ink'],
): Label {
  return { text, measure, what, x, anchor, loud, ink }
}

/** wide returns how much room a label takes. */
export function wide(l: Label, size: number): number {
  return textWidth(l.text, size)
}

/** round returns the next of 1, 2, 5 times a power of ten above 1.2 n: a length for the bar when there is no post. */
function round(n: number): number {
  const want = Math.max(n * 1.2, 1e-6)
  const ten = 10 ** Math.floor(Math.log10(want))
  return ([1, 2, 5, 10].find((k) => k * ten >= want) ?? 10) * ten
}
