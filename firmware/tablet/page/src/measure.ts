// SPDX-License-Identifier: Apache-2.0

// How much room a text takes.

import { textWidth } from './bar'
import { fullWidth } from './size'

let pen: CanvasRenderingContext2D | null | undefined
const known = new Map<string, number>()

/** wide measures a text as the browser will set it; where it cannot, the estimate of the drawings stands in. */
function wide(text: string, size: number, weight: number): number {
  pen ??= document.createElement('canvas').getContext('2d')
  if (!pen) return textWidth(text, size)
  pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`
  return pen.measureText(text).width
}

/** beside says whether the cause of a quiet alarm stands on the line of its title. */
function beside(title: string, cause: string, width: number): boolean {
  return wide(title, 34, 650) + 18 + wide(cause, 27, 500) <= width
}

/** lines counts the lines that a text takes. The page draws often, so what was counted is kept until a font arrives. */
export function lines(text: string, width: number, size: number, weight = 500): number {
  const key = `${document.fonts.status} ${width} ${size} ${weight} ${text}`
  const had = known.get(key)
  if (had !== undefined) return had
  let n = 1
  let used = 0
  const blank = wide(' ', size, weight)
  for (const word of text.split(' ')) {
    const w = wide(word, size, weight)
    if (used > 0 && used + blank + w > width) {
      n++
      used = w
    } else used += (used > 0 ? blank : 0) + w
  }
  if (known.size > 400) known.clear()
  known.set(key, n)
  return n
}

/** noteLines counts the lines under the title that the note of a quiet alarm takes in the cab, beside drawings of a width. */
export function noteLines(title: string, cause: string, of = fullWidth): number {
  const width = of - 196
  return cause === '' || beside(title, cause, width) ? 0 : lines(cause, width, 27)
}

/** fit shortens a quiet sentence to its first part where the whole finds no room; what finds none either is left out, unless it must be said. */
export function fit(text: string, width: number, size: number, must = true): string {
  if (lines(text, width, size) <= 1) return text
  const first = /^(.+?)(?:; |\. )/.exec(text)?.[1] ?? text
  return must || lines(first, width, size) <= 1 ? first : ''
}
