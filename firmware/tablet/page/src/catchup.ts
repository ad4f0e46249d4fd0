// SPDX-License-Identifier: Apache-2.0

// Carries the fold of the alerts: keeps its number on this tablet, asks the box for what is missing, and confirms to the
// box what was taken. A tablet that is not paired is refused that once, and keeps its number alone.

import { answered, hear, hearLast, meet, older, question, read, seen, write, type Alerts, type Question } from './alerts'
import { newID } from './command'

/** Kept is what this tablet keeps over a reload. */
export interface Kept {
  get: (name: string) => string | null
  set: (name: string, value: string) => void
}

const name = 'airhold-alerts'

/** In ms: how long to wait after an answer that did not come, where the box keeps no alerts, and before confirming. */
const again = 3000
const later = 60_000
const gather = 1500

export class CatchUp {
  alerts: Alerts
  told = 0 // alerts taken since the page was opened

  private asking = false
  private askAt = -Infinity
  private confirmed = ''
  private confirmAt = -Infinity

  constructor(private readonly kept: Kept, private readonly changed: () => void) {
    this.alerts = read(kept.get(name))
  }

  /** receive takes a message of topic alert or alert/last. */
  receive(last: boolean, text: string): void {
    let what: unknown
    try {
      what = JSON.parse(text)
    } catch {
      return
    }
    if (last) this.become(hearLast(this.alerts, what), 0)
    else {
      const { alerts, taken } = hear(this.alerts, what)
      this.become(alerts, taken)
    }
  }

  /** look notes what a person can see now. */
  look(shown: Parameters<typeof meet>[1]): void {
    this.become(meet(this.alerts, shown), 0)
  }

  /** press forgets what waited here and was seen. */
  press(ids: string[]): void {
    this.become(seen(this.alerts, ids), 0)
  }

  /** step asks and confirms where it is time to; now is this tablet's steady clock in ms. */
  step(now: number): void {
    const q = question(this.alerts)
    if (q && !this.asking && now >= this.askAt) void this.ask(q, now)
    const { line, seq, fresh } = this.alerts
    if (!fresh && line !== '' && seq > 0 && this.confirmed !== `${line}/${seq}` && now >= this.confirmAt) {
      this.confirmAt = now + gather
      void this.confirm(line, seq, now)
    }
  }

  private become(next: Alerts, taken: number): void {
    if (next === this.alerts) return
    this.alerts = next
    this.told += taken
    if (!next.fresh && !older(next, this.kept.get(name))) this.kept.set(name, write(next))
  }

  private async ask(q: Question, now: number): Promise<void> {
    this.asking = true
    this.askAt = now + again
    try {
      const answer = await fetch(`api/alerts?since=${q.since}&line=${encodeURIComponent(q.line)}`, { credentials: 'same-origin', cache: 'no-store', signal: AbortSignal.timeout(5000) })
      if (answer.ok) {
        const { alerts, taken } = answered(this.alerts, q, await answer.json())
        if (taken > 0) this.askAt = now // there may be more at once
        this.become(alerts, taken)
        this.changed()
      } else if (answer.status === 404) this.askAt = now + later
    } catch {
      // The box did not answer: it is asked again.
    }
    this.asking = false
  }

  private async confirm(line: string, seq: number, now: number): Promise<void> {
    try {
      const answer = await fetch('api/alerts/got', {
        method: 'POST', headers: { 'Content-Type': 'application/json' }, credentials: 'same-origin', signal: AbortSignal.timeout(5000),
        body: JSON.stringify({ tablet: this.tablet(), line, seq }),
      })
      if (answer.ok) this.confirmed = `${line}/${seq}`
      else if (answer.status === 403 || answer.status === 404) this.confirmAt = Infinity
      else {
        this.confirmAt = now + later
        if (answer.status === 409) this.become({ ...this.alerts, lack: true }, 0)
      }
    } catch {
      this.confirmAt = now + later
    }
  }

  /** tablet is the name that this tablet has made for itself. */
  private tablet(): string {
    const had = this.kept.get('airhold-tablet')
    if (had) return had
    const made = `tablet-${newID().slice(0, 12)}`
    this.kept.set('airhold-tablet', made)
    return made
  }
}
