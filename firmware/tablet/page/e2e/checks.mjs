// SPDX-License-Identifier: Apache-2.0

// What must hold on every screen: no violation that axe knows, no text on text, presses as large as a gloved finger.

import { readFileSync } from 'node:fs'
import { createRequire } from 'node:module'

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8')

/** violations runs axe on the page as it is, with the stricter contrast rule of WCAG 1.4.6 switched on. */
export async function violations(page) {
  await page.evaluate(axe)
  const found = await page.evaluate(() => globalThis.axe.run(document, { rules: { 'color-contrast-enhanced': { enabled: true } } }))
  return found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(' | ')}`)
}

/** collisions lists texts that leave the glass, and texts that lie on one another or on a button. What is scrolled out of its box is not on the glass. */
export async function collisions(page) {
  return page.evaluate(() => {
    const view = (e) => {
      const r = { left: -Infinity, top: -Infinity, right: Infinity, bottom: Infinity }
      for (let p = e.parentElement; p; p = p.parentElement) {
        if (getComputedStyle(p).overflowY !== 'auto') continue
        const c = p.getBoundingClientRect()
        r.left = Math.max(r.left, c.left)
        r.top = Math.max(r.top, c.top)
        r.right = Math.min(r.right, c.right)
        r.bottom = Math.min(r.bottom, c.bottom)
      }
      return r
    }
    const boxes = [...document.querySelectorAll('main text, main button, main a, main .facts p, main .top p, main h1, main h2, main .clock, main .sim, main .foot-note, main .test p, main .test li, main .test small, main .test td, main .test th, main .test label, main .chores p, main .said, main .split p, main .notes li, main .learned li, main .wire span, main .wire b, main .pieces p, main .pieces b, main .pieces span, main .pieces svg, main .pieces label, main .page > p')]
      .flatMap((e) => {
        const range = document.createRange()
        range.selectNodeContents(e)
        const r = ['BUTTON', 'A', 'text'].includes(e.tagName) ? e.getBoundingClientRect() : range.getBoundingClientRect()
        const v = view(e)
        const on = { left: Math.max(r.left, v.left), top: Math.max(r.top, v.top), right: Math.min(r.right, v.right), bottom: Math.min(r.bottom, v.bottom) }
        return on.right - on.left > 0 && on.bottom - on.top > 0 ? [{ name: `${e.tagName} ${e.textContent.trim().slice(0, 40)}`, r: on, e }] : []
      })
    const bad = []
    const cut = 9 * Number(document.querySelector('main').style.zoom) // a line box has room above and below its letters
    for (const b of boxes) {
      if (b.r.left < -1 || b.r.top < -1 || b.r.right > innerWidth + 1 || b.r.bottom > innerHeight + 1) bad.push(`outside: ${b.name}`)
    }
    for (let i = 0; i < boxes.length; i++) {
      for (let j = i + 1; j < boxes.length; j++) {
        const [a, b] = [boxes[i], boxes[j]]
        if (a.e.contains(b.e) || b.e.contains(a.e)) continue
        const w = Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left)
        const h = Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top)
        if (w > 3 && h > cut) bad.push(`overlap: ${a.name} / ${b.name} (${w.toFixed(0)} x ${h.toFixed(0)})`)
      }
    }
    return bad
  })
}

/** small lists presses below side px of the frame's own scale, and presses nearer to one another than apart. */
export async function small(page, side, apart) {
  return page.evaluate(([least, gap]) => {
    const zoom = Number(document.querySelector('main').style.zoom)
    // What is scrolled out of its box cannot be pressed by mistake.
    const onGlass = (e) => {
      const p = e.closest('.middle, .at-result')
      const r = e.getBoundingClientRect()
      const v = p && getComputedStyle(p).overflowY === 'auto' ? p.getBoundingClientRect() : undefined
      return v ? { left: r.left, right: r.right, top: Math.max(r.top, v.top), bottom: Math.min(r.bottom, v.bottom) } : r
    }
    const every = [...document.querySelectorAll('main button, main a.btn')].map((e) => ({ name: e.textContent.trim().slice(0, 30), r: e.getBoundingClientRect(), g: onGlass(e) })).filter((b) => b.r.width > 0)
    const bad = every.filter((b) => b.r.width < least * zoom - 1 || b.r.height < least * zoom - 1).map((b) => `small: ${b.name} ${(b.r.width / zoom).toFixed(0)} x ${(b.r.height / zoom).toFixed(0)}`)
    const all = every.filter((b) => b.g.bottom > b.g.top)
    for (let i = 0; i < all.length; i++) {
      for (let j = i + 1; j < all.length; j++) {
        const [a, b] = [all[i].g, all[j].g]
        const dx = Math.max(a.left, b.left) - Math.min(a.right, b.right)
        const dy = Math.max(a.top, b.top) - Math.min(a.bottom, b.bottom)
        if (Math.max(dx, dy) < gap * zoom - 1) bad.push(`near: ${all[i].name} / ${all[j].name} ${(Math.max(dx, dy) / zoom).toFixed(0)}`)
      }
    }
    return bad
  }, [side, apart])
}

/** spilled lists presses whose words are wider or higher than they are. */
export async function spilled(page) {
  return page.evaluate(() => [...document.querySelectorAll('main button, main a.btn')].flatMap((e) => {
    const range = document.createRange()
    range.selectNodeContents(e)
    const [t, r] = [range.getBoundingClientRect(), e.getBoundingClientRect()]
    return t.left < r.left || t.right > r.right || t.top < r.top || t.bottom > r.bottom ? [`spilled: ${e.textContent.trim().slice(0, 30)}`] : []
  }))
}

/** cut lists boxes whose content is higher than they are: something would have to be scrolled for. */
export async function cut(page, of = '.middle, .todo, .state, .groups') {
  return page.evaluate((q) => [...document.querySelectorAll(q)].filter((e) => e.scrollHeight > e.clientHeight + 2 && getComputedStyle(e).overflowY !== 'visible')
    .map((e) => `cut: ${e.className} ${e.scrollHeight} in ${e.clientHeight}`), of)
}

/** shortened lists quiet sentences that do not end on the glass; only what is wrong with the box may be cut short. */
export async function shortened(page, must = '') {
  return page.evaluate((m) => [...document.querySelectorAll('main .foot-note')].filter((e) => e.scrollWidth > e.clientWidth && e.textContent !== m).map((e) => `shortened: ${e.textContent}`), must)
}

/** crowded says where the drawing runs into the head above it, or is pressed too flat to be read: under 100 px of the frame. */
export async function crowded(page) {
  return page.evaluate(() => {
    const main = document.querySelector('main')
    const zoom = Number(main.style.zoom)
    const drawn = [...main.querySelectorAll('.line svg')]
    if (drawn.length === 0) return []
    const bad = []
    const bottoms = [...main.querySelectorAll('.top h1, .top h2, .top p')].map((e) => {
      const range = document.createRange()
      range.selectNodeContents(e)
      return range.getBoundingClientRect().bottom
    })
    const top = main.querySelector('.top')
    if (['high', 'medium'].includes(top.dataset.ink)) {
      if (Math.max(...bottoms) > top.getBoundingClientRect().bottom + 1) bad.push('the head is too small for its words')
      bottoms.push(top.getBoundingClientRect().bottom)
    }
    const marks = [...drawn[0].querySelectorAll('path, rect, text')].map((e) => e.getBoundingClientRect().top)
    const over = Math.max(...bottoms) - Math.min(...marks)
    if (over > 4 * zoom) bad.push(`the drawing begins ${(over / zoom).toFixed(0)} px inside the head`)
    const high = (drawn[0].querySelector('.ground').getBoundingClientRect().top - drawn[0].getBoundingClientRect().top) / zoom
    if (high < (drawn.length > 1 ? 60 : 100)) bad.push(`the drawing is only ${high.toFixed(0)} px high`)
    return bad
  })
}
