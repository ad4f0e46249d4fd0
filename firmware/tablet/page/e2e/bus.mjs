// SPDX-License-Identifier: Apache-2.0

// The bus screen in a real browser: node --test e2e/bus.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { goTo, openBrowser } from './browser.mjs'
import { collisions, cut, small, violations } from './checks.mjs'
import { live } from './read.mjs'

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

async function open(width, height, light) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  box.deafen(false)
  box.show('parked')
  await page.goto(box.url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, close: () => context.close() }
}

for (const [width, height, light] of [[1280, 800, 'day'], [1024, 600, 'night'], [390, 844, 'day'], [320, 568, 'day']]) {
  test(`every line of every link is on one of the pages, whole, at ${width} x ${height}, ${light}`, async () => {
    const { page, close } = await open(width, height, light)
    await goTo(page, 'bus')
    await page.waitForSelector('.wire li')
    const seen = new Set()
    const bad = []
    const label = await page.locator('[data-act=more]').textContent()
    for (let i = 0; i < 30; i++) {
      for (const t of await page.locator('.wire li').allTextContents()) seen.add(t)
      for (const v of [...await violations(page), ...await collisions(page), ...await small(page, height > width ? 121 : 118, 30), ...await cut(page, '.wire li')]) bad.push(`page ${i + 1}: ${v}`)
      const low = await page.evaluate(() => Math.max(...[...document.querySelectorAll('.wire li')].map((e) => e.getBoundingClientRect().bottom)) > document.querySelector('.foot').getBoundingClientRect().top)
      if (low) bad.push(`page ${i + 1}: the list runs into the presses`)
      await page.click('[data-act=more]')
      if (await page.locator('[data-act=more]').textContent() === label) break
    }
    assert.deepEqual(bad, [])
    const all = [...seen].join('|')
    for (const part of ['Two devices claimed address 38', '31.2 % of 250 kbit/s', 'sound (error active)', 'rear PTO', 'SPN 150 FMI 3', 'wheel speed, from 32', 'silent', 'for 912 s']) assert.ok(all.includes(part), part)
    await close()
  })
}

test('a box that does not answer is named, and asked again', async () => {
  const { page, close } = await open(1280, 800, 'day')
  box.deafen(true)
  await goTo(page, 'bus')
  await page.waitForSelector('.trouble')
  assert.match(await page.locator('.trouble').textContent(), /not now/)
  box.deafen(false)
  await page.waitForSelector('.wire li', { timeout: 8000 })
  await close()
})
