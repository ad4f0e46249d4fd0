// SPDX-License-Identifier: Apache-2.0

// Every sentence of the page passes here, so that a language is one file. The sentence in English is its own name.

type Places = Record<string, string | number>

/** Language is a file of sentences. `page` holds what the page says, `box` what the box says; both are keyed by English. */
export interface Language {
  language: string // as BCP 47 writes it
  name: string // as those who read it write it
  decimal: string // what stands before the decimals
  page: Record<string, string>
  box: Record<string, string>
}

let spoken: Language | undefined
let tell: (sentence: string) => string = (s) => s

/** speak makes a language that of the page; undefined is English. How the box's sentences are found comes with the language. */
export function speak(l: Language | undefined, found: (sentence: string) => string = (s) => s): void {
  spoken = l
  tell = found
}

/** foreign says whether another language than English is spoken. */
export function foreign(): boolean {
  return spoken !== undefined
}

/** tongue is the language spoken, as BCP 47 writes it. */
export function tongue(): string {
  return spoken?.language ?? 'en-GB'
}

/** key marks a sentence that is said later: a table of words keeps its English. */
export function key<T extends string>(sentence: T): T {
  return sentence
}

/** say returns a sentence of the page with its places filled in: say('{n} more', { n: 3 }). */
export function say(sentence: string, places: Places = {}): string {
  return filled(spoken?.page[sentence] ?? sentence, places)
}

/** num writes the decimals of figures as the language does. Nothing that was written so is read back. */
export function num(text: string): string {
  return spoken && spoken.decimal !== '.' ? text.replace(/(\d)\.(?=\d)/g, `$1${spoken.decimal}`) : text
}

/** heard returns what the box said in the language of the page; what the file does not have stays in English. */
export function heard(sentence: string): string {
  return tell(sentence)
}

/** filled puts what belongs into the places of a sentence. */
export function filled(sentence: string, places: Places): string {
  return sentence.replace(/\{(\w+)\}/g, (all, name: string) => {
    const v = places[name]
    return v === undefined ? all : typeof v === 'number' ? num(String(v)) : v
  })
}
