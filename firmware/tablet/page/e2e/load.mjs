// SPDX-License-Identifier: Apache-2.0

// What is fetched when, and what happens where it does not come: node --test e2e/load.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { openBrowser } from './browser.mjs'
import { violations } from './checks.mjs'
import { live, look } from './read.mjs'

let browser
let box
before(async () => {
  browser = await openBrowser()
  box = await openBox()
})
after(async () => {
  await browser?.close()
  await box?.close()
})

/** open returns a page on home and the names of the files it has fetched. */
async function open() {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, timezoneId: 'UTC' })
  const page = await context.newPage()
  const files = []
  page.on('request', (r) => { if (r.url().startsWith('http')) files.push(new URL(r.url()).pathname) })
  await page.goto(box.url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, files, close: () => context.close() }
}

test('home fetches its own files and the font; the menu comes when it is pressed', async () => {
  const { page, files, close } = await open()
  assert.deepEqual([...new Set(files)].sort(), ['/', '/index.css', '/inter-latin-wght-normal.woff2', '/link.js', '/page.js', '/say.js'])
  await page.click('[data-act=menu]')
  await page.waitForSelector('[data-act=go-alarms]')
  assert.ok(files.includes('/lists.js'))
  await close()
})

test('text is set in Inter, from the box', async () => {
  const { page, close } = await open()
  assert.ok(await page.evaluate(() => [...document.fonts].some((f) => f.family === 'Inter' && f.status === 'loaded')))
  await close()
})

test('without the font the page is there in a font of the tablet', async () => {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  const page = await context.newPage()
  await page.route('**/*.woff2', (r) => r.abort())
  await page.goto(box.url)
  await live(page)
  assert.match((await look(page)).word, /Air holds/)
  await context.close()
})

test('a screen that does not come says so, leads home, and comes when it is asked for again', async () => {
  const { page, close } = await open()
  await page.route('**/lists.js', (r) => r.abort())
  await page.click('[data-act=menu]')
  await page.waitForSelector('[data-act=again]')
  assert.match((await look(page)).trouble, /The box did not answer/)
  assert.deepEqual(await violations(page), [])
  await page.click('[data-act=go-home]')
  await page.waitForSelector('main[data-screen=home] .line')
  await page.click('[data-act=menu]')
  await page.waitForSelector('[data-act=again]')
  await page.unroute('**/lists.js')
  await page.click('[data-act=again]')
  await page.waitForSelector('[data-act=go-alarms]')
  await close()
})
