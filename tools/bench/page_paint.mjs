// SPDX-License-Identifier: Apache-2.0

// Opens the page at AIRHOLD_URL with an empty cache over and over for SECONDS, in turn over loopback as it is and with a
// processor four times as slow behind 10 Mbit/s and 10 ms, and prints one JSON line each: ms to the first paint of content and
// to readings, and the bytes that came, with the font's apart.

import { openBrowser } from '../../firmware/tablet/page/e2e/browser.mjs'
import { live } from '../../firmware/tablet/page/e2e/read.mjs'

const { AIRHOLD_URL: url, SECONDS: seconds } = process.env
if (!url || !seconds) throw new Error('set AIRHOLD_URL and SECONDS')
const bytesPerSecond = 10e6 / 8
const browser = await openBrowser()

async function open(slow) {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } })
  const page = await context.newPage()
  const cdp = await context.newCDPSession(page)
  let bytes = 0
  let font = 0
  let painted
  const fonts = new Set()
  await cdp.send('Network.enable')
  cdp.on('Network.responseReceived', (e) => { if (e.type === 'Font') fonts.add(e.requestId) })
  cdp.on('Network.loadingFinished', (e) => { if (fonts.has(e.requestId)) font += e.encodedDataLength; else bytes += e.encodedDataLength })
  if (slow) {
    await cdp.send('Network.emulateNetworkConditions', { offline: false, latency: 10, downloadThroughput: bytesPerSecond, uploadThroughput: bytesPerSecond })
    await cdp.send('Emulation.setCPUThrottlingRate', { rate: 4 })
  }
  await page.goto(url, { waitUntil: 'commit' })
  await live(page, 30_000)
  const ready = await page.evaluate(() => performance.now())
  for (let i = 0; i < 100 && painted === undefined; i++) {
    painted = await page.evaluate(() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime)
    if (painted === undefined) await page.waitForTimeout(20)
  }
  await context.close()
  return { slow, painted, ready, bytes, font }
}

try {
  await open(false) // the browser's own first page is not the page's
  for (const end = performance.now() + 1000 * Number(seconds); performance.now() < end;) {
    for (const slow of [false, true]) console.log(JSON.stringify(await open(slow)))
  }
} finally {
  await browser.close()
}
