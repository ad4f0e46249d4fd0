// SPDX-License-Identifier: Apache-2.0

// The set-up as the page reads it. fake/setup-from-go.json is what a box on its simulated machine answered, its NAMEs written in.

import { readFileSync } from 'node:fs'
import { describe, expect, test } from 'vitest'
import { changedAnswers, place, readChecked, readSetup } from '../src/setup'

const real: unknown = JSON.parse(readFileSync(new URL('../fake/setup-from-go.json', import.meta.url), 'utf8'))

describe('what a box really answers', () => {
  const s = readSetup(real)
  test('links, talkers, messages and their last second', () => {
    const link = s?.links[0]
    expect(link).toMatchObject({ link: 'can0', open: true, bitrate: { value: 250000, unit: 'bit/s' } })
    const all = link?.talkers.flatMap((t) => t.messages) ?? []
    expect(all.find((m) => m.pgn === 61444)?.strip.length).toBe(20) // each 50 ms
    expect(all.some((m) => !m.decoded && m.words === 'not decoded')).toBe(true)
  })
  test('needs, inputs and questions', () => {
    expect(s?.needs.find((n) => n.id === 'speed')?.state).toBe('twice')
    expect(s?.inputs.find((i) => i.id === 'load_2')).toMatchObject({ name: 'Load sensor 2', plug: 'P5', status: 'ok', volts: { unit: 'V' } })
    expect(s?.questions.find((q) => q.path === 'tank.volume')).toMatchObject({ kind: 'quantity', needed: true, value: '38 L', allowed: ['L', 'm3', 'mL', 'gal', 'ft3'] })
  })
  test('only answers that differ go to the box', () => {
    if (!s) throw new Error('not read')
    expect(changedAnswers(s, { 'tank.volume': ' 38 L ', 'tank.relief_setting': '8 bar', 'no.such': '1' })).toEqual({ 'tank.relief_setting': '8 bar' })
  })
})

test('a place is told as editors count it, and a whole file without one', () => {
  const p = { file: 'machine.yaml', line: 3, column: 11, severity: 'error', message: '', allowed: '', suggestion: '', path: '' }
  expect([place(p), place({ ...p, line: 0 })]).toEqual(['machine.yaml:3:11', 'machine.yaml'])
})

test.each([null, 7, 'x', {}, []])('%j is no answer', (v) => {
  expect(readSetup(v)).toBeUndefined()
  expect(readChecked(v)).toBeUndefined()
})

test.each([{ state: 'odd', links: 'x', needs: [null, 3, {}], inputs: [{}], questions: [{ allowed: 'x' }], problems: [{ line: 'x' }] }, { state: 'running', links: [{ talkers: [{ messages: [{ strip: ['x', 2, -1, 0.5] }] }] }] }])('a broken answer %# breaks nothing', (v) => {
  expect(readSetup(v)?.state).toBe('running')
})
