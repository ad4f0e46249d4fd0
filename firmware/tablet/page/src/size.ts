// SPDX-License-Identifier: Apache-2.0

// How large home is set on this tablet's glass: by the distance of the eye, and by how many px a millimetre has. Both are
// this tablet's own. Presses keep their 20 mm whatever the size of the words.

import { object } from './payload'
import { key } from './say'

export type Far = 'small' | 'normal' | 'large'

/** SizeChoice is what was chosen: the size of words, and CSS px a mm as a person measured them; 0 is not measured. */
export interface SizeChoice {
  far: Far
  perMM: number
}

/** fars are the sizes by the distance they are read from: 600, 700 and 840 mm keep a letter at the same angle. */
export const fars: [Far, string][] = [['small', key('Small')], ['normal', key('Normal')], ['large', key('Large')]]

const factor: Record<Far, number> = { small: 0.86, normal: 1, large: 1.2 }

/** Glass is taken for what a person may lay a ruler on between these, in CSS px a mm. */
const [least, most] = [2, 25]

/** readSize reads a kept choice; what it does not know is normal and not measured. */
export function readSize(text: string | null): SizeChoice {
  let said: unknown
  try {
    said = JSON.parse(text ?? '')
  } catch {
    said = undefined
  }
  const v = object(said) ? said : {}
  return {
    far: fars.find(([far]) => far === v.far)?.[0] ?? 'normal',
    perMM: typeof v.perMM === 'number' && v.perMM >= least && v.perMM <= most ? v.perMM : 0,
  }
}

/** Frame is the page's own px and how they are zoomed onto the glass. */
export interface Frame {
  width: number
  height: number
  phone: boolean
  zoom: number
  press: number // side of a press, in px of the frame
  apart: number // gap of two presses
}

/**
 * frame fits the design onto a glass of w by h CSS px: 1280 wide and at least 750 high, or a phone's 390. A size other
 * than normal zooms the words and takes the zoom out of the presses. A phone is held in the hand: it has one size.
 */
export function frame(w: number, h: number, far: Far): Frame {
  if (h > w) {
    const zoom = Math.min(w / 390, h / 700)
    return { width: w / zoom, height: h / zoom, phone: true, zoom, press: 122, apart: 30 }
  }
  const k = factor[far]
  const zoom = Math.min(w / 1280, h / 750) * k
  return { width: w / zoom, height: h / zoom, phone: false, zoom, press: 118 / k, apart: 30 / k }
}

/** pressMM is how large a press is on this glass, in mm; NaN while the glass is not measured. */
export function pressMM(f: Frame, perMM: number): number {
  return perMM > 0 ? (f.press * f.zoom) / perMM : NaN
}

/** usual is CSS px a mm where presses would just be 20 mm: where measuring begins. */
export function usual(f: Frame): number {
  return (f.press * f.zoom) / 20
}

/** nudge makes the sample a step larger or smaller; a step is about 0.3 mm of 20. */
export function nudge(perMM: number, up: boolean): number {
  return Math.min(most, Math.max(least, perMM * (up ? 1.015 : 1 / 1.015)))
}

/** What leaves home where there is no room, in this order. The state word, Now, the line, the bar and Seen never do. */
export const leaving = ['facts', 'tonight', 'names', 'needs', 'normal'] as const

/** The width of the drawings on a cab's glass where nothing has to leave, and the height under which a line is too flat, in px of the frame. */
export const fullWidth = 1042
const flat = 215

/** content is the width of the drawings: what edges, gutter and rail leave. */
export function content(f: Frame): number {
  return f.phone ? 358 : Math.round(f.width - 120 - f.press)
}

/** gone is how many of what may leave has left: by the width, and by the height that the line would have without. */
export function gone(f: Frame, lineHeight: number): number {
  if (f.phone) return 0
  const wide = content(f) / fullWidth
  if (wide < 0.75) return 5
  if (wide < 0.95) return 4
  if (lineHeight >= flat) return 0
  return lineHeight + 66 >= flat ? 1 : 2
}
