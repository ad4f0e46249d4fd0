// SPDX-License-Identifier: Apache-2.0

// The page in a real browser: node --test e2e/home.mjs
//
// With AIRHOLD_URL it looks at a running box and checks what must hold whatever the machine does. Without it, it starts
// the stand-in of fake/box.mjs and checks every state as well.

import assert from 'node:assert/strict'
import { after, before, describe, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { scenes } from '../fake/scenes.mjs'
import { find, goTo, openBrowser } from './browser.mjs'
import { collisions, crowded, violations, shortened } from './checks.mjs'
import { live, look, toHome } from './read.mjs'

const given = process.env.AIRHOLD_URL
let browser
let box
let url

before(async () => {
  browser = await openBrowser()
  if (given) url = given
  else {
    box = await openBox()
    url = box.url
  }
})
after(async () => {
  await browser?.close()
  await box?.close()
})

/** open returns a page that shows readings, and what went wrong on it. */
async function open({ width = 1280, height = 800, light = 'day' } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, bypassCSP: false, timezoneId: 'UTC' })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()) })
  await page.goto(url)
  await live(page)
  if (given) await toHome(page)
  return { page, wrong, close: () => context.close() }
}

describe('whatever the machine does', () => {
  test('the page shows live figures with units, and says what kind of air', async () => {
    const { page, wrong, close } = await open()
    const seen = await look(page)
    assert.ok(['holds', 'low', 'short', 'not_known'].includes(seen.state), `state ${seen.state}`)
    assert.match(seen.foot, /^compressed air/)
    for (const [what, f] of Object.entries(seen.figures)) {
      for (const one of Array.isArray(f) ? f : [f]) assert.ok(Number.isFinite(one.value) && one.unit, `${what}: ${JSON.stringify(one)}`)
    }
    assert.ok(seen.figures.tank || seen.unseen.includes('tank'), 'the tank is a figure or said not to be seen')
    assert.deepEqual(wrong, [])
    await close()
  })

  for (const light of ['day', 'night']) {
    test(`axe finds no violation on home, ${light}`, async () => {
      const { page, close } = await open({ light })
      assert.deepEqual(await violations(page), [])
      await close()
    })
  }

  test('nothing is loaded from elsewhere', async () => {
    const context = await browser.newContext()
    const page = await context.newPage()
    const hosts = new Set()
    page.on('request', (r) => { if (!r.url().startsWith('data:')) hosts.add(new URL(r.url()).host) })
    await page.goto(url)
    await live(page)
    assert.deepEqual([...hosts], [new URL(url).host])
    await context.close()
  })

  test('menu, alarms and sensors open and lead back, without a violation', async () => {
    const { page, close } = await open()
    for (const screen of ['alarms', 'channels', 'care', 'learned']) {
      const press = await find(page, screen)
      assert.deepEqual(await violations(page), [])
      if (await press.isDisabled()) {
        assert.match(await press.textContent(), /stop first/)
        await page.click('[data-act=go-home]')
        continue
      }
      await goTo(page, screen)
      assert.equal((await look(page)).screen, screen)
      assert.deepEqual(await violations(page), [])
      await page.click('[data-act=go-home]')
    }
    assert.equal((await look(page)).screen, 'home')
    await close()
  })

  test('day and night is this tablet’s choice and is kept', async () => {
    const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
    const page = await context.newPage()
    await page.goto(url)
    await live(page)
    const dark = () => page.evaluate(() => document.documentElement.classList.contains('night'))
    const was = await dark()
    await page.click('[data-act=night]')
    assert.equal(await dark(), !was)
    await page.reload()
    await live(page)
    assert.equal(await dark(), !was)
    await context.close()
  })
})

