// SPDX-License-Identifier: Apache-2.0

import { fallPath, headroom, height, leakAt, plan, risePath, split, swingOf, type Doubt, type Figure, type LineRank, type LineState, type Plan, type Size } from './line'
import type { Measure } from './payload'
import { heard, say } from './say'
import { figure, unit } from './words'

// Each part names the rule of the drawing that it keeps; data-mark names the mark, so that a test can measure it.

/**
 * PressureLine draws the air's way from the compressor to the ranks as one falling line.
 *
 * Rules (page.md 3): y is linear in gauge pressure from the ground line to a top that is fixed for the machine and never rescales;
 * one rank ends the path earlier, three get narrower steps, four and more go on two lines, nothing scrolls.
 */
export function PressureLine({ state, size }: { state: LineState; size: Size }) {
  const parts = split(state)
  const each = { ...size, height: size.height / parts.length }
  return <div class="line">{parts.map((s, i) => <OneLine key={i} s={s} size={each} />)}</div>
}

/** OneLine: page.md 3, y, dotted and solid rise, supply. */
function OneLine({ s, size }: { s: LineState; size: Size }) {
  const p = plan(size, s.ranks.length)
  const y = (kPa: number) => height(p, s.top, kPa)
  const tankY = s.tank ? y(s.tank.kPa) : undefined
  const last = p.slots.at(-1)
  const gone = size.gone ?? 0
  return (
    <svg width={size.width} height={size.height} viewBox={`0 0 ${size.width} ${size.height}`} role="img" aria-label={spoken(s)}>
      {tankY !== undefined && <rect class="body" data-mark="body" x={p.tank.from} y={tankY} width={p.tank.to - p.tank.from} height={Math.max(0, p.ground - tankY)} />}
      {s.ranks.map((rank, i) => {
        const slot = p.slots[i]
        if (!rank.pressure || !slot) return null
        const top = y(rank.pressure.kPa)
        return <rect key={i} class="body" data-mark="body" x={slot.step} y={top} width={slot.end - slot.step} height={Math.max(0, p.ground - top)} />
      })}
      <line class="ground" data-mark="ground" x1="0" x2={size.width} y1={p.ground} y2={p.ground} />
      {s.compressorSeen && tankY !== undefined && <path class={s.running ? 'air' : 'air rest'} data-mark={s.running ? 'rise-running' : 'rise-resting'} d={risePath(p, tankY)} />}
      {tankY !== undefined && last && <path class="air thin" data-mark="supply" d={`M${p.tank.to} ${tankY} H${last.fall + 1}`} />}
      {!size.small && gone < 3 && <text class="t-quiet" x="0" y={compressorY(p, tankY)} data-compressor={s.compressor}>{say(s.compressor)}</text>}
      <Tank p={p} s={s} small={size.small} gone={gone} />
      {s.ranks.map((rank, i) => <Rank key={i} p={p} s={s} rank={rank} i={i} small={size.small} gone={gone} />)}
      <Room p={p} s={s} small={size.small} />
      <Leak p={p} s={s} small={size.small} />
      {!size.small && gone < 3 && <text class="t-quiet" x="0" y={p.ground + 36}>{say('compressor')}</text>}
      <text class="t-quiet" x={(p.tank.from + p.tank.to) / 2} y={p.ground + (size.small ? 24 : 36)} text-anchor="middle">{s.unit ? say('tank, {unit}', { unit: s.unit }) : say('tank')}</text>
    </svg>
  )
}

function compressorY(p: Plan, tankY: number | undefined): number {
  return tankY === undefined ? p.ground - 34 : Math.min((p.ground + tankY) / 2 + 10, p.ground - 26)
}

function spoken(s: LineState): string {
  const of = (f: Figure | undefined) => {
    if (!f) return say('not seen')
    const n = `${f.text} ${unit(f.measure)}`
    return f.age ? say('{n}, {age} old', { n, age: f.age }) : n
  }
  return [
    say('Pressure along the air path: compressor {word}', { word: say(s.compressor) }), say('tank {n}', { n: of(s.tank) }),
    ...s.ranks.map((r) => say('{rank} bags: {n}', { rank: heard(r.name), n: of(r.pressure) })),
  ].join('; ')
}

/** Num is a pressure with its age once it is old. Rules: the number stands in the pale body of its step; an old one turns grey and tells its age. See page.md 3, thick step; 8, stale. */
function Num({ f, what, x, y, small, tight, many = false }: { f: Figure; what: string; x: number; y: number; small: boolean; tight: boolean; many?: boolean }) {
  return (
    <text class={`t-num${f.age ? ' old' : ''}${tight ? ' tight' : many && f.text.length > 3 ? ' narrow' : ''}`} x={x} y={y} text-anchor="middle" data-what={what} data-value={f.measure.value} data-unit={f.measure.unit} data-old={f.age}>
      {f.text}{f.age && <tspan class="t-unit" dx="1">{small ? ` ${f.age}` : `, ${f.age}`}</tspan>}
    </text>
  )
}

