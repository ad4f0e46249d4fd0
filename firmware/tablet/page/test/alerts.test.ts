// SPDX-License-Identifier: Apache-2.0

// The fold of the alerts against a box, a wire and a tablet that are invented here: messages are lost, repeated and
// overtaken, the tablet stands still, reloads and comes back, the box restarts and begins its journal anew. What must
// come out is known from the box's own list, and from an account of the episodes that shares nothing with the fold.

import { expect, test } from 'vitest'
import { answered, hear, hearLast, idOf, meet, none, older, question, read, seen, waiting, write, type Alert, type Alerts, type Question } from '../src/alerts'

/** dice returns a generator of numbers from 0 to 1: mulberry32, a public-domain generator. */
function dice(seed: number): () => number {
  return () => {
    seed = (seed + 0x6d2b79f5) | 0
    let t = Math.imul(seed ^ (seed >>> 15), 1 | seed)
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296
  }
}

interface Topic { id: string; key: string; state: string; boot: string; mono: number }
type Message = { topic: 'alert'; what: Alert } | { topic: 'last'; what: { v: 1; line: string; seq: number } } | { topic: 'alarm'; what: Topic }
type Logged = { take: Alert } | { look: string[] } | { seen: string[] } | { line: string }

const keys = ['tank-low', 'air-leak', 'rank-off-target', 'log-gap']
const hex = (n: number) => n.toString(16).padStart(16, '0')

/** Box is the invented box: a state for each alarm and a journal of all changes. */
class Box {
  line = hex(1)
  journal: Alert[] = []
  gone: Alert[][] = [] // journals that were begun anew
  number = 0
  boot = 'b0'
  mono = 10
  boots = 0
  state = new Map(keys.map((k) => [k, { active: false, unacked: false, shelved: false, hidden: false }]))
  topics = new Map<string, Topic>()
  out: Message[] = []

  constructor(readonly rnd: () => number) {}

  name(key: string): string {
    const s = this.state.get(key)!
    if (s.hidden) return 'suppressed'
    if (s.shelved) return 'shelved'
    return s.active ? (s.unacked ? 'active_unacked' : 'active_acked') : s.unacked ? 'returned_unacked' : 'normal'
  }

  change(key: string, by: string, what: (s: { active: boolean; unacked: boolean; shelved: boolean; hidden: boolean }) => void): void {
    const from = this.name(key)
    what(this.state.get(key)!)
    this.mono++
    if (this.name(key) !== from) this.note(key, from, by)
  }

  note(key: string, from: string, by: string): void {
    const to = this.name(key)
    this.number += 1 + Math.floor(this.rnd() * 3) // other records have numbers too
    const one: Alert = {
      line: this.line, seq: this.number, prev: this.journal.at(-1)?.seq ?? 0, boot: this.boot, mono: this.mono, key, title: key, from, to,
      kind: key === 'log-gap' ? 'note' : 'announced', ...(by ? { by } : {}),
    }
    this.journal.push(one)
    if (from !== to) {
      const t = { id: idOf(key), key, state: to, boot: this.boot, mono: this.mono }
      this.topics.set(key, t)
      this.out.push({ topic: 'alarm', what: t })
    }
    this.out.push({ topic: 'alert', what: one }, { topic: 'last', what: this.last() })
  }

  last(): { v: 1; line: string; seq: number } {
    return { v: 1, line: this.journal.length > 0 ? this.line : '', seq: this.journal.at(-1)?.seq ?? 0 }
  }

  restart(anew: boolean): void {
    this.boot = `b${++this.boots}`
    this.mono = 0
    if (anew) {
      this.gone.push(this.journal)
      this.journal = []
      this.number = 0
      this.line = hex(2 + this.boots)
      for (const k of keys) this.state.set(k, { active: false, unacked: false, shelved: false, hidden: false })
      this.topics = new Map()
      return
    }
    for (const k of keys) {
      const from = this.name(k)
      const s = this.state.get(k)!
      s.active = false
      s.hidden = false
      this.mono++
      if (this.name(k) !== from) this.note(k, from, '')
    }
  }

  answer(q: Question): { line: string; last: number; more: boolean; alerts: Alert[] } {
    const line = this.journal.length > 0 ? this.line : ''
    const since = q.line !== '' && q.line !== line ? 0 : q.since
    const rest = this.journal.filter((a) => a.seq > since)
    return { line, last: this.last().seq, more: rest.length > 5, alerts: rest.slice(0, 5) }
  }
}

/** Tablet drives the fold as the page does. */
class Tablet {
  a: Alerts = none
  kept: Alerts = none
  log: Logged[] = []
  topics = new Map<string, Topic>()
  wire: Message[] | undefined // undefined: no connection
  asked: { q: Question; answer: unknown } | undefined

