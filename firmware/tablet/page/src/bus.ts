// SPDX-License-Identifier: Apache-2.0

// What the box hears on its CAN links, in lines as a person reads them: the words and the order of airhold bus.

import { object } from './payload'

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
    ...(Array.isArray(k.remarks) ? k.remarks : []).map(word).filter((s) => s !== '').map((text): BusLine => ({ kind: 'remark', lead: '', text, end: '' })),
    ...(silent !== undefined ? [row('silent', `for ${silent.toFixed(0)} s`)] : []),
    ...loadOf(k),
    row('controller', object(k.controller) ? word(k.controller.words) || 'not known' : 'not known', count(k.frames, 'frame')),
    ...part('Who is on the wire', listed(k.talkers).map((t) => row(word(t.address), word(t.words) + (t.name_hex ? ` (NAME ${word(t.name_hex)})` : ''), count(t.frames, 'frame')))),
    ...part('Faults that devices report (DM1)', listed(k.faults).map((f) => row(f.active === true ? 'active' : 'gone', `from ${word(f.source)}: SPN ${word(f.spn)} FMI ${word(f.fmi)} (${word(f.words)})`))),
    ...part('What is sent', listed(k.groups).map((g) => row(g.id ? word(g.id) : `PGN ${word(g.pgn)}`, sent(g), count(g.count, 'message')))),
  ]
}

function loadOf(k: Record<string, unknown>): BusLine[] {
  const load = amount(k.load)
  const rate = amount(k.bitrate)
  if (load === undefined || rate === undefined) return []
  const busiest = amount(k.busiest)
  const how = `${k.reckoned === true ? ', reckoned as the slowest usual rate that fits' : ''}${busiest !== undefined ? `; ${busiest.toFixed(1)} % in the busiest second` : ''}`
  return [{ kind: 'row', lead: 'load', text: `${load.toFixed(1)} % of ${(rate / 1000).toFixed(0)} kbit/s${how}`, end: '' }]
}

/** sent tells what a group is, who sends it and how often. */
function sent(g: Record<string, unknown>): string {
  const period = amount(g.period)
  const every = period === undefined ? '' : g.even === true ? `every ${stretch(period)}` : 'uneven'
  const name = word(g.key)
  return [name === 'unknown' ? '' : name.replaceAll('_', ' '), g.id ? '' : `from ${word(g.source)}`, every].filter((s) => s !== '').join(', ') || 'not known'
}

function stretch(s: number): string {
  return s < 0.0995 ? `${(s * 1000).toFixed(1)} ms` : s < 0.9995 ? `${(s * 1000).toFixed(0)} ms` : `${s.toFixed(2)} s`
}

function count(v: unknown, name: string): string {
  return typeof v === 'number' && Number.isFinite(v) ? `${v} ${name}${v === 1 ? '' : 's'}` : ''
}
