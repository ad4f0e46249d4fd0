// SPDX-License-Identifier: Apache-2.0

// One sensor: what GET /api/sensor answers, and what the page tells of it.

import { object, type Measure, type Priority } from './payload'
import { heard, key, say } from './say'
import { boxTime, clockTime, figure, quality, set, stretch, unit, upper } from './words'
import { dayOf, sentence } from './care'

export interface Beside {
  id: string
  name: string
  value: Measure | undefined
  believed: boolean
}

export interface SensorRank {
  name: string
  sensors: Beside[]
  wanted: Measure | undefined
  average: Measure | undefined // as a machine reads it that counts this sensor; inferred
  rest: Measure | undefined // of the others that may be believed
  shift: Measure | undefined
  asZero: boolean
  counted: boolean
}

export interface Wires {
  supply: Measure | undefined
  supplyId: string
  supplyLow: Measure | undefined
  supplyHigh: Measure | undefined
  signal: Measure | undefined
  low: Measure | undefined
  high: Measure | undefined
  raw: number
  sentence: string
}

export interface Sensor {
  id: string
  name: string
  says: string // in the box's own words; "no fault seen" is none
  why: string
  do: string
  then: string
  priority: Priority
  out: boolean
  quality: string
  since: number // ms of the box; NaN where no clock was set
  lasts: Measure | undefined
  age: number // ms
  value: Measure | undefined
  zero: Measure | undefined
  source: string
  plug: string
  wires: Wires | undefined
  rank: SensorRank | undefined
  compared: { date: string; reference: string; uncertainty: Measure | undefined } | undefined
}

const word = (v: unknown): string => (typeof v === 'string' ? v : '')
const measure = (v: unknown): Measure | undefined => (object(v) && typeof v.value === 'number' && Number.isFinite(v.value) && typeof v.unit === 'string' ? (v as unknown as Measure) : undefined)

/** readSensor reads the answer of GET /api/sensor. */
export function readSensor(v: unknown): Sensor | undefined {
  if (!object(v) || typeof v.id !== 'string' || v.id === '' || typeof v.says !== 'string' || v.says === '') return undefined
  const { electrical: e, rank: r, calibrated: c } = v
  return {
    id: v.id, name: heard(word(v.name)) || v.id, says: v.says, why: heard(word(v.why)), do: heard(word(v.do)), then: heard(word(v.then)), out: v.out_of_service === true, quality: word(v.quality),
    priority: (['high', 'medium', 'low'] as const).find((p) => p === v.priority) ?? 'none', since: boxTime(word(v.since)), lasts: measure(v.lasts), age: typeof v.age === 'number' ? v.age : NaN,
    value: measure(v.value), zero: measure(v.zero), source: word(v.source), plug: word(v.plug),
    wires: object(e) ? {
      supply: measure(e.supply), supplyId: word(e.supply_id), supplyLow: measure(e.supply_low), supplyHigh: measure(e.supply_high), signal: measure(e.signal), low: measure(e.low),
      high: measure(e.high), raw: typeof e.raw === 'number' ? e.raw : NaN, sentence: heard(word(e.sentence)),
    } : undefined,
    rank: object(r) ? {
      name: word(r.name), wanted: measure(r.wanted), average: measure(r.average), rest: measure(r.rest), shift: measure(r.shift), asZero: r.as_zero === true, counted: r.counted !== false,
      sensors: (Array.isArray(r.sensors) ? r.sensors.filter(object) : []).map((b) => ({ id: word(b.id), name: heard(word(b.name)) || word(b.id), value: measure(b.value), believed: b.believed === true })),
    } : undefined,
    compared: object(c) && word(c.date) !== '' ? { date: word(c.date), reference: word(c.reference), uncertainty: measure(c.uncertainty) } : undefined,
  }
}

/** faulty says whether anything is wrong with a sensor. */
export function faulty(s: Sensor): boolean {
  return s.says !== 'no fault seen'
}

