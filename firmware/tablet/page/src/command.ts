// SPDX-License-Identifier: Apache-2.0

// What a person tells the box: one POST a command, an id so that a repeated one counts once.

import { object } from './payload'
import { heard, say } from './say'
import type { AlarmRef } from './view'

/** tell sends a command about an alarm and returns a sentence for the person: empty when the box did it. */
export function tell(verb: 'ack' | 'shelve' | 'unshelve' | 'note', ref: AlarmRef, t: string, more: object = {}): Promise<string> {
  return post(verb, { key: ref.key, where: ref.where, ...(t ? { t } : {}), ...more })
}

/** tellTest sends a command of the leak-down test; its answer is as that of tell. */
export function tellTest(verb: 'test-start' | 'test-step' | 'test-stop', args: Record<string, string>, t: string): Promise<string> {
  return post(verb, { ...(t ? { t } : {}), args })
}

/** tellCare records an item of the care list; its answer is as that of tell. */
export function tellCare(item: string, t: string, args?: Record<string, string>): Promise<string> {
  return post('care-done', { where: item, ...(t ? { t } : {}), ...(args ? { args } : {}) })
}

/** pairAs pairs this tablet; its answer is as that of tell. */
export function pairAs(code: string, name: string): Promise<string> {
  return send('api/pair', { code, name }, (said) => said.paired === true)
}

function post(verb: string, what: object): Promise<string> {
  return send(`api/cmd/${verb}`, { id: newID(), ...what }, (said) => said.ok === true)
}

async function send(path: string, what: object, done: (said: Record<string, unknown>) => boolean): Promise<string> {
  let answer: Response
  try {
    answer = await fetch(path, {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, credentials: 'same-origin', signal: AbortSignal.timeout(5000),
      body: JSON.stringify(what),
    })
  } catch {
    return say('The box did not answer. Press again.')
  }
  const said: unknown = await answer.json().catch(() => undefined)
  if (answer.ok && object(said) && done(said)) return ''
  return object(said) && typeof said.error === 'string' && said.error !== '' ? heard(said.error) : say('The box refused ({n}). Press again.', { n: answer.status })
}

/** newID makes 128 random bits; crypto.randomUUID is not there on plain http names. */
export function newID(): string {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, '0')).join('')
}
