// SPDX-License-Identifier: Apache-2.0

// What the box says: the payloads of the MQTT contract, as firmware/publish writes them. Every field may be missing:
// a page from one release may meet a box of another.

/** A quantity with its UCUM unit; an estimate adds low and high (95 %). */
export interface Measure {
  value: number
  unit: string
  reference?: string
  low?: number
  high?: number
}

export interface Stamp {
  t: string
  clk: string
  boot: string
  mono: number
  seq: number
}

export type StateCode = 'holds' | 'low' | 'short' | 'not_known'
export type CompressorWord = 'resting' | 'running' | 'no_rest' | 'not_seen'

export interface RankNow {
  name: string
  pressure?: Measure | null
  age: number
  quality: string
  need?: Measure | null
  assumed: boolean
  short?: Measure | null
  raised: boolean
}

export interface ChannelValue {
  id: string
  value?: Measure | null
  quality: string
  age: number
}

export interface Now extends Stamp {
  simulated: boolean
  state: StateCode
  why?: string
  do: string
  then?: string
  tonight?: string
  banner?: string
  rate: number
  compressor: { word: CompressorWord; learning?: string }
  tank: {
    pressure?: Measure | null
    age: number
    quality: string
    cut_in?: Measure | null
    cut_out?: Measure | null
    fall?: Measure | null
  }
  ranks: RankNow[] | null
  top?: Measure | null
  left?: { minutes: number; about: boolean } | null
  budget: {
    gives?: Measure | null
    rated: boolean
    bags?: Measure | null
    drains?: Measure | null
    leak?: Measure | null
    use?: Measure | null
    spare?: Measure | null
    short?: Measure | null
    words?: string
  }
  facts: { value: string; words: string }[] | null
  moving: boolean
  unseen: { key: string; where?: string; needs: string }[] | null
  values: ChannelValue[] | null
}

export type Priority = 'none' | 'low' | 'medium' | 'high'

export interface Alarm extends Stamp {
  key: string
  where?: string
  title: string
  state: string
  priority: Priority
  onset?: string | null
  value?: Measure | null
  limit?: Measure | null
  group?: string
  firstout: boolean
  silent: boolean
  do?: string
  cause?: string
  caution?: string
  from?: string
  detail?: string
}

export interface AlarmsSum extends Stamp {
  unacked: number
  active: number
  shelved: number
  out_of_service: number
  highest: string
  flood: boolean
}

export interface Online {
  online: boolean
  t: string
  boot: string
}

export interface About extends Stamp {
  name: string
  software: string
  simulated: boolean
  story?: string
  signals: { id: string; quantity: string; unit: string; reference?: string; source: string }[] | null
}

/** object says whether v is a JSON object. */
export function object(v: unknown): v is Record<string, unknown> {
  return typeof v === 'object' && v !== null && !Array.isArray(v)
}

/** isNow says whether v has what the page cannot do without. */
export function isNow(v: unknown): v is Now {
  return object(v) && typeof v.t === 'string' && typeof v.boot === 'string' && typeof v.mono === 'number' &&
    typeof v.state === 'string' && object(v.tank) && object(v.compressor) && object(v.budget)
}

/** isAlarm says whether v is a whole alarm state. */
export function isAlarm(v: unknown): v is Alarm {
  return object(v) && typeof v.key === 'string' && typeof v.state === 'string' && typeof v.priority === 'string'
}
