// SPDX-License-Identifier: Apache-2.0

// A language is whole: every sentence of the sources is in its file, none is in it that nobody says, and what the box
// lists of its own sentences (testdata/sentences.txt of its rooms) is told without a rest. That the German is good German
// no test can say.

import { readdirSync, readFileSync } from 'node:fs'
import { afterEach, describe, expect, test } from 'vitest'
import { placesOf, readLanguage, use } from '../src/language'
import { heard, num, say, speak, type Language } from '../src/say'
import { figure, fine, lower, named, percent, set, tiny } from '../src/words'

const src = new URL('../src/', import.meta.url)
const sources = readdirSync(src).filter((f) => /\.tsx?$/.test(f) && f !== 'say.ts').map((f) => ({ f, text: readFileSync(new URL(f, src), 'utf8') }))
const bytes = readFileSync(new URL('../public/languages/de.json', import.meta.url))
const de = JSON.parse(bytes.toString()) as Language
const read = (v: unknown) => readLanguage('de.json', new TextEncoder().encode(typeof v === 'string' ? v : JSON.stringify(v, null, 1)))
const golden = (room: string) => readFileSync(new URL(`../../../../${room}/testdata/sentences.txt`, import.meta.url), 'utf8').trim().split('\n')

const rooms = [
  'bus/signals', 'bus/traffic', 'firmware', 'firmware/alarms', 'firmware/care', 'firmware/compressor', 'firmware/intake', 'firmware/leakdown', 'firmware/leakdown/session', 'firmware/leakdown/zones', 'firmware/store/rawlog', 'firmware/store/trend',
  'firmware/supply', 'firmware/supply/leakwatch', 'firmware/supply/overnight', 'firmware/tablet', 'firmware/trust', 'firmware/water',
]

const fewer = new Set(['firmware/store/rawlog', 'firmware/supply/leakwatch']) // rooms with little to say

/** english finds the small words that an English rest would hold and that no German sentence has. */
const english = /(?<![\w-])(the|of|and|is|are|its?|with|that|this|from|for|not|to|by|at|or|on|be)(?![\w-])/i

