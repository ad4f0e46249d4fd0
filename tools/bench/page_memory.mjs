// SPDX-License-Identifier: Apache-2.0

// Lets the page live for SECONDS at SPEED times real time: the stand-in for the box says everything so much faster, and the
// page's clocks and timers run as much faster. All scenes pass each ten minutes, with a look into menu and alarms; then, on the first scene,
// garbage is collected and what is left is printed as a JSON line.

import { openBrowser } from '../../firmware/tablet/page/e2e/browser.mjs'
import { live, toHome } from '../../firmware/tablet/page/e2e/read.mjs'
import { openBox } from '../../firmware/tablet/page/fake/box.mjs'

const speed = Number(process.env.SPEED)
const seconds = Number(process.env.SECONDS)
if (!(speed > 0 && seconds > 0)) throw new Error('set SPEED and SECONDS')
const round = 600 // s, simulated, between two looks
const names = ['healthy', 'leak', 'low', 'short', 'fault', 'high', 'assumed', 'healthy']

/** hasten makes the page's time run faster. */
function hasten(by) {
  const steady = performance.now.bind(performance)
  const wall = Date.now.bind(Date)
  const s0 = steady()
  const w0 = wall()
  performance.now = () => s0 + (steady() - s0) * by
  Date.now = () => Math.round(w0 + (wall() - w0) * by)
  for (const name of ['setInterval', 'setTimeout']) {
    const plain = globalThis[name].bind(globalThis)
    globalThis[name] = (f, ms = 0, ...more) => plain(f, ms / by, ...more)
  }
}

let n = 0
const moved = (m, by) => (m ? { ...m, value: m.value + by } : m)
const box = await openBox({
  every: 500 / speed,
  change: (now) => {
    const by = 5 * Math.sin(n++ / 20)
    return { ...now, tank: { ...now.tank, pressure: moved(now.tank.pressure, by) }, ranks: now.ranks?.map((r) => ({ ...r, pressure: moved(r.pressure, by / 3) })) }
  },
})
const browser = await openBrowser()
try {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  const page = await context.newPage()
  await page.addInitScript(hasten, speed)
  await page.goto(box.url)
  await live(page)
  await toHome(page)
  const cdp = await context.newCDPSession(page)
  await cdp.send('Performance.enable')
  await cdp.send('HeapProfiler.enable')
  const began = performance.now()
  const rounds = Math.round((speed * seconds) / round)
  const one = (1000 * round) / speed / (names.length + 1) // ms, real, for each scene
  for (let i = 0; i < rounds; i++) {
    for (const name of names) {
      box.show(name)
      await page.waitForTimeout(one)
    }
    for (const press of ['menu', 'go-alarms', 'go-home']) await page.click(`[data-act=${press}]`, { timeout: 20_000 })
    // What is left of the round, so that the speed holds.
    await page.waitForTimeout(Math.max(0, began + ((i + 1) * 1000 * round) / speed - performance.now()))
    for (let k = 0; k < 2; k++) await cdp.send('HeapProfiler.collectGarbage')
    const { metrics } = await cdp.send('Performance.getMetrics')
    const metric = (name) => metrics.find((m) => m.name === name).value
    console.log(JSON.stringify({ hour: ((performance.now() - began) * speed) / 3.6e6, heap: metric('JSHeapUsedSize'), nodes: metric('Nodes'), listeners: metric('JSEventListeners'), said: n }))
  }
} finally {
  await browser.close()
  await box.close()
}
