// SPDX-License-Identifier: Apache-2.0

// Pairing a tablet: each page of it against the stand-in, and the whole way through a real box at an address of this
// computer that is not loopback: node --test e2e/pair.mjs

import assert from 'node:assert/strict'
import { execFile, spawn } from 'node:child_process'
import { mkdtemp, rm } from 'node:fs/promises'
import { networkInterfaces, tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { after, before, test } from 'node:test'
import { fileURLToPath } from 'node:url'
import { promisify } from 'node:util'
import { openBox } from '../fake/box.mjs'
import { goTo, openBrowser } from './browser.mjs'
import { collisions, small, violations } from './checks.mjs'
import { live, toHome } from './read.mjs'

const root = fileURLToPath(new URL('../../../../', import.meta.url))
const run = promisify(execFile)
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

async function open(url, { width = 1280, height = 800, light = 'day' } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  await page.goto(url)
  await live(page)
  await page.evaluate(() => document.fonts.ready)
  return { page, context }
}

async function pressCode(page, code) {
  const typed = page.locator('input.digits')
  if (await typed.count() > 0) return typed.fill(code)
  for (const d of code) await page.click(`[data-act=digit-${d}]`)
}

for (const [width, height, light] of [[1280, 800, 'day'], [1024, 600, 'night'], [390, 844, 'day'], [320, 568, 'night']]) {
  test(`every page of the pairing is whole at ${width} x ${height}, ${light}`, async () => {
    box.strange(true)
    box.show('parked')
    const { page, context } = await open(box.url, { width, height, light })
    const bad = []
    const look = async (name) => {
      for (const v of [...await violations(page), ...await collisions(page), ...await small(page, height > width ? 121 : 118, 30)]) bad.push(`${name}: ${v}`)
    }
    await goTo(page, 'pair')
    await page.waitForSelector('[data-me=unpaired]')
    await look('unpaired')
    await page.click('[data-act=pair]')
    await look('name')
    await page.click('[data-act=name-other]')
    await page.fill('#tablet-name', 'cab of the old yard 2')
    await look('another name')
    await page.click('[data-act=named]')
    await pressCode(page, '87654321')
    await look('code')
    await page.click('[data-act=send]')
    await page.waitForSelector('.pair > .trouble')
    assert.match(await page.locator('.pair > .trouble').textContent(), /not the code/)
    await look('wrong code')
    await pressCode(page, '12345678')
    await page.click('[data-act=send]')
    await page.waitForSelector('[data-me=paired]')
    assert.match(await page.locator('[data-me=paired]').textContent(), /Paired as cab of the old yard 2/)
    await look('paired')
    assert.deepEqual(bad, [])
    await context.close()
  })
}

test('a press that is refused for want of pairing offers it in the place of Later', async () => {
  box.strange(true)
  box.show('low')
  const { page, context } = await open(box.url)
  await toHome(page)
  box.refuseWith('This tablet is not paired, so it may look but not press. Pair it: Menu, This tablet.')
  await page.click('[data-act=seen]')
  await page.waitForSelector('.answer [data-act=go-pair]')
  box.refuseWith('')
  await page.click('.answer [data-act=seen]')
  await page.waitForSelector('.answer', { state: 'detached' })
  await context.close()
})

test('a box that shows itself to paired tablets only offers pairing and nothing else', async () => {
  box.strange(false)
  box.hush(true)
  box.stop()
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  const page = await context.newPage()
  await page.route('**/api/me', (r) => r.continue())
  await page.routeWebSocket('**/mqtt', (ws) => ws.close())
  await page.goto(box.url)
  await page.waitForSelector('[data-me=unpaired]', { timeout: 8000 })
  assert.match(await page.locator('main').textContent(), /paired tablets only/)
  assert.deepEqual(await page.locator('main button').evaluateAll((all) => all.map((b) => b.dataset.act)), ['pair'])
  await context.close()
  box.hush(false)
})

test('a tablet on the network is refused, pairs, and its Seen counts under its name', { timeout: 180_000 }, async () => {
  const own = Object.values(networkInterfaces()).flat().find((a) => a.family === 'IPv4' && !a.internal)
  assert.ok(own, 'this test needs an address that is not loopback: give an interface one (ip addr add 192.0.2.2/24 dev dummy0)')
  const folder = await mkdtemp(join(tmpdir(), 'airhold-pair-'))
  const bin = join(folder, 'airhold')
  await run('go', ['build', '-o', bin, './cmd/airhold'], { cwd: root })
  // A machine that stands: pairing is not for driving.
  const demo = spawn(bin, ['demo', '--listen', '0.0.0.0:0', '--mqtt', 'off', '--story', 'shop', '--data', join(folder, 'data')], { stdio: ['ignore', 'pipe', 'inherit'] })
  const ended = new Promise((done) => demo.on('exit', done))
  try {
    let port = ''
    for await (const line of createInterface({ input: demo.stdout })) {
      port = /page +http:\/\/.*:(\d+)\//.exec(line)?.[1] ?? ''
      if (port !== '') break
    }
    const cli = async (...words) => (await run(bin, ['pair', ...words, '--box', `http://127.0.0.1:${port}`])).stdout
    const { page, context } = await open(`http://${own.address}:${port}/`)
    await toHome(page)
    const note = () => page.evaluate(() => fetch('api/cmd/note', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ id: `n${Math.random()}`.replace('.', ''), key: 'air-leak', where: 'tank side', why: 'words' }) }).then((r) => r.status))
    assert.equal(await note(), 403)
    const shown = await cli()
    const code = /code +(\d{4}) (\d{4})/.exec(shown)
    assert.ok(code && shown.includes(`http://${own.address}:${port}/`), shown)
    await goTo(page, 'pair')
    await page.waitForSelector('[data-me=unpaired]')
    await page.click('[data-act=pair]')
    await page.click('[data-act=name-cab]')
    await pressCode(page, code[1] + code[2])
    await page.click('[data-act=send]')
    await page.waitForSelector('[data-me=paired]')
    const [cookie] = await context.cookies()
    assert.deepEqual([cookie.name, cookie.httpOnly, cookie.sameSite, cookie.path], ['sid', true, 'Strict', '/'])
    assert.notEqual(await note(), 403) // 409 where there was no such alarm yet, in the box's own words
    assert.equal(await page.evaluate(() => fetch('api/cmd/test-start', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{"id":"t1"}' }).then((r) => r.json()).then((a) => /needs the secure page, not in this release/.test(a.error))), true)
    assert.match(await cli('list'), /^cab +may operate, paired /)
    assert.match(await cli('revoke', 'cab'), /Unpaired: cab/)
    assert.equal(await note(), 403)
    await context.close()
    const { stdout: journal } = await run(bin, ['journal', '--data', join(folder, 'data')])
    assert.match(journal, /tablet cab was paired/)
    assert.match(journal, /tablet cab was unpaired/)
    const { stdout: records } = await run(bin, ['journal', '--json', '--data', join(folder, 'data')])
    assert.match(records, /"actor":"cab","role":"operate","via":"tablet"/)
    // The code is nowhere in what the box keeps.
    await assert.rejects(run('grep', ['-rqa', code[1] + code[2], join(folder, 'data')]), { code: 1 })
  } finally {
    demo.kill('SIGTERM')
    await ended
    await rm(folder, { recursive: true, force: true })
  }
})
