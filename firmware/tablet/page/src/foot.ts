// SPDX-License-Identifier: Apache-2.0

// The foot of home: three numbers that are not pressures, and one quiet sentence.

import { usesKnown, type BarState } from './bar'
import type { Now } from './payload'
import { heard, say } from './say'
import { fine, nothing, unit } from './words'

export interface Fact {
  value: string
  words: string
  unit: string
}

/** leftOf tells the time until the highest need fails, rounded down. */
export function leftOf(left: { minutes: number; about: boolean }, assumed: boolean): { text: string; about: boolean } {
  return { text: left.minutes > 99 ? say('over {n}', { n: 99 }) : String(Math.max(0, Math.floor(left.minutes))), about: left.about || assumed }
}

/** factsOf returns the three numbers of the foot row; what is out of service is never left out. */
export function factsOf(n: Now, out: number): Fact[] {
  const facts: Fact[] = (n.facts ?? []).map((f) => ({ value: f.value, words: f.words, unit: factUnit(f.words) }))
  const ranks = n.ranks ?? []
  if (n.left && n.tank.pressure && ranks.length > 2) {
    const left = leftOf(n.left, ranks.some((r) => r.assumed))
    facts.unshift({ value: left.text, words: left.about ? say('min in the tank, about') : say('min in the tank'), unit: 'min' })
  }
  const drain = /^(\d[\d.]*) (.+)$/.exec(n.water?.drain ?? '')
  if (drain?.[1] && drain[2] && !facts.some((f) => f.words.includes('drain'))) {
    facts.splice(Math.min(1, facts.length), 0, { value: drain[1], words: drain[2], unit: factUnit(drain[2]) })
  }
  const water = n.water?.liquid
  if (facts.length < 3 && water && Number.isFinite(water.value) && !nothing(water)) facts.push({ value: fine(water), words: say('{unit} of water in the tank', { unit: unit(water) }), unit: water.unit })
  const three = facts.slice(0, 3).map((f) => ({ ...f, words: heard(f.words) }))
  if (out > 0) three.splice(Math.min(2, three.length), 1, { value: String(out), words: say('out of service'), unit: '1' })
  return three
}

function factUnit(words: string): string {
  const first = words.split(' ')[0] ?? ''
  return { days: 'd', day: 'd', hours: 'h', minutes: 'min' }[first] ?? (/^(%|h|min|d|s|L|kPa|psi|N)$/.test(first) ? first : '1')
}

/** noteOf returns the quiet sentence: what is wrong with the box first, then what is not known, then what is being learned. */
export function noteOf(n: Now, bar: BarState, cause: string): string {
  if (n.banner && cause !== heard(n.banner)) return heard(n.banner)
  const learns = [n.learning, n.compressor.learning].filter((s, i, all) => s && all.indexOf(s) === i).map((s) => heard(s ?? '')).join('; ')
  // Once the bar has its parts and a learned post it says the same as the words do.
  // Three steps leave no room for the word beside them.
  const deaf = (n.ranks ?? []).length > 2 ? (n.ranks ?? []).filter((r) => r.pressure && !r.need).map((r) => r.name.replace(/ rank$/, '')) : []
  if (deaf.length > 0) return [learns, say('need not heard: {list}', { list: deaf.map(heard).join(', ') })].filter((s) => s).join('; ')
  return learns || (n.budget.gives && n.budget.rated && usesKnown(bar) && !bar.bags ? heard(n.budget.words ?? '') : '') || heard(n.why ?? '')
}