/** Step is a measured pressure, a 1 s mean. Rules: measured is solid and thick; an old one is only an outline; one in doubt is a hatched band as high as its interval. See page.md 3, thick step, doubt; 8, stale. */
function Step({ f, from, to, y, doubt }: { f: Figure; from: number; to: number; y: number; doubt: { high: number; low: number } | undefined }) {
  if (doubt) return <Band from={from} to={to} high={doubt.high} low={doubt.low} />
  return f.age ? <rect class="hollow" data-mark="step-old" x={from + 1.5} y={y - 5} width={to - from - 3} height="10" /> : <path class="air" data-mark="step" d={`M${from} ${y} H${to}`} />
}

/** Words of the last rank may stand this far out towards the rail. */
const margin = 28

/** tightRow is true where two lines of ranks share the room of one. */
function tightRow(p: Plan): boolean {
  return p.ground < 150
}

/** bodyOf is how high a body must be to hold its number. */
function bodyOf(small: boolean): number {
  return small ? 34 : 58
}

/** numberY puts a number into the body under its step, or above the step where the body is too low. */
function numberY(p: Plan, y: number, above: number, small: boolean): number {
  return p.ground - y >= bodyOf(small) ? (p.ground + y) / 2 + (small ? 13 : 22) : Math.min(y, above) - 14
}

/** bandOf puts an interval on the glass. */
function bandOf(p: Plan, top: number, d: Doubt | undefined): { high: number; low: number } | undefined {
  return d && { high: height(p, top, d.high), low: height(p, top, d.low) }
}

/**
 * Tank is the first step, between the brackets of its normal swing.
 *
 * Rules (page.md 3, square brackets, missing sensor): brackets from cut-in to cut-out; once the step has left them the word "normal" stands in them and the fall per
 * minute beside the step; a tank that is not seen leaves a hole with words, and no supply line.
 */
function Tank({ p, s, small, gone }: { p: Plan; s: LineState; small: boolean; gone: number }) {
  const mid = (p.tank.from + p.tank.to) / 2
  const swing = swingOf(p, s)
  const { from, to } = p.tank
  const y = s.tank ? height(p, s.top, s.tank.kPa) : 0
  return (
    <g>
      {swing && <path class="mark" data-mark="swing" d={`M${from + 14} ${swing.from} H${from + 1.5} V${swing.to} H${from + 14} M${to - 14} ${swing.from} H${to - 1.5} V${swing.to} H${to - 14}`} />}
      {swing && !swing.inside && !small && gone < 5 && <text class="t-quiet" x={mid} y={(swing.from + swing.to) / 2 + 9} text-anchor="middle">{say('normal')}</text>}
      {s.tank ? (
        <g>
          <Step f={s.tank} from={from} to={to} y={y} doubt={bandOf(p, s.top, s.doubt)} />
          <Num f={s.tank} what="tank" x={mid} y={numberY(p, y, y, small || tightRow(p)) - (swing?.fall === 'body' ? 16 : 0)} small={small} tight={tightRow(p)} />
        </g>
      ) : <text class="t-quiet" x={mid} y={p.ground - 34} text-anchor="middle" data-unseen="tank">{say('not seen')}</text>}
      {s.tank && s.fall && swing?.fall === 'body' && !small && (
        <text class="t-quiet" x={mid} y={(p.ground + y) / 2 + 50} text-anchor="middle" data-what="fall" data-value={s.fall.measure.value} data-unit={s.fall.measure.unit}>{say('falls {n}/min', { n: s.fall.text })}</text>
      )}
      {s.tank && s.fall && swing?.fall === 'arrow' && !small && (
        <g>
          <path class="mark falling" data-mark="falling" d={`M${mid} ${swing.to + 10} V${y - 26}`} />
          <path class="mark heavy" d={`M${mid - 11} ${y - 26} l11 14 l11 -14`} />
          <text class="t-quiet" x={mid - 16} y={(swing.to + y) / 2 + 8} text-anchor="end" data-what="fall" data-value={s.fall.measure.value} data-unit={s.fall.measure.unit}>{s.fall.text} {unit(s.fall.measure).replace('/min', '')}</text>
          <text class="t-quiet" x={mid + 18} y={(swing.to + y) / 2 + 8}>{say('a minute')}</text>
        </g>
      )}
    </g>
  )
}

