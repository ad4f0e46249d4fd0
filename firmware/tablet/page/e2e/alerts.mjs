// SPDX-License-Identifier: Apache-2.0

// No alert is lost on a tablet that stalls, is away or reloads, and none is shown twice: node --test e2e/alerts.mjs

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { openBrowser } from './browser.mjs'
import { collisions, violations } from './checks.mjs'
import { live, look } from './read.mjs'

let browser
before(async () => { browser = await openBrowser() })
const boxes = []
after(async () => {
  await browser?.close()
  for (const box of boxes) await box.close()
})

const low = { key: 'tank-low', title: 'Tank pressure low', priority: 'medium', do: 'slow down', from: 'from the seat' }
const off = { key: 'rank-off-target', where: 'front rank', title: 'Rank pressure off target', priority: 'medium' }
const short = { key: 'tank-short', title: 'Tank cannot hold target', priority: 'high', do: 'stop', from: 'from the seat' }

/** open returns a box of its own with a tablet in front of it. */
async function open() {
  const box = await openBox()
  boxes.push(box)
  box.show('healthy')
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, timezoneId: 'UTC' })
  const page = await context.newPage()
  const asked = []
  page.on('request', (r) => { if (r.url().includes('/api/alerts')) asked.push(r.url()) })
  const cdp = await context.newCDPSession(page)
  await page.goto(box.url)
  await live(page)
  await page.waitForTimeout(1200)
  return {
    box, page, asked,
    /** freeze stops the page's scripts at the next one, timers and messages with them; false lets them go on. */
    async freeze(on) {
      if (!on) return cdp.send('Debugger.resume')
      await cdp.send('Debugger.enable')
      const paused = new Promise((done) => cdp.once('Debugger.paused', done))
      await cdp.send('Debugger.pause')
      await paused
    },
    close: () => context.close(),
  }
}

/** upTo waits until the page has taken every alert of the box. */
async function upTo(page, box) {
  await page.waitForFunction((n) => Number(document.querySelector('main')?.dataset.alert) === n, box.journal().last().seq, { timeout: 15_000 })
}

const toldIs = (page, n) => page.waitForFunction((k) => Number(document.querySelector('main')?.dataset.told) === k, n, { timeout: 15_000 })
const told = async (page) => Number(await page.getAttribute('main', 'data-told'))
const count = (box) => box.journal().records.filter((r) => r.kind === 'alarm').length

/** pass lets an alarm come and be hidden by a rule before anybody acknowledged it: the box then waits for nobody. */
function pass(box, a) {
  box.turn(a, 'active_unacked')
  box.turn(a, 'suppressed', { reason: 'planter raised or standing' })
}

test('a frozen page takes every alert once when it goes on, tells what came and went, and rings only for what stands', async () => {
  const { box, page, freeze, close } = await open()
  await page.click('[data-act=mute]') // the press that lets the page sound
  await page.waitForTimeout(300)
  await freeze(true)
  const before = count(box)
  pass(box, off)
  box.turn({ ...short, key: 'tank-high', title: 'Tank pressure high' }, 'active_unacked')
  box.turn({ ...short, key: 'tank-high', title: 'Tank pressure high' }, 'normal', { actor: 'A. Tester' })
  box.turn(short, 'active_unacked')
  await new Promise((done) => setTimeout(done, 6000))
  await freeze(false)
  await upTo(page, box)
  await page.waitForTimeout(3500)
  assert.equal(await told(page), count(box) - before)
  assert.equal(await page.getAttribute('main', 'data-played'), '1 0 0')
  assert.match((await look(page)).word, /Tank cannot hold target/)
  box.turn(short, 'normal', { actor: 'A. Tester' })
  await page.waitForFunction(() => document.querySelector('.top')?.textContent.includes('came and went'))
  assert.match((await look(page)).top, /Rank pressure off target, front rank: came and went while this tablet was away/)
  assert.deepEqual([await collisions(page), await violations(page)], [[], []])
  await page.click('[data-act=seen]')
  await page.waitForFunction(() => !document.querySelector('.top')?.textContent.includes('came and went'))
  assert.deepEqual(box.commands.filter((c) => c.verb === 'ack'), [], 'the box has nothing to acknowledge')
  await page.reload()
  await live(page)
  await page.waitForTimeout(1500)
  assert.doesNotMatch((await look(page)).top, /came and went/)
  assert.equal(await told(page), 0, 'nothing is told again after a reload')
  await close()
})

test('while the broker is dead alarms come and go: what nobody saw waits, over a reload too; what was acknowledged elsewhere does not', async () => {
  const { box, page, close } = await open()
  box.plug(false)
  pass(box, off)
  box.turn(low, 'active_unacked')
  box.turn(low, 'active_acked', { actor: 'A. Tester' })
  box.turn(low, 'normal')
  const before = count(box)
  await page.waitForSelector('main[data-screen=cover]', { timeout: 10_000 })
  box.plug(true)
  await live(page)
  await upTo(page, box)
  assert.equal(await told(page), before)
  await page.reload()
  await live(page)
  await page.waitForFunction(() => document.querySelector('.top')?.textContent.includes('came and went'))
  const { top } = await look(page)
  assert.match(top, /Rank pressure off target, front rank/)
  assert.doesNotMatch(top, /Tank pressure low/)
  await close()
})

test('an alert that is lost on its way is asked for, a repeated one is not taken, and the box is told the number', async () => {
  const { box, page, asked, close } = await open()
  box.turn(low, 'active_unacked', { hid: true }) // alert/last alone tells of it
  box.turn(low, 'active_acked', { actor: 'A. Tester' })
  await upTo(page, box)
  assert.equal(await told(page), 2)
  assert.ok(asked.some((u) => u.includes('since=')))
  await page.waitForTimeout(2500)
  assert.deepEqual([...box.journal().got.values()], [box.journal().last().seq])
  box.deafen(true)
  box.turn(low, 'normal', { hid: true })
  await page.waitForTimeout(1000)
  box.deafen(false)
  await upTo(page, box)
  assert.equal(await told(page), 3)
  await close()
})

test('a box that restarts goes on where it was; one with an empty memory begins anew, and what nobody acknowledged is not forgotten', async () => {
  const { box, page, close } = await open()
  box.turn(low, 'active_unacked')
  await page.waitForFunction(() => document.querySelector('.top')?.textContent.includes('Tank pressure low'))
  await box.restart(false)
  await upTo(page, box)
  await page.waitForFunction(() => document.querySelector('.top')?.textContent.includes('Tank pressure low: returned'))
  const before = await told(page)
  await box.restart(true)
  box.turn(off, 'active_unacked')
  box.turn(off, 'active_acked', { actor: 'A. Tester' })
  await toldIs(page, before + 2)
  await page.waitForFunction(() => document.querySelector('.top')?.textContent.includes('Rank pressure off target'))
  box.turn(off, 'normal')
  await page.waitForFunction(() => document.querySelector('.top')?.textContent.includes('Tank pressure low: came and went'))
  await close()
})
