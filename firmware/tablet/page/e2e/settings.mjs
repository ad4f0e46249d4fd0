// SPDX-License-Identifier: Apache-2.0

// This tablet's own choices, in a real browser: node --test e2e/settings.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { scenes } from '../fake/scenes.mjs'
import { find, goTo, openBrowser } from './browser.mjs'
import { collisions, small, violations } from './checks.mjs'
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

async function open({ width = 1280, height = 800, keep = {}, scene = 'parked' } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((all) => { for (const [k, v] of Object.entries(all)) if (localStorage.getItem(k) === null) localStorage.setItem(k, v) }, keep)
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()) })
  box.show(scene)
  await page.goto(box.url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, wrong, close: () => context.close() }
}

async function settings(page) {
  await goTo(page, 'settings')
  await page.waitForSelector('.groups-of li')
}

for (const [width, height, light] of [[1280, 800, 'day'], [1280, 800, 'night'], [1024, 600, 'day'], [390, 844, 'day'], [320, 568, 'night']]) {
  test(`every page of the settings is whole at ${width} x ${height}, ${light}`, async () => {
    const { page, wrong, close } = await open({ width, height, keep: { 'airhold-light': light } })
    await settings(page)
    const bad = []
    const seen = new Set()
    for (let i = 0; i < 9; i++) {
      for (const v of [...await violations(page), ...await collisions(page), ...await small(page, height > width ? 121 : 118, 30)]) bad.push(`page ${i + 1}: ${v}`)
      for (const name of await page.locator('.groups-of h2').allTextContents()) seen.add(name)
      if (await page.locator('[data-act=more]').count() === 0) break
      await page.click('[data-act=more]')
    }
    assert.deepEqual(bad, [])
    assert.deepEqual([...seen].sort(), ['Air a minute', 'Language', 'Light', 'Pressure', 'Size', 'Temperature'])
    assert.deepEqual(wrong, [])
    await close()
  })
}

test('a unit is chosen with one press, said by its frame and to a reader, and kept', async () => {
  const { page, close } = await open()
  await settings(page)
  await page.click('[data-act="pressure-[psi]"]')
  await page.click('[data-act="temperature-[degF]"]')
  assert.equal(await page.getAttribute('[data-act="pressure-[psi]"]', 'aria-pressed'), 'true')
  assert.equal(await page.getAttribute('[data-act="pressure-box"]', 'aria-pressed'), 'false')
  for (const again of [false, true]) {
    if (again) {
      await page.reload()
      await live(page)
    } else await page.click('[data-act=go-home]')
    const { figures } = await look(page)
    assert.deepEqual([figures.tank.unit, figures.tank.text], ['[psi]', '108']) // 742 kPa / 6.894757 (NIST SP 811)
    await goTo(page, 'channels')
    await page.waitForSelector('[data-what=channel-ambient]')
    assert.equal(await page.locator('[data-what=channel-ambient]').textContent(), '52.3 °F') // 11.3 °C
    await page.click('[data-act=go-home]')
  }
  await close()
})

test('what was kept and cannot be read leaves the units of the box', async () => {
  const { page, wrong, close } = await open({ keep: { 'airhold-units': '{"pressure":' } })
  assert.equal((await look(page)).figures.tank.unit, 'kPa')
  assert.deepEqual(wrong, [])
  await close()
})

test('a tablet that keeps nothing still obeys while the page is open', async () => {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  await context.addInitScript(() => Object.defineProperty(window, 'localStorage', { get() { throw new Error('denied') } }))
  const page = await context.newPage()
  box.show('parked')
  await page.goto(box.url)
  await live(page)
  await settings(page)
  await page.click('[data-act=pressure-bar]')
  await page.click('[data-act=light-night]')
  assert.ok(await page.evaluate(() => document.documentElement.classList.contains('night')))
  await page.click('[data-act=go-home]')
  assert.equal((await look(page)).figures.tank.text, '7.42')
  await context.close()
})

test('by the time: dark at night by the box’s clock, light by day', async () => {
  const { page, close } = await open({ keep: { 'airhold-light': 'night' } })
  await settings(page)
  const dark = () => page.evaluate(() => document.documentElement.classList.contains('night'))
  await page.click('[data-act=light-time]')
  assert.equal(await dark(), false) // 15:40
  box.show('low') // 21:35
  await page.waitForFunction(() => document.documentElement.classList.contains('night'), undefined, { timeout: 3000 })
  await close()
})

test('the settings can be walked and set by keyboard alone', async () => {
  const { page, close } = await open()
  const to = async (act) => {
    for (let i = 0; i < 40; i++) {
      await page.keyboard.press('Tab')
      if (await page.evaluate(() => document.activeElement?.getAttribute('data-act')) === act) return
    }
    assert.fail(`Tab never reaches ${act}`)
  }
  await to('menu')
  await page.keyboard.press('Enter')
  await page.waitForSelector('[data-act=go-settings]')
  await to('go-settings')
  await page.keyboard.press('Enter')
  await page.waitForSelector('.groups-of li')
  await to('flow-scfm')
  assert.notEqual(await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle), 'none')
  await page.keyboard.press('Space')
  assert.equal(await page.getAttribute('[data-act=flow-scfm]', 'aria-pressed'), 'true')
  await to('go-home')
  await page.keyboard.press('Enter')
  assert.equal((await look(page)).figures.gives.unit, 'scfm')
  await close()
})

test('moving off leads home, and the menu says stop first', async () => {
  const { page, close } = await open()
  await settings(page)
  box.show('healthy')
  await page.waitForSelector('main[data-screen=home]')
  assert.match(await (await find(page, 'settings')).textContent(), /stop first/)
  await close()
})

for (const [name, choice] of [['bar', { pressure: 'bar', flow: 'L/min', temperature: 'Cel' }], ['psi', { pressure: '[psi]', flow: 'scfm', temperature: '[degF]' }]]) {
  for (const [width, height] of [[1280, 800], [390, 844]]) {
    test(`no state has text on text in ${name} at ${width} x ${height}`, async () => {
      const { page, close } = await open({ width, height, keep: { 'airhold-units': JSON.stringify(choice) } })
      await toHome(page)
      const bad = []
      for (const scene of Object.keys(scenes)) {
        box.show(scene)
        await page.waitForFunction((s) => document.querySelector('main')?.dataset.state === s, scenes[scene].now.state)
        await page.waitForTimeout(500)
        for (const v of await collisions(page)) bad.push(`${scene}: ${v}`)
      }
      assert.deepEqual(bad, [])
      await close()
    })
  }
}
