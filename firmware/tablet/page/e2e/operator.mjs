// SPDX-License-Identifier: Apache-2.0

// What an operator does at a running box: waits for what the head of the page will say, hears it, and presses Seen; a second
// tablet looks on. Prints one JSON line before, when it rings, and once it is seen.
//
//	AIRHOLD_URL=http://127.0.0.1:8080/ node e2e/operator.mjs WORDS [SECONDS]

import { openBrowser } from './browser.mjs'
import { violations } from './checks.mjs'
import { live, look, toHome } from './read.mjs'

const url = process.env.AIRHOLD_URL
if (!url) throw new Error('set AIRHOLD_URL to the page of airhold demo, as http://127.0.0.1:8080/')
const [wanted = 'air leak', limit = '120'] = process.argv.slice(2)
const patience = Number(limit) * 1000
const browser = await openBrowser()
const bad = []

async function open(name) {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, timezoneId: 'UTC' })
  const page = await context.newPage()
  page.on('pageerror', (e) => bad.push(`${name}: ${e}`))
  page.on('console', (m) => { if (m.type() === 'error') bad.push(`${name}: ${m.text()}`) })
  await page.goto(url)
  await live(page)
  await toHome(page)
  return page
}

/** heard returns how often High, Medium and Low were played, and how many tones have ended. */
async function heard(page) {
  const [played, tones] = await page.evaluate(() => { const m = document.querySelector('main').dataset; return [m.played, m.tones] })
  const [high, medium, low] = played.split(' ').map(Number)
  return { high, medium, low, tones: Number(tones) }
}

/** press clicks with a real mouse: a page may sound only after one. */
async function press(page, act) {
  const at = await page.locator(`[data-act=${act}]`).boundingBox()
  await page.mouse.click(at.x + at.width / 2, at.y + at.height / 2)
}

/** head waits until the head says what and something waits to be seen. */
const head = (page, what) => page.waitForFunction((w) => {
  const top = document.querySelector('.top')?.textContent ?? ''
  return new RegExp(w, 'i').test(top) && document.querySelector('[data-act=seen]') !== null
}, what, { timeout: patience })

/** step prints what stands on both tablets. */
async function step(name, cab, yard) {
  for (const v of await violations(cab)) bad.push(`${name}: ${v}`)
  process.stdout.write(`${JSON.stringify({ step: name, cab: await look(cab), yard: await look(yard), heard: await heard(cab) })}\n`)
}

/** seen presses Seen until nothing of the kind waits, and waits for the other tablet to know. */
async function seen(cab, yard, what) {
  for (let i = 0; i < 5; i++) {
    const waits = await cab.evaluate((w) => new RegExp(w, 'i').test(document.querySelector('.top')?.textContent ?? '') && document.querySelector('[data-act=seen]') !== null, what)
    if (!waits) break
    await press(cab, 'seen')
    await cab.waitForTimeout(1000)
  }
  await yard.waitForTimeout(1000)
}

try {
  const cab = await open('cab')
  const yard = await open('yard')
  await step('before', cab, yard)
  await press(cab, 'mute') // Sound on
  await cab.waitForFunction(() => document.querySelector('[data-act=mute]')?.textContent.startsWith('Mute'), undefined, { timeout: 5000 })
  await head(cab, wanted)
  await cab.waitForTimeout(3500) // what rings is played to its end
  await step('rings', cab, yard)
  await seen(cab, yard, wanted)
  await step('seen', cab, yard)
} finally {
  await browser.close()
}
if (bad.length > 0) throw new Error(bad.join('\n'))
