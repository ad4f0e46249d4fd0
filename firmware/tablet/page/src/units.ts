// SPDX-License-Identifier: Apache-2.0

// The units a person reads in, chosen on this tablet. What arrives is turned once, before anything is derived from it,
// so that every screen has the same. A leak-down test keeps the box's units: its report does too, and the two are laid
// side by side.
//
// 1 psi is 6.894757293168 kPa (NIST SP 811, B.8). 1 scfm, at 68 °F and 14.696 psi, is 28.692 L/min ANR (ISO 8778: 20 °C
// and 100 kPa) by the gas law, as the box reckons it too.

import { object } from './payload'
import { key } from './say'

/** Choice names a unit of each kind; "box" leaves what the box says. */
export interface Choice {
  pressure: 'box' | 'kPa' | 'bar' | '[psi]'
  flow: 'box' | 'L/min' | 'scfm'
  temperature: 'box' | 'Cel' | '[degF]'
}

/** asBox leaves everything as the box says it: in the units of the machine file. */
export const asBox: Choice = { pressure: 'box', flow: 'box', temperature: 'box' }

/** wordsOf names each choice as a person would, in the order it is offered. */
export const wordsOf: { [K in keyof Choice]: [Choice[K], string][] } = {
  pressure: [['box', key('as the box')], ['kPa', 'kPa'], ['bar', 'bar'], ['[psi]', 'psi']],
  flow: [['box', key('as the box')], ['L/min', 'L/min'], ['scfm', 'scfm']],
  temperature: [['box', key('as the box')], ['Cel', '°C'], ['[degF]', '°F']],
}

/** readChoice reads a kept choice; what it does not know becomes "box". */
export function readChoice(text: string | null): Choice {
  let said: unknown
  try {
    said = JSON.parse(text ?? '')
  } catch {
    return asBox
  }
  const kept = object(said) ? said : {}
  const one = <K extends keyof Choice>(key: K): Choice[K] => wordsOf[key].find(([code]) => code === kept[key])?.[0] ?? asBox[key]
  return { pressure: one('pressure'), flow: one('flow'), temperature: one('temperature') }
}

const cubicFoot = 28.316846592 // L, exact from the inch

/** A line from a unit to the first of its kind: base = value * factor + plus. */
const kinds: { kind: keyof Choice; units: Record<string, { factor: number; plus: number }> }[] = [
  { kind: 'pressure', units: { kPa: by(1), Pa: by(1e-3), hPa: by(0.1), bar: by(100), MPa: by(1000), '[psi]': by(6.894757293168) } },
  { kind: 'flow', units: { 'L/min': by(1), scfm: by(cubicFoot * 101.325 / 100), 'm3/h': by(1000 / 60) } },
  { kind: 'temperature', units: { Cel: by(1), '[degF]': { factor: 5 / 9, plus: -32 * 5 / 9 } } },
]

function by(factor: number): { factor: number; plus: number } {
  return { factor, plus: 0 }
}

/** inUnits returns v with every quantity inside it in the chosen units. Absolute pressures stay: they are the weather's. */
export function inUnits<T>(v: T, choice: Choice): T {
  if (choice.pressure === 'box' && choice.flow === 'box' && choice.temperature === 'box') return v
  return turned(v, choice) as T
}

function turned(v: unknown, choice: Choice): unknown {
  if (Array.isArray(v)) return v.map((x) => turned(x, choice))
  if (!object(v)) return v
  if (typeof v.value === 'number' && typeof v.unit === 'string') return quantity(v, v.unit, choice)
  return Object.fromEntries(Object.entries(v).map(([k, x]) => [k, turned(x, choice)]))
}

function quantity(m: Record<string, unknown>, code: string, choice: Choice): Record<string, unknown> {
  if (m.reference === 'absolute') return m
  const rate = code.endsWith('/min') && code !== 'L/min'
  const plain = rate ? code.slice(0, -4) : code
  const kind = kinds.find((k) => plain in k.units && (!rate || k.kind === 'pressure'))
  const want = kind && choice[kind.kind]
  const from = kind?.units[plain]
  const to = want && kind?.units[want]
  if (!from || !to || want === plain) return m
  const turn = (x: unknown) => (typeof x === 'number' ? (x * from.factor + from.plus - to.plus) / to.factor : x)
  const out: Record<string, unknown> = { ...m, value: turn(m.value), unit: rate ? `${want}/min` : want }
  for (const edge of ['low', 'high']) if (edge in m) out[edge] = turn(m[edge])
  if (want === 'L/min') out.reference = 'ANR'
  return out
}
