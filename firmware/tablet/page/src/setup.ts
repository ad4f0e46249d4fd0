// SPDX-License-Identifier: Apache-2.0

// The set-up: what GET /api/setup and POST /api/setup/check and save answer, read so that a broken answer breaks nothing.

import { object, type Measure } from './payload'
import { heard, say } from './say'

export interface SetupProblem { file: string; line: number; column: number; severity: string; message: string; allowed: string; suggestion: string; path: string }
export interface SetupMessage { pgn: number; words: string; decoded: boolean; count: number; strip: number[] }
export interface SetupTalker { address: number; words: string; messages: SetupMessage[] }
export interface SetupLink { link: string; bitrate?: Measure; reckoned: boolean; busy?: Measure; open: boolean; words: string; remarks: string[]; talkers: SetupTalker[] }
export interface SetupNeed { id: string; words: string; state: 'heard' | 'twice' | 'sent' | 'not_heard'; using: string; then: string }
export interface SetupInput { id: string; name: string; plug: string; volts?: Measure; value?: Measure; status: string; sentence: string }
export interface SetupQuestion { path: string; words: string; why: string; kind: string; allowed: string[]; needed: boolean; value: string }

export interface Setup {
  state: 'running' | 'accepted_copy' | 'refused'
  file: string
  problems: SetupProblem[]
  links: SetupLink[]
  needs: SetupNeed[]
  inputs: SetupInput[]
  questions: SetupQuestion[]
  from: string
  whyNot: string
  instead: string
  where: string
}

export interface SetupChecked { ok: boolean; problems: SetupProblem[]; text: string; changed: number[] }

const list = (v: unknown): Record<string, unknown>[] => (Array.isArray(v) ? v.filter(object) : [])
const word = (v: unknown): string => (typeof v === 'string' ? v : '')
const told = (v: unknown): string => heard(word(v))
const figure = (v: unknown): number => (typeof v === 'number' && Number.isFinite(v) ? v : 0)
const measure = (v: unknown): Measure | undefined => (object(v) && typeof v.value === 'number' && Number.isFinite(v.value) && typeof v.unit === 'string' ? (v as unknown as Measure) : undefined)
const words = (v: unknown): string[] => (Array.isArray(v) ? v.filter((s) => typeof s === 'string') : [])
const one = <T extends string>(v: unknown, of: readonly T[], otherwise: T): T => of.find((w) => w === v) ?? otherwise

function problems(v: unknown): SetupProblem[] {
  return list(v).map((p) => ({
    file: word(p.file), line: figure(p.line), column: figure(p.column), severity: word(p.severity), message: word(p.message), allowed: word(p.allowed),
    suggestion: word(p.suggestion), path: word(p.path),
  }))
}

/** readSetup reads the answer of GET /api/setup. */
export function readSetup(v: unknown): Setup | undefined {
  if (!object(v) || typeof v.state !== 'string') return undefined
  return {
    state: one(v.state, ['running', 'accepted_copy', 'refused'] as const, 'running'), file: word(v.file), problems: problems(v.problems),
    links: list(v.links).map((l) => ({
      link: word(l.link), bitrate: measure(l.bitrate), reckoned: l.reckoned === true, busy: measure(l.busy), open: l.open === true, words: told(l.words), remarks: words(l.remarks).map(heard),
      talkers: list(l.talkers).map((t) => ({
        address: figure(t.address), words: told(t.words),
        messages: list(t.messages).map((m) => ({
          pgn: figure(m.pgn), words: word(m.words), decoded: m.decoded === true, count: figure(m.count),
          strip: Array.isArray(m.strip) ? m.strip.filter((x): x is number => typeof x === 'number' && x >= 0 && x <= 1) : [],
        })),
      })),
    })),
    needs: list(v.needs).map((n) => ({ id: word(n.id), words: told(n.words), state: one(n.state, ['heard', 'twice', 'sent', 'not_heard'] as const, 'not_heard'), using: told(n.using), then: told(n.then) })),
    inputs: list(v.inputs).map((i) => ({ id: word(i.id), name: told(i.name), plug: word(i.plug), volts: measure(i.volts), value: measure(i.value), status: word(i.status), sentence: told(i.sentence) })),
    questions: list(v.questions).map((q) => ({ path: word(q.path), words: told(q.words), why: told(q.why), kind: word(q.kind), allowed: words(q.allowed), needed: q.needed === true, value: word(q.value) })),
    from: word(v.from), whyNot: told(v.why_not), instead: told(v.instead), where: word(v.where),
  }
}

/** readChecked reads the answer of POST /api/setup/check. */
export function readChecked(v: unknown): SetupChecked | undefined {
  if (!object(v) || typeof v.text !== 'string') return undefined
  return { ok: v.ok === true, problems: problems(v.problems), text: v.text, changed: Array.isArray(v.changed) ? v.changed.filter((n) => typeof n === 'number') : [] }
}

/** place says where a problem stands, as an editor counts. */
export function place(p: SetupProblem): string {
  return p.line > 0 ? `${p.file}:${p.line}:${p.column}` : p.file
}

/** changedAnswers are those that differ from what the file says; all of them where the file is a first one. */
export function changedAnswers(setup: Setup, typed: Record<string, string>): Record<string, string> {
  return Object.fromEntries(Object.entries(typed).filter(([path, text]) => setup.questions.some((q) => q.path === path && q.value !== text.trim())))
}

/** ask sends a set-up to the box; the answer is what it said, or a sentence. */
export async function ask(what: 'check' | 'save', body: object): Promise<{ said: unknown } | { trouble: string }> {
  try {
    const answer = await fetch(`api/setup/${what}`, {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, credentials: 'same-origin', signal: AbortSignal.timeout(8000), body: JSON.stringify(body),
    })
    const said: unknown = await answer.json().catch(() => undefined)
    if (answer.ok) return { said }
    return { trouble: object(said) && typeof said.error === 'string' && said.error !== '' ? heard(said.error) : say('The box refused ({n}). Press again.', { n: answer.status }) }
  } catch {
    return { trouble: say('The box did not answer. Press again.') }
  }
}
