// SPDX-License-Identifier: Apache-2.0

// Every screen that is not home: the state it is looked at in, and the presses that lead to it.

/** screens maps a name to {scene, to: the screen of the menu, press: what is pressed there, until: the last is pressed until this is seen, strange: at a tablet that is not paired}. */
export const screens = {
  menu: {},
  'menu-parked': { scene: 'parked' },
  alarms: { scene: 'alarmed', to: 'alarms' },
  alarm: { scene: 'alarmed', to: 'alarms', press: ['open-tank-short-'] },
  history: { scene: 'alarmed', to: 'alarms', press: ['history'] },
  channels: { scene: 'parked', to: 'channels' },
  sensor: { scene: 'parked', to: 'channels', press: ['look-load_2'] },
  'sensor-tank': { scene: 'parked', to: 'channels', press: ['look-tank'] },
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

/** lead leads from home to a screen by presses of a finger or of a key, the way a person does; false where home has no menu. */
export async function lead(page, box, name, by = 'finger') {
  const { to, press = [], until, strange } = screens[name]
  box.strange(strange)
  const at = (act) => page.locator(`[data-act=${act}]`).first()
  const hit = async (act) => {
    if (by === 'finger') return at(act).click()
    await at(act).focus()
    return page.keyboard.press(by)
  }
  const turn = async (act) => {
    await page.locator(`[data-act=${act}], main .foot [data-act=more]`).first().waitFor()
    for (let i = 0; i < 9 && await at(act).count() === 0; i++) await hit('more')
    await hit(act)
  }
  for (let i = 0; i < 5 && await at('menu').count() === 0 && await at('seen').count() > 0; i++) { // on a phone an alarm takes its place
    await hit('seen')
    await page.waitForTimeout(500)
  }
  if (await at('menu').count() === 0) return false
  await hit('menu')
  await page.waitForSelector('.menu')
  if (to) await turn(`go-${to}`)
  for (const act of press) {
    await turn(act)
    for (let i = 0; until && i < 30 && await page.locator(until).count() === 0; i++) {
      await hit(act)
      await page.waitForTimeout(60)
    }
  }
  await page.waitForTimeout(300)
  return true
}
