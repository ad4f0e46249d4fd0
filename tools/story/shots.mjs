// SPDX-License-Identifier: Apache-2.0

// Takes the home screen at AIRHOLD_URL in four ways: large and small, day and night. Files go to AIRHOLD_SHOTS, their
// names begin with the first argument.

import { join } from 'node:path'
import { openBrowser } from '../../firmware/tablet/page/e2e/browser.mjs'
import { live } from '../../firmware/tablet/page/e2e/read.mjs'

const { AIRHOLD_URL: url, AIRHOLD_SHOTS: folder } = process.env
if (!url || !folder) throw new Error('set AIRHOLD_URL to the page and AIRHOLD_SHOTS to a folder')
const browser = await openBrowser()
try {
  for (const [width, height] of [[1280, 800], [1024, 600]]) {
    for (const light of ['day', 'night']) {
      const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
      await context.addInitScript((l) => localStorage.setItem('airhold-light', l), light)
      const page = await context.newPage()
      await page.goto(url)
      await live(page)
      await page.waitForTimeout(700)
      await page.screenshot({ path: join(folder, `${process.argv[2]}-${width}x${height}-${light}.png`) })
      await context.close()
    }
  }
} finally {
  await browser.close()
}
