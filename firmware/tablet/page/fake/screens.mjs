// SPDX-License-Identifier: Apache-2.0

// Every screen that is not home: the state it is looked at in, and the presses that lead to it.

import { goTo } from '../e2e/browser.mjs'

/** screens maps a name to {scene, to: the screen of the menu, press: what is pressed there, until: the last is pressed until this is seen, strange: at a tablet that is not paired}. */
export const screens = {
  menu: {},
  'menu-parked': { scene: 'parked' },
  alarms: { scene: 'alarmed', to: 'alarms' },
  alarm: { scene: 'alarmed', to: 'alarms', press: ['open-tank-short-'] },
  history: { scene: 'alarmed', to: 'alarms', press: ['history'] },
  channels: { scene: 'parked', to: 'channels' },
  care: { scene: 'parked', to: 'care' },
  learned: { scene: 'parked', to: 'learned' },
  settings: { scene: 'parked', to: 'settings' },
  size: { scene: 'parked', to: 'settings', press: ['size-sample'] },
  bus: { scene: 'parked', to: 'bus' },
  log: { scene: 'parked', to: 'log' },
  trend: { scene: 'parked', to: 'trend' },
  curves: { scene: 'parked', to: 'trend', press: ['choose'] },
  tablet: { scene: 'parked', to: 'pair', strange: true },
  'tablet-name': { scene: 'parked', to: 'pair', press: ['pair'], strange: true },
  'tablet-code': { scene: 'parked', to: 'pair', press: ['pair', 'name-cab'], strange: true },
  wire: { scene: 'parked', to: 'setup' },
  needs: { scene: 'parked', to: 'setup', press: ['next'], until: '[data-step=needs]' },
  inputs: { scene: 'parked', to: 'setup', press: ['next'], until: '[data-step=inputs]' },
  machine: { scene: 'parked', to: 'setup', press: ['next'], until: '[data-step=machine]' },
  file: { scene: 'parked', to: 'setup', press: ['next'], until: '[data-step=result]' },
}

/** lead leads from home to a screen, the way a person does; false where home has no menu. */
export async function lead(page, box, name) {
  const { to, press = [], until, strange } = screens[name]
  if (await page.locator('[data-act=menu]').count() === 0) return false
  box.strange(strange)
  if (to) await goTo(page, to)
  else await page.click('[data-act=menu]')
  for (const act of press) {
    await page.locator(`[data-act=${act}]`).first().waitFor()
    for (let i = 0; i < 30 && await page.locator(until ?? '[data-none]').count() === 0; i++) {
      await page.locator(`[data-act=${act}]`).first().click()
      if (!until) break
      await page.waitForTimeout(60)
    }
  }
  await page.waitForTimeout(300)
  return true
}
