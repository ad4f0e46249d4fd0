// SPDX-License-Identifier: Apache-2.0

// What the box says, in the language of the page. It comes with a language, so that English does not carry it.

import { filled, num } from './say'

/**
 * teller looks up what the box says. A sentence that the file does not have stays in English, whole: half a translation
 * could turn its sense. A place {n…} holds a number, {one…} a word and {raw…} anything, as they came; any other holds what
 * the file can tell.
 */
export function teller(box: Record<string, string>): (sentence: string) => string {
  const rules = Object.entries(box).filter(([from]) => from.includes('{')).map(([from, to]) => ruleOf(from, to))
  const known = new Map<string, string | undefined>() // of sentences and of their parts: rules ask for the same part often
  const told = (sentence: string): string => found(sentence) ?? sentence

  function found(text: string): string | undefined {
    if (!known.has(text)) {
      const out = search(text)
      if (known.size > 2000) known.clear()
      known.set(text, out)
    }
    return known.get(text)
  }

  /** search looks a text up whole, then cut into the longest beginning that is known and a rest that can be told. */
  function search(text: string): string | undefined {
    const bare = text.trim().replaceAll('’', "'")
    const all = whole(bare)
    if (all !== undefined) return all
    for (const m of [...bare.matchAll(/[.;?] +/g)].reverse()) {
      const head = whole(bare.slice(0, m.index + 1))
      const tail = head && found(bare.slice(m.index + m[0].length))
      if (tail) return `${head} ${tail}`
    }
    return undefined
  }

  /** whole looks a sentence up as it is, with its first letter turned, without the sign at its end, and by its places. */
  function whole(s: string): string | undefined {
    const plain = box[s] ?? box[turned(s)]
    if (plain !== undefined) return plain
    const stem = /[.;]$/.test(s) ? whole(s.slice(0, -1)) : undefined
    return stem ? stem + s.slice(-1) : byRule(s) ?? byRule(turned(s))
  }

  function byRule(text: string): string | undefined {
    for (const r of rules) {
      const m = r.of.exec(text)
      if (!m) continue
      const parts: Record<string, string> = {}
      if (r.names.every((name, i) => (parts[name] = placed(name, m[i + 1] ?? '') ?? '') !== '')) return filled(r.to, parts)
    }
    return undefined
  }

  function placed(name: string, text: string): string | undefined {
    return /^n/.test(name) ? num(text) : /^(one|raw)/.test(name) ? told(text) : found(text)
  }

  return told
}

function ruleOf(from: string, to: string): { of: RegExp; names: string[]; to: string } {
  const names = [...from.matchAll(/\{(\w+)\}/g)].map((m) => m[1] as string)
  const plain = from.replace(/[.*+?^$()|[\]\\]/g, '\\$&')
  const of = plain.replace(/\{(\w+)\}/g, (_, name: string) => (/^n/.test(name) ? '([-−]?\\d[\\d.,]*)' : /^one/.test(name) ? '([^\\s,;]+)' : '(.+?)'))
  return { of: new RegExp(`^${of}$`), names, to }
}

function turned(s: string): string {
  const first = s.charAt(0)
  return (first === first.toLowerCase() ? first.toUpperCase() : first.toLowerCase()) + s.slice(1)
}