  set(next: Alerts): void {
    if (next.line !== this.a.line) this.log.push({ line: next.line })
    this.a = next
    this.kept = next
  }

  connect(box: Box): void {
    this.topics = new Map()
    this.wire = [...[...box.topics.values()].map((t): Message => ({ topic: 'alarm', what: t })), { topic: 'last', what: box.last() }]
  }

  reload(): void {
    this.a = this.kept.fresh ? none : read(write(this.kept))
    this.wire = this.asked = undefined
    this.topics = new Map()
  }

  get(m: Message): void {
    if (m.topic === 'alarm') this.topics.set(m.what.key, m.what)
    else if (m.topic === 'last') this.set(hearLast(this.a, m.what))
    else {
      const had = this.a.seq
      const { alerts, taken } = hear(this.a, m.what)
      if (taken > 0 || alerts.line !== this.a.line) {
        if (alerts.line !== this.a.line) this.log.push({ line: alerts.line })
        this.a = { ...this.a, line: alerts.line }
      }
      if (taken > 0 && alerts.seq !== had) this.log.push({ take: m.what })
      this.set(alerts)
    }
  }

  ask(box: Box): void {
    const q = question(this.a)
    if (q && !this.asked) this.asked = { q, answer: JSON.parse(JSON.stringify(box.answer(q))) }
  }

  arrive(): void {
    if (!this.asked) return
    const { q, answer } = this.asked
    this.asked = undefined
    const before = this.a
    const { alerts, taken } = answered(this.a, q, answer)
    if (alerts.line !== before.line) {
      this.log.push({ line: alerts.line })
      this.a = { ...this.a, line: alerts.line }
    }
    const list = (answer as { alerts: Alert[] }).alerts
    for (const one of list.slice(list.length - taken)) this.log.push({ take: one })
    this.set(alerts)
  }

  look(): void {
    const shown = [...this.topics.values()].filter((t) => t.state.endsWith('_unacked'))
    this.set(meet(this.a, shown))
    this.log.push({ look: shown.map((t) => `${t.key} ${t.boot} ${t.mono}`) })
  }

  press(): void {
    const ids = waiting(this.a).map((e) => idOf(e.key, e.where)).filter((id) => ![...this.topics.values()].some((t) => t.id === id && t.state.endsWith('_unacked')))
    this.set(seen(this.a, ids))
    this.log.push({ seen: ids })
  }
}

/** account tells from the log which alarms wait on the tablet: an episode each, looked at or not. */
function account(log: Logged[]): string[] {
  const episodes = new Map<string, { changes: string[]; over: boolean }[]>()
  const looked = new Set<string>()
  for (const l of log) {
    if ('look' in l) l.look.forEach((x) => looked.add(x))
    else if ('seen' in l) {
      for (const id of l.seen) {
        const all = episodes.get(id) ?? []
        if (!all.some((e) => e.over)) throw new Error(`${id} was shown and does not wait`)
        episodes.set(id, [])
      }
    } else if ('line' in l) episodes.forEach((all) => all.forEach((e) => { e.over = true }))
    else {
      const { key, from, to, by, boot, mono, kind } = l.take
      if (from === to || kind === 'note') continue
      const id = `${key}/`
      const all = episodes.get(id) ?? []
      const now = all.at(-1)
      const waitsAfter = to.includes('unacked')
      if (by !== undefined && !waitsAfter) all.length = 0
      else if (waitsAfter && (now === undefined || now.over || !from.includes('unacked'))) all.push({ changes: [`${key} ${boot} ${mono}`], over: false })
      else if (waitsAfter) now!.changes.push(`${key} ${boot} ${mono}`)
      else if (now && !now.over) {
        if (now.changes.some((c) => looked.has(c))) all.pop()
        else now.over = true
      }
      episodes.set(id, all)
    }
  }
  return [...episodes].filter(([, all]) => all.some((e) => e.over)).map(([id]) => id).sort()
}

interface Played { box: Box; tablet: Tablet; counts: Record<string, number> }

