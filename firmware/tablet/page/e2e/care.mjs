// SPDX-License-Identifier: Apache-2.0

// The first screen of the day, the care list and what was learned, in a real browser against the stand-in of
// fake/box.mjs: node --test e2e/care.mjs. Its states are invented (fake/scenes.mjs, fake/care.mjs).

import assert from 'node:assert/strict'
import { after, before, describe, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { scenes } from '../fake/scenes.mjs'
import { find, goTo, openBrowser } from './browser.mjs'
import { collisions, cut, small, violations } from './checks.mjs'
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

async function open(scene, { width = 1280, height = 800, light = 'day' } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()) })
  box.refuseWith('')
  box.deafen(false)
  box.hush(false)
  box.show(scene)
  box.commands.length = 0
  await page.goto(box.url)
  await live(page)
  await page.waitForSelector('main h1', { state: 'attached', timeout: 15_000 }) // the first screen of the day is fetched when it is shown
  await page.evaluate(() => document.fonts.ready)
  await page.waitForTimeout(300)
  return { page, wrong, close: () => context.close() }
}

const mornings = Object.keys(scenes).filter((name) => scenes[name].now.morning)
const screen = (page, name) => page.waitForSelector(`main[data-screen=${name}]`, { timeout: 3000 })
const titles = (page) => page.locator('.chores h2').allTextContents()

/** menu opens a screen the way a person does. */
async function menu(page, to) {
  await goTo(page, to)
  await screen(page, to)
}

for (const [width, height, light] of [[1280, 800, 'day'], [1280, 800, 'night'], [1024, 600, 'day'], [390, 844, 'day'], [360, 640, 'day']]) {
  test(`no screen has a violation, text on text, a small press or a cut text at ${width} x ${height}, ${light}`, async () => {
    const phone = height > width
    const { page, wrong, close } = await open('morning', { width, height, light })
    const bad = []
    const check = async (name) => {
      await page.waitForTimeout(150)
      for (const v of [...(width === 1280 ? await violations(page) : []), ...await collisions(page), ...await small(page, phone ? 121 : 118, 30), ...await cut(page, '.notes li, .learned li')]) bad.push(`${name}: ${v}`)
    }
    for (const name of mornings) {
      box.show(name)
      await page.waitForTimeout(700)
      await check(name)
    }
    box.show('morning')
    await page.waitForTimeout(700)
    await page.click('[data-act=menu]')
    await check('menu')
    for (const to of ['care', 'learned']) {
      await goTo(page, to)
      await page.waitForSelector(to === 'care' ? '.chores li' : '.learned li')
      const more = page.locator('[data-act=more]')
      const label = await more.count() > 0 ? await more.textContent() : ''
      for (let i = 0; i < 20; i++) {
        await check(`${to} ${i + 1}`)
        if (label === '') break
        await more.click()
        if (await more.textContent() === label) break
      }
      await page.click('[data-act=go-home]')
    }
    assert.deepEqual(bad, [])
    assert.deepEqual(wrong, [])
    await close()
  })
}

