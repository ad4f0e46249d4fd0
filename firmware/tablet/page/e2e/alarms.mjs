// SPDX-License-Identifier: Apache-2.0

// The alarms' screen in a real browser: node --test e2e/alarms.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { goTo, openBrowser } from './browser.mjs'
import { collisions, small, violations } from './checks.mjs'
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
  await page.goto(box.url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  // A phone has no menu while an alarm waits to be seen.
  for (let i = 0; i < 8 && await page.locator('[data-act=menu]').count() === 0; i++) {
    await page.click('[data-act=seen]')
    await page.waitForTimeout(600)
  }
  await goTo(page, 'alarms')
  await page.waitForSelector('[data-act=history]')
  return { page, close: () => context.close() }
}

/** faults is what is wrong with a screen, presses that hold more than they are high included. */
async function faults(page, phone) {
  const over = await page.evaluate(() => [...document.querySelectorAll('main .btn')].filter((e) => e.scrollHeight > e.clientHeight + 2).map((e) => `over: ${e.textContent}`))
  const low = await page.evaluate(() => [...document.querySelectorAll('main .menu li, main .told li, main .one p')].filter((e) => e.getBoundingClientRect().bottom > document.querySelector('.foot').getBoundingClientRect().top).map((e) => `low: ${e.textContent}`))
  return [...over, ...low, ...await violations(page), ...await collisions(page), ...await small(page, phone ? 121 : 118, 30)]
}

for (const [width, height, light] of [[1280, 800, 'day'], [1024, 600, 'night'], [390, 844, 'night'], [320, 568, 'day']]) {
  test(`every list, an opened alarm and the history stand whole at ${width} x ${height}, ${light}`, async () => {
    box.show('alarmed')
    const { page, close } = await open(width, height, light)
    const phone = height > width
    const bad = []
    const seen = new Map()
    for (let i = 0; i < 12; i++) {
      for (const e of await page.locator('[data-section]').all()) seen.set(await e.getAttribute('data-alarm'), await e.getAttribute('data-section'))
      for (const v of await faults(page, phone)) bad.push(`lists ${i + 1}: ${v}`)
      await page.click('[data-act=more]')
      if (/^More, 1 /.test(await page.locator('[data-act=more]').textContent())) break
    }
    assert.deepEqual(Object.fromEntries(seen), {
      'air-leak': 'waits and stands', 'tank-low': 'waits and stands', 'comp-overworked': 'waits and stands', 'tank-short': 'waits and stands', 'load-fault': 'put off', 'load-drift': 'out of service',
      'comp-short-cycle': 'active for more than a day', 'can-errors': 'notes for the shop',
    })
    await page.click('[data-alarm] button')
    await page.waitForSelector('[data-record]')
    for (const v of await faults(page, phone)) bad.push(`one: ${v}`)
    await page.click('[data-act=all-alarms]')
    await page.click('[data-act=history]')
    await page.waitForSelector('[data-record]')
    for (const v of await faults(page, phone)) bad.push(`history: ${v}`)
    assert.deepEqual(bad, [])
    await close()
  })
}

test('of two tablets one acknowledges, the other shows it within a second; the history has both names', async () => {
  box.show('alarmed')
  const a = await open(1280, 800, 'day')
  const b = await open(1280, 800, 'day')
  await b.page.click('[data-alarm=tank-short] button')
  await b.page.waitForSelector('[data-act=seen]')
  await a.page.click('[data-alarm=tank-short] button')
  await a.page.click('[data-act=seen]')
  const began = Date.now()
  await b.page.waitForFunction(() => document.querySelector('.one .lead')?.textContent.startsWith('acknowledged'), undefined, { timeout: 1000 })
  console.log(`# the other tablet showed it after ${Date.now() - began} ms`)
  box.turn({ key: 'tank-high', title: 'Tank pressure high', priority: 'medium' }, 'active_unacked')
  box.turn({ key: 'tank-high', title: 'Tank pressure high', priority: 'medium' }, 'active_acked', { actor: 'A. Tester' })
  await b.page.click('[data-act=all-alarms]')
  await b.page.click('[data-act=history]')
  await b.page.waitForFunction(() => ['A. Tester', 'box screen'].every((w) => document.querySelector('.told')?.textContent.includes(w)))
  await a.close()
  await b.close()
})

test('what is put off is shown again by a press, a note is kept standing still, older pages are turned, and a box that does not answer is named', async () => {
  box.show('alarmed')
  const { page, close } = await open(1280, 800, 'day')
  await page.click('[data-act=more]')
  await page.click('[data-alarm=load-fault] button')
  await page.click('[data-act=show-again]')
  await page.waitForFunction(() => document.querySelector('.one .lead')?.textContent.startsWith('unacknowledged'))
  await page.click('[data-act=note]')
  await page.fill('input', 'plug was loose')
  await page.click('[data-act=keep-note]')
  await page.waitForFunction(() => document.querySelector('.one')?.textContent.includes('note: plug was loose, box screen'))
  assert.deepEqual(box.commands.slice(-2).map((c) => [c.verb, c.body.key, c.body.why]), [['unshelve', 'load-fault', undefined], ['note', 'load-fault', 'plug was loose']])
  await page.click('[data-act=later]')
  await page.waitForFunction(() => /^put off, 10 min of running time left/.test(document.querySelector('.one .lead')?.textContent ?? ''))
  await page.click('[data-act=all-alarms]')
  await page.click('[data-act=history]')
  await page.waitForSelector('[data-record]')
  const first = Number(await page.locator('[data-record]').last().getAttribute('data-record'))
  await page.click('[data-act=older]')
  await page.waitForFunction((n) => Number(document.querySelector('[data-record]')?.dataset.record) === n - 1, first)
  box.deafen(true)
  await page.click('[data-act=newer]')
  await page.waitForSelector('[data-act=again]')
  assert.match(await page.locator('.said').textContent(), /could not read its journal/)
  box.deafen(false)
  box.show('healthy')
  await close()
})
