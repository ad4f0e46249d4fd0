// SPDX-License-Identifier: Apache-2.0

// How home is set on a glass. The px of words are those of page.md, 2 (small 600 mm, normal 700 mm, large 840 mm on 5.89
// px a mm), and a press is 118 px = 20.0 mm there, whatever the words.

import { describe, expect, test } from 'vitest'
import { content, frame, gone, leaving, nudge, pressMM, readSize, usual } from '../src/size'

const fars = ['small', 'normal', 'large'] as const

describe('the frame', () => {
  test.each([['state', 104, 89, 125], ['glance', 34, 29, 41], ['quiet', 27, 23, 32], ['do', 44, 38, 53]])('%s is as many px on the glass as page.md says', (_, px, small, large) => {
    expect(fars.map((far) => Math.round(px * frame(1280, 800, far).zoom))).toEqual([small, px, large])
  })
  test('a press is 20 mm on the glass at every size, and its gap 5.1 mm', () => {
    for (const far of fars) {
      const f = frame(1280, 800, far)
      expect(pressMM(f, 5.89)).toBeCloseTo(20.03, 2)
      expect((f.apart * f.zoom) / 5.89).toBeCloseTo(5.09, 2)
    }
    expect(pressMM(frame(1024, 600, 'normal'), 4.63)).toBeCloseTo(20.39, 2)
    expect(pressMM(frame(390, 844, 'normal'), 6.05)).toBeCloseTo(20.17, 2)
  })
  test('a phone has one size', () => {
    for (const far of fars) expect(frame(390, 844, far)).toEqual(frame(390, 844, 'normal'))
  })
  test('drawings are as wide as page.md has them, and fill what is there at other sizes', () => {
    expect(content(frame(1280, 800, 'normal'))).toBe(1042)
    expect(content(frame(1280, 800, 'small'))).toBeGreaterThan(1042)
    expect(content(frame(1280, 800, 'large'))).toBeLessThan(1042)
  })
})

describe('what leaves', () => {
  test('goes in the order of page.md, and at normal size nothing does', () => {
    expect(leaving).toEqual(['facts', 'tonight', 'names', 'needs', 'normal'])
    expect(gone(frame(1280, 800, 'normal'), 306)).toBe(0)
    expect(gone(frame(1280, 800, 'small'), 430)).toBe(0)
    expect(gone(frame(1280, 800, 'normal'), 190)).toBe(1)
    expect(gone(frame(1280, 800, 'normal'), 100)).toBe(2)
    expect(gone(frame(1280, 800, 'large'), 306)).toBe(4)
  })
})

describe('the sample', () => {
  test('begins where presses would be 20 mm, and a step is about 0.3 mm', () => {
    const d = usual(frame(1280, 800, 'normal'))
    expect(d).toBeCloseTo(5.9, 6)
    expect((20 * (nudge(d, true) - d)) / d).toBeCloseTo(0.3, 6)
    expect(nudge(nudge(d, true), false)).toBeCloseTo(d, 9)
  })
  test.each([null, '', '{"far":', '[]', '{"far":"huge","perMM":-3}', '{"perMM":"6"}', '{"perMM":1e9}', 'null', '3'])('%s leaves the size normal and the glass not measured', (kept) => {
    expect(readSize(kept)).toEqual({ far: 'normal', perMM: 0 })
    expect(pressMM(frame(1280, 800, 'normal'), 0)).toBeNaN()
  })
  test('what was chosen comes back', () => {
    expect(readSize(JSON.stringify({ far: 'large', perMM: 6.2 }))).toEqual({ far: 'large', perMM: 6.2 })
  })
})
