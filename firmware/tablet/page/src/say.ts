// SPDX-License-Identifier: Apache-2.0

// Every sentence of the page passes here, so that a language is one file. The sentence in English is its own name.

/** say returns a sentence of the page with its places filled in: say('{n} more', { n: 3 }). */
export function say(sentence: string, places: Record<string, string | number> = {}): string {
  return sentence.replace(/\{(\w+)\}/g, (all, name: string) => String(places[name] ?? all))
}
