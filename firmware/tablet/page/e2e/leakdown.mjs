// SPDX-License-Identifier: Apache-2.0

// The leak-down test on the page in a real browser, against the stand-in of fake/box.mjs: node --test e2e/leakdown.mjs
// Its states are invented (fake/tests.mjs).

import assert from 'node:assert/strict'
import { after, before, describe, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { tests } from '../fake/tests.mjs'
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

async function open({ width = 1280, height = 800, light = 'day' } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()) })
  box.refuseWith('')
  box.hush(false)
  box.test(undefined)
  box.show('parked')
  await page.goto(box.url)
  await live(page)
  return { page, wrong, close: () => context.close() }
}

/** show opens a state of the test the way a person gets to it. */
async function show(page, name) {
  if (await page.locator('[data-act=go-home]').count() > 0) await page.click('[data-act=go-home]')
  box.test(name)
  await goTo(page, 'test')
  if (name === undefined) return page.waitForSelector('.start')
  const done = tests[name].state.step === 'result'
  if (done) {
    // A run whose result was awaited is shown at once, an older one on demand.
    await page.waitForSelector('[data-act=last], [data-step=result]')
    if (await page.locator('[data-act=last]').count() > 0) await page.click('[data-act=last]')
  }
  return page.waitForSelector(`[data-step=${tests[name].state.step}]`)
}

for (const [width, height, light] of [[1280, 800, 'day'], [1280, 800, 'night'], [1024, 600, 'day'], [390, 844, 'day']]) {
  const phone = height > width
  test(`no step has a violation, text on text, a small press or a cut text at ${width} x ${height}, ${light}`, async () => {
    const { page, wrong, close } = await open({ width, height, light })
    const bad = []
    const check = async (name, scrolls) => {
      await page.waitForTimeout(150)
      const found = [...(width === 1280 ? await violations(page) : []), ...await collisions(page), ...await small(page, phone ? 121 : 118, 30), ...(scrolls ? [] : await cut(page))]
      for (const v of found) bad.push(`${name}: ${v}`)
    }
    await show(page, undefined)
    await check('start', false)
    for (const name of Object.keys(tests)) {
      await show(page, name)
      await check(name, phone)
      if (await page.locator('[data-act=more]').count() > 0) {
        await page.click('[data-act=more]')
        await check(`${name}, more`, false)
      }
    }
    assert.deepEqual(bad, [])
    assert.deepEqual(wrong, [])
    await close()
  })
}

