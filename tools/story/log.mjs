// SPDX-License-Identifier: Apache-2.0

// A researcher at AIRHOLD_URL: opens the log, looks at it in four sizes by day and night, picks three signals by keyboard,
// exports the last hour as CSV and saves the zip as the first argument. Says as JSON what was found.

import { goTo, openBrowser } from '../../firmware/tablet/page/e2e/browser.mjs'
import { violations } from '../../firmware/tablet/page/e2e/checks.mjs'
import { live } from '../../firmware/tablet/page/e2e/read.mjs'

const { AIRHOLD_URL: url, AIRHOLD_SHOTS: folder } = process.env
const browser = await openBrowser()
const bad = []
const open = async (width, height, light) => {
  const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC', acceptDownloads: true })
  await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
  const page = await context.newPage()
  page.on('pageerror', (e) => bad.push(String(e)))
  await page.goto(url)
  await live(page)
  await goTo(page, 'log')
  await page.waitForSelector('[data-signal=tank]')
  return { context, page }
}
try {
  for (const [width, height, light] of [[1280, 800, 'night'], [1024, 600, 'day'], [390, 844, 'day'], [320, 568, 'night']]) {
    const { context, page } = await open(width, height, light)
    for (const v of await violations(page)) bad.push(`${width} ${light}: ${v}`)
    const wide = await page.evaluate(() => document.querySelector('.log').scrollWidth - document.querySelector('.log').clientWidth)
    if (wide > 1) bad.push(`${width} ${light}: ${wide} px have to be scrolled for sideways`)
    if (folder) await page.screenshot({ path: `${folder}/log-${width}-${light}.png` })
    await context.close()
  }
  const { page } = await open(1280, 800, 'day')
  const title = await page.locator('.log header p').textContent()
  await page.focus('[data-act=find]')
  await page.keyboard.type('kPa gauge')
  const found = await page.locator('[data-signal]').evaluateAll((rows) => rows.map((r) => r.dataset.signal))
  for (const id of ['tank', 'front', 'rear']) {
    for (let i = 0; i < 60 && await page.evaluate(() => document.activeElement?.getAttribute('data-act')) !== `choose-${id}`; i++) await page.keyboard.press('Tab')
    await page.keyboard.press('Space')
  }
  await page.click('[data-act=form-csv]')
  if (folder) await page.screenshot({ path: `${folder}/log-1280-day.png` })
  await page.click('[data-act=export]')
  await page.waitForSelector('[data-act=download]', { timeout: 60_000 })
  const words = await page.locator('.how-far').textContent()
  const [download] = await Promise.all([page.waitForEvent('download'), page.click('[data-act=download]')])
  await download.saveAs(process.argv[2])
  for (const v of await violations(page)) bad.push(`done: ${v}`)
  process.stdout.write(JSON.stringify({ title, found, words, name: download.suggestedFilename(), bad }))
} finally {
  await browser.close()
}
