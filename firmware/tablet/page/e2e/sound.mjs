// SPDX-License-Identifier: Apache-2.0

// What is heard, counted by the page itself from tones that its audio clock has played to their end: node --test e2e/sound.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { openBrowser } from './browser.mjs'
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
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  box.hush(false)
  box.show(scene)
  await page.goto(box.url)
  await live(page)
  return { page, wrong, close: () => context.close() }
}

/** played returns how often High, Medium and Low were played, and how many tones ended. */
const played = async (page) => [...(await page.getAttribute('main', 'data-played')).split(' ').map(Number), Number(await page.getAttribute('main', 'data-tones'))]

/** press clicks with a real mouse: a page may sound only after one. */
async function press(page, act) {
  const at = await page.locator(`[data-act=${act}]`).boundingBox()
  await page.mouse.click(at.x + at.width / 2, at.y + at.height / 2)
}
const label = (page) => page.locator('[data-act=mute]').textContent()
const sounds = (page) => page.waitForFunction(() => document.querySelector('[data-act=mute]')?.textContent.startsWith('Mute'), undefined, { timeout: 3000 })

test('the page is still until Sound on; then what rings is heard: High 8 tones, Medium 2, Low 1', async () => {
  for (const [scene, rings, tones] of [['short', [1, 0, 0], 8], ['low', [0, 1, 0], 2], ['leak', [0, 0, 1], 1]]) {
    const { page, wrong, close } = await open(scene)
    await page.waitForTimeout(1500)
    assert.deepEqual(await played(page), [0, 0, 0, 0])
    assert.equal(await label(page), 'Sound on')
    await press(page, 'mute')
    await page.waitForFunction((n) => Number(document.querySelector('main').dataset.tones) === n, tones, { timeout: 6000 })
    await page.waitForTimeout(1500)
    assert.deepEqual(await played(page), [...rings, tones], scene)
    assert.deepEqual(wrong, [])
    await close()
  }
})

test('nothing rings, nothing is heard', async () => {
  const { page, close } = await open('healthy')
  await press(page, 'mute')
  await sounds(page)
  await page.waitForTimeout(2000)
  assert.deepEqual(await played(page), [0, 0, 0, 0])
  await close()
})

test('an alarm that comes after Sound on is heard when it comes, and once seen no more', async () => {
  const { page, close } = await open('healthy')
  await press(page, 'mute')
  await sounds(page)
  box.show('short')
  await page.waitForFunction(() => document.querySelector('main').dataset.played === '1 0 0', undefined, { timeout: 3000 })
  await page.click('[data-act=seen]')
  await page.waitForFunction(() => document.querySelector('[data-act=seen]') === null)
  box.show('low')
  await page.waitForFunction(() => document.querySelector('main').dataset.played === '1 1 0', undefined, { timeout: 5000 })
  await close()
})

test('mute counts down from two minutes, keeps all still, and ends at a second press', async () => {
  const { page, close } = await open('healthy')
  await press(page, 'mute')
  await sounds(page)
  await press(page, 'mute')
  await page.waitForFunction(() => /^Muted (2:00|1:59)$/.test(document.querySelector('[data-act=mute]').textContent))
  box.show('short')
  await page.waitForFunction(() => /^Muted 1:5[0-7]$/.test(document.querySelector('[data-act=mute]').textContent), undefined, { timeout: 6000 })
  assert.deepEqual(await played(page), [0, 0, 0, 0])
  await press(page, 'mute')
  await page.waitForFunction(() => document.querySelector('main').dataset.tones === '8', undefined, { timeout: 6000 })
  assert.deepEqual(await played(page), [1, 0, 0, 8])
  await close()
})

test('a lost link is heard as a Medium, once', async () => {
  const { page, close } = await open('healthy')
  await press(page, 'mute')
  await sounds(page)
  box.hush(true)
  await page.waitForFunction(() => document.querySelector('main').dataset.tones === '2', undefined, { timeout: 8000 })
  await page.waitForTimeout(1500)
  assert.deepEqual(await played(page), [0, 1, 0, 2])
  box.hush(false)
  await close()
})
