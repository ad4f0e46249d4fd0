// SPDX-License-Identifier: Apache-2.0

// Geometry of the pressure line: one typed state in, numbered shapes out. Linear in gauge pressure from the ground
// line (the atmosphere) to the machine's fixed top; it never rescales.

import type { Measure, Priority } from './payload'
import { fullWidth } from './size'

export interface Figure {
  kPa: number
  text: string
  measure: Measure
  age?: string // set once the reading is old
}

/** Doubt is a 95 % interval in kPa that is too wide for a plain step. */
export interface Doubt {
  low: number
  high: number
}

export interface LineRank {
  name: string
  pressure: Figure | undefined
  need: Figure | undefined
  assumed: boolean
  raised: boolean
  doubt: Doubt | undefined
  short: Measure | undefined
  impossible: boolean
}

export interface LeakMark {
  where: string
  priority: Priority
}

export interface LineState {
  top: number // kPa
  unit: string
  compressor: string
  running: boolean
  compressorSeen: boolean
  tank: Figure | undefined
  doubt?: Doubt | undefined // of the tank
  swing: { low: number; high: number } | undefined
  fall: { text: string; measure: Measure } | undefined
  ranks: LineRank[]
  left: { text: string; about: boolean } | undefined
  leak: LeakMark | undefined
}

/** Size is the room for one drawing, in CSS px of the frame. */
export interface Size {
  width: number
  height: number
  small: boolean // the phone: no path names, no need labels, no time
  gone?: number // how many of what may leave home has left (size.ts)
}

export interface Slot {
  fall: number // where the line leaves the supply
  step: number
  end: number
  tick: number // where the need's tick ends
}

export interface Plan {
  ground: number
  ceiling: number
  tank: { from: number; to: number }
  rise: { rest: number; turn: number }
  slots: Slot[]
}

/** plan places the path: the same places on every machine; with three ranks the steps get narrower. */
export function plan(size: Size, ranks: number): Plan {
  const ground = size.height - (size.small ? 30 : 42)
  const many = ranks > 2
  const p = size.small
    ? { tank: 40, tankWidth: many ? 68 : 86, first: many ? 112 : 134, pitch: many ? 82 : 116, fall: many ? 18 : 26, step: many ? 46 : 62, need: many ? 15 : 20 }
    : scaled({ tank: 168, tankWidth: many ? 154 : 188, first: many ? 374 : 420, pitch: many ? 226 : 320, fall: many ? 46 : 54, step: many ? 112 : 176, need: many ? 58 : 72 }, size.width)
  return {
    ground, ceiling: 14,
    tank: { from: p.tank, to: p.tank + p.tankWidth },
    rise: size.small ? { rest: 10, turn: 34 } : scaled({ rest: 92, turn: 132 }, size.width),
    slots: Array.from({ length: ranks }, (_, i) => {
      const fall = p.first + p.pitch * i
      return { fall, step: fall + p.fall, end: fall + p.fall + p.step, tick: fall + p.fall + p.step + p.need }
    }),
  }
}

/** scaled fits places of a drawing of full width into another one. */
function scaled<T extends Record<string, number>>(places: T, width: number): T {
  return Object.fromEntries(Object.entries(places).map(([k, v]) => [k, Math.round((v * width) / fullWidth)])) as T
}

/** height returns y of a gauge pressure; above the top it is cut there, below the atmosphere at the ground. */
export function height(p: Plan, top: number, pressure: number): number {
  const part = Math.min(Math.max(pressure / top, 0), 1)
  return p.ground - part * (p.ground - p.ceiling)
}

/** fallPath is the curve from the supply down (or, if it must be, up) to a rank. */
export function fallPath(s: Slot, from: number, to: number): string {
  const w = s.step - s.fall
  return `M${s.fall} ${r(from)} C${s.fall + w * 0.65} ${r(from)} ${s.fall + w * 0.35} ${r(to)} ${s.step} ${r(to)}`
}

/** risePath is the compressor's part: from the atmosphere to the tank. */
export function risePath(p: Plan, tankY: number): string {
  const low = p.ground - 6
  const { rest, turn } = p.rise
  return `M0 ${low} H${rest} C${turn - 4} ${low} ${rest + 4} ${r(tankY)} ${turn} ${r(tankY)} H${p.tank.from}`
}

/** Place of the tank's word "normal" and its fall. */
export type Swing = { from: number; to: number; inside: boolean; fall: 'none' | 'body' | 'arrow' }

/** swingOf says whether the step is inside its brackets, and where the fall per minute finds room. */
export function swingOf(p: Plan, s: LineState): Swing | undefined {
  if (s.swing === undefined) return undefined
  const from = height(p, s.top, s.swing.high)
  const to = height(p, s.top, s.swing.low)
  const tank = s.tank
  if (tank === undefined) return { from, to, inside: true, fall: 'none' }
  const y = height(p, s.top, tank.kPa)
  // Half a step's thickness beyond a bracket is no leaving: the two still touch.
  const slack = 0.02 * s.top
  const inside = tank.kPa >= s.swing.low - slack && tank.kPa <= s.swing.high + slack
  const room = y - to
  const fall = tank.kPa >= s.swing.low || s.fall === undefined ? 'none' : room > 70 ? 'arrow' : p.ground - y > 110 ? 'body' : 'none'
  return { from, to, inside, fall }
}

/** Headroom from the supply to the highest need, on that rank's tick. */
export interface Headroom {
  x: number
  from: number
  to: number
  low: number // arrow and text end here: a shortage of the same rank has its words above the tick
  text: 'two' | 'one' | 'none' // lines of text there is room for
}

/** headroom returns the arrow, or undefined where there is none: no tank, no need, or the supply under the need. */
export function headroom(p: Plan, s: LineState, small: boolean): Headroom | undefined {
  if (small || s.tank === undefined || s.left === undefined) return undefined
  let best = -1
  s.ranks.forEach((rank, i) => {
    if (rank.need !== undefined && !rank.raised && (best < 0 || rank.need.kPa > (s.ranks[best]?.need?.kPa ?? 0))) best = i
  })
  const need = s.ranks[best]?.need
  const slot = p.slots[best]
  if (need === undefined || slot === undefined) return undefined
  const from = height(p, s.top, s.tank.kPa) + 5
  const to = height(p, s.top, need.kPa) - 6
  if (to - from < 24) return undefined
  const short = s.ranks[best]?.short
  const low = to - (short && short.value > 0 ? 44 : 0)
  const text = s.ranks.length > 2 || low - from < 46 ? 'none' : low - from < 90 ? 'one' : 'two'
  return { x: (slot.end + slot.tick) / 2, from, to, low, text }
}

/** leakAt says where the strokes of a leak stand: at the tank, or at the fall of a rank; -1 is the tank. */
export function leakAt(s: LineState): number | undefined {
  if (s.leak === undefined) return undefined
  const where = s.leak.where.toLowerCase()
  const rank = s.ranks.findIndex((x) => x.name !== '' && where.split(/\s+/).includes(x.name.toLowerCase()))
  if (rank >= 0) return rank
  return where.includes('tank') ? -1 : undefined
}

/** split puts four and more ranks on two lines; their time stands in the foot row. */
export function split(s: LineState): LineState[] {
  if (s.ranks.length < 4) return [s]
  const half = Math.ceil(s.ranks.length / 2)
  return [{ ...s, left: undefined, ranks: s.ranks.slice(0, half) }, { ...s, left: undefined, ranks: s.ranks.slice(half) }]
}

function r(n: number): number {
  return Math.round(n * 10) / 10
}
