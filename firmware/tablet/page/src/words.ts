// SPDX-License-Identifier: Apache-2.0

// Words and figures as people read them. Codes of the contract never reach the screen.

import type { CompressorWord, Measure, Priority, StateCode } from './payload'
import { foreign, heard, key, num, say } from './say'

export const stateWords: Record<StateCode, string> = {
  holds: key('Air holds'), low: key('Air low'), short: key('Air short'), not_known: key('Air not known'),
}

export const compressorWords: Record<CompressorWord, string> = {
  resting: key('resting'), running: key('running'), no_rest: key('no rest'), not_seen: key('not seen'),
}

const alarmStates: Record<string, string> = {
  active_unacked: key('unacknowledged'), active_acked: key('acknowledged'), returned_unacked: key('returned, unacknowledged'),
  latched_unacked: key('held, unacknowledged'), latched_acked: key('held'), shelved: key('put off'), suppressed: key('held back'),
  out_of_service: key('out of service'), normal: key('returned'),
}

/** alarmState tells the state of an alarm in words. */
export function alarmState(code: string): string {
  return say(alarmStates[code] ?? code.replaceAll('_', ' '))
}

const qualities: Record<string, string> = {
  ok: key('ok'), not_available: key('not heard'), open: key('line open'), short_to_ground: key('short to ground'), short_to_supply: key('short to supply'),
  out_of_band: key('out of band'), saturated: key('end of range'), bad_supply: key('sensor supply bad'), late: key('late'), no_answer: key('no answer'),
  implausible: key('not plausible'), frozen: key('stands still'),
}

/** quality tells a reading's quality in words. */
export function quality(code: string): string {
  return say(qualities[code] ?? code.replaceAll('_', ' '))
}

const unitWords: Record<string, string> = {
  '[psi]': 'psi', Cel: '°C', '[degF]': '°F', '[lbf_av]': 'lbf', '[mi_i]/h': 'mph', '[gal_us]': 'gal', '[in_i]': 'in', '[ft_i]': 'ft',
  '1': '', '[psi]/min': 'psi/min',
}

/** unit tells a UCUM unit as people write it; air at the reference atmosphere says so. */
export function unit(m: Measure): string {
  const word = unitWords[m.unit] ?? m.unit
  return m.reference === 'ANR' && m.unit !== 'scfm' ? `${word} ANR` : word
}

/** decimals returns how many places a figure of this unit is worth on a screen. */
function decimals(code: string): number {
  switch (code.replace('/min', '')) {
    case 'bar': case 'MPa': case 'scfm': case 'm3/h': case 'm/s': case 'km/h': case 'V': case 'Cel': case '[degF]':
      return code === 'bar' || code === 'MPa' || code === 'V' ? 2 : 1
    case '1': case 'bar/min':
      return 2
    default:
      return 0
  }
}

/** rounded is a quantity as figure prints it, for what hangs on its size. */
export function rounded(m: Measure, value = m.value): number {
  return Number(value.toFixed(decimals(m.unit)))
}

/** figure prints a quantity without its unit, rounded to what a person can use. Minus zero is zero. */
export function figure(m: Measure, value = m.value): string {
  const text = value.toFixed(decimals(m.unit))
  return num(Number(text) === 0 ? text.replace('-', '') : text)
}

/** atMost prints an upper bound: rounded up, so that it stays one. */
export function atMost(m: Measure, value = m.value): string {
  const ten = 10 ** decimals(m.unit)
  return figure(m, Math.ceil(value * ten - 1e-9) / ten)
}

/** tiny prints a loss from low to high with its unit, rounded outwards to what its width is worth: "0 to 0.01 L/min ANR". */
export function tiny(m: Measure): string {
  if (!banded(m)) return say('about {n} {unit}', { n: Number(m.value.toPrecision(2)), unit: unit(m) })
  const [low, high] = [Math.min(m.low, m.high), Math.max(m.low, m.high)]
  const ten = 10 ** Math.min(3, Math.max(0, Math.ceil(0.5 - Math.log10(high - low))))
  const from = Math.max(0, Math.floor(low * ten + 1e-9) / ten)
  const to = Math.max(1 / ten, Math.ceil(high * ten - 1e-9) / ten)
  return from === to ? `${num(String(to))} ${unit(m)}` : say('{from} to {to} {unit}', { from, to, unit: unit(m) })
}

/** fine prints a quantity of a leak-down test, where tenths count, without its unit. Nothing is plain 0. */
export function fine(m: Measure, value = m.value): string {
  return num(finest(m, value))
}

/** nothing says whether fine prints a quantity as plain 0. */
export function nothing(m: Measure): boolean {
  return Number(finest(m, m.value)) === 0
}

/** set prints a quantity that a person set, as a limit: 3, not 3.0. */
export function set(m: Measure): string {
  return num(String(Number(finest(m, m.value))))
}

function finest(m: Measure, value: number): string {
  const most = { mm: 2, scfm: 2, 'bar/min': 3, 'MPa/min': 4, kPa: 1, 'L/min': 1, 'kPa/min': 1, '[psi]/min': 2, '[in_i]': 3 }[m.unit] ?? 1
  const size = Math.abs(value) >= 99.95 ? 2 : Math.abs(value) >= 9.995 ? 1 : 0
  const text = value.toFixed(Math.max(0, most - size))
  return Number(text) === 0 ? '0' : text
}