describe('the first screen of the day', () => {
  test('it tells the night in the payload’s figures, and what is due', async () => {
    const { page, close } = await open('morning')
    const seen = await look(page)
    assert.deepEqual([seen.screen, seen.word], ['morning', 'Held overnighttank and ranks'])
    const { figures } = seen
    assert.deepEqual(['morning-from', 'morning-to', 'morning-cooling', 'morning-lost'].map((k) => figures[k].value), [690, 655, 29, 6])
    const words = await page.locator('main').textContent()
    for (const part of ['19:45', '29 cooling', 'tank wall 21 to 10 °C', '6 leak', '0 to 0.01 L/min ANR', 'Engine off, key out'.toLowerCase(), 'manual']) assert.ok(words.includes(part), part)
    assert.deepEqual(await titles(page), ['Drain the tank', 'Look at the compressor’s oil'])
    await close()
  })

  test('each caution of what is asked stands on the screen, whole', async () => {
    const { page, close } = await open('morning')
    const words = await page.locator('main').textContent()
    for (const c of scenes.morning.now.care) for (const s of c.caution.split(/(?<=\.) /)) assert.ok(words.includes(s), s)
    await close()
  })

  test('Done tells the box once, and the item goes when the box says so', async () => {
    const { page, close } = await open('morning')
    await page.click('[data-act=done-drain]')
    assert.ok(await page.locator('[data-act=done-drain]').count() === 0 || await page.locator('[data-act=done-drain]').isDisabled(), 'a second press cannot count')
    await page.waitForFunction(() => document.querySelector('[data-care=drain]') === null)
    assert.deepEqual(box.commands.map((c) => [c.verb, c.body.where, c.body.key]), [['care-done', 'drain', undefined]])
    assert.match(box.commands[0].body.id, /^[0-9a-f]{32}$/)
    assert.ok(Math.abs(Date.parse(box.commands[0].body.t) - Date.parse('2026-04-28T05:10:00Z')) < 20_000, 'the box’s time')
    assert.deepEqual(await titles(page), ['Look at the compressor’s oil'])
    await page.click('[data-act=done-oil-level]')
    await page.waitForSelector('.none')
    assert.match(await page.locator('.none').textContent(), /Nothing due\./)
    await close()
  })

  test('a refusal is told in place, and the press stays open', async () => {
    const { page, close } = await open('morning')
    box.refuseWith('The box takes no commands now.')
    await page.click('[data-act=done-drain]')
    await page.waitForSelector('.trouble')
    assert.match((await look(page)).trouble, /takes no commands/)
    assert.ok(await page.locator('[data-act=done-drain]').isEnabled())
    box.refuseWith('')
    await close()
  })

  test('it gives way to home by Menu, Home, and leads back by Menu, Overnight', async () => {
    const { page, close } = await open('morning')
    await menu(page, 'home')
    await page.waitForTimeout(1200)
    assert.equal((await look(page)).screen, 'home')
    await goTo(page, 'morning')
    await screen(page, 'morning')
    await close()
  })

  test('it gives way when the box says that the day’s work has begun', async () => {
    const { page, close } = await open('morning')
    box.show('healthy')
    await screen(page, 'home')
    assert.equal(await find(page, 'morning'), undefined)
    await close()
  })

  test('an alarm takes the head as on home; a Low stays a line', async () => {
    const { page, close } = await open('morning')
    box.show('high')
    await screen(page, 'home')
    assert.equal((await look(page)).ink, 'high')
    box.show('dawnleak')
    await screen(page, 'morning')
    assert.match((await look(page)).top, /Air leak, front rank/)
    await page.click('[data-act=seen]')
    await page.waitForFunction(() => document.querySelector('[data-act=seen]') === null)
    await close()
  })

  test('silence covers it like home', async () => {
    const { page, close } = await open('morning')
    box.hush(true)
    await page.waitForFunction(() => document.querySelector('main')?.dataset.screen === 'cover', undefined, { timeout: 4500 })
    assert.equal(await page.locator('[data-what=morning-from]').count(), 0)
    box.hush(false)
    await screen(page, 'morning')
    await close()
  })
})

describe('home', () => {
  test('strokes and the word leave the line where the leak is; where it is not told apart there are none', async () => {
    const { page, close } = await open('tankside')
    const strokes = () => page.locator('.strokes').count()
    assert.equal(await page.locator('[data-leak]').getAttribute('data-leak'), 'tank side')
    assert.equal(await strokes(), 1)
    box.show('leak')
    await page.waitForFunction(() => document.querySelector('[data-leak]')?.dataset.leak === 'front rank')
    box.show('apart')
    await page.waitForFunction(() => document.querySelector('.strokes') === null)
    assert.match((await look(page)).top, /Air leak, place not told apart/)
    await close()
  })

  test('a leak below its own doubt reads under, the learning is a quiet line, the water has a place', async () => {
    const { page, close } = await open('unsure')
    assert.match(await page.locator('.bar').textContent(), /leak under 2/)
    assert.match(await page.locator('.foot-note').textContent(), /leak watch learning, 40 min left/)
    const { figures } = await look(page)
    assert.deepEqual(figures.facts.map((f) => f.words), ['97% ground contact', '13h to the drain', '0.1L of water in the tank'])
    await close()
  })
})

