// SPDX-License-Identifier: Apache-2.0

// Units against NIST SP 811 (2008), appendix B.8: 1 psi = 6.894 757 kPa, t(°C) = (t(°F) - 32) / 1.8, 1 ft3/min =
// 4.719 474 E-04 m3/s; and the ideal gas law between 14.696 psi (101.325 kPa) and 100 kPa at the same 20 °C.

import { describe, expect, test } from 'vitest'
import { empty, receive, type Event } from '../src/inbox'
import { asBox, inUnits, readChoice, wordsOf, type Choice } from '../src/units'
import { derive, type Home } from '../src/view'
import { scenes } from '../fake/scenes.mjs'

const us: Choice = { pressure: '[psi]', flow: 'scfm', temperature: '[degF]' }
const bar: Choice = { pressure: 'bar', flow: 'L/min', temperature: 'Cel' }
const m = (value: number, unit: string, more = {}) => ({ value, unit, ...more })

describe('a quantity in another unit', () => {
  test.each([
    [m(6.894757, 'kPa'), us, 1, '[psi]'], [m(722, 'kPa'), bar, 7.22, 'bar'], [m(100, '[psi]'), bar, 6.894757, 'bar'], [m(8, 'kPa/min'), us, 1.160302, '[psi]/min'],
    [m(28.316846 * 1.01325, 'L/min'), us, 1, 'scfm'], [m(1, 'scfm'), bar, 4.719474e-4 * 60_000 * 1.01325, 'L/min'],
    [m(-40, 'Cel'), us, -40, '[degF]'], [m(100, 'Cel'), us, 212, '[degF]'], [m(50, '[degF]'), bar, 10, 'Cel'],
  ])('%o', (from, choice, value, unit) => {
    const got = inUnits(from, choice)
    expect(got.unit).toBe(unit)
    expect(got.value / value).toBeCloseTo(1, 5)
  })
  test('an interval goes with its value; free air in L/min says ANR', () => {
    const got = inUnits<object>(m(180, 'L/min', { low: 170, high: 190, reference: 'ANR' }), us) as { low: number; high: number; value: number }
    expect(got.low / got.value).toBeCloseTo(170 / 180)
    expect(got.high / got.value).toBeCloseTo(190 / 180)
    expect(inUnits(m(1, 'scfm'), bar)).toMatchObject({ reference: 'ANR' })
  })
  test.each([m(612, 'N'), m(1013, 'hPa', { reference: 'absolute' }), m(3, 'K'), m(97, '%'), m(4, '/min'), { value: '97', words: '% ground contact' }])('%o stays', (x) => {
    expect(inUnits(x, us)).toEqual(x)
  })
  test('nothing chosen is nothing touched, and nothing is lost on the way', () => {
    const now = (scenes as Record<string, { now: object }>).morning?.now as object
    expect(inUnits(now, asBox)).toBe(now)
    const keys = (v: unknown): string => JSON.stringify(v).replace(/-?\d+(\.\d+)?(e-?\d+)?/g, '0').replace(/"unit":"[^"]*"|,"reference":"[^"]*"/g, '')
    expect(keys(inUnits(now, us))).toBe(keys(now))
  })
})

test('a kept choice is read back; what is broken or unknown leaves the box’s units', () => {
  expect(readChoice(JSON.stringify(us))).toEqual(us)
  for (const text of [null, '', '{', '[]', '7', '{"pressure":"atm"}', '{"pressure":{"a":1}}']) expect(readChoice(text), String(text)).toEqual(asBox)
  expect(readChoice('{"flow":"scfm"}')).toEqual({ ...asBox, flow: 'scfm' })
  for (const kind of Object.values(wordsOf)) expect(kind[0]?.[0]).toBe('box')
})

describe('home in other units', () => {
  const at = (ms: number) => ({ steady: ms, wall: 1_800_000_000_000 + ms })
  const home = (choice: Choice) => {
    const stamp = { t: '2026-04-28T14:07:30.000Z', clk: 'good', boot: 'b1', mono: 2, seq: 2 }
    const e: Event = { kind: 'message', topic: 'airhold/v1/kettle/now', retained: false, text: JSON.stringify({ ...(scenes as Record<string, { now: object }>).short?.now, ...stamp }), at: at(1) }
    return derive(receive(empty(at(0)), e), at(2), choice) as Home
  }
  test('figures change, the drawing does not: the same air stands at the same heights', () => {
    const [a, b] = [home(asBox), home(us)]
    // 318 kPa is 46.1 psi, 262 kPa 38.0 psi; 180 L/min ANR is 6.27 scfm (the factors above).
    expect([b.line.tank?.text, b.line.ranks[0]?.pressure?.text, b.line.unit, b.bar.gives?.value.toFixed(2)]).toEqual(['46', '38', 'psi', '6.27'])
    expect(b.line.tank?.kPa).toBeCloseTo(a.line.tank?.kPa ?? 0, 6)
    expect(b.line.top).toBeCloseTo(a.line.top, 6)
    expect((b.bar.leak?.value ?? 0) / (b.bar.gives?.value ?? 1)).toBeCloseTo((a.bar.leak?.value ?? 0) / (a.bar.gives?.value ?? 1), 9)
  })
  test('the list of sensors follows', () => {
    expect(home(us).channels.find((c) => c.id === 'ambient')?.text).toBe('52.3 °F') // 11.3 °C
    expect(home(bar).channels.find((c) => c.id === 'tank')?.text).toBe('7.22 bar')
  })
})
