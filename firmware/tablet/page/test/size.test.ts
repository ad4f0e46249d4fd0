// SPDX-License-Identifier: Apache-2.0

// The built page as the box sends it: what the first load weighs, and what waits until it is asked for. The bound is
// the project's own, 160 kB gzip without the font; the box compresses with gzip, level 9.

import { readdirSync, readFileSync } from 'node:fs'
import { gzipSync } from 'node:zlib'
import { expect, test } from 'vitest'

const dist = new URL('../../dist/', import.meta.url)
const read = (name: string) => readFileSync(new URL(name, dist))

/** needed follows what a file loads before it runs. */
function needed(name: string, found = new Set<string>()): Set<string> {
  if (found.has(name)) return found
  found.add(name)
  const text = read(name).toString()
  const next = name.endsWith('.html') ? text.matchAll(/(?:src|href)="\.\/([^"]+)"/g) : text.matchAll(/(?:from|^import|;import)\s*["'`]\.\/([^"'`]+)["'`]/gm)
  for (const m of next) needed(m[1] as string, found)
  return found
}

const first = needed('index.html')
needed('link.js', first) // it is asked for at once

test('the first load is at most 160 kB gzip without the font', () => {
  const weights = [...first].map((name) => ({ name, bytes: gzipSync(read(name), { level: 9 }).length }))
  expect(weights.map((w) => w.name).sort()).toEqual(['index.css', 'index.html', 'link.js', 'page.js', 'say.js'])
  expect(weights.reduce((sum, w) => sum + w.bytes, 0)).toBeLessThanOrEqual(160_000)
})

test('other screens are files of their own, and each is reachable from page.js', () => {
  const others = readdirSync(dist).filter((name) => name.endsWith('.js') && !first.has(name))
  expect(others.length).toBeGreaterThan(0)
  const page = read('page.js').toString()
  for (const name of others) expect(page, name).toContain(`./${name}`)
})

test('the font is one Latin file of about 48 kB, with its licence beside it', () => {
  const fonts = readdirSync(dist).filter((name) => name.endsWith('.woff2'))
  expect(fonts).toEqual(['inter-latin-wght-normal.woff2'])
  expect(read(fonts[0] as string).length).toBeLessThanOrEqual(50_000)
  expect(read('inter-licence.txt').toString()).toContain('SIL OPEN FONT LICENSE')
  expect(/Inter, ?system-ui, ?-apple-system/.test(read('index.css').toString()), 'system fonts stand in').toBe(true)
})