describe('the care list', () => {
  test('due first, with why, how often, when last, and every sentence of its caution', async () => {
    const { page, close } = await open('parked')
    await menu(page, 'care')
    await page.waitForSelector('[data-care=drain]')
    const words = await page.locator('.page').textContent()
    for (const part of ['2 working days since the last', 'Every 2 working days', 'last 26 Apr 2026, by A. Tester', 'face and hands out of the jet', 'manual']) assert.ok(words.includes(part), part)
    assert.match(await page.locator('h1').textContent(), /2 due/)
    await close()
  })

  test('every item of the list and every record is on one of its pages', async () => {
    const { page, close } = await open('parked')
    await menu(page, 'care')
    await page.waitForSelector('.chores li')
    const items = new Set()
    let notes = 0
    for (let i = 0; i < 12; i++) {
      for (const name of await page.locator('[data-care]').evaluateAll((all) => all.map((e) => e.dataset.care))) items.add(name)
      const here = await page.locator('.notes li').count()
      if (notes > 0 && here === 0) break
      notes += here
      await page.click('[data-act=more]')
    }
    assert.deepEqual([...items].sort(), ['bag-inspection', 'drain', 'filter-change', 'intake-filter', 'leak-test', 'oil-change', 'oil-level'])
    assert.equal(notes, 6)
    await close()
  })

  test('one tap records, and the list says so', async () => {
    const { page, close } = await open('parked')
    await menu(page, 'care')
    await page.click('[data-act=done-drain]')
    await page.waitForFunction(() => /1 due/.test(document.querySelector('h1').textContent))
    assert.deepEqual(box.commands.map((c) => [c.verb, c.body.where, c.body.args]), [['care-done', 'drain', undefined]])
    await close()
  })

  test('what was forgotten is asked once, with the three answers the box takes', async () => {
    for (const [answer, words] of [['done', 'Done'], ['not-done', 'Not done'], ['unknown', 'Not known']]) {
      const { page, close } = await open('parked')
      await menu(page, 'care')
      const press = page.locator(`[data-act=${answer}-belt-asked]`)
      assert.equal(await press.textContent(), words)
      await press.click()
      await page.waitForFunction(() => document.querySelector('[data-ask]') === null)
      assert.deepEqual(box.commands.map((c) => [c.verb, c.body.where, c.body.args]), [['care-done', 'belt', { answer }]])
      await close()
    }
  })

  test('a box that does not answer is named, and what is due by its snapshot stands', async () => {
    const { page, close } = await open('morning')
    box.deafen(true)
    await menu(page, 'care')
    await page.waitForSelector('.trouble')
    assert.match((await look(page)).trouble, /not now/)
    assert.ok((await titles(page)).some((t) => t.startsWith('Drain the tank')))
    await page.click('[data-act=go-home]')
    await menu(page, 'learned')
    await page.waitForSelector('.trouble')
    box.deafen(false)
    await page.click('[data-act=again]')
    await page.waitForSelector('.learned li')
    await close()
  })

  test('lists are for standing: moving off leads home, and the menu says stop first', async () => {
    const { page, close } = await open('parked')
    await menu(page, 'care')
    box.show('healthy')
    await screen(page, 'home')
    await page.click('[data-act=menu]')
    for (const to of ['care', 'learned']) {
      assert.ok(await page.locator(`[data-act=go-${to}]`).isDisabled())
      assert.match(await page.locator(`[data-act=go-${to}]`).textContent(), /stop first/)
    }
    await close()
  })
})

test('what was learned is shown with its unit and what it rests on, and nothing can be pressed in it', async () => {
  const { page, close } = await open('parked')
  await menu(page, 'learned')
  await page.waitForSelector('.learned li')
  assert.deepEqual(await page.locator('[data-learned=cut-in] > *').allTextContents(), ['Cut-in of the compressor', '661 kPa', 'from 14 starts'])
  assert.equal(await page.locator('.learned button').count(), 0)
  await close()
})
