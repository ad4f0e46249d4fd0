// SPDX-License-Identifier: Apache-2.0

// Opens the page at AIRHOLD_URL, waits for readings, leaves the first screen of the day and prints what can be read on
// home as one JSON line. With SECONDS as argument it goes on and prints one line a second for so long.

import { openBrowser } from './browser.mjs'
import { live, look, toHome } from './read.mjs'

const url = process.env.AIRHOLD_URL
if (!url) throw new Error('set AIRHOLD_URL to the address of the page, as http://127.0.0.1:8080/')
const seconds = Number(process.argv[2] ?? 0)
const browser = await openBrowser()
const page = await browser.newPage({ viewport: { width: 1280, height: 800 } })
try {
  await page.goto(url)
  await live(page)
  await toHome(page)
  for (let i = 0; ; i++) {
    process.stdout.write(`${JSON.stringify(await look(page))}\n`)
    if (i >= seconds) break
    await page.waitForTimeout(1000)
  }
} finally {
  await browser.close()
}
