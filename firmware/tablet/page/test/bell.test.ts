// SPDX-License-Identifier: Apache-2.0

// When alarms are heard. The rules are the project's own: High 4 and 4 quick, Medium 2 slow, Low 1 soft; a High that
// nobody has seen again each minute, the others once; no more than two minutes of mute.

import { describe, expect, test } from 'vitest'
import { pulses, silent, strike, tone, type Bell, type Ringing } from '../src/bell'
import { muteFor } from '../src/sound'

const high: Ringing = { id: 'tank-short/', priority: 'high' }
const other: Ringing = { id: 'tank-high/', priority: 'high' }
const medium: Ringing = { id: 'tank-low/', priority: 'medium' }
const low: Ringing = { id: 'air-leak/tank side', priority: 'low' }

/** listen steps 4 times a second from 0 to end, in s, and returns what was played when. */
function listen(end: number, rings: (s: number) => Ringing[], able: (s: number) => boolean = () => true): [number, string][] {
  const out: [number, string][] = []
  let bell: Bell = silent
  for (let ms = 0; ms <= end * 1000; ms += 250) {
    const got = strike(bell, rings(ms / 1000), ms, able(ms / 1000))
    bell = got.bell
    if (got.play !== 'none') out.push([ms / 1000, got.play])
  }
  return out
}

describe('when', () => {
  test('nothing rings, nothing is heard', () => expect(listen(300, () => [])).toEqual([]))
  test('a High at once and each minute until it is seen', () => {
    expect(listen(200, (s) => (s >= 1 && s < 150 ? [high] : []))).toEqual([[1, 'high'], [61, 'high'], [121, 'high']])
  })
  test.each([[medium, 'medium'], [low, 'low']])('%o once', (r, name) => expect(listen(400, () => [r])).toEqual([[0, name]]))
  test('what begins is heard even while the like rings already', () => {
    expect(listen(20, (s) => (s < 10 ? [high] : [high, other]))).toEqual([[0, 'high'], [10, 'high']])
    expect(listen(20, (s) => (s < 10 ? [high] : [high, low]))).toEqual([[0, 'high'], [10, 'low']])
  })
  test('several at once are one sound, the most urgent', () => expect(listen(20, () => [low, medium, high])).toEqual([[0, 'high']]))
  test('what was seen and comes back is heard again', () => {
    expect(listen(30, (s) => (s < 5 || s > 20 ? [medium] : []))).toEqual([[0, 'medium'], [20.25, 'medium']])
  })
  test('a sound is not cut into by the next', () => {
    expect(listen(10, (s) => (s < 1 ? [high] : [high, medium]))).toEqual([[0, 'high'], [2.25, 'medium']])
  })
  test('what rings before the page may sound is heard once it may', () => {
    expect(listen(100, () => [medium], (s) => s >= 50)).toEqual([[50, 'medium']])
  })
  test('what begins in a mute is heard at its end if it still rings', () => {
    const muted = (s: number) => s < 10 || s >= 130
    expect(listen(140, (s) => (s > 20 ? [medium, high] : []), muted)).toEqual([[130, 'high']])
    expect(listen(140, (s) => (s > 20 && s < 60 ? [high] : []), muted)).toEqual([])
  })
  test('what keeps still is not taken for heard', () => {
    const still: Ringing = { ...high, priority: 'none' }
    expect(listen(30, (s) => (s < 10 ? [{ id: 'link-lost', priority: 'medium' }, still] : [high]))).toEqual([[0, 'medium'], [10, 'high']])
    expect(listen(30, (s) => (s > 5 && s < 10 ? [still] : [high]))).toEqual([[0, 'high']])
  })
})

describe('how', () => {
  test('High is 4 and 4 quick, Medium 2 slow, Low 1 soft', () => {
    expect([pulses.high.at.length, pulses.medium.at.length, pulses.low.at.length]).toEqual([8, 2, 1])
    const gaps = pulses.high.at.slice(1).map((t, i) => t - (pulses.high.at[i] ?? 0))
    expect(gaps.indexOf(Math.max(...gaps))).toBe(3)
    expect(Math.max(...gaps)).toBeGreaterThan(2 * Math.min(...gaps))
    expect(pulses.low.loud).toBeLessThan(pulses.medium.loud)
  })
  test('the tone carries: 500 to 1000 Hz, and at least 4 harmonics of 300 to 4000 Hz within 15 dB of the strongest', () => {
    expect(tone.fundamental >= 500 && tone.fundamental <= 1000).toBe(true)
    const strongest = Math.max(...tone.strength)
    const near = tone.strength.filter((a, i) => tone.fundamental * (i + 1) >= 300 && tone.fundamental * (i + 1) <= 4000 && 20 * Math.log10(a / strongest) >= -15)
    expect(near.length).toBeGreaterThanOrEqual(4)
  })
  test('a mute is two minutes', () => expect(muteFor).toBe(120_000))
})
