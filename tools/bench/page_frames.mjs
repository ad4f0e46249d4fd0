// SPDX-License-Identifier: Apache-2.0

// Watches the frames of home at AIRHOLD_URL for SECONDS while its values move, then looks for five seconds into the
// browser's own trace for layouts that a script forced. Prints one JSON object.

import { openBrowser } from '../../firmware/tablet/page/e2e/browser.mjs'
import { live, toHome } from '../../firmware/tablet/page/e2e/read.mjs'

const { AIRHOLD_URL: url, SECONDS: seconds } = process.env
if (!url || !seconds) throw new Error('set AIRHOLD_URL and SECONDS')

function count() {
  const got = { gaps: [], long: [], moved: 0 }
  globalThis.airholdFrames = got
  let last = performance.now()
  const frame = (now) => {
    got.gaps.push(now - last)
    last = now
    requestAnimationFrame(frame)
  }
  requestAnimationFrame((now) => {
    last = now
    requestAnimationFrame(frame)
  })
  new PerformanceObserver((l) => { for (const e of l.getEntries()) got.long.push(e.duration) }).observe({ type: 'longtask' })
  new MutationObserver(() => { got.moved++ }).observe(document.querySelector('.home'), { subtree: true, childList: true, characterData: true, attributes: true })
}

/** forced returns the layouts and style recalculations that lie within a script's call, with the calls. */
function forced(events) {
  const whole = events.filter((e) => e.ph === 'X')
  const calls = whole.filter((e) => e.name === 'FunctionCall' || e.name === 'EvaluateScript')
  const inside = (e) => calls.find((c) => c.pid === e.pid && c.tid === e.tid && c.ts <= e.ts && e.ts + e.dur <= c.ts + c.dur)
  return whole.filter((e) => e.name === 'Layout' || e.name === 'UpdateLayoutTree').filter(inside).map((e) => e.name)
}

const browser = await openBrowser()
try {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  const page = await context.newPage()
  let messages = 0
  page.on('websocket', (w) => w.on('framereceived', () => { messages++ }))
  await page.goto(url)
  await live(page)
  await toHome(page)
  await page.waitForTimeout(3000)
  const cdp = await context.newCDPSession(page)
  await cdp.send('Performance.enable')
  const metrics = async () => Object.fromEntries((await cdp.send('Performance.getMetrics')).metrics.map((m) => [m.name, m.value]))
  const began = messages
  await page.evaluate(count)
  const before = await metrics()
  await page.waitForTimeout(1000 * Number(seconds))
  const after = await metrics()
  const got = await page.evaluate(() => globalThis.airholdFrames)
  const took = Object.fromEntries(['LayoutCount', 'RecalcStyleCount', 'ScriptDuration', 'LayoutDuration', 'TaskDuration', 'Timestamp'].map((k) => [k, after[k] - before[k]]))
  const heard = messages - began
  await browser.startTracing(page, { categories: ['devtools.timeline'] })
  await page.waitForTimeout(5000)
  const { traceEvents } = JSON.parse((await browser.stopTracing()).toString())
  const layouts = traceEvents.filter((e) => e.ph === 'X' && e.name === 'Layout').length
  console.log(JSON.stringify({ ...got, messages: heard, took, traced: layouts, forced: forced(traceEvents) }))
} finally {
  await browser.close()
}