describe('a test from its choice to its end', () => {
  test('while the machine moves it says stop first', async () => {
    const { page, close } = await open()
    box.show('healthy')
    await page.waitForTimeout(700)
    assert.ok(await (await find(page, 'test')).isDisabled())
    assert.match(await page.locator('.menu').textContent(), /Leak-down test\s*stop first/)
    await close()
  })

  test('a person chooses, ticks, goes on and stops, and the box is told each once', async () => {
    const { page, close } = await open()
    await show(page, undefined)
    box.commands.length = 0
    await page.click('[data-act=zone-front]')
    await page.click('[data-act=phases-2]')
    await page.fill('input', 'A. Tester (invented)')
    await page.click('[data-act=start]')
    await page.waitForSelector('[data-step=make_safe]')
    assert.equal(await page.locator('[data-act=next]').isDisabled(), true)
    for (const id of ['clear', 'spray']) {
      await page.click(`[data-act=tick-${id}]`)
      await page.waitForSelector(`[data-act=tick-${id}][aria-pressed=true]`)
    }
    await page.click('[data-act=next]')
    await page.waitForSelector('[data-step=fill]')
    assert.equal(await page.locator('[data-act=next]').isDisabled(), true)
    await page.click('[data-act=stop]')
    await page.waitForSelector('[data-step=result]')
    assert.match(await page.locator('h1').textContent(), /stopped, no result/)
    assert.deepEqual(box.commands.map((c) => [c.verb, c.body.args]), [
      ['test-start', { zone: 'front', phases: '2', by: 'A. Tester (invented)' }], ['test-step', { tick: 'clear' }], ['test-step', { tick: 'spray' }], ['test-step', { next: '1' }], ['test-stop', {}],
    ])
    for (const { body } of box.commands) {
      assert.match(body.id, /^[0-9a-f]{32}$/)
      assert.ok(Math.abs(Date.parse(body.t) - Date.parse('2026-04-28T15:40:00Z')) < 60_000, `the box's time: ${body.t}`)
    }
    await close()
  })

  test('a refusal is told in place, in the box’s words', async () => {
    const { page, close } = await open()
    await show(page, undefined)
    box.refuseWith('The planter moves: stop first.')
    await page.click('[data-act=start]')
    await page.waitForSelector('.trouble')
    assert.match(await page.locator('.trouble').textContent(), /The planter moves/)
    box.refuseWith('')
    await close()
  })

  test('figures are those of the payload, and the leak has its band', async () => {
    const { page, close } = await open()
    await show(page, 'watch')
    const { figures } = await look(page)
    assert.deepEqual(['test-leak', 'test-leak-low', 'test-leak-high', 'seconds', 'limit'].map((k) => figures[k].value), [1.5, 0, 3.3, 70, 3])
    assert.match(await page.locator('.read').textContent(), /between 0 and 3\.3 \(95\s%\).*pass 95 %fail 5 %/)
    await show(page, 'early')
    assert.equal((await look(page)).figures['test-leak'], undefined)
    assert.match(await page.locator('.read').textContent(), /not known yet/)
    await close()
  })

  test('home leads back to the running test, and to its result', async () => {
    const { page, close } = await open()
    await show(page, 'watch')
    await page.click('[data-act=go-home]')
    assert.match((await look(page)).top, /Leak-down test: tank side, step 4 of 5: watch, 70 s\. Air alarms are held back/)
    await page.click('[data-act=go-test]')
    await page.waitForSelector('[data-step=watch]')
    await page.click('[data-act=go-home]')
    box.test('stopped')
    await page.waitForFunction(() => document.querySelector('[data-act=go-test]')?.textContent === 'Result')
    await page.click('[data-act=go-test]')
    await page.waitForSelector('[data-step=result]')
    await page.click('[data-act=go-home]')
    await page.waitForFunction(() => document.querySelector('[data-act=go-test]') === null)
    await close()
  })

  test('a High takes the page home; what else waits is said on the test', async () => {
    const { page, close } = await open()
    await show(page, 'watch')
    box.show('high')
    await page.waitForFunction(() => document.querySelector('main')?.dataset.screen === 'home')
    assert.equal((await look(page)).ink, 'high')
    box.show('fault')
    await page.waitForTimeout(700)
    await goTo(page, 'test')
    await page.waitForSelector('[data-step=watch] .trouble')
    assert.match(await page.locator('.read').textContent(), /An alarm waits on Home/)
    await close()
  })

  test('silence covers the test and says that it goes on; the next reading leads back to it', async () => {
    const { page, close } = await open()
    await show(page, 'watch')
    box.hush(true)
    await page.waitForFunction(() => document.querySelector('main')?.dataset.screen === 'cover', undefined, { timeout: 4500 })
    assert.equal(await page.locator('[data-step]').count(), 0)
    assert.match(await page.locator('.past').textContent(), /leak-down test goes on in the box/)
    assert.deepEqual(await collisions(page), [])
    box.hush(false)
    await page.waitForSelector('[data-step=watch]', { timeout: 3000 })
    await close()
  })

  test('the result offers the report, another go and the next part', async () => {
    const { page, close } = await open()
    await show(page, 'pass')
    assert.equal(await page.locator('[data-act=report]').getAttribute('href'), 'api/tests/k16-0428-1/report')
    box.commands.length = 0
    await page.click('[data-act=next-zone]')
    await page.waitForSelector('[data-step=make_safe]')
    assert.deepEqual(box.commands.map((c) => [c.verb, c.body.args.zone]), [['test-start', 'rear']])
    await close()
  })

  for (const name of ['invalid', 'stopped', 'undecided', 'fail']) {
    test(`${name} never looks like a pass`, async () => {
      const { page, close } = await open()
      await show(page, name)
      assert.equal(await page.locator('.verdict-mark').count(), 1)
      assert.doesNotMatch(await page.locator('h1').textContent(), /pass/)
      if (name === 'invalid' || name === 'stopped') assert.deepEqual([await page.locator('.cmp').count(), await page.locator('.allowed').count()], [0, 0])
      await close()
    })
  }
})