/**
 * Rank is a step with the tick of its need behind it.
 *
 * Rules (page.md 3, tick, assumed need, missing sensor, impossible): the tick goes on where the step ends, so that two ends out of line meet the eye; a step below its tick has a
 * hatched gap with a hard edge and says by how much; an assumed need is dashed and says so; a need that is not heard
 * has no tick; of a raised machine the ticks are grey and nothing is short; a rank that is not seen keeps its tick; a
 * rank above the tank is drawn as it is, with the diamond and "cannot be".
 */
function Rank({ p, s, rank, i, small, gone }: { p: Plan; s: LineState; rank: LineRank; i: number; small: boolean; gone: number }) {
  const slot = p.slots[i]
  if (!slot) return null
  const mid = (slot.step + slot.end) / 2
  const y = rank.pressure ? height(p, s.top, rank.pressure.kPa) : undefined
  const needY = rank.need ? height(p, s.top, rank.need.kPa) : undefined
  const short = rank.short && rank.short.value > 0 && y !== undefined && needY !== undefined && needY < y ? rank.short : undefined
  const name = small || gone > 2 || s.ranks.length > 2 ? heard(rank.name) : say('{rank} bags', { rank: heard(rank.name) })
  const last = i === s.ranks.length - 1
  const wordX = last ? slot.tick + margin : slot.end + 8
  const tight = tightRow(p)
  const top = Math.min(y ?? p.ground, short && needY !== undefined ? needY : p.ground)
  // A number that finds no room in its body stands above; beside the word for the shortage it is small and to the left.
  const low = y !== undefined && p.ground - y < bodyOf(small)
  const beside = short !== undefined && y !== undefined && (tight || low)
  const little = tight || (gone > 2 && low) // where all is narrow a low body holds a small number
  return (
    <g data-rank={rank.name} data-short={short ? '' : undefined} data-raised={rank.raised ? '' : undefined}>
      {rank.pressure && y !== undefined && (
        <g>
          {s.tank && <path class="air thin" data-mark="fall" d={fallPath(slot, height(p, s.top, s.tank.kPa), y)} />}
          <Step f={rank.pressure} from={slot.step} to={slot.end} y={y} doubt={bandOf(p, s.top, rank.doubt)} />
          {short && needY !== undefined && (
            <g class="alarm-ink">
              <rect class="hatch" data-mark="gap" x={slot.step} y={needY} width={slot.end - slot.step} height={Math.max(0, y - 5 - needY)} />
              <path class="edge" data-mark="edge" d={`M${slot.step} ${needY} H${slot.end}`} />
            </g>
          )}
          <Num f={rank.pressure} what={rank.name} x={beside ? slot.step + (gone > 2 ? 18 : 36) : mid} y={numberY(p, y, top, small || little)} small={small || s.ranks.length > 2} tight={little || beside} many={s.ranks.length > 2} />
        </g>
      )}
      {!rank.pressure && <text class="t-quiet" x={mid} y={p.ground - 34} text-anchor="middle" data-unseen={rank.name}>{small ? say('unseen') : say('not seen')}</text>}
      {needY !== undefined && rank.need && (
        <g>
          <path class={`need${rank.assumed ? ' assumed' : ''}${rank.raised ? ' raised' : ''}`} data-mark="need" d={`M${slot.end} ${needY} H${slot.tick}`} data-what={`need-${rank.name}`} data-value={rank.need.measure.value} data-unit={rank.need.measure.unit} />
          {!small && (short || (!tight && gone < 4)) && !(last && s.ranks.length > 2 && (rank.assumed || rank.raised)) && <NeedWord p={p} slot={slot} y={needY} rank={rank} short={short} last={last} />}
        </g>
      )}
      {needY === undefined && !small && gone < 4 && rank.pressure && y !== undefined && s.ranks.length <= 2 && (
        <text class={`t-quiet clear${last ? ' slim' : ''}`} text-anchor={last ? 'end' : 'start'} data-need="not heard">
          <tspan x={last ? wordX + 6 : wordX} y={Math.min(y + 30, p.ground - 44)}>{say('need not')}</tspan><tspan x={last ? wordX + 6 : wordX} dy="30">{say('heard')}</tspan>
        </text>
      )}
      {rank.impossible && y !== undefined && (
        <g class="medium">
          <polygon class="shape" data-mark="cannot-be" points={`${slot.step + 24},${y + 14} ${slot.step + 36},${y + 26} ${slot.step + 24},${y + 38} ${slot.step + 12},${y + 26}`} />
          {!small && <text class="t-quiet strong" x={slot.step + 44} y={y + 35} data-impossible={rank.name}>{say('cannot be')}</text>}
        </g>
      )}
      <text class="t-quiet" x={mid} y={p.ground + (small ? 24 : 36)} text-anchor="middle">{name}</text>
    </g>
  )
}

