// SPDX-License-Identifier: Apache-2.0

// Leads a leak-down test through the page of a running box, from the menu to the result, and checks each screen on the
// way. For airhold demo --story shop, whose simulated hands do what the test asks of a person; never for a real machine.
//
// With PAPER the report is printed to that PDF, and its text to standard output.
//
//	AIRHOLD_URL=http://127.0.0.1:8080/ node e2e/shop.mjs [ZONE [WATCHES [SECONDS [PAPER]]]]

import { goTo, openBrowser } from './browser.mjs'
import { collisions, cut, small, violations } from './checks.mjs'
import { live, look } from './read.mjs'

const url = process.env.AIRHOLD_URL
if (!url) throw new Error('set AIRHOLD_URL to the page of airhold demo --story shop, as http://127.0.0.1:8080/')
const [zone = 'tank', watches = '1', limit = '900', paper = ''] = process.argv.slice(2)
const browser = await openBrowser()
const page = await browser.newPage({ viewport: { width: 1280, height: 800 } })
const bad = []
page.on('pageerror', (e) => bad.push(String(e)))
page.on('console', (m) => { if (m.type() === 'error') bad.push(m.text()) })

/** check notes what is wrong with the screen as it is. */
async function check(name) {
  for (const v of [...await collisions(page), ...await cut(page), ...await small(page, 118, 30), ...await violations(page)]) bad.push(`${name}: ${v}`)
}

try {
  await page.goto(url)
  await live(page)
  const { foot } = await look(page)
  if (!foot.includes('simulated')) throw new Error('this box is not simulated: a test there is for a person at the machine')
  await goTo(page, 'test')
  await page.click(`[data-act=zone-${zone}]`)
  await page.click(`[data-act=phases-${watches}]`)
  await check('start')
  await page.click('[data-act=start]')
  await page.waitForSelector('[data-step=make_safe]')
  const end = Date.now() + Number(limit) * 1000
  let seen = ''
  for (let step = ''; step !== 'result' && Date.now() < end; await page.waitForTimeout(500)) {
    step = await page.getAttribute('[data-step]', 'data-step')
    const title = await page.locator('main h1, .estimate-words').first().textContent()
    if (`${step} ${title}` !== seen) {
      seen = `${step} ${title}`
      process.stdout.write(`${seen}\n`)
      await check(seen)
    }
    const open = page.locator('.ticks [aria-pressed=false]')
    if (await open.count() > 0) await open.first().click()
    else if (await page.locator('[data-act=next]:enabled').count() > 0) await page.click('[data-act=next]')
  }
  await page.waitForSelector('[data-step=result]', { timeout: 1000 })
  await page.click('[data-act=more]')
  await check('what it says')
  const report = await page.request.get(new URL(await page.getAttribute('[data-act=report]', 'href'), url).href)
  if (report.status() !== 200) bad.push(`the report answers ${report.status()}`)
  if (paper) {
    await page.goto(new URL(await page.getAttribute('[data-act=report]', 'href'), url).href)
    await page.pdf({ path: paper, format: 'A4', printBackground: true })
    process.stdout.write(`${JSON.stringify({ report: await page.locator('body').innerText() })}\n`)
  }
} finally {
  await browser.close()
}
if (bad.length > 0) throw new Error(bad.join('\n'))
