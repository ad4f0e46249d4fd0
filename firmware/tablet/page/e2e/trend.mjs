// SPDX-License-Identifier: Apache-2.0

// The trends in a real browser, under the box's own content policy: node --test e2e/trend.mjs

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

for (const [width, height, light] of [[1280, 800, 'day'], [1024, 600, 'night'], [390, 844, 'night'], [320, 568, 'day']]) {
  test(`every set and span fits, and the browser blocks nothing, at ${width} x ${height}, ${light}`, async () => {
    const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
    await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
    const page = await context.newPage()
    const said = []
    page.on('console', (m) => { if (m.type() === 'error' || m.type() === 'warning') said.push(m.text()) })
    const asked = []
    page.on('request', (r) => { if (r.url().includes('api/trend')) asked.push(r.url()) })
    box.show('parked')
    await page.goto(box.url)
    await live(page)
    await page.evaluate(() => document.fonts.ready)
    await goTo(page, 'trend')
    await page.waitForSelector('.uplot canvas')
    const bad = []
    const look = async (what) => {
      for (const v of [...await violations(page), ...await collisions(page), ...await small(page, height > width ? 121 : 118, 30)]) bad.push(`${what}: ${v}`)
      const over = await page.evaluate(() => {
        const on = [...document.querySelectorAll('.panel span')].map((e) => ({ t: e.textContent, r: e.getBoundingClientRect() }))
        const foot = document.querySelector('.foot').getBoundingClientRect().top
        const out = on.filter(({ r }) => r.left < -1 || r.right > innerWidth + 1 || r.bottom > foot).map(({ t }) => `${t} leaves the drawing`)
        const ends = [...document.querySelectorAll('.panel')].flatMap((p) => { const e = [...p.querySelectorAll('.ends')].map((x) => x.getBoundingClientRect()).sort((a, b) => a.top - b.top); return e.filter((r, i) => i > 0 && r.top < e[i - 1].bottom - 3).map(() => 'two ends lie on one another') })
        return [...out, ...ends]
      })
      for (const v of over) bad.push(`${what}: ${v}`)
    }
    await look('as opened')
    // The drawing has ink where the tank was and none where nothing was seen.
    const drawn = await page.evaluate(() => {
      const c = document.querySelector('.uplot canvas')
      const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data
      const at = (share) => {
        const seen = new Set()
        for (let y = 0, x = Math.round(c.width * share); y < c.height; y++) {
          const i = 4 * (y * c.width + x)
          if (d[i + 3] > 0) seen.add(`${d[i]},${d[i + 1]},${d[i + 2]}`)
        }
        return seen.size
      }
      return { data: at(0.3), hole: at(0.07 + 0.93 * 0.49) }
    })
    assert.ok(drawn.data > drawn.hole, JSON.stringify(drawn))
    assert.equal(await page.locator('.hole').first().textContent(), 'not seen')
    const rows = await page.locator('.behind tbody tr').count()
    assert.equal(rows, 12)
    assert.match(await page.locator('.behind').textContent(), /tank \d+ kPa/)
    const before = asked.length
    await page.waitForTimeout(1500) // three snapshots: they are laid behind the curve, nothing is asked anew
    assert.equal(asked.length, before)
    await page.click('[data-act=earlier]')
    await page.waitForFunction(() => !document.querySelector('[data-act=later-span]').disabled)
    await page.click('[data-act=later-span]')
    await page.click('[data-act=choose]')
    await look('the choice')
    for (const [name, act] of [['1h', 'trend-1h'], ['compressor', 'trend-compressor']]) {
      for (let i = 0; i < 9 && await page.locator(`[data-act=${act}]`).count() === 0; i++) await page.click('[data-act=more]')
      await page.click(`[data-act=${act}]`)
      await page.click('[data-act=draw]')
      await page.waitForSelector('.uplot canvas')
      await look(name)
      await page.click('[data-act=choose]')
    }
    await page.click('[data-act=draw]')
    if (width === 1280) {
      const at = await page.locator('.curves').boundingBox()
      await page.mouse.move(at.x + at.width / 4, at.y + 100)
      assert.match(await page.locator('.read').textContent(), /^\d\d:\d\d: duty \d+ %/)
      assert.equal(await page.locator('.panel').count(), 2)
    }
    assert.deepEqual(bad, [])
    assert.deepEqual(said, [])
    await context.close()
  })
}
