// SPDX-License-Identifier: Apache-2.0

// The page in German, in a real browser: node --test e2e/language.mjs
//
// German runs longer than English, so every state is held against the same rules of room.

import assert from 'node:assert/strict'
import { readFile } from 'node:fs/promises'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { scenes } from '../fake/scenes.mjs'
import { tests } from '../fake/tests.mjs'
import { goTo, openBrowser } from './browser.mjs'
import { collisions, crowded, cut, small, spilled, violations } from './checks.mjs'
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

const german = (page) => page.waitForFunction(() => document.documentElement.lang === 'de', undefined, { timeout: 8000 })

async function open({ width = 1280, height = 800, scene = 'parked', language = 'de', change = undefined } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((l) => { if (l && localStorage.getItem('airhold-language') === null) localStorage.setItem('airhold-language', l) }, language)
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  if (change) await page.route('**/languages/de.json', change)
  box.show(scene)
  await page.goto(box.url)
  await live(page)
  if (language === 'de' && !change) await german(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, wrong, close: () => context.close() }
}

const sizes = [[1280, 800], [1024, 600], [800, 480], [1920, 1080], [390, 844], [360, 640], [320, 568]]

test('no state of home has German text on text, outside the glass, or a drawing pressed flat, at seven sizes', async () => {
  const { page, wrong, close } = await open({ scene: 'healthy' })
  const bad = []
  for (const scene of Object.keys(scenes)) {
    box.show(scene)
    await page.waitForFunction((s) => document.querySelector('main')?.dataset.state === s, scenes[scene].now.state)
    await page.waitForTimeout(150)
    for (const [width, height] of sizes) {
      await page.setViewportSize({ width, height })
      await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))))
      for (const v of [...await collisions(page), ...await crowded(page), ...await spilled(page)]) bad.push(`${scene} at ${width} x ${height}: ${v}`)
    }
  }
  assert.deepEqual(bad, [])
  assert.deepEqual(wrong, [])
  await close()
})

for (const [width, height] of [[1280, 800], [390, 844]]) {
  test(`every other screen in German is whole at ${width} x ${height}`, async () => {
    const phone = height > width
    const { page, wrong, close } = await open({ width, height })
    const bad = []
    const check = async (name, more = []) => {
      await page.waitForTimeout(60)
      for (const v of [...await collisions(page), ...await small(page, phone ? 121 : 118, 30), ...await spilled(page), ...more]) bad.push(`${name}: ${v}`)
    }
    for (const name of ['care', 'learned', 'alarms', 'channels', 'bus', 'settings']) {
      await goTo(page, name)
      await page.waitForSelector(`main[data-screen=${name}] h1`)
      const more = page.locator('[data-act=more]')
      for (let i = 0; i < 3; i++) {
        await check(`${name} ${i + 1}`, await cut(page, '.notes li, .learned li, .wire li'))
        if (await more.count() === 0) break
        await more.click()
      }
      await page.click('[data-act=menu], [data-act=go-home]')
      if (name === 'care' && await page.locator('.menu').count() > 0) await check('menu')
    }
    // A phone scrolls its tests.
    for (const name of phone ? [] : Object.keys(tests)) {
      box.test(name)
      if (await page.locator('[data-act=go-home]').count() > 0) await page.click('[data-act=go-home]')
      await goTo(page, 'test')
      await page.waitForSelector('[data-act=last], [data-step]')
      if (await page.locator('[data-act=last]').count() > 0) await page.click('[data-act=last]')
      await page.waitForSelector(`[data-step=${tests[name].state.step}]`)
      await check(`test ${name}`, phone ? [] : await cut(page))
      if (await page.locator('[data-act=more]').count() > 0) {
        await page.click('[data-act=more]')
        await check(`test ${name}, more`)
      }
    }
    box.test(undefined)
    assert.deepEqual(bad, [])
    assert.deepEqual(wrong, [])
    await close()
  })
}

test('a language is chosen with one press, spoken at once, kept, and given back', async () => {
  const { page, close } = await open({ language: '' })
  await goTo(page, 'settings')
  while (await page.locator('[data-act=language-de]').count() === 0) await page.click('[data-act=more]')
  await page.click('[data-act=language-de]')
  await german(page)
  assert.equal(await page.getAttribute('[data-act=language-de]', 'aria-pressed'), 'true')
  assert.deepEqual(await violations(page), [])
  await page.reload()
  await live(page)
  await german(page)
  assert.equal((await look(page)).word, 'Luft reicht')
  assert.equal(await page.evaluate(() => document.documentElement.lang), 'de')
  await goTo(page, 'settings')
  while (await page.locator('[data-act=language-en]').count() === 0) await page.click('[data-act=more]')
  await page.click('[data-act=language-en]')
  await page.click('[data-act=go-home]')
  assert.equal((await look(page)).word, 'Air holds')
  await close()
})

test('an English tablet loads no language', async () => {
  const context = await browser.newContext()
  const page = await context.newPage()
  const files = []
  page.on('request', (r) => files.push(r.url()))
  await page.goto(box.url)
  await live(page)
  assert.deepEqual(files.filter((f) => /language/.test(f)), [])
  await context.close()
})

test('a broken language file leaves the page English, and says so with its line', async () => {
  const whole = await readFile(new URL('../public/languages/de.json', import.meta.url), 'utf8')
  const line = whole.split('\n').findIndex((l) => l.includes('"{n} due":')) + 1
  for (const [body, says] of [[whole.replace('"{n} fällig"', '"fällig"'), new RegExp(`de.json, line ${line}: the places must be \\{n\\}`)]]) {
    const { page, wrong, close } = await open({ change: (r) => r.fulfill({ body, contentType: 'application/json' }) })
    await page.waitForSelector('.trouble')
    const seen = await look(page)
    assert.match(seen.trouble, says)
    assert.equal(seen.word, 'Air holds')
    assert.deepEqual(await collisions(page), [])
    assert.deepEqual(wrong, [])
    await close()
  }
})
