// SPDX-License-Identifier: Apache-2.0

// The set-up in a real browser against the stand-in of fake/box.mjs: node --test e2e/setup.mjs

import assert from 'node:assert/strict'
import { mkdir } from 'node:fs/promises'
import { after, before, test } from 'node:test'
import { openBox } from '../fake/box.mjs'
import { openBrowser } from './browser.mjs'
import { collisions, cut, small, violations } from './checks.mjs'
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

async function open(width, height, light, setup, scene = 'parked') {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  const wrong = []
  page.on('pageerror', (e) => wrong.push(String(e)))
  box.deafen(false)
  box.refuseWith('')
  box.setUp(setup)
  box.show(scene)
  box.commands.length = 0
  await page.goto(box.url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, wrong, close: () => context.close() }
}

/** toSetup opens it as a person does: it is on the menu's last page. */
async function toSetup(page) {
  await page.click('[data-act=menu]')
  await page.waitForSelector('.menu button')
  if (await page.locator('[data-act=go-setup]').count() === 0) await page.click('[data-act=more]')
  await page.click('[data-act=go-setup]')
  await page.waitForSelector('[data-step]')
}

const step = (page) => page.getAttribute('[data-step]', 'data-step')

/** onTo presses on until a step begins. */
async function onTo(page, name) {
  for (let i = 0; i < 60 && await step(page) !== name; i++) {
    await page.click('[data-act=next]')
    await page.waitForTimeout(60)
  }
  assert.equal(await step(page), name)
}

for (const [width, height, light, setup] of [[1280, 800, 'day', 'wired'], [1024, 600, 'night', 'refused'], [390, 844, 'day', 'running'], [320, 568, 'night', 'refused']]) {
  test(`every page of every step is whole at ${width} x ${height}, ${light}, ${setup}`, async () => {
    const phone = height > width
    const { page, wrong, close } = await open(width, height, light, setup)
    if (setup === 'refused') await page.waitForSelector('main[data-screen=setup] [data-step]')
    else await toSetup(page)
    const bad = []
    const seen = new Set()
    const words = new Set()
    let last = ''
    let texts = 0
    for (let i = 0; i < 90; i++) {
      await page.waitForTimeout(50)
      const now = await step(page)
      if (process.env.SHOTS && now !== last) {
        await mkdir(process.env.SHOTS, { recursive: true })
        await page.waitForTimeout(150)
        await page.screenshot({ path: `${process.env.SHOTS}/setup-${now}-${width}-${light}.png` })
      }
      for (const v of [...(now !== last && width > 1000 ? await violations(page) : []), ...await collisions(page), ...await small(page, phone ? 121 : 118, 30), ...await cut(page, '.pieces > div, .told')]) bad.push(`${now} ${i}: ${v}`)
      const low = await page.evaluate(() => Math.max(...[...document.querySelectorAll('.pieces > div')].map((e) => e.getBoundingClientRect().bottom)) > document.querySelector('.foot').getBoundingClientRect().top + 1)
      if (low) bad.push(`${now} ${i}: runs into the presses`)
      last = now
      seen.add(now)
      words.add(await page.locator('.setup').textContent())
      if (now === 'result' && ++texts === 3) break // the rest of the file is more of the same
      await page.click('[data-act=next]')
    }
    assert.deepEqual(bad.slice(0, 12), [])
    assert.deepEqual(wrong, [])
    assert.deepEqual([...seen], [...(setup === 'refused' ? ['refused'] : []), 'wire', 'needs', 'inputs', 'machine', 'result'])
    const all = [...words].join('|')
    for (const part of setup === 'refused' ? ['machine.yaml:3:11', 'without a unit', 'Try: relief_setting', 'sudo airhold link can0', 'not heard: '] : ['tractor control; maker 2047', 'wheel speed, 65096', 'not decoded', 'heard twice', 'Tank volume (needed)', 'Kettle Ridge 16']) assert.ok(all.includes(part), part)
    await close()
  })
}

test('the strips show the last second as the box heard it', async () => {
  const { page, close } = await open(1280, 800, 'day', 'wired')
  await toSetup(page)
  assert.match(await page.locator('.pieces').textContent(), /250 kbit\/s, 5 % busy\. Listening only, checked\. 0 frames sent\./)
  const row = page.locator('.spoken', { hasText: '61444' })
  assert.equal(await row.locator('[data-strip]').getAttribute('data-strip'), '20') // each 50 ms
  assert.equal(await row.locator('.beat').count(), 20)
  await close()
})