function play(seed: number): Played {
  const rnd = dice(seed)
  const pick = <T>(of: T[]): T => of[Math.floor(rnd() * of.length)] as T
  const box = new Box(rnd)
  const tablet = new Tablet()
  const counts = { lost: 0, twice: 0, overtaken: 0, reloads: 0, restarts: 0, anew: 0, stalls: 0 }
  tablet.connect(box)
  tablet.wire!.forEach((m) => tablet.get(m))
  tablet.wire = []
  let stalled = 0
  for (let i = 0; i < 160; i++) {
    const r = rnd()
    const key = pick(keys)
    if (r < 0.16) box.change(key, '', (s) => { if (!s.hidden && !s.active) { s.active = true; if (!s.shelved) s.unacked = true } })
    else if (r < 0.26) box.change(key, '', (s) => { s.active = false })
    else if (r < 0.33) box.change(key, '', (s) => { s.hidden = true; s.active = false; s.unacked = false })
    else if (r < 0.38) box.change(key, '', (s) => { s.hidden = false })
    else if (r < 0.43) box.change(key, 'another tablet', (s) => { if (!s.hidden && !s.shelved) s.unacked = false })
    else if (r < 0.46) box.change(key, 'another tablet', (s) => { if (!s.hidden) { s.shelved = true; s.unacked = false } })
    else if (r < 0.49) box.change(key, '', (s) => { if (s.shelved) { s.shelved = false; s.unacked = s.active } })
    else if (r < 0.51) box.note(key, box.name(key), 'another tablet') // a note, or a press that was refused
    else if (r < 0.53) { box.number++; box.mono++ }
    else if (r < 0.55) { box.restart(false); tablet.wire = undefined; counts.restarts++ }
    else if (r < 0.557) { box.restart(true); tablet.wire = undefined; counts.anew++ }
    else if (r < 0.59) tablet.wire = undefined // the connection breaks: what was on its way is lost
    else if (r < 0.62) { stalled = 1 + Math.floor(rnd() * 30); counts.stalls++ }
    else if (r < 0.64) { tablet.reload(); counts.reloads++; stalled = 0 }
    if (tablet.wire) tablet.wire.push(...box.out)
    else counts.lost += box.out.length
    box.out = []
    if (stalled > 0) {
      stalled--
      continue
    }
    if (!tablet.wire && rnd() < 0.3) tablet.connect(box)
    for (let n = Math.floor(rnd() * 5); n > 0 && tablet.wire && tablet.wire.length > 0; n--) {
      const w = tablet.wire
      if (rnd() < 0.06 && w.length > 1) { // one overtakes the other
        const [a, b] = [w[0]!, w[1]!]
        w[0] = b
        w[1] = a
        counts.overtaken++
      }
      const m = w.shift()!
      tablet.get(m)
      if (rnd() < 0.08) { tablet.get(m); counts.twice++ }
      else if (rnd() < 0.05) w.splice(Math.floor(rnd() * w.length), 0, m)
      else if (rnd() < 0.05 && m.topic === 'alert') counts.lost++
    }
    if (rnd() < 0.04 && tablet.wire && tablet.wire[0]?.topic === 'alert') { tablet.wire.shift(); counts.lost++ }
    if (rnd() < 0.5) tablet.ask(box)
    if (rnd() < 0.5) tablet.arrive()
    else if (rnd() < 0.2) tablet.asked = undefined // the answer does not come
    if (rnd() < 0.3) tablet.look()
    if (rnd() < 0.05) tablet.press()
  }
  tablet.asked = undefined
  tablet.connect(box)
  while (tablet.wire!.length > 0) tablet.get(tablet.wire!.shift()!)
  for (let n = 0; question(tablet.a) && n < 200; n++) {
    tablet.ask(box)
    tablet.arrive()
  }
  return { box, tablet, counts }
}

test('1,000 seeds: nothing lost, nothing twice, and what waits is what nobody saw', () => {
  const sum = { lost: 0, twice: 0, overtaken: 0, reloads: 0, restarts: 0, anew: 0, stalls: 0, alerts: 0, waits: 0 }
  for (let seed = 1; seed <= 1000; seed++) {
    const { box, tablet, counts } = play(seed)
    const taken = tablet.log.flatMap((l) => ('take' in l ? [l.take] : []))
    // Each journal that is gone: its beginning, as far as it was said in time. The present one: all of it.
    const told = (j: Alert[]) => j.map((a) => `${a.line}/${a.seq}`)
    for (const [n, j] of [...box.gone, box.journal].entries()) {
      const line = j[0]?.line
      const got = told(taken.filter((a) => a.line === line))
      expect(got, `seed ${seed}, journal ${n}`).toEqual(told(j).slice(0, n === box.gone.length ? undefined : got.length))
    }
    expect(waiting(tablet.a).map((e) => idOf(e.key, e.where)).sort(), `seed ${seed}: what waits`).toEqual(account(tablet.log))
    expect(read(write(tablet.a)), `seed ${seed}: what outlives a reload`).toEqual({ ...tablet.a, lack: false })
    for (const k of Object.keys(counts)) sum[k as 'lost'] += counts[k] ?? 0
    sum.alerts += taken.length
    sum.waits += waiting(tablet.a).length
  }
  for (const [k, n] of Object.entries(sum)) expect(n, `the seeds bring too little of: ${k}`).toBeGreaterThan(200)
}, 30_000)

