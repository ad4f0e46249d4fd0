// SPDX-License-Identifier: Apache-2.0

// The care list as the page tells it: what is due, why, and how to do it safely.

import { object, type Measure, type Now, type Water } from './payload'
import { heard, num, say, tongue } from './say'
import { boxTime, figure, fine, nothing, unit, upper } from './words'

/** CareItem is one line of the list. */
export interface CareItem {
  item: string // the word that records it
  words: string
  why: string
  needs: string // what it lacks to be judged rightly
  caution: string
  due: boolean
  soon: boolean
  every: string
  last: string // when and by whom it was done; empty: never recorded
}

/** CareNote is one line of what was done. */
export interface CareNote {
  at: string
  words: string
  by: string
  note: string
}

/** CareAsked is what may have been done and forgotten: asked once. */
export interface CareAsked {
  item: string
  words: string
}

export interface CareList {
  items: CareItem[]
  history: CareNote[]
  ask: CareAsked[]
}

const text = (v: unknown): string => (typeof v === 'string' ? v : '')
const told = (v: unknown): string => heard(text(v))
const listed = (v: unknown): Record<string, unknown>[] => (Array.isArray(v) ? v.filter(object) : [])

/** dueOf returns what the snapshot says is due. */
export function dueOf(n: Now): CareItem[] {
  return (Array.isArray(n.care) ? n.care : []).filter((c) => object(c) && c.due && c.item).map((c) => ({
    item: c.item, words: heard(c.words), why: heard(c.why ?? ''), needs: '', caution: heard(c.caution ?? ''), due: true, soon: false, every: '', last: '',
  }))
}

/** Told is how items are done safely: what holds for all of them once, and what is each one's own. */
export interface Told {
  shared: string
  own: string[]
}

/** share takes what several cautions say alike out of them, so that it is read once; one alone keeps all of its own. */
export function share(cautions: string[]): Told {
  const all = cautions.map(sentences)
  const common = all.length < 2 ? [] : (all[0] ?? []).filter((s) => all.every((c) => c.includes(s)))
  return { shared: common.join(' '), own: all.map((c) => c.filter((s) => !common.includes(s)).join(' ')) }
}

function sentences(s: string): string[] {
  return s.split(/(?<=[.?]) +/).map(sentence).filter((x) => x !== '')
}

/** sentence gives words a capital letter and a full stop. */
export function sentence(s: string): string {
  const t = s.trim()
  return t === '' || /[.?]$/.test(t) ? upper(t) : `${upper(t)}.`
}

/** readCare reads the answer of GET /api/care; due first, then what is soon due. */
export function readCare(v: unknown): CareList | undefined {
  if (!object(v) || !Array.isArray(v.items)) return undefined
  const items = listed(v.items).filter((c) => text(c.item) !== '').map((c): CareItem => ({
    item: text(c.item), words: told(c.words) || upper(text(c.item)), why: told(c.why), needs: told(c.needs), caution: told(c.caution), due: c.due === true, soon: c.soon === true, every: told(c.every),
    last: object(c.last) ? doneWords(c.last) : '',
  }))
  const urgency = (c: CareItem) => (c.due ? 0 : c.soon ? 1 : 2)
  const names = new Map(items.map((c) => [c.item, c.words]))
  return {
    items: items.map((c, i) => ({ c, i })).sort((a, b) => urgency(a.c) - urgency(b.c) || a.i - b.i).map(({ c }) => c),
    history: listed(v.history).map((h) => ({ at: dayOf(text(h.at)), words: told(h.words) || names.get(text(h.item)) || text(h.item), by: text(h.by), note: text(h.note) })),
    ask: listed(v.ask).map((a) => ({ item: text(a.item), words: told(a.words) })).filter((a) => a.item !== '' && a.words !== ''),
  }
}

function doneWords(last: Record<string, unknown>): string {
  return [dayOf(text(last.at)), text(last.by) && say('by {name}', { name: text(last.by) }), text(last.note)].filter((s) => s !== '').join(', ')
}

/** dayOf prints a day of the box as people write it: "28 Apr 2026"; a time that is none is empty. */
export function dayOf(at: string): string {
  const t = boxTime(at)
  return Number.isFinite(t) ? new Date(t).toLocaleDateString(tongue(), { day: 'numeric', month: 'short', year: 'numeric' }) : ''
}

/** waterOf tells the water in the tank in one line; empty where nothing is said of it. */
export function waterOf(w: Water | null | undefined): string {
  if (!w) return ''
  const litres = w.liquid && Number.isFinite(w.liquid.value) ? say('Water in the tank: {n}', { n: spanOf(w.liquid) }) : ''
  const dew = w.dew_point && Number.isFinite(w.dew_point.value) ? say('dew point {n} {unit}', { n: w.dew_point.value.toFixed(0), unit: unit(w.dew_point) }) : ''
  const figures = [litres, dew].filter((s) => s !== '').join(', ')
  return [figures, heard(w.words ?? '')].map(sentence).filter((s) => s !== '').join(' ')
}

/** spanOf prints a volume with its bounds, rounded outwards. */
function spanOf(m: Measure): string {
  if (m.low === undefined || m.high === undefined) return say('about {n} {unit}', { n: fine(m), unit: unit(m) })
  if (nothing(m)) return say('under {n} {unit}', { n: fine(m, Math.max(1, Math.ceil(m.high * 10 - 1e-9)) / 10), unit: unit(m) })
  const tenths = (v: number, round: (v: number) => number) => fine(m, round(v * 10) / 10)
  return say('{n} {unit}, between {low} and {high}', { n: fine(m), unit: unit(m), low: tenths(m.low, (v) => Math.floor(v + 1e-9)), high: tenths(m.high, (v) => Math.ceil(v - 1e-9)) })
}

/** tellOf is all of an item but its caution: why, how often, when it was last done. */
export function tellOf(c: CareItem): string {
  const last = c.last ? say('last {when}', { when: c.last }) : say('not recorded yet')
  return [c.why, c.needs && say('needs {what}', { what: c.needs }), c.every ? `${c.every}; ${last}` : last].map(sentence).filter((s) => s !== '').join(' ')
}

/** pagesOf parts a list into whole pages: as many on each as fit, and never none. */
export function pagesOf<T>(all: T[], fits: (page: T[]) => boolean): T[][] {
  const pages: T[][] = []
  for (const one of all) {
    const last = pages.at(-1)
    if (last && fits([...last, one])) last.push(one)
    else pages.push([one])
  }
  return pages
}

/** LearnedLine is one value the machine has taught the box. */
export interface LearnedLine {
  name: string
  words: string
  value: string
  measure: Measure | undefined
  text: string // what it rests on
}

/** readLearned reads the answer of GET /api/learned. */
export function readLearned(v: unknown): LearnedLine[] | undefined {
  if (!Array.isArray(v)) return undefined
  return listed(v).map((l) => {
    const m = object(l.value) && typeof l.value.value === 'number' && typeof l.value.unit === 'string' && l.value.unit !== '' ? l.value as unknown as Measure : undefined
    return { name: text(l.name), words: upper(told(l.words)), value: m ? `${three(m)} ${unit(m)}`.trim() : '', measure: m, text: told(l.text) }
  })
}

/** three prints three digits, or the whole number where that has more; what is next to nothing is 0. */
function three(m: Measure): string {
  if (Math.abs(m.value) < 5e-4) return '0'
  return Math.abs(m.value) >= 100 ? figure({ ...m, unit: 'kPa' }) : num(String(Number(m.value.toPrecision(3))))
}
