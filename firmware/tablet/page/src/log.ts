// SPDX-License-Identifier: Apache-2.0

// What GET /api/log and /api/export say, as the log's screen needs it. Every field may be missing.

import { object } from './payload'
import { heard, key, say } from './say'

export interface LogSignal { id: string; quantity: string; unit: string; source: string; rate: number; now: string; age: string; quality: string; made: string }
export interface LogBoot { id: string; from: number; to: number; bytes: number; words: string }
export interface LogHole { at: string; words: string }
export interface Log {
  title: string
  now: number // ms since 1970; NaN while the box does not know the time
  facts: { name: string; value: string; rest: string }[]
  sent: string
  frames: number // heard per second
  signals: LogSignal[]
  boots: LogBoot[]
  holes: LogHole[]
}

export interface Export { state: string; percent: number; error: string; name: string; bytes: number; notes: string[] }

/** forms are what can be exported, with what opens it, and about how many bytes a reading or a frame takes: measured on the demo's shop story. */
export const forms = [
  { form: 'parquet', opens: key('Parquet: DuckDB, Python, R'), each: 10, frames: false },
  { form: 'csv', opens: key('CSV: a spreadsheet'), each: 60, frames: false },
  { form: 'candump', opens: key('candump: text, a packet analyser'), each: 51, frames: true },
  { form: 'pcapng', opens: key('pcapng: a packet analyser'), each: 48, frames: true },
  { form: 'geojson', opens: key('GeoJSON: a map program'), each: 0, frames: false },
] as const

const num = (v: unknown): number => (typeof v === 'number' && Number.isFinite(v) ? v : NaN)
const word = (v: unknown): string => (typeof v === 'string' ? v : '')
const list = (v: unknown): Record<string, unknown>[] => (Array.isArray(v) ? v.filter(object) : [])
const part = (v: unknown): Record<string, unknown> => (object(v) ? v : {})
const time = (v: unknown): number => Date.parse(word(v))

/** size writes bytes. */
export function size(bytes: number): string {
  if (bytes < 1e6) return say('{n} kB', { n: Math.ceil(bytes / 1e3) })
  return say('{n} MB', { n: bytes < 1e7 ? (bytes / 1e6).toFixed(1) : Math.round(bytes / 1e6) })
}