const alert = (seq: number, prev: number, more: Partial<Alert> = {}): Alert => ({
  line: hex(1), seq, prev, boot: 'b', mono: 100 * seq, kind: 'announced', key: 'tank-low', title: 'Tank pressure low', from: 'normal', to: 'active_unacked', ...more,
})

test('a tablet that was never here before begins at the present end', () => {
  const a = hearLast(none, { v: 1, line: hex(1), seq: 4000 })
  expect([a.seq, question(a)]).toEqual([4000, undefined])
  expect(hear(none, alert(9, 7)).alerts.seq).toBe(9)
})

test('a gap, another line and a lower number are asked about; a repeated one is not', () => {
  const at5 = { ...none, fresh: false, line: hex(1), seq: 5 }
  expect(question(hear(at5, alert(9, 7)).alerts)).toEqual({ line: hex(1), since: 5 })
  expect(question(hear(at5, alert(9, 5, { line: hex(2) })).alerts)).toEqual({ line: hex(1), since: 5 })
  expect(question(hearLast(at5, { v: 1, line: hex(1), seq: 4 }))).toEqual({ line: hex(1), since: 5 })
  expect(question(hear(at5, alert(5, 3)).alerts)).toBeUndefined()
  expect(hear(at5, alert(7, 5))).toMatchObject({ taken: 1, alerts: { seq: 7 } })
})

test('a journal that came back from an older copy is followed from its end', () => {
  const at9 = { ...none, fresh: false, line: hex(1), seq: 9, lack: true }
  const back = answered(at9, { line: hex(1), since: 9 }, { line: hex(1), last: 6, more: false, alerts: [] }).alerts
  expect(hear(back, alert(8, 6)).taken).toBe(1)
})

test('another page of the same tablet that was quicker is not overwritten', () => {
  const at = (seq: number, line = hex(1)) => ({ ...none, fresh: false, line, seq })
  expect([older(at(5), write(at(9))), older(at(9), write(at(5))), older(at(5), write(at(9, hex(2)))), older(at(5), null)]).toEqual([true, false, false, false])
})

test('what is no alert changes nothing', () => {
  const at5 = { ...none, fresh: false, line: hex(1), seq: 5 }
  for (const bad of [undefined, null, 7, [], {}, { ...alert(7, 5), seq: '7' }, { ...alert(7, 5), prev: 9 }, { ...alert(7, 5), key: 3 }]) expect(hear(at5, bad)).toEqual({ alerts: at5, taken: 0 })
  for (const bad of [undefined, {}, { line: 3, last: 1, alerts: [] }, { line: hex(1), last: 1 }]) expect(answered(at5, { line: hex(1), since: 5 }, bad).alerts).toEqual(at5)
  for (const bad of [null, '', '{', '[]', '{"line":3,"seq":1}', '{"line":"a","seq":-1}']) expect(read(bad)).toEqual(none)
})

test('an alarm that came and went unseen waits; one that was seen, acknowledged, or a note does not', () => {
  const at0 = { ...none, fresh: false, line: hex(1) }
  const run = (a: Alerts, ...all: Alert[]) => all.reduce((b, one) => hear(b, one).alerts, a)
  const gone = alert(2, 1, { from: 'active_unacked', to: 'suppressed' })
  expect(waiting(run(at0, alert(1, 0), gone))).toMatchObject([{ key: 'tank-low', times: 1, over: true }])
  expect(waiting(meet(run(at0, alert(1, 0)), [{ key: 'tank-low', boot: 'b', mono: 100 }]))).toEqual([])
  expect(waiting(run(meet(at0, [{ key: 'tank-low', boot: 'b', mono: 100 }]), alert(1, 0), gone))).toEqual([])
  expect(waiting(run(at0, alert(1, 0), alert(2, 1, { from: 'active_unacked', to: 'active_acked', by: 'A. Tester' })))).toEqual([])
  expect(waiting(run(at0, alert(1, 0, { kind: 'note' }), { ...gone, kind: 'note' }))).toEqual([])
  const twice = run(at0, alert(1, 0), gone, alert(3, 2, { from: 'suppressed' }), alert(4, 3, { from: 'active_unacked', to: 'suppressed' }))
  expect(waiting(twice)).toMatchObject([{ times: 2 }])
  expect(waiting(seen(twice, ['tank-low/']))).toEqual([])
})
