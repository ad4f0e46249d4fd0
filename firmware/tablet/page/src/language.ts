// SPDX-License-Identifier: Apache-2.0

// A language as the box serves it. A file that is wrong anywhere is refused whole, with the line: half a language would
// mix two on one screen.

import { object } from './payload'
import { teller } from './heard'
import { say, speak, type Language } from './say'

/** The most a file may weigh, in bytes; German has three fifths of it. */
const most = 256 * 1024

/** languages are those the box has: English needs no file. */
export const languages: [string, string][] = [['en', 'English'], ['de', 'Deutsch']]

export type Learned = { language: Language } | { trouble: string }

/** fetchLanguage asks the box for a language. */
export async function fetchLanguage(code: string): Promise<Learned> {
  const file = `${code}.json`
  try {
    const answer = await fetch(`languages/${file}`, { credentials: 'same-origin', signal: AbortSignal.timeout(5000) })
    if (answer.ok) return readLanguage(file, new Uint8Array(await answer.arrayBuffer()))
  } catch {
    // It is told below: to the reader a box that does not answer and one that has no such file are the same.
  }
  return { trouble: say('The box did not answer. The page stays English.') }
}

/** readLanguage reads a language file, or says what is wrong with it and where. */
export function readLanguage(file: string, bytes: Uint8Array): Learned {
  if (bytes.length > most) return { trouble: say('Language file {file} is larger than {n} kB. The page stays English.', { file, n: most / 1024 }) }
  let text: string
  try {
    text = new TextDecoder('utf-8', { fatal: true }).decode(bytes)
  } catch {
    return { trouble: say('Language file {file} is not written in UTF-8. The page stays English.', { file }) }
  }
  let v: unknown
  try {
    v = JSON.parse(text)
  } catch (e) {
    return { trouble: say('Language file {file}, line {n}: not JSON. The page stays English.', { file, n: brokenLine(text, String(e)) }) }
  }
  if (!object(v) || typeof v.language !== 'string' || typeof v.name !== 'string' || !['.', ','].includes(v.decimal as string) || !object(v.page) || !object(v.box)) {
    return { trouble: say('Language file {file} needs language, name, decimal, page and box. The page stays English.', { file }) }
  }
  for (const [from, to] of [...Object.entries(v.page), ...Object.entries(v.box)]) {
    const n = lineOf(text, text.indexOf(`${JSON.stringify(from)}:`))
    if (typeof to !== 'string' || to === '') return { trouble: say('Language file {file}, line {n}: a sentence must be a text. The page stays English.', { file, n }) }
    const places = placesOf(from)
    if (placesOf(to) !== places) return { trouble: say('Language file {file}, line {n}: the places must be {places}. The page stays English.', { file, n, places: places || '0' }) }
  }
  return { language: v as unknown as Language }
}

/** use makes a language that of the page. */
export function use(l: Language): void {
  speak(l, teller(l.box))
}

/** placesOf lists the places of a sentence, each once and in order. */
export function placesOf(sentence: string): string {
  return [...new Set(sentence.match(/\{\w+\}/g))].sort().join(' ')
}

/** brokenLine reads the line from what the browser says of broken JSON; where it says none, it is the last one. */
function brokenLine(text: string, said: string): number {
  const line = /line (\d+)/.exec(said)?.[1]
  const at = /position (\d+)/.exec(said)?.[1]
  return line ? Number(line) : lineOf(text, at ? Number(at) : text.length)
}

function lineOf(text: string, at: number): number {
  return text.slice(0, Math.max(0, at)).split('\n').length
}