test('a bare number and a wrong unit are refused in place; then it is checked, saved and told', async () => {
  const { page, close } = await open(1280, 800, 'day', 'running')
  await toSetup(page)
  await onTo(page, 'machine')
  const field = page.locator('[data-path="tank.volume"] input')
  for (const [typed, says] of [['38', /without a unit.*L, m3, mL, gal, ft3/], ['38 kg', /no unit of volume.*L, m3/]]) {
    await field.fill(typed)
    for (let i = 0; i < 9 && !/Check/.test(await page.locator('[data-act=next]').textContent()); i++) await page.click('[data-act=next]')
    await page.click('[data-act=next]')
    await page.waitForSelector('.question.wrong')
    assert.match(await page.locator('[data-path="tank.volume"] .told').textContent(), says)
    assert.equal(await field.getAttribute('aria-invalid'), 'true')
    assert.deepEqual(await violations(page), [])
  }
  await field.fill('10 gal')
  await onTo(page, 'result')
  assert.deepEqual(box.commands.at(-1), { verb: '/api/setup/check', body: { from: 'present', answers: { 'tank.volume': '10 gal' } } })
  assert.match(await page.locator('.pieces').textContent(), /Accepted by the box’s own check\. 1 lines? differ.*as a new file, machine\.setup-1\.yaml\. Nothing is overwritten\. The box takes it at its next start/s)
  const [file] = await Promise.all([page.waitForEvent('download'), page.click('[data-act=download]')])
  assert.equal(file.suggestedFilename(), 'machine.setup-1.yaml')
  await page.click('[data-act=save]')
  await page.waitForFunction(() => document.querySelector('.pieces').textContent.includes('Saved as /etc/airhold/machine.setup-1.yaml'))
  assert.equal(box.commands.at(-1).verb, '/api/setup/save')
  assert.ok(await page.locator('[data-act=save]').isDisabled(), 'it is saved once')
  for (let i = 0; i < 5 && await page.locator('.line.new').count() === 0; i++) {
    await page.click('[data-act=next]')
    await page.waitForTimeout(60)
  }
  assert.match(await page.locator('.line.new').textContent(), /^21\s*volume: 10 gal/)
  await close()
})

test('a refusal to save is told in the box’s words', async () => {
  const { page, close } = await open(1280, 800, 'day', 'running')
  await toSetup(page)
  await onTo(page, 'result')
  box.refuseWith('This needs the secure page, not in this release.')
  await page.click('[data-act=save]')
  await page.waitForFunction(() => document.querySelector('.pieces').textContent.includes('not in this release'))
  await close()
})

test('without a file of its own the box says so, and only the download is open', async () => {
  const { page, close } = await open(1280, 800, 'day', 'demo')
  await toSetup(page)
  await onTo(page, 'result')
  assert.ok(await page.locator('[data-act=save]').isDisabled())
  assert.ok(await page.locator('[data-act=download]').isEnabled())
  assert.match(await page.locator('.pieces').textContent(), /no place to save/)
  await close()
})

test('by keys alone: menu, set-up, a field, on', async () => {
  const { page, close } = await open(1280, 800, 'day', 'running')
  await toSetup(page)
  await onTo(page, 'machine')
  await page.locator('[data-path=name] input').focus()
  await page.keyboard.press('Tab')
  assert.equal(await page.evaluate(() => document.activeElement.closest('[data-path]')?.getAttribute('data-path')), 'tank.volume')
  const ring = await page.evaluate(() => getComputedStyle(document.activeElement).outlineWidth)
  assert.equal(ring, '4px')
  await page.locator('[data-act=next]').focus()
  await page.keyboard.press('Enter')
  await page.waitForFunction(() => document.querySelector('[data-path="tank.volume"]') === null)
  await close()
})

test('it is for standing: a machine that moves has no set-up, and what was typed stays', async () => {
  const { page, close } = await open(1280, 800, 'day', 'running')
  await toSetup(page)
  await onTo(page, 'machine')
  await page.locator('[data-path="tank.volume"] input').fill('40 L')
  box.show('healthy')
  await page.waitForSelector('main[data-screen=home]')
  await page.click('[data-act=menu]')
  await page.waitForSelector('.menu button')
  if (await page.locator('[data-act=go-setup]').count() === 0) await page.click('[data-act=more]')
  assert.ok(await page.locator('[data-act=go-setup]').isDisabled())
  box.show('parked')
  await page.waitForFunction(() => !document.querySelector('[data-act=go-setup]').disabled)
  await page.click('[data-act=go-setup]')
  await page.waitForSelector('[data-step]')
  await onTo(page, 'machine')
  assert.equal(await page.locator('[data-path="tank.volume"] input').inputValue(), '40 L')
  await close()
})
