// SPDX-License-Identifier: Apache-2.0

// What the box hears on its CAN links, in lines as a person reads them: the words and the order of airhold bus.

import { object } from './payload'
import { heard, num, say } from './say'
import { messageName } from './words'

export interface BusLine {
  kind: 'head' | 'remark' | 'row'
  lead: string
  text: string
  end: string // a count, at the right
}

export interface BusLink {
  link: string
  lines: BusLine[]
}

const listed = (v: unknown): Record<string, unknown>[] => (Array.isArray(v) ? v.filter(object) : [])
const word = (v: unknown): string => (typeof v === 'string' ? v : typeof v === 'number' && Number.isFinite(v) ? String(v) : '')
const amount = (v: unknown): number | undefined => (object(v) && typeof v.value === 'number' && Number.isFinite(v.value) ? v.value : undefined)

/** readBus reads the answer of GET /api/bus. */
export function readBus(v: unknown): BusLink[] | undefined {
  if (!Array.isArray(v)) return undefined
  return listed(v).map((k) => ({ link: word(k.link) || 'bus', lines: linesOf(k) }))
}

function linesOf(k: Record<string, unknown>): BusLine[] {
  const row = (lead: string, text: string, end = ''): BusLine => ({ kind: 'row', lead, text, end })
  const part = (name: string, rows: BusLine[]): BusLine[] => (rows.length > 0 ? [{ kind: 'head', lead: '', text: name, end: '' }, ...rows] : [])
  const silent = amount(k.silent)
  return [
    ...(Array.isArray(k.remarks) ? k.remarks : []).map(word).filter((s) => s !== '').map((text): BusLine => ({ kind: 'remark', lead: '', text: heard(text), end: '' })),
    ...(silent !== undefined ? [row(say('silent'), say('for {n} s', { n: silent.toFixed(0) }))] : []),
    ...loadOf(k),
    row(say('controller'), (object(k.controller) && heard(word(k.controller.words))) || say('not known'), frames(k.frames)),
    ...part(say('Who is on the wire'), listed(k.talkers).map((t) => row(word(t.address), t.name_hex ? say('{who} (NAME {name})', { who: heard(word(t.words)), name: word(t.name_hex) }) : heard(word(t.words)), frames(t.frames)))),
    ...part(say('Faults that devices report (DM1)'), listed(k.faults).map((f) => row(f.active === true ? say('active') : say('gone'), say('from {source}: SPN {spn} FMI {fmi} ({words})', { source: word(f.source), spn: word(f.spn), fmi: word(f.fmi), words: heard(word(f.words)) })))),
    ...part(say('What is sent'), listed(k.groups).map((g) => row(g.id ? word(g.id) : `PGN ${word(g.pgn)}`, sent(g), messages(g.count)))),
  ]
}

function loadOf(k: Record<string, unknown>): BusLine[] {
  const load = amount(k.load)
  const rate = amount(k.bitrate)
  if (load === undefined || rate === undefined) return []
  const busiest = amount(k.busiest)
  const places = { load: num(load.toFixed(1)), rate: (rate / 1000).toFixed(0) }
  const of = k.reckoned === true ? say('{load} % of {rate} kbit/s, reckoned as the slowest usual rate that fits', places) : say('{load} % of {rate} kbit/s', places)
  const text = busiest !== undefined ? say('{load}; {n} % in the busiest second', { load: of, n: num(busiest.toFixed(1)) }) : of
  return [{ kind: 'row', lead: say('load'), text, end: '' }]
}

/** sent tells what a group is, who sends it and how often. */
function sent(g: Record<string, unknown>): string {
  const period = amount(g.period)
  const every = period === undefined ? '' : g.even === true ? say('every {time}', { time: stretch(period) }) : say('uneven')
  const name = word(g.key)
  return [name === 'unknown' ? '' : messageName(name), g.id ? '' : say('from {source}', { source: word(g.source) }), every].filter((s) => s !== '').join(', ') || say('not known')
}

function stretch(s: number): string {
  return num(s < 0.0995 ? `${(s * 1000).toFixed(1)} ms` : s < 0.9995 ? `${(s * 1000).toFixed(0)} ms` : `${s.toFixed(2)} s`)
}

function frames(v: unknown): string {
  if (typeof v !== 'number' || !Number.isFinite(v)) return ''
  return v === 1 ? say('{n} frame', { n: v }) : say('{n} frames', { n: v })
}

function messages(v: unknown): string {
  if (typeof v !== 'number' || !Number.isFinite(v)) return ''
  return v === 1 ? say('{n} message', { n: v }) : say('{n} messages', { n: v })
}
