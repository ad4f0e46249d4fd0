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
  setup?: string // needed: the box runs without a machine file
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
  morning?: Morning | null
  care?: CareDue[] | null
  water?: Water | null
  learning?: string
  facts: { value: string; words: string }[] | null
  moving: boolean
  unseen: { key: string; where?: string; needs: string }[] | null
  values: ChannelValue[] | null
}

/** Morning is the overnight hold: what was read in the evening and in the morning, and where the difference went. */
export interface Morning {
  state: string // held, lost, not_known
  words: string
  why?: string
  places?: string[] | null
  from?: Measure | null
  to?: Measure | null
  from_at?: string | null
  to_at?: string | null
  cooling?: Measure | null
  lost?: Measure | null
  leak?: Measure | null
  warm_from?: Measure | null
  warm_to?: Measure | null
  warm?: string
}

/** CareDue is what is due of the care list. */
export interface CareDue {
  item: string
  words: string
  why: string
  caution: string
  due: boolean
}

export interface Water {
  liquid?: Measure | null
  dew_point?: Measure | null
  drain?: string
  words: string
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
  standing?: boolean
  do?: string
  cause?: string
  caution?: string
  from?: string
  detail?: string
  kind?: string // announced, note, reminder
  consequence?: string
  until_mono?: number // while put off: until then by the box's running clock, ms
  by?: string
  why?: string
  own?: boolean // not from the box: it waits on this tablet alone
}

export interface AlarmsSum extends Stamp {
  unacked: number
  active: number
  standing?: number
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

// The leak-down test: topics test/{run} and test/{run}/curve, written by firmware/leakdown/session.

export type TestStep = 'make_safe' | 'fill' | 'isolate' | 'watch' | 'result'
export type Verdict = 'measuring' | 'pass' | 'fail' | 'undecided' | 'invalid' | 'stopped'

export interface TestTick {
  id: string
  text: string
  note?: string
  done: boolean
}

export interface TestCondition {
  id: string
  text: string
  sees: string
  met: string // yes, no, not_seen
  why?: string
}

export interface TestUpdate {
  at: number
  leak?: Measure | null
  pass: number
  fail: number
}

export interface TestPath {
  where: string
  includes: string[] | null
  leak?: Measure | null
  posterior: number
}

export interface TestResult {
  run: string
  at?: string
  zone: string
  where: string
  by?: string
  phases: number
  verdict: Verdict
  reasons: string[] | null
  decided_at: number
  duration: number
  start?: Measure | null
  limit?: Measure | null
  leak?: Measure | null
  drop?: Measure | null
  naive_drop?: Measure | null
  hole?: Measure | null
  discharge: number
  hold_time?: Measure | null
  hold_at_least: boolean
  hold_to?: Measure | null
  dominant_uncertainty: string
  help?: string
  paths?: TestPath[] | null
  cannot_tell?: string
  budget?: { words: string; u?: Measure | null }[] | null
  curve?: TestCurve | null
  simulated?: boolean
}

export interface Test {
  run: string
  zone: string
  where: string
  step: TestStep
  phase: number
  phases: number
  by?: string
  started?: string
  limit?: Measure | null
  ticks: TestTick[] | null
  left: number
  conditions: TestCondition[] | null
  can_go: boolean
  next: string
  do: string[] | null
  hear?: string
  cautions: string[] | null
  pressure?: Measure | null
  target?: Measure | null
  safe?: Measure | null
  seconds: number
  leak?: Measure | null
  drop?: Measure | null
  pass: number
  fail: number
  cooling?: Measure | null
  lost?: Measure | null
  updates: TestUpdate[] | null
  held_back: boolean
  verdict: Verdict
  reasons: string[] | null
  result?: TestResult | null
  before?: TestResult | null
  compare?: string
}

/** A point is [s, kPa gauge], a band [s, kPa, low, high]. */
export type Point = [number, number]
export type Band = [number, number, number, number]

export interface TestCurve {
  run?: string
  measured: Point[] | null
  fit: Band[] | null
  ahead: Band[] | null
  cooling: Point[] | null
  limit: Point[] | null
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

/** isTest says whether v is a whole state of a leak-down test. */
export function isTest(v: unknown): v is Test {
  return object(v) && typeof v.run === 'string' && typeof v.step === 'string' && typeof v.where === 'string' && typeof v.verdict === 'string'
}

/** isCurve says whether v can be drawn: every list is one of number lists, or missing. */
export function isCurve(v: unknown): v is TestCurve {
  const points = (l: unknown, n: number) => l === undefined || l === null ||
    (Array.isArray(l) && l.every((p) => Array.isArray(p) && p.length >= n && p.slice(0, n).every((x) => typeof x === 'number' && Number.isFinite(x))))
  return object(v) && points(v.measured, 2) && points(v.fit, 4) && points(v.ahead, 4) && points(v.cooling, 2) && points(v.limit, 2)
}
