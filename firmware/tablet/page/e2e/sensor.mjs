// SPDX-License-Identifier: Apache-2.0

// The list of sensors and the screen of one, in a real browser against the stand-in of fake/box.mjs: node --test e2e/sensor.mjs.
// With SHOTS it leaves pictures there.

import assert from 'node:assert/strict'
import { mkdir } from 'node:fs/promises'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { goTo, openBrowser } from './browser.mjs'
import { collisions, small, spilled, violations } from './checks.mjs'
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

async function open({ width = 1280, height = 800, light = 'day', scene = 'parked', language = 'en' } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript(([l, code]) => {
    localStorage.setItem('airhold-light', l)
    localStorage.setItem('airhold-language', code)
  }, [light, language])
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  box.deafen(false)
  box.hush(false)
  box.sense('')
  box.show(scene)
  await page.goto(box.url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  await goTo(page, 'channels')
  await page.waitForSelector('[data-channel]')
  return { page, wrong, close: () => context.close() }
}

/** press opens a sensor from the list the way a person does, turning pages, and waits for the box's answer. */
async function press(page, id, says = '') {
  for (let i = 0; i < 6 && await page.locator(`[data-act=look-${id}]`).count() === 0; i++) await page.click('[data-act=more]')
  await page.click(`[data-act=look-${id}]`)
  await page.waitForSelector(says ? `[data-sensor=${id}][data-says="${says}"]` : '[data-sensor], .trouble')
}

/** turned goes through all pages of what is open: at is called on each; it returns the words of all. */
async function turned(page, at = async () => undefined) {
  const words = []
  const more = page.locator('[data-act=more]')
  const label = await more.count() > 0 ? await more.textContent() : ''
  for (let i = 0; i < 9; i++) {
    words.push(await page.locator('.page').textContent())
    await at(i)
    if (label === '') break
    await more.click()
    if (await more.textContent() === label) break
  }
  return words.join('|')
}

const overlong = (page) => page.evaluate(() => {
  const foot = document.querySelector('.foot').getBoundingClientRect().top
  return [...document.querySelectorAll('.pieces > div, .channels li')].flatMap((e) => [
    ...(e.getBoundingClientRect().bottom > foot + 1 ? [`runs into the presses: ${e.textContent.slice(0, 30)}`] : []),
    ...(e.scrollHeight > e.clientHeight + 3 ? [`higher than its room, ${e.scrollHeight} in ${e.clientHeight}: ${e.textContent.slice(0, 30)}`] : []),
  ])
})

const states = [['load_2', ''], ['load_2', 'raised'], ['load_2', 'many'], ['load_2', 'alone'], ['load_2', 'pair'], ['load_1', ''], ['load_1', 'silent'], ['tank', ''], ['speed', ''], ['humidity', '']]

for (const [width, height, light, language] of [[1280, 800, 'day', 'en'], [1024, 600, 'night', 'de'], [390, 844, 'night', 'en'], [320, 568, 'day', 'de']]) {
  test(`list and every state are whole on each page at ${width} x ${height}, ${light}, ${language}`, async () => {
    const { page, wrong, close } = await open({ width, height, light, language })
    const bad = []
    const check = async (name, first) => {
      for (const v of [...(first ? await violations(page) : []), ...await collisions(page), ...await small(page, height > width ? 121 : 118, 30), ...await spilled(page), ...await overlong(page)]) bad.push(`${name}: ${v}`)
      if (!process.env.SHOTS) return
      await mkdir(process.env.SHOTS, { recursive: true })
      await page.screenshot({ path: `${process.env.SHOTS}/${name.replaceAll(' ', '-')}-${width}-${light}.png` })
    }
    await turned(page, (i) => check(`list ${i + 1}`, i === 0))
    // Every state at one size; the others have those that need most room.
    for (const [id, kind] of width === 1280 ? states : states.filter(([id, k], i) => i < 1 || k === 'many' || k === 'silent' || (width === 390 && id === 'tank'))) {
      box.sense(kind)
      await press(page, id)
      await turned(page, (i) => check(`${id} ${kind} ${i + 1}`, i === 0 && (id === 'load_2' && kind === '' || width === 1280 && (kind === 'silent' || id === 'tank'))))
      await page.click('[data-act=go-channels]')
      await page.waitForSelector('[data-channel]')
    }
    assert.deepEqual(bad.slice(0, 12), [])
    assert.deepEqual(wrong, [])
    await close()
  })
}

test('the sentence stands first; positions are to scale and the meter has the box’s figures', async () => {
  const { page, close } = await open()
  await press(page, 'load_2', 'reads high')
  const seen = await look(page)
  assert.equal(seen.word, 'Load sensor 2 reads high')
  assert.deepEqual(['meter-supply', 'meter-signal'].map((k) => seen.figures[k].value), [5.01, 2.35])
  const x = await page.evaluate(() => Object.fromEntries([...document.querySelectorAll('[data-position]')].map((g) => {
    const r = [...g.querySelectorAll('circle, path.mean')].at(-1).getBoundingClientRect()
    return [g.dataset.position, { value: Number(g.dataset.value), at: (r.left + r.right) / 2 }]
  })))
  const perN = (x.load_2.at - x.load_1.at) / (925 - 505)
  for (const id of ['load_3', 'average', 'rest']) assert.ok(Math.abs(x[id].at - x.load_1.at - perN * (x[id].value - 505)) < 1, id)
  const words = await turned(page)
  for (const part of ['Carry on', 'Take it out; check its plug when parked. Park and switch off', '650, 138 too much', 'without it', 'wanted 650', '4.75–5.25', 'The machine’s manual leads', 'since 10:48', 'It lifts the average by 138 N: 650 N instead of 513 N', 'a crane scale', 'on the box only']) assert.ok(words.includes(part), part)
  await close()
})

test('what is missing is said: no signal, nothing to compare with, over the bus, no such channel', async () => {
  const { page, close } = await open()
  const told = async (id, kind) => {
    box.sense(kind)
    await press(page, id)
    const words = await turned(page)
    const drawn = await page.locator('.positions').count()
    await page.click('[data-act=go-channels]')
    await page.waitForSelector('[data-channel]')
    return [words, drawn]
  }
  assert.match((await told('load_1', 'silent'))[0], /no signal.*not seen, last 604.*counts it as no load reads 382 N instead of 573 N.*out of service; that is changed on the box only/s)
  assert.match((await told('load_2', 'alone'))[0], /No other sensor of the rank can be believed/)
  assert.match((await told('load_2', 'uncounted'))[0], /own control does not count it/)
  const [tank, drawn] = await told('tank', '')
  assert.match(tank, /Tank pressure: no fault seen.*Plug P1.*4\.75–5\.25/s)
  assert.equal(drawn, 0)
  assert.match((await told('speed', ''))[0], /Speed is not seen.*nothing here to hold a meter to/s)
  assert.match((await told('humidity', ''))[0], /This box has no channel "humidity"/)
  await close()
})

test('it is asked again each 2 s while it is open, also while moving; what the box stops saying is called old', async () => {
  const { page, close } = await open({ scene: 'healthy' })
  await press(page, 'load_2', 'reads high')
  box.sense('raised')
  await page.waitForSelector('[data-says="zero moved"]', { timeout: 3500 })
  box.deafen(true)
  const [before, began] = [box.sensorsAsked(), Date.now()]
  await page.waitForSelector('.older', { timeout: 12_000 })
  const perQuestion = (Date.now() - began) / (box.sensorsAsked() - before)
  assert.ok(perQuestion > 1300 && perQuestion < 4000, `one question in ${perQuestion} ms`)
  assert.match(await page.locator('.older').textContent(), /does not answer\. This is what it said \d+ s ago\./)
  assert.deepEqual([...await collisions(page), ...await overlong(page)], [])
  box.deafen(false)
  await page.waitForFunction(() => document.querySelector('.older') === null, undefined, { timeout: 5000 })
  box.hush(true)
  await page.waitForSelector('main[data-screen=cover]', { timeout: 6000 })
  assert.equal(await page.locator('.sensor').count(), 0)
  await close()
})

test('by keys alone: the list, a sensor, and back to the page it stood on', async () => {
  const { page, close } = await open({ width: 320, height: 568 })
  for (let i = 0; i < 6 && await page.locator('[data-act=look-speed]').count() === 0; i++) {
    await page.focus('[data-act=more]')
    await page.keyboard.press('Enter')
    await page.waitForTimeout(50)
  }
  await page.evaluate(() => document.activeElement?.blur())
  const at = () => page.evaluate(() => document.activeElement?.getAttribute('data-act'))
  for (let i = 0; i < 9 && await at() !== 'look-speed'; i++) await page.keyboard.press('Tab')
  assert.notEqual(await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle), 'none')
  await page.keyboard.press('Enter')
  await page.waitForSelector('[data-sensor=speed]')
  for (let i = 0; i < 9 && await at() !== 'go-channels'; i++) await page.keyboard.press('Tab')
  await page.keyboard.press('Enter')
  await page.waitForSelector('[data-act=look-speed]')
  await close()
})
