// SPDX-License-Identifier: Apache-2.0

// Every screen by keyboard alone, and without colour: node --test e2e/keys.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { find, openBrowser } from './browser.mjs'
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

/** walked presses Tab round the whole screen: what was reached, and which of it shows no outline. */
async function walked(page) {
  const reached = new Set()
  const bare = []
  const all = await page.locator('main button:enabled, main a[href], main input').count()
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

const presses = async (page) => [...new Set(await page.evaluate(() =>
  [...document.querySelectorAll('main button:enabled, main a[href], main input')].map((e) => e.getAttribute('data-act') ?? e.tagName)))].sort()

for (const [name, scene, way] of [
  ['home', 'healthy', []], ['home with a High', 'short', []], ['home with a Low', 'leak', []], ['the first of the day', 'morning', []], ['the menu', 'parked', ['menu']],
  ['alarms', 'short', ['menu', 'go-alarms']], ['sensors', 'parked', ['menu', 'go-channels']], ['care', 'parked', ['menu', 'go-care']], ['learned', 'parked', ['menu', 'go-learned']],
  ['the bus', 'parked', ['menu', 'go-bus']], ['trends', 'parked', ['menu', 'go-trend']], ['the choice of trends', 'parked', ['menu', 'go-trend', 'choose']], ['settings', 'parked', ['menu', 'go-settings']], ['a leak-down test', 'parked', ['menu', 'go-test']],
]) {
  test(`${name}: every press is reached by Tab, with an outline, and axe finds nothing`, async () => {
    const { page, close } = await open(scene)
    for (const act of way) {
      if (act.startsWith('go-')) {
        await page.waitForSelector('.menu')
        await find(page, act.slice(3))
      }
      await page.waitForSelector(`[data-act=${act}]`)
      await page.focus(`[data-act=${act}]`)
      await page.keyboard.press('Enter')
    }
    await page.waitForTimeout(700)
    const { reached, bare } = await walked(page)
    assert.deepEqual(reached, await presses(page))
    assert.ok(reached.length > 0)
    assert.deepEqual(bare, [])
    assert.deepEqual(await violations(page), [])
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
