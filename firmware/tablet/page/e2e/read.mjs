// SPDX-License-Identifier: Apache-2.0

// What a person can read off a page, taken from its data attributes.

import { goTo } from './browser.mjs'

/** figures returns every figure on the page: {tank: {value, unit, text, old}, ...}. Facts are listed under "facts". */
export async function figures(page) {
  return page.evaluate(() => {
    const out = { facts: [] }
    for (const e of document.querySelectorAll('[data-value]')) {
      const one = { value: Number(e.getAttribute('data-value')), unit: e.getAttribute('data-unit'), text: e.textContent.trim(), old: e.getAttribute('data-old') }
      const what = e.getAttribute('data-what')
      if (what === 'fact') out.facts.push({ ...one, words: e.parentElement.textContent.trim() })
      else out[what] = one
    }
    return out
  })
}

/** look returns the page's state: screen, state, whether it is live, the head's ink and words, and all figures. */
export async function look(page) {
  const main = await page.evaluate(() => {
    const text = (q) => document.querySelector(q)?.textContent.trim() ?? ''
    const m = document.querySelector('main')
    return {
      screen: m?.dataset.screen ?? '', state: m?.dataset.state ?? '', live: m?.dataset.live === 'yes', word: text('h1'), ink: document.querySelector('.top')?.dataset.ink ?? '',
      top: text('.top'), foot: text('.sim'), clock: text('.clock'), trouble: text('.trouble'), compressor: document.querySelector('[data-compressor]')?.dataset.compressor ?? '',
      unseen: [...document.querySelectorAll('[data-unseen]')].map((e) => e.dataset.unseen), buttons: [...document.querySelectorAll('button')].map((b) => b.dataset.act),
    }
  })
  return { ...main, figures: await figures(page) }
}

/** live waits until the page shows readings. */
export async function live(page, timeout = 15_000) {
  await page.waitForFunction(() => document.querySelector('main')?.dataset.live === 'yes', undefined, { timeout })
}

/** toHome leaves the first screen of the day, which shows no live pressures. */
export async function toHome(page) {
  if (await page.getAttribute('main', 'data-screen') !== 'morning') return
  await goTo(page, 'home')
  await page.waitForSelector('main[data-screen=home]')
}
