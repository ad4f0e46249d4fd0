// SPDX-License-Identifier: Apache-2.0

// The bus in lines. fake/bus-from-go.json is what a box on its simulated machine answered to GET /api/bus, shortened.

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { readBus } from '../src/bus'
import { bus } from '../fake/bus.mjs'

const real = JSON.parse(readFileSync(new URL('../fake/bus-from-go.json', import.meta.url), 'utf8')) as Record<string, unknown>[]

describe('what a box really answers', () => {
  const link = readBus(real)?.[0]
  const one = (lead: string) => link?.lines.find((l) => l.lead === lead)
  const k = real[0] as { load: { value: number }; frames: number; groups: { pgn: number; count: number }[] }
  test('link, load, controller', () => {
    expect(link?.link).toBe('can0')
    expect(one('load')?.text).toMatch(new RegExp(`^${k.load.value.toFixed(1)} % of 250 kbit/s; \\d+\\.\\d % in the busiest second$`))
    expect(one('controller')).toMatchObject({ text: 'sound (error active)', end: `${k.frames} frames` })
  })
  test('who, with the NAME, and what, with its period and count', () => {
    expect(one('16')?.text).toBe('planter or seeder, function not told; maker 2047 (NAME A008FF00FFE00068)')
    const engine = k.groups.find((g) => g.pgn === 61_444)
    expect(one('PGN 61444')).toMatchObject({ text: 'engine, from 0, every 50.0 ms', end: `${engine?.count} messages` })
  })
  test('no line is empty, and nothing reads undefined', () => {
    for (const l of [...(link?.lines ?? []), ...(readBus(bus)?.flatMap((x) => x.lines) ?? [])]) {
      expect(l.text).not.toBe('')
      expect(`${l.lead}${l.text}${l.end}`).not.toMatch(/undefined|NaN|null|\[object/)
    }
  })
})

test('a link that says nothing says since when; remarks come first, faults say whether they stand', () => {
  const [a, b] = readBus(bus) ?? []
  expect(a?.lines[0]).toMatchObject({ kind: 'remark' })
  expect(a?.lines.filter((l) => l.lead === 'active' || l.lead === 'gone').map((l) => l.text)).toEqual([
    'from 38: SPN 150 FMI 3 (voltage too high, or shorted to supply)', 'from 0: SPN 110 FMI 0 (above normal, most severe)',
  ])
  expect(a?.lines.find((l) => l.lead === 'PGN 65280')?.text).toBe('from 38, uneven')
  expect(b?.lines.map((l) => `${l.lead} ${l.text}`)).toEqual(['silent for 912 s', 'controller no frame and no report yet'])
})

test.each([null, {}, 'x', 7])('%j is no answer', (v) => expect(readBus(v)).toBeUndefined())
test.each([[[{}]], [[{ talkers: [null, 3, {}], groups: 'x', remarks: [1, null], load: { value: 'x' } }]]])('a broken link %j does not break the page', (v) => {
  expect(readBus(v)?.[0]?.link).toBe('bus')
})