/** blamed says whether what is wrong is this sensor's: of two that differ nobody can tell whose it is. */
export function blamed(s: Sensor): boolean {
  return faulty(s) && s.says !== 'differs from the other one'
}

/** silent says whether a sensor has no value now; the last good one is then the past. */
export function silent(s: Sensor): boolean {
  return s.value === undefined || s.quality !== 'ok' || s.rank?.asZero === true
}

const titles: Record<string, string> = {
  'no fault seen': key('{name}: no fault seen'), 'reads high': key('{name} reads high'), 'reads low': key('{name} reads low'), 'stuck': key('{name} is stuck'), 'no signal': key('{name}: no signal'),
  'not seen': key('{name} is not seen'), 'zero moved': key('{name}: zero moved'), 'stands still': key('{name} stands still'), 'supply is wrong': key('{name}: its supply is wrong'),
  'reads what it cannot': key('{name} reads what it cannot'), 'its sender says it is broken': key('{name}: its sender says it is broken'), 'differs from the other one': key('{name} differs from the other one'),
}

const otherTitle = key('{name}: {says}')

/** titleOf is the sentence of the screen; words of a newer box stand behind the name as they came. */
export function titleOf(s: Sensor): string {
  return say(titles[s.says] ?? otherTitle, { name: s.name, says: heard(s.says) })
}

/** whole prints a quantity with its unit. */
export function whole(m: Measure, value = m.value): string {
  return `${figure(m, value)} ${unit(m)}`.trim()
}

/** lasting tells since when, and for how long, a sensor has been so. */
export function lasting(s: Sensor): string {
  const long = s.lasts ? stretch(s.lasts.value).join('\u00a0') : ''
  const time = clockTime(s.since)
  return time && long ? say('since {time}, for {span}', { time, span: long }) : time ? say('since {time}', { time }) : long ? say('for {span}', { span: long }) : say('since when is not known')
}

/** effectOf tells what a sensor does to the average of its rank, and how sure that is. */
export function effectOf(s: Sensor, r: SensorRank): string {
  if (!r.counted) return say('The machine’s own control does not count it, as the machine file says.')
  if (!r.average || !r.rest || !r.shift) return say('No other sensor of the rank can be believed, so what it does to the average is not known.')
  const places = { average: whole(r.average), rest: whole(r.rest), shift: whole(r.shift, Math.abs(r.shift.value)) }
  if (r.asZero) return `${say('It has no value. A machine that counts it as no load reads {average} instead of {rest}.', places)} ${say('Inferred; the others are taken as right.')}`
  if (!blamed(s)) return `${say('With it the rank averages {average}, without it {rest}.', places)} ${say('Inferred, of the last second.')}`
  const does = r.shift.value >= 0
    ? say('It lifts the average by {shift}: {average} instead of {rest}. A machine that goes by it runs the rank too light.', places)
    : say('It lowers the average by {shift}: {average} instead of {rest}. A machine that goes by it runs the rank too heavy.', places)
  return `${does} ${say('Inferred; the others are taken as right.')}`
}

export interface Metered {
  what: string
  name: string
  right: string // empty: not known
  reads: Measure | undefined
  odd: boolean // outside what is right
}

/** meteredOf lists what can be held against a meter at the plug. */
export function meteredOf(w: Wires): Metered[] {
  const range = (low?: Measure, high?: Measure) => (low && high ? `${figure(low)}–${figure(high)}` : '')
  const odd = (m?: Measure, low?: Measure, high?: Measure) => !!m && !!low && !!high && (m.value < low.value || m.value > high.value)
  return [
    ...(w.supplyId ? [{ what: 'supply', name: say('supply to ground'), right: range(w.supplyLow, w.supplyHigh), reads: w.supply, odd: odd(w.supply, w.supplyLow, w.supplyHigh) }] : []),
    { what: 'signal', name: (w.signal ?? w.low)?.unit === 'mA' ? say('current in the loop') : say('signal to ground'), right: range(w.low, w.high), reads: w.signal, odd: odd(w.signal, w.low, w.high) },
  ]
}

