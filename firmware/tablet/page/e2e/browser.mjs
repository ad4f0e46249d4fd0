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

/** find opens the menu and turns its pages until the press for a screen is there; undefined where the menu has none. */
export async function find(page, name) {
  if (await page.locator('.menu').count() === 0) await page.click('[data-act=menu]')
  await page.waitForSelector('.menu')
  const press = page.locator(`[data-act=go-${name}]`)
  const more = page.locator('main .foot [data-act=more]')
  for (let i = 0; i < 9; i++) {
    if (await press.count() > 0) return press
    if (await more.count() === 0) return undefined
    await more.click()
  }
  return undefined
}

/** goTo opens a screen by its name, the way a person does. */
export async function goTo(page, name) {
  const press = await find(page, name)
  if (press === undefined) throw new Error(`the menu has no ${name}`)
  await press.click()
}