/** NeedWord is what the tick says. Rule: "need" while it is in line, else by how much it is short, or why it does not count. See page.md 3, tick. */
function NeedWord({ p, slot, y, rank, short, last }: { p: Plan; slot: { end: number; tick: number }; y: number; rank: LineRank; short: Measure | undefined; last: boolean }) {
  if (short) {
    return <text class="t-glance alarm-ink clear" x={slot.tick} y={y - 16} text-anchor="end" data-what={`short-${rank.name}`} data-value={short.value} data-unit={short.unit}>{say('{n} short', { n: figure(short) })}</text>
  }
  const plain = !rank.raised && !rank.assumed
  const word = rank.raised ? say('raised') : rank.assumed ? say('assumed') : say('need')
  const under = y + 34 < p.ground - 2
  const over = plain ? 0 : margin
  return <text class="t-quiet" x={last ? slot.tick + over : slot.end + 8} y={under ? y + 33 : y - 14} text-anchor={last ? 'end' : 'start'}>{word}</text>
}

/** Band is the step drawn as high as it may be wrong. Rule: uncertain is hatched in its own width. See page.md 3, doubt. */
function Band({ from, to, high, low }: { from: number; to: number; high: number; low: number }) {
  const h = Math.max(6, low - high)
  const d = []
  for (let a = 6; a < to - from + h; a += 12) d.push(`M${a} -2 L${a - h - 4} ${h + 2}`)
  return (
    <g>
      <rect class="hollow" data-mark="doubt" x={from + 1} y={high} width={to - from - 2} height={h} />
      <svg class="clip" x={from + 1} y={high} width={to - from - 2} height={h}><path class="doubt" d={d.join(' ')} /></svg>
    </g>
  )
}

/** Room is the headroom. Rule: a two-headed arrow from the supply to the highest need, told as minutes; no headroom, no arrow; without the tank the time is not known. See page.md 3, two-headed arrow. */
function Room({ p, s, small }: { p: Plan; s: LineState; small: boolean }) {
  const h = headroom(p, s, small)
  const first = p.slots[0]
  if (s.tank === undefined && first && !small && s.ranks[0]?.need) {
    return <text class="t-quiet" x={first.tick} y={height(p, s.top, s.ranks[0].need.kPa) - 24} text-anchor="end">{say('time not known')}</text>
  }
  if (h === undefined || s.left === undefined) return null
  const mid = (h.from + h.low) / 2
  const arrow = `M${h.x} ${h.from} V${h.low} m-7 -11 l7 11 l7 -11 M${h.x - 7} ${h.from + 11} l7 -11 l7 11`
  const base = h.text === 'two' ? mid + 5 : mid + 18
  return (
    <g>
      <path class="mark" data-mark="headroom" d={arrow} />
      {h.text !== 'none' && (
        <text class={h.text === 'two' ? 't-big' : 't-num'} x={h.x - 24} y={base} text-anchor="end" data-what="left" data-value={s.left.text.replace(/\D+/g, '')} data-unit="min">
          {s.left.about && <tspan class="t-unit">{say('about')} </tspan>}{s.left.text}<tspan class="t-unit" dx="8">min</tspan>
        </text>
      )}
      {h.text === 'two' && <text class="t-quiet" x={h.x - 24} y={mid + 39} text-anchor="end">{say('in the tank')}</text>}
    </g>
  )
}

/** Leak is three strokes that leave the line where the air does. Rule: a place, never a size: that is the bar's. See page.md 3, three strokes. */
function Leak({ p, s, small }: { p: Plan; s: LineState; small: boolean }) {
  const at = leakAt(s)
  if (at === undefined || s.leak === undefined || s.leak.priority === 'none') return null
  const slot = p.slots[at]
  const f = s.ranks[at]?.pressure ?? s.tank
  if (f === undefined) return null
  const y = Math.min(height(p, s.top, f.kPa), p.ground - 64)
  const k = small ? 0.5 : 1
  const toLeft = slot !== undefined
  // Where the rank stands so low that the strokes are raised, they keep left of the falling line.
  const x = slot ? slot.step - (height(p, s.top, f.kPa) > y ? 26 * k : 0) : p.tank.to
  const dir = toLeft ? -1 : 1
  const stroke = (x0: number, y0: number, dx: number, dy: number) => `M${x + dir * x0 * k} ${y + y0 * k} l${dir * dx * k} ${dy * k}`
  const d = [stroke(12, 3, 40, 0), stroke(10, 12, 35, 14), stroke(5, 21, 20, 24)].join(' ')
  return (
    <g class={s.leak.priority}>
      <path class="strokes" data-mark="leak" d={d} />
      {!small && <text class="t-quiet strong" x={toLeft ? x - 34 : x + 8} y={y + (toLeft ? 60 : 74)} text-anchor={toLeft ? 'end' : 'start'} data-leak={s.leak.where}>{say('leak')}</text>}
    </g>
  )
}