/** said lists the sentences of the sources: what stands in say('…') or key('…'). */
const literal = (s: string) => JSON.parse(`"${s.replaceAll("\\'", "'").replaceAll('"', '\\"')}"`) as string
const said = new Set(sources.flatMap(({ text }) => [...text.matchAll(/\b(?:say|key)\(\s*'((?:[^'\\]|\\.)*)'/g)].map((m) => literal(m[1] as string))))

afterEach(() => speak(undefined))

describe('the sources', () => {
  test('no text, label or hint is shown that did not pass say', () => {
    const bare: string[] = []
    for (const { f, text } of sources.filter((s) => s.f.endsWith('.tsx'))) {
      const plain = text.replace(/\/\*[\s\S]*?\*\//g, '').replace(/^\s*\/\/.*$/gm, '')
      for (const m of plain.matchAll(/<[a-zA-Z][^<>]*>([^<>{}()=;]*)(?=<|\{)/g)) if (/[A-Za-z]{2}/.test(m[1] as string)) bare.push(`${f}: ${(m[1] as string).trim()}`)
      for (const m of plain.matchAll(/\}([^<>{}()=;:,'`]*[A-Za-z]{2}[^<>{}()=;:,'`]*)<\/\w+>/g)) bare.push(`${f}: ${(m[1] as string).trim()}`)
      for (const m of plain.matchAll(/(?:aria-label|placeholder|title|alt)="([^"]*)"/g)) bare.push(`${f}: ${m[0]}`)
      for (const m of plain.matchAll(/\{[^{}]*\? '([^']*[a-z]{2} [^']*)'/g)) bare.push(`${f}: ${m[1] as string}`)
    }
    // Units are no words of a language; a return is code between two elements.
    expect(bare.filter((b) => !/: (, kPa|min|return .*)$/.test(b))).toEqual([])
  })
  test('the lint sees a bare text', () => {
    expect([...'<p class="a">not said</p>'.matchAll(/<[a-zA-Z][^<>]*>([^<>{}()=;]*)(?=<|\{)/g)].map((m) => m[1])).toEqual(['not said'])
  })
  test('no sentence is made of a template or a variable that no table holds', () => {
    for (const { f, text } of sources) expect([...text.matchAll(/\bsay\(\s*`[^`]*`/g)].map((m) => `${f}: ${m[0]}`)).toEqual([])
  })
})

describe('German', () => {
  test('has every sentence that the page says', () => {
    expect([...said].filter((s) => !(s in de.page))).toEqual([])
  })
  test('has no sentence that nobody says', () => {
    expect(Object.keys(de.page).filter((s) => !said.has(s))).toEqual([])
  })
  test('has the places of each sentence', () => {
    expect([...Object.entries(de.page), ...Object.entries(de.box)].filter(([from, to]) => placesOf(from) !== placesOf(to))).toEqual([])
    expect(readLanguage('de.json', bytes)).toHaveProperty('language')
  })
  test.each(rooms)('tells every sentence that the box lists in %s', (room) => {
    use(de)
    const all = golden(room)
    expect(all.length).toBeGreaterThan(fewer.has(room) ? 6 : 8)
    const same = new Set(['CAN', 'Position']) // words that both languages share
    expect(all.filter((s) => heard(s) === s && !same.has(s))).toEqual([])
    expect(all.map(heard).filter((s) => english.test(s.replace(/"[^"]*"/g, '')))).toEqual([])
  })
})

describe('what the box says', () => {
  test('is told by its places, with the decimals of the language', () => {
    use(de)
    expect(heard('leak watch learning: 40 minutes to go')).toBe('Leckwache lernt: noch 40 Minuten')
    expect(heard('0.5 of 1 day gone')).toBe('0,5 von 1 Tag um')
    expect(heard('2 working days since the last; days are not known')).toBe('2 Arbeitstage seit dem letzten Mal; Tage sind nicht bekannt')
    expect(heard('Machine file refused (line 3: no unit). Running with the file accepted on 2 March 2026.')).toBe('Maschinendatei abgelehnt (line 3: no unit). Es gilt die Datei, die am 2. März 2026 angenommen wurde.')
    expect(heard('from the intake’s humidity, from the bus: humidity a, temperature b; the probe in the tank is wet')).toBe('aus der Feuchte der angesaugten Luft, vom Bus: Feuchte a, Temperatur b; der Fühler im Kessel ist nass')
    expect(heard('slow down')).toBe('Langsamer fahren')
    expect(named('Air leak', 'front rank')).toBe('Luftleck, vorderer Balken')
  })
  test('stays in English, whole, where it is not known; a name of the machine file stays as it is', () => {
    use(de)
    expect(heard('the flux compensator hums')).toBe('the flux compensator hums')
    expect(heard('Slow down. The flux compensator hums.')).toBe('Slow down. The flux compensator hums.')
    expect(heard('middle-left rank')).toBe('Balken middle-left')
    expect(heard('test the front rank')).toBe('test the front rank')
  })
  test('a long list that is not known is given up at once', () => {
    use(de)
    const list = Array.from({ length: 60 }, (_, i) => `part ${i}`).join(', ')
    expect(heard(list)).toBe(list)
  })
  test('in English is what it was', () => {
    expect(heard('Slow down')).toBe('Slow down')
    expect(lower('Air leak')).toBe('air leak')
  })
})

describe('figures', () => {
  const m = (value: number, unit: string, more = {}) => ({ value, unit, ...more })
  test('have a comma in German and nothing reads it back', () => {
    const all = () => [figure(m(7.42, 'bar')), fine(m(0.4, 'L/min')), set(m(3, 'L/min')), percent(0.995), tiny(m(0.004, 'L/min', { low: -0.001, high: 0.01 })), num('1.5 bar'), say('about {n}', { n: 2.5 })]
    expect(all()).toEqual(['7.42', '0.4', '3', '99.5 %', '0 to 0.01 L/min', '1.5 bar', 'about 2.5'])
    use(de)
    expect(all()).toEqual(['7,42', '0,4', '3', '99,5 %', '0 bis 0,01 L/min', '1,5 bar', 'etwa 2,5'])
  })
  test('a noun keeps its capital', () => {
    use(de)
    expect(lower('Luftleck')).toBe('Luftleck')
  })
})

describe('a broken file is refused with its place', () => {
  const good = { language: 'de', name: 'Deutsch', decimal: ',', page: { '{n} due': '{n} fällig' }, box: {} }
  const trouble = (v: unknown) => (read(v) as { trouble?: string }).trouble
  test.each([
    ['no JSON', JSON.stringify(good, null, 1).replace('"name": "Deutsch",', '"name": "Deutsch"'), /line [34]: not JSON/],
    ['cut off', JSON.stringify(good, null, 1).slice(0, 60), /line 5: not JSON/],
    ['another shape', [], /needs language, name, decimal, page and box/],
    ['no decimal', { ...good, decimal: ';' }, /needs language/],
    ['a place missing', { ...good, page: { '{n} due': 'fällig' } }, /line 6: the places must be \{n\}/],
    ['a place too many', { ...good, page: { 'due': '{n} fällig' } }, /line 6: the places/],
    ['a number for a text', { ...good, box: { 'due': 3 } }, /line 9: a sentence must be a text/],
    ['an empty text', { ...good, page: { 'due': '' } }, /line 6: a sentence must be a text/],
  ])('%s', (_, v, says) => {
    expect(read(good)).toHaveProperty('language')
    expect(trouble(v)).toMatch(says)
    expect(trouble(v)).toMatch(/The page stays English\.$/)
  })
  test('not UTF-8, and too large', () => {
    expect((readLanguage('de.json', Uint8Array.from([0x7b, 0xff, 0xfe])) as { trouble: string }).trouble).toMatch(/UTF-8/)
    expect((readLanguage('de.json', new Uint8Array(300_000)) as { trouble: string }).trouble).toMatch(/larger than 256 kB/)
  })
})
