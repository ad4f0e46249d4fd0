// SPDX-License-Identifier: Apache-2.0

// Opens home at AIRHOLD_URL for SECONDS and prints, as JSON lines, when an alarm's message arrived in the page and when
// what stands in the head changed: in the document, at its frame and once that frame was made. Times are ms of
// CLOCK_MONOTONIC.

import { openBrowser } from '../../firmware/tablet/page/e2e/browser.mjs'
import { live, toHome } from '../../firmware/tablet/page/e2e/read.mjs'

const { AIRHOLD_URL: url, SECONDS: seconds } = process.env
if (!url || !seconds) throw new Error('set AIRHOLD_URL and SECONDS')

/** witness runs in the page before anything else does. */
function witness() {
  const seen = []
  globalThis.airholdSeen = seen
  const Plain = WebSocket
  globalThis.WebSocket = class extends Plain {
    constructor(...all) {
      super(...all)
      // Before the page's own listener, because it was here first.
      this.addEventListener('message', (e) => {
        const at = performance.now()
        if (!(e.data instanceof ArrayBuffer)) return
        const text = new TextDecoder('latin1').decode(e.data)
        if (!text.includes('/alarm/') || !text.includes('"state":"active_unacked"')) return
        const said = (key) => new RegExp(`"${key}":"?([^",]*)`).exec(text)?.[1] ?? ''
        seen.push({ kind: 'heard', at, key: said('key'), where: said('where'), mono: Number(said('mono')) })
      })
    }
  }
  let last = ''
  new MutationObserver(() => {
    const top = document.querySelector('.top')
    const text = `${top?.dataset.ink} ${top?.textContent}`
    if (text === last) return
    last = text
    const one = { kind: 'shown', text, ink: top?.dataset.ink ?? '', dom: performance.now() }
    requestAnimationFrame(() => {
      one.frame = performance.now()
      // A message waits until the frame in which it was sent has been laid out and painted.
      const { port1, port2 } = new MessageChannel()
      port1.onmessage = () => {
        one.pixel = performance.now()
        seen.push(one)
      }
      port2.postMessage(0)
    })
  }).observe(document, { subtree: true, childList: true, characterData: true, attributes: true })
}

const browser = await openBrowser()
try {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  const page = await context.newPage()
  await page.addInitScript(witness)
  await page.goto(url)
  await live(page)
  await toHome(page)
  const cdp = await context.newCDPSession(page)
  await cdp.send('Performance.enable')
  // NavigationStart is where performance.now() begins; both of the browser's figures are CLOCK_MONOTONIC, as Node's is.
  const { metrics } = await cdp.send('Performance.getMetrics')
  const metric = (name) => 1000 * metrics.find((m) => m.name === name).value
  const here = Number(process.hrtime.bigint()) / 1e6
  const began = metric('NavigationStart')
  const age = await page.evaluate(() => performance.now())
  if (Math.abs(metric('Timestamp') - here) > 200 || Math.abs(began + age - here) > 400) throw new Error(`the clocks differ: browser ${metric('Timestamp')} ms, page ${began + age} ms, here ${here} ms`)
  console.log(JSON.stringify({ kind: 'ready' }))
  for (const end = performance.now() + 1000 * Number(seconds); performance.now() < end;) {
    await page.waitForTimeout(2000)
    for (const one of await page.evaluate(() => globalThis.airholdSeen.splice(0))) {
      for (const k of ['at', 'dom', 'frame', 'pixel']) if (k in one) one[k] += began
      console.log(JSON.stringify(one))
    }
  }
} finally {
  await browser.close()
}
