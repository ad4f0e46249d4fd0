// SPDX-License-Identifier: Apache-2.0

// Debian's Chromium through playwright-core, with a profile of its own that is thrown away.

import { existsSync } from 'node:fs'
import { chromium } from 'playwright-core'

const places = [process.env.AIRHOLD_CHROMIUM, '/usr/bin/chromium', '/usr/bin/chromium-browser'].filter((p) => p)

/** openBrowser starts the browser; without one it says what is missing. */
export async function openBrowser() {
  const executablePath = places.find((p) => existsSync(p))
  if (executablePath === undefined) throw new Error('no Chromium found: install Debian package chromium, or name one in AIRHOLD_CHROMIUM')
  return chromium.launch({
    executablePath, headless: true,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
  })
}
