// SPDX-License-Identifier: Apache-2.0

// When an alarm is heard, and how. Pure: what rings, what was heard before and the time in, what to play out.

import type { Priority } from './payload'

/** Ringing is an alarm that waits to be seen, and is not told inside another one's; of priority none it keeps still for now. */
export interface Ringing {
  id: string
  priority: Priority
}

/** Bell is what has been heard. Times are ms of the tablet's steady clock. */
export interface Bell {
  heard: string[] // what rings still and was heard once
  high: number // when a High was heard last
  until: number // what plays now ends then
}

export const silent: Bell = { heard: [], high: -Infinity, until: -Infinity }

/** A High that nobody has seen is heard again after this long, in ms; the others are heard once. */
export const highAgain = 60_000

/** Pulses of a priority: when each begins and how long it is, in s, and how loud, 0 to 1. Their number and tempo say how urgent. */
export const pulses: Record<Priority, { at: number[]; length: number; loud: number }> = {
  none: { at: [], length: 0, loud: 0 },
  low: { at: [0], length: 0.2, loud: 0.35 },
  medium: { at: [0, 0.6], length: 0.3, loud: 0.7 },
  high: { at: [0, 0.22, 0.44, 0.66, 1.3, 1.52, 1.74, 1.96], length: 0.14, loud: 0.8 },
}

/** The tone: a fundamental in Hz, and the strength of it and of each harmonic above it. */
export const tone = { fundamental: 660, strength: [1, 0.6, 0.5, 0.35, 0.3, 0.2] }

const order: Priority[] = ['none', 'low', 'medium', 'high']

/** highestOf returns the most urgent priority of a list. */
export function highestOf(all: readonly { priority: Priority }[]): Priority {
  return all.reduce<Priority>((top, r) => (order.indexOf(r.priority) > order.indexOf(top) ? r.priority : top), 'none')
}

/**
 * strike says what to play now. What begins to ring while the page may not sound waits until it may: a mute ends by
 * itself, and then nothing that still rings is left unheard.
 */
export function strike(b: Bell, rings: readonly Ringing[], now: number, able: boolean): { bell: Bell; play: Priority } {
  const heard = b.heard.filter((id) => rings.some((r) => r.id === id))
  const rest = { ...b, heard }
  if (!able || now < b.until) return { bell: rest, play: 'none' }
  const fresh = rings.filter((r) => !heard.includes(r.id))
  let play = highestOf(fresh)
  if (play !== 'high' && highestOf(rings) === 'high' && now - b.high >= highAgain) play = 'high'
  if (play === 'none') return { bell: rest, play }
  const p = pulses[play]
  return { bell: { heard: [...heard, ...fresh.filter((r) => r.priority !== 'none').map((r) => r.id)], high: play === 'high' ? now : b.high, until: now + 1000 * ((p.at.at(-1) ?? 0) + p.length) }, play }
}
