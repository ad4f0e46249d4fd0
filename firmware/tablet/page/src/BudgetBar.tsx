// SPDX-License-Identifier: Apache-2.0

import { bar, type BarState, type Label, type Segment } from './bar'
import { say } from './say'
import { figure } from './words'

/**
 * BudgetBar draws what is used against what the compressor can give.
 *
 * Rules (page.md 4): the post stands at the same place on every machine and day, short of it is spare and past it is short; the
 * order is bags, known drains, leak, spare; an unsure post is as wide as its interval; without a post there is no spare;
 * an overhang longer than its room is cut with an arrow and the number; there is no legend.
 */
export function BudgetBar({ state, width, tall, small = width < 500 }: { state: BarState; width: number; tall: number; small?: boolean }) {
  const loud = small ? 22 : 34
  const b = bar(state, width, loud, small ? 19 : 27)
  const thick = small ? 34 : tall < 110 ? 44 : 46
  const y = tall - thick - 2
  const text = (l: Label, base: number, i: number) => (
    <text key={i} class={`${l.loud ? 't-glance' : 't-quiet'} ink-${l.ink}`} x={l.x} y={base} text-anchor={l.anchor} data-what={l.what} data-value={l.measure.value} data-unit={l.measure.unit}>
      {l.text}
    </text>
  )
  return (
    <svg class="bar" width={width} height={tall} viewBox={`0 0 ${width} ${tall}`} role="img" aria-label={spoken(state)}>
      {b.outlined && b.post !== undefined && <rect class="frame-line" data-part="spare" x="0" y={y} width={b.post} height={thick} />}
      {b.postWidth && <rect class="hatch quiet" data-part="post-doubt" x={b.postWidth.from} y={y} width={b.postWidth.to - b.postWidth.from} height={thick} />}
      {b.segments.map((s) => <Part key={s.name} s={s} y={y} h={thick} state={state} />)}
      {b.stripes && <Stripes x={b.stripes.x} y={y} w={b.stripes.width} h={thick} />}
      {b.cut && <path class={`cut ink-${state.shortInk}`} data-part="cut" d={`M${width - 16} ${y + 6} l12 ${thick / 2 - 6} l-12 ${thick / 2 - 6}`} />}
      {b.post !== undefined && <path class="post" data-part="post" d={`M${b.post} ${y - 12} V${y + thick + 2}`} />}
      {b.top.map((l, i) => text(l, y - 14, i))}
      {b.inside.map((l, i) => text(l, y + thick / 2 + loud * 0.36, i))}
      {b.words && (b.post === undefined ? <text class="t-quiet" x={width} y={y - 14} text-anchor="end">{b.words}</text> : <text class="t-quiet" x={b.segments.reduce((x, g) => Math.max(x, g.x + g.width + 14), 0)} y={y + thick / 2 + 10}>{b.words}</text>)}
    </svg>
  )
}

/** Part is one use, or the overhang. Rules: the overhang is measured, so its end is sharp; the leak takes the ink of its alarm; what is too thin to see keeps 4 px. See page.md 4, order and the leak's ink. */
function Part({ s, y, h, state }: { s: Segment; y: number; h: number; state: BarState }) {
  if (s.name === 'spare') return null
  if (s.name === 'short') {
    return <g class={`ink-${state.shortInk}`} data-part="short"><rect class="hatch framed" x={s.x} y={y} width={s.width} height={h} /></g>
  }
  const look = s.name === 'leak' && state.mark ? `part leak ink-${state.mark.priority}` : `part ${s.name}`
  return <rect class={look} x={s.x} y={y} width={s.width} height={h} data-part={s.name} />
}

/** Stripes in the ground's colour. Rule: the cut between bags and leak is the unsure one, and may lie anywhere in here. See page.md 4, the split bags / leak. */
function Stripes({ x, y, w, h }: { x: number; y: number; w: number; h: number }) {
  const d = []
  for (let a = 7; a < w + h; a += 14) d.push(`M${a} -2 L${a - h - 4} ${h + 2}`)
  return <svg class="clip" data-part="stripes" x={x} y={y} width={w} height={h}><path class="stripes" d={d.join(' ')} /></svg>
}

function spoken(s: BarState): string {
  return [
    say('Air budget'), s.gives ? say('compressor gives {n}', { n: `${figure(s.gives)} ${s.gives.unit}` }) : say('what the compressor can give is not known'),
    s.bags && say('bags {n}', { n: figure(s.bags) }), s.drains && say('drains {n}', { n: figure(s.drains) }), s.leak && say('leak {n}', { n: figure(s.leak) }),
    s.use && say('use {n}', { n: figure(s.use) }), s.spare && say('{n} to spare', { n: figure(s.spare) }), s.short && say('{n} short', { n: figure(s.short) }),
  ].filter((x) => x).join('; ')
}
