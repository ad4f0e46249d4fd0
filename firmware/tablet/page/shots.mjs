// SPDX-License-Identifier: Apache-2.0

// Takes pictures of the built page in every invented state and of every screen:
//
//	[SIZES='1280x800 390x844'] [LIGHTS=day] [LANGUAGE=de] node shots.mjs [FOLDER [NAME...]]
//
// A name is one of fake/scenes.mjs, fake/screens.mjs or fake/tests.mjs, or silent.

import { mkdir } from 'node:fs/promises'
import { join } from 'node:path'
import { goTo, openBrowser } from './e2e/browser.mjs'
import { openBox } from './fake/box.mjs'
import { scenes } from './fake/scenes.mjs'
import { lead, screens } from './fake/screens.mjs'
import { tests } from './fake/tests.mjs'

const [folder = 'shots', ...only] = process.argv.slice(2)
const sizes = (process.env.SIZES ?? '1280x800 1024x600 390x844 320x568').split(/[ ,]+/).map((s) => [s.split('x')[0], ...s.split('x').map(Number)])
await mkdir(folder, { recursive: true })
const box = await openBox()
const browser = await openBrowser()
for (const [name, width, height] of sizes) {
  for (const light of (process.env.LIGHTS ?? 'day night').split(/[ ,]+/)) {
    const context = await browser.newContext({ viewport: { width, height }, timezoneId: 'UTC' })
    await context.addInitScript(([l, language]) => {
      localStorage.setItem('airhold-light', l)
      localStorage.setItem('airhold-language', language)
    }, [light, process.env.LANGUAGE ?? 'en'])
    const page = await context.newPage()
    await page.goto(box.url)
    for (const scene of only.length > 0 ? only.filter((o) => !tests[o]) : [...Object.keys(scenes), 'silent', ...Object.keys(screens)]) {
      box.hush(false)
      box.show(scenes[scene] ? scene : screens[scene]?.scene ?? 'healthy')
      await page.waitForFunction(() => document.querySelector('main')?.dataset.live === 'yes')
      await page.waitForTimeout(700)
      if (scene === 'silent') {
        box.hush(true)
        await page.waitForTimeout(4000)
      }
      if (screens[scene] && !await lead(page, box, scene)) continue
      await page.screenshot({ path: join(folder, `${scene}-${name}-${light}.png`) })
      if (scene !== 'silent' && await page.getAttribute('main', 'data-screen') !== 'home') await page.goto(box.url)
    }
    box.hush(false)
    box.show('parked')
    for (const name of only.length > 0 ? only.filter((o) => tests[o]) : Object.keys(tests)) {
      if (await page.locator('[data-act=go-home]').count() > 0) await page.click('[data-act=go-home]')
      box.test(name)
      await page.waitForTimeout(500)
      await goTo(page, 'test')
      await page.waitForSelector('[data-act=last], [data-step]')
      if (await page.locator('[data-act=last]').count() > 0) await page.click('[data-act=last]')
      await page.waitForTimeout(200)
      await page.screenshot({ path: join(folder, `test-${name}-${width}-${light}.png`) })
    }
    box.test(undefined)
    await context.close()
  }
}
await browser.close()
await box.close()