/** factsOf lists what else is known of a sensor, each a name and a sentence. */
export function factsOf(s: Sensor): { name: string; text: string; data: string }[] {
  const r = s.rank
  const c = s.compared
  const w = s.wires
  const compared = !c ? say('No comparison with a better instrument is recorded.')
    : c.reference && c.uncertainty ? say('On {date} with {what}, to within {u}.', { date: dayOf(c.date) || c.date, what: c.reference, u: `${set(c.uncertainty)} ${unit(c.uncertainty)}`.trim() })
      : c.reference ? say('On {date} with {what}.', { date: dayOf(c.date) || c.date, what: c.reference })
        : say('On {date}; with what is not recorded.', { date: dayOf(c.date) || c.date })
  const facts = [
    { data: 'value', name: say('value'), text: s.value ? (s.age > 2000 ? say('{value}, {n} s old; {quality} now', { value: whole(s.value), n: Math.floor(s.age / 1000), quality: quality(s.quality) }) : say('{value}, {quality}', { value: whole(s.value), quality: quality(s.quality) })) : say('No good value since the box started; {quality} now.', { quality: quality(s.quality) }) },
    ...(r ? [{ data: 'effect', name: say('average'), text: effectOf(s, r) }] : []),
    ...(s.zero ? [{ data: 'zero', name: say('raised'), text: say('With the planter raised it reads {zero}; right is 0.', { zero: whole(s.zero) }) }] : []),
    { data: 'source', name: say('source'), text: s.plug && s.source ? say('Plug {plug}; {source}', { plug: s.plug, source: s.source }) : s.source || (s.plug ? say('Plug {plug}', { plug: s.plug }) : say('The machine file names none.')) },
    w ? { data: 'box', name: say('box sees'), text: Number.isNaN(w.raw) ? sentence(w.sentence) : w.sentence ? say('{what}; the converter’s code is {raw}', { what: upper(w.sentence), raw: w.raw }) : say('The converter’s code is {raw}.', { raw: w.raw }) }
      : { data: 'box', name: say('box sees'), text: say('What its sender puts on the bus; there is nothing here to hold a meter to.') },
    { data: 'compared', name: say('compared'), text: compared },
    { data: 'service', name: say('service'), text: s.out ? say('An alarm of it is out of service; that is changed on the box only.') : say('Its alarms are in service; taking one out is done on the box only.') },
  ]
  return facts.filter((f) => f.text !== '')
}

/** scaleOf is a scale of round numbers from nothing up that holds every value; a raised planter's still has some width. */
export function scaleOf(values: (number | undefined)[], least: number): { low: number; high: number; marks: number[] } {
  const known = values.filter((v): v is number => v !== undefined)
  const from = Math.min(0, ...known)
  const to = Math.max(least, ...known)
  const step = [10, 20, 50, 100, 200, 500, 1000, 2000, 5000].find((s) => (to - from) / s <= 6) ?? 10 ** Math.ceil(Math.log10((to - from) / 6))
  const low = Math.floor(from / step) * step
  const high = Math.ceil(to / step) * step
  return { low, high, marks: Array.from({ length: Math.round((high - low) / step) + 1 }, (_, i) => low + i * step) }
}

/** nearby picks as many sensors of a rank as there is room for, this one among them, and says how many are left out. */
export function nearby(all: Beside[], id: string, room: number): { drawn: Beside[]; left: number } {
  const at = Math.max(0, all.findIndex((b) => b.id === id))
  const from = Math.max(0, Math.min(all.length - room, at - Math.floor(room / 2)))
  const drawn = all.slice(from, from + room)
  return { drawn, left: all.length - drawn.length }
}