/** clockAt writes a time of the box, in this tablet's zone. */
export function clockAt(ms: number): string {
  if (!Number.isFinite(ms)) return say('not known')
  return new Date(ms).toLocaleString('en-GB', { day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' })
}

/** heardOf writes a count so that it can be read: millions from one million up. */
function heardOf(n: number, sent: number): { value: string; rest: string } {
  return n < 1e6 ? { value: String(n), rest: say('{n} sent', { n: sent }) } : { value: (n / 1e6).toFixed(1), rest: say('million, {n} sent', { n: sent }) }
}

const round = (v: number): string => (Number.isNaN(v) ? '' : String(Number(v.toPrecision(4))))
const units: Record<string, string> = { Cel: '°C', '1': '' }

function signal(s: Record<string, unknown>): LogSignal {
  const unit = units[word(s.unit)] ?? word(s.unit)
  const age = num(s.age)
  const value = num(part(s.value).value)
  const made = part(s.calibration)
  return {
    id: word(s.id), quantity: word(s.quantity), unit: `${unit} ${word(s.reference)}`.trim(), source: word(s.source), rate: num(part(s.rate).value),
    now: Number.isNaN(value) ? say('not seen') : round(value), age: Number.isNaN(value) ? '' : age < 1000 ? say('under 1 s') : say('{n} s', { n: Math.round(age / 1000) }),
    quality: word(s.quality), made: [word(made.who), word(made.at).slice(0, 10), word(made.instrument)].filter((x) => x !== '').join(', ') || say('not known'),
  }
}

/** readLog reads what is recorded; undefined where it is no answer of /api/log. */
export function readLog(v: unknown): Log | undefined {
  if (!object(v) || typeof v.boot !== 'string' || !Array.isArray(v.signals)) return undefined
  const frames = part(v.frames)
  const clock = part(v.clock)
  const lost = part(v.lost)
  const within = num(part(clock.within).value)
  const days = num(part(v.space).value)
  const boots = list(v.boots)
  const holes = list(v.holes)
  const missing = [lost.spine, lost.disk, lost.none].reduce<number>((sum, n) => sum + (num(n) || 0), 0)
  const since = clockAt(time(v.since))
  const state = word(v.state)
  return {
    title: [word(v.name), ...(v.simulated === true ? [say('simulated')] : []), state === 'recording' ? say('recording since {since}, boot {boot}', { since, boot: v.boot }) : state].join(', '),
    now: time(v.t), frames: num(frames.rate), sent: heard(word(frames.sent_know)), signals: list(v.signals).map(signal),
    facts: [
      { name: say('space left'), value: Number.isNaN(days) ? '–' : String(Math.floor(days)), rest: Number.isNaN(days) ? say('not known yet') : say('days') },
      { name: say('frames heard'), ...heardOf(num(frames.heard) || 0, num(frames.sent)) },
      { name: say('raw frames'), value: String(num(frames.lost) || 0), rest: say('lost, {state}', { state: heard(word(frames.state)) }) },
      { name: say('holes'), value: String(holes.length), rest: say('{n} readings lost', { n: missing }) },
      { name: say('clock'), value: Number.isNaN(within) ? word(clock.quality) : `±${round(within)}`, rest: Number.isNaN(within) ? heard(word(clock.source)) : say('s, {source}', { source: heard(word(clock.source)) }) },
    ],
    boots: boots.map((b) => ({
      id: word(b.id), from: time(b.from), to: time(b.to), bytes: num(b.bytes) || 0,
      words: [b.present === true ? say('being recorded') : b.sealed === true ? say('sealed') : say('not sealed yet'), b.torn === true ? say('torn: {words}', { words: heard(word(b.words)) }) : say('whole')].join(', '),
    })),
    holes: holes.map((h) => ({ at: clockAt(time(h.at)), words: say('{s} s long, {n} {of} missing', { s: round(num(h.seconds)), n: num(h.lost), of: heard(word(h.of)) }) })),
  }
}

/** readExport reads how far an export is. */
export function readExport(v: unknown): Export | undefined {
  if (!object(v) || typeof v.state !== 'string') return undefined
  return { state: v.state, percent: num(v.percent) || 0, error: heard(word(v.error)), name: word(v.name), bytes: num(v.bytes) || 0, notes: Array.isArray(v.notes) ? v.notes.map((s) => heard(word(s))) : [] }
}

/** estimate is about how large an export is, in bytes; NaN where that cannot be said. */
export function estimate(log: Log, form: string, from: number, to: number, chosen: string[]): number {
  const f = forms.find((x) => x.form === form)
  if (!f || f.each === 0) return NaN
  const rate = f.frames ? log.frames : log.signals.filter((s) => chosen.length === 0 || chosen.includes(s.id)).reduce((sum, s) => sum + s.rate, 0)
  const s = log.boots.reduce((sum, b) => sum + Math.max(0, Math.min(b.to, Number.isNaN(to) ? Infinity : to) - Math.max(b.from, Number.isNaN(from) ? -Infinity : from)), 0) / 1000
  return rate * s * f.each
}

/** askExport sends a wish, or takes it back; it returns a sentence, empty when the box did it. */
export async function askExport(method: 'POST' | 'DELETE', wish?: object): Promise<string> {
  try {
    const answer = await fetch('api/export', { method, credentials: 'same-origin', headers: { 'Content-Type': 'application/json' }, signal: AbortSignal.timeout(15_000), ...(wish ? { body: JSON.stringify(wish) } : {}) })
    if (answer.ok) return ''
    const text = (await answer.text()).trim()
    if (!text.startsWith('{')) return heard(text)
    const said: unknown = JSON.parse(text)
    return object(said) ? heard(word(said.error)) : text
  } catch {
    return say('The box did not answer. Press again.')
  }
}
