// SPDX-License-Identifier: Apache-2.0

// The size of home by the eye's distance, and presses of 20 mm: node --test e2e/size.mjs
//
// 20 mm is what page.md promises a gloved finger; the px of a millimetre are those of real glass: 5.89 (10.1 inch, 1280
// wide), 4.63 (10.1 inch, 1024 wide), 8.2 (10.1 inch, 1920 wide), 6.05 (a phone).

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { scenes } from '../fake/scenes.mjs'
import { goTo, openBrowser } from './browser.mjs'
import { collisions, crowded, spilled, violations } from './checks.mjs'
import { live, look, toHome } from './read.mjs'

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

const glass = [[1280, 800, 5.89], [1024, 600, 4.63], [1920, 1080, 8.2], [390, 844, 6.05]]

async function open(width, height, keep, scene) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((all) => { for (const [k, v] of Object.entries(all)) if (localStorage.getItem(k) === null) localStorage.setItem(k, v) }, { 'airhold-light': 'day', ...keep })
  const page = await context.newPage()
  box.show(scene)
  await page.goto(box.url)
  await live(page)
  await toHome(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, close: () => context.close() }
}

/** presses lists presses under 20 mm, and gaps under 5 mm, by px a mm. */
const presses = (page, perMM) => page.evaluate((d) => {
  const all = [...document.querySelectorAll('main button')].map((e) => ({ name: e.dataset.act, r: e.getBoundingClientRect() })).filter((b) => b.r.width > 0)
  const bad = all.filter((b) => b.r.width < 20 * d - 0.5 || b.r.height < 20 * d - 0.5).map((b) => `${b.name} is ${(b.r.width / d).toFixed(1)} x ${(b.r.height / d).toFixed(1)} mm`)
  for (const [i, a] of all.entries()) {
    for (const b of all.slice(i + 1)) {
      const gap = Math.max(Math.max(a.r.left, b.r.left) - Math.min(a.r.right, b.r.right), Math.max(a.r.top, b.r.top) - Math.min(a.r.bottom, b.r.bottom))
      if (gap < 4.9 * d) bad.push(`${a.name} and ${b.name} are ${(gap / d).toFixed(1)} mm apart`)
    }
  }
  return bad
}, perMM)

// One of each kind of head, line and bar; the rest are held at normal size by home.mjs.
const shown = ['healthy', 'short', 'low', 'leak', 'fault', 'high', 'assumed', 'tankless', 'three', 'four', 'doubt', 'old', 'psi', 'filling', 'returned']

test('small, normal and large: no state has text on text, and presses keep 20 mm, on four glasses', async () => {
  const { page, close } = await open(1280, 800, {}, 'healthy')
  const bad = []
  for (const scene of shown) {
    box.show(scene)
    await page.waitForFunction((s) => document.querySelector('main')?.dataset.state === s, scenes[scene].now.state)
    await page.waitForTimeout(150)
    for (const [width, height, perMM] of glass) {
      await page.setViewportSize({ width, height })
      for (const far of ['small', 'normal', 'large']) {
        await page.evaluate((v) => {
          localStorage.setItem('airhold-size', v)
          dispatchEvent(new Event('resize'))
        }, JSON.stringify({ far, perMM }))
        await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))))
        for (const v of [...await collisions(page), ...await crowded(page), ...await spilled(page), ...await presses(page, perMM)]) bad.push(`${scene}, ${far}, ${width} x ${height}: ${v}`)
        if (height > width) break // a phone is held in the hand: it has one size
      }
    }
  }
  assert.deepEqual(bad, [])
  await close()
})

test('the words grow and shrink as the distance does, and what leaves goes in its order', async () => {
  const seen = {}
  for (const far of ['small', 'normal', 'large']) {
    const { page, close } = await open(1280, 800, { 'airhold-size': JSON.stringify({ far, perMM: 5.89 }) }, 'healthy')
    seen[far] = await page.evaluate(() => ({
      word: document.querySelector('h1 span').getBoundingClientRect().height, rows: [...document.querySelectorAll('.top .when')].map((e) => e.textContent), text: document.querySelector('main').textContent,
      facts: document.querySelectorAll('.facts p').length, line: document.querySelectorAll('.line svg').length, bar: document.querySelectorAll('svg.bar').length,
    }))
    await close()
  }
  // 0.86 and 1.2 are 600 and 840 mm over 700 mm (page.md, 2).
  assert.ok(Math.abs(seen.small.word / seen.normal.word - 600 / 700) < 0.01)
  assert.ok(Math.abs(seen.large.word / seen.normal.word - 840 / 700) < 0.01)
  assert.deepEqual([seen.normal.facts, seen.normal.rows, /compressor/.test(seen.normal.text), /need/.test(seen.normal.text)], [3, ['Now', 'Tonight'], true, true])
  assert.deepEqual([seen.large.facts, seen.large.rows, /compressorTank|resting/.test(seen.large.text), /need/.test(seen.large.text)], [0, ['Now'], false, false])
  for (const s of Object.values(seen)) assert.deepEqual([s.line, s.bar], [1, 1])
})

test('the sample is brought to 20 mm with two presses, kept, and small glass is told', async () => {
  for (const [width, height] of [[1280, 800], [390, 844]]) {
    const { page, close } = await open(width, height, {}, 'parked')
    await goTo(page, 'settings')
    while (await page.locator('[data-act=size-sample]').count() === 0) await page.click('[data-act=more]')
    await page.click('[data-act=size-sample]')
    await page.waitForSelector('.sample i')
    assert.match(await page.locator('.size').textContent(), /Not measured yet/)
    const side = async () => (await page.locator('.sample i').boundingBox()).width
    const was = await side()
    for (let i = 0; i < 10; i++) await page.click('[data-act=larger]')
    const now = await side()
    assert.ok(now > was * 1.12)
    assert.deepEqual([...await violations(page), ...await collisions(page), ...await spilled(page)], [])
    // The bar is 20 mm by the person's word, so a press is as many mm as it is bars long.
    const press = (height > width ? 122 : 118) * Math.min(width / (height > width ? 390 : 1280), height / (height > width ? 700 : 750))
    assert.match(await page.locator('.size').textContent(), new RegExp(`This glass is small: presses are ${((20 * press) / now).toFixed(0)} mm`))
    await page.reload()
    await live(page)
    assert.ok(Math.abs(JSON.parse(await page.evaluate(() => localStorage.getItem('airhold-size'))).perMM * 20 - now) < 1)
    assert.equal((await look(page)).screen, 'home')
    await close()
  }
})