/** banded says whether a quantity carries an interval that can be told. */
export function banded(m: Measure | null | undefined): m is Measure & { low: number; high: number } {
  return !!m && [m.value, m.low, m.high].every((x) => typeof x === 'number' && Number.isFinite(x))
}

/** percent prints a chance; what is not certain never reads 100 %, what is not excluded never 0 %. */
export function percent(chance: number): string {
  if (!Number.isFinite(chance)) return say('not known')
  if (chance > 0.99) return chance >= 0.9995 ? say('over {n} %', { n: 99.9 }) : `${num((Math.floor(chance * 1000) / 10).toFixed(1).replace(/\.0$/, ''))} %`
  if (chance < 0.01) return say('under {n} %', { n: 1 })
  return `${Math.round(chance * 100)} %`
}

/** chances prints pass and fail so that they add up. */
export function chances(pass: number, fail: number): [string, string] {
  const p = percent(pass)
  if (pass < 0.01 || pass > 0.99 || Math.abs(pass + fail - 1) > 0.01) return [p, percent(fail)]
  return [p, `${100 - Math.round(pass * 100)} %`]
}

/** stretch tells a length of time in the unit a person would use: [figure, unit]. */
export function stretch(s: number): [string, string] {
  if (s < 119.5) return [s.toFixed(0), 's']
  if (s < 7200) return [num((s / 60).toFixed(s < 594 ? 1 : 0).replace(/\.0$/, '')), 'min']
  if (s < 172_800) return [num((s / 3600).toFixed(s < 36_000 ? 1 : 0).replace(/\.0$/, '')), 'h']
  return [(s / 86_400).toFixed(0), say('days')]
}

/** unsure says whether a quantity's 95 % interval is wider than a tenth of it. */
export function unsure(m: Measure): boolean {
  return m.low !== undefined && m.high !== undefined && m.high - m.low > 0.1 * Math.abs(m.value)
}

const kPaPer: Record<string, number> = { kPa: 1, Pa: 1e-3, hPa: 0.1, bar: 100, MPa: 1000, '[psi]': 6.894757293168 }

/** kPa turns a pressure into kPa for drawing; NaN for a unit that is no pressure. (1 psi: NIST SP 811, B.8.) */
export function kPa(m: Measure, value = m.value): number {
  return value * (kPaPer[m.unit] ?? NaN)
}

/** clockTime prints hours and minutes (and seconds) of a time of the box in this tablet's zone; empty if it has none. */
export function clockTime(ms: number, seconds = false): string {
  if (!Number.isFinite(ms)) return ''
  const d = new Date(ms)
  const two = (n: number) => String(n).padStart(2, '0')
  return `${two(d.getHours())}:${two(d.getMinutes())}${seconds ? `:${two(d.getSeconds())}` : ''}`
}

/** boxTime reads a time of the contract; NaN for none, which Go writes as year 1. */
export function boxTime(t: string | null | undefined): number {
  if (!t || t.startsWith('0001-')) return NaN
  return Date.parse(t)
}

/** age prints how old something is: "4 s", "3 min", "2 h". */
export function age(ms: number): string {
  if (!Number.isFinite(ms) || ms < 0) return say('never')
  if (ms < 120_000) return `${Math.floor(ms / 1000)} s`
  if (ms < 7_200_000) return `${Math.floor(ms / 60_000)} min`
  return `${Math.floor(ms / 3_600_000)} h`
}

/** upper gives a sentence its capital letter. */
export function upper(s: string): string {
  return s.charAt(0).toUpperCase() + s.slice(1)
}

/** lower takes a title's capital away inside an English sentence, unless it is an abbreviation. Elsewhere nouns have capitals. */
export function lower(s: string): string {
  if (foreign()) return s
  return /^[A-Z][a-z]/.test(s) ? s.charAt(0).toLowerCase() + s.slice(1) : s
}

/** messages are the names of the catalogue that are no words. */
const messages: Record<string, string> = { 'cog sog': key('course and speed over ground'), dm1: key('active trouble codes') }

/** messageName writes what a message carries, by its name in the catalogue. */
export function messageName(name: string): string {
  const words = name.replaceAll('_', ' ')
  return messages[words] ? say(messages[words]) : heard(words)
}

/** glue keeps a figure and its unit on one line. */
export function glue(s: string): string {
  return s.replace(/(\d) (s|min|h|kPa|%|L\/min)(?![a-z])/g, '$1\u00a0$2')
}

/** listOf tells a list that the box has joined, in the language of the page; one unknown part leaves it as it came. */
export function listOf(s: string): string {
  if (!foreign()) return s
  const [, list = s, more = ''] = /^(.+?) and (\d+) more$/.exec(s) ?? []
  const parts = list.split(', ')
  const all = parts.map(heard)
  if (all.some((p, i) => p === parts[i])) return heard(s)
  return more ? say('{list} and {n} more', { list: all.join(', '), n: more }) : all.join(', ')
}

/** apart is the place of a leak that could not be told from others. */
export const apart = 'not told apart'

/** named joins a title and a place: "Air leak, front rank". */
export function named(title: string, where?: string): string {
  if (where === apart) return say('{title}, place not told apart', { title: heard(title) })
  return where && !title.toLowerCase().includes(where.toLowerCase()) ? say('{title}, {where}', { title: heard(title), where: heard(where) }) : heard(title)
}

const rank: Record<Priority, number> = { none: 0, low: 1, medium: 2, high: 3 }

/** weight orders priorities. */
export function weight(p: Priority): number {
  return rank[p] ?? 0
}