describe('against the stand-in', { skip: given ? 'AIRHOLD_URL names a box that cannot be told what to say' : false }, () => {
  /** show puts a scene on and waits until the page has it. */
  async function show(page, name) {
    box.hush(false)
    box.show(name)
    await page.waitForFunction((s) => document.querySelector('main')?.dataset.state === s, scenes[name].now.state)
    await page.waitForTimeout(900)
  }

  for (const [width, height, light] of [[1280, 800, 'day'], [1280, 800, 'night'], [1024, 600, 'day'], [800, 480, 'day'], [1920, 1080, 'day'], [390, 844, 'day'], [360, 640, 'day'], [320, 568, 'night']]) {
    test(`no state has a violation, or text on text, at ${width} x ${height}, ${light}`, async () => {
      const { page, wrong, close } = await open({ width, height, light })
      const bad = []
      for (const name of Object.keys(scenes)) {
        await show(page, name)
        for (const v of [...(width === 1280 ? await violations(page) : []), ...await collisions(page), ...await crowded(page), ...await shortened(page, scenes[name].now.banner)]) bad.push(`${name}: ${v}`)
      }
      assert.deepEqual(bad, [])
      assert.deepEqual(wrong, [])
      await close()
    })
  }

  test('figures are those of the payload', async () => {
    const { page, close } = await open()
    await show(page, 'short')
    const { figures, ink, word, compressor } = await look(page)
    assert.deepEqual([ink, word, compressor], ['high', 'Air short', 'no rest'])
    assert.deepEqual([figures.tank.value, figures.tank.unit, figures.front.value, figures.rear.value], [318, 'kPa', 262, 258])
    assert.deepEqual([figures['need-front'].value, figures['short-front'].value, figures.gives.value, figures.leak.value, figures['budget-short'].value], [310, 48, 180, 168, 18])
    await close()
  })

  test('Seen acknowledges the whole group; the button goes, the alarm stays', async () => {
    const { page, close } = await open()
    await show(page, 'short')
    box.commands.length = 0
    await page.click('[data-act=seen]')
    await page.waitForFunction(() => document.querySelector('[data-act=seen]') === null)
    assert.deepEqual(box.commands.map((c) => [c.verb, c.body.key, c.body.where]), [['ack', 'tank-short', ''], ['ack', 'comp-overworked', '']])
    for (const { body } of box.commands) {
      assert.match(body.id, /^[0-9a-f]{32}$/)
      assert.ok(Math.abs(Date.parse(body.t) - Date.parse('2026-04-28T14:07:30Z')) < 20_000, `the box's time, not the tablet's: ${body.t}`)
    }
    assert.equal((await look(page)).ink, 'high')
    await close()
  })

  test('Later puts off for 10 minutes, and is not offered on a High', async () => {
    const { page, close } = await open()
    await show(page, 'short')
    assert.ok(!(await look(page)).buttons.includes('later'))
    await show(page, 'low')
    box.commands.length = 0
    await page.click('[data-act=later]')
    await page.waitForTimeout(300)
    assert.deepEqual(box.commands.map((c) => [c.verb, c.body.key, c.body.for]), [['shelve', 'tank-low', '10m']])
    await close()
  })

  test('a refusal is told in place, in the box’s words', async () => {
    const { page, close } = await open()
    await show(page, 'leak')
    box.refuseWith('This tablet is not paired, so it may look but not press.')
    await page.click('[data-act=seen]')
    await page.waitForSelector('.trouble')
    assert.match((await look(page)).trouble, /not paired/)
    box.refuseWith('')
    await close()
  })

  test('silence covers the page within 4 s and lifts with the next reading', async () => {
    const { page, close } = await open()
    await show(page, 'healthy')
    box.hush(true)
    await page.waitForFunction(() => document.querySelector('main')?.dataset.screen === 'cover', undefined, { timeout: 4500 })
    const covered = await look(page)
    assert.equal(covered.figures.tank, undefined)
    assert.ok(covered.figures.silence.value >= 3)
    assert.deepEqual(await violations(page), [])
    await page.waitForTimeout(1500)
    assert.ok((await look(page)).figures.silence.value > covered.figures.silence.value, 'the age counts')
    box.hush(false)
    await live(page, 2000)
    await close()
  })

  test('a box that says goodbye covers the page at once', async () => {
    const { page, close } = await open()
    await show(page, 'healthy')
    box.stop()
    await page.waitForFunction(() => document.querySelector('main')?.dataset.screen === 'cover', undefined, { timeout: 1000 })
    assert.match((await look(page)).word, /The box has stopped/)
    box.hush(false)
    await show(page, 'healthy')
    await close()
  })

  test('after a cut every alarm is there again, and within 3 s', async () => {
    const { page, close } = await open()
    await show(page, 'short')
    box.cut()
    await page.waitForTimeout(200)
    box.show('leak') // while the page is away
    await page.waitForFunction(() => document.querySelector('.top')?.dataset.ink === 'low', undefined, { timeout: 3000 })
    assert.match((await look(page)).top, /Air leak, front rank/)
    await close()
  })
})
