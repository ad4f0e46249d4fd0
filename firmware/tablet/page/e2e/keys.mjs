// SPDX-License-Identifier: Apache-2.0

// Every screen by keyboard alone, and without colour: node --test e2e/keys.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { lead, screens } from '../fake/screens.mjs'
import { openBrowser } from './browser.mjs'
import { violations } from './checks.mjs'
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

async function open(scene) {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, timezoneId: 'UTC' })
  const page = await context.newPage()
  box.hush(false)
  box.show(scene)
  await page.goto(box.url)
  await live(page)
  await page.waitForTimeout(700)
  return { page, close: () => context.close() }
}

/** able is what Tab reaches: of a group of radio buttons the chosen one, the arrows do the rest. */
const able = 'main button:enabled, main a[href], main input:enabled:not([type=radio]:not(:checked)), main select:enabled, main [tabindex="0"]'

/** walked presses Tab round the whole screen: what was reached, and which of it shows no outline. */
async function walked(page) {
  const reached = new Set()
  const bare = []
  const all = await page.locator(able).count()
  await page.evaluate(() => document.activeElement?.blur())
  for (let i = 0; i < all + 2; i++) {
    await page.keyboard.press('Tab')
    const at = await page.evaluate(() => {
      const e = document.activeElement
      if (!e || e === document.body) return undefined
      return { name: e.getAttribute('data-act') ?? e.tagName, seen: getComputedStyle(e).outlineStyle !== 'none' }
    })
    if (at === undefined) continue
    reached.add(at.name)
    if (!at.seen) bare.push(at.name)
  }
  return { reached: [...reached].sort(), bare }
}

const presses = async (page) => [...new Set(await page.evaluate((q) =>
  [...document.querySelectorAll(q)].map((e) => e.getAttribute('data-act') ?? e.tagName), able))].sort()

for (const name of ['healthy', 'short', 'leak', 'morning', ...Object.keys(screens)]) {
  test(`${name}: every press is reached by Tab, with an outline, and axe finds nothing`, async () => {
    const { page, close } = await open(screens[name] ? screens[name].scene ?? 'healthy' : name)
    if (screens[name]) assert.ok(await lead(page, box, name, 'Enter'))
    await page.waitForTimeout(400)
    const { reached, bare } = await walked(page)
    assert.deepEqual(reached, await presses(page))
    assert.ok(reached.length > 0)
    assert.deepEqual(bare, [])
    assert.deepEqual(await violations(page), [])
    box.strange(undefined)
    await close()
  })
}

test('the cover: every press is reached by Tab, and axe finds nothing', async () => {
  const { page, close } = await open('healthy')
  box.hush(true)
  await page.waitForSelector('main[data-screen=cover]')
  const { reached, bare } = await walked(page)
  assert.deepEqual([reached, bare], [['mute', 'night'], []])
  assert.deepEqual(await violations(page), [])
  box.hush(false)
  await close()
})

test('without colour the four states of the head differ by shape and word', async () => {
  const { page, close } = await open('healthy')
  const looks = []
  for (const scene of ['healthy', 'leak', 'low', 'short']) {
    box.show(scene)
    await page.waitForTimeout(1000)
    looks.push(await page.evaluate(() => {
      const mark = document.querySelector('.top .shape-of > *')
      const corners = mark?.tagName === 'polygon' ? mark.getAttribute('points').trim().split(' ').length : mark ? 'open circle' : 'no mark'
      return `${corners}, ${document.querySelector('.top').textContent.slice(0, 60)}`
    }))
  }
  assert.deepEqual(looks.map((l) => l.split(',')[0]), ['no mark', 'open circle', '4', '8'])
  assert.equal(new Set(looks).size, 4)
  await close()
})
