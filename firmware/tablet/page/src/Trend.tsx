// SPDX-License-Identifier: Apache-2.0

// What was recorded, drawn over time. It is for standing still.

import { useEffect, useRef, useState } from 'preact/hooks'
import uPlot from 'uplot'
import './trend.css'
import { useAsked } from './ask'
import { Waiting } from './Care'
import { usePages } from './lists'
import { say } from './say'
import type { Acts, Room } from './screens'
import { ends, grow, holes, idsOf, nameOf, panelsOf, readTrend, rowsOf, spans, stretchOf, timeOf, turned, valueAt, type Kind, type Panel, type Span, type Trend } from './trend'
import { boxTime } from './words'
import type { Home } from './view'

const points = 300
const dashes: number[][] = [[], [14, 7], [3, 6], [14, 6, 3, 6], [24, 8], [8, 4, 2, 4, 2, 4]]

interface Choice { span: Span; back: number; kind: Kind; one: string }

/** chosen outlives the screen: who comes back finds what he looked at. */
const chosen: { now: Choice } = { now: { span: '8h', back: 0, kind: 'air', one: 'tank' } }

/** LiveValues are the box's own values of channels, in the units of the box. */
export interface LiveValues { t: string; values: Map<string, number> }

/** TrendScreen shows a set of curves over a span, or the choice of both. See page.md 9, no history on home; 8, stop first. */
export function TrendScreen({ view, acts, room, live }: { view: Home; acts: Acts; room: Room; live: LiveValues }) {
  const [what, setWhat] = useState(chosen.now)
  const [choosing, setChoosing] = useState(false)
  const pick = (to: Partial<Choice>) => {
    chosen.now = { ...what, ...to }
    setWhat(chosen.now)
  }
  if (choosing) return <Chooser view={view} room={room} what={what} pick={pick} done={() => setChoosing(false)} />
  return <Drawn view={view} acts={acts} room={room} live={live} what={what} pick={pick} choose={() => setChoosing(true)} />
}

function setName(what: Choice): string {
  const names: Record<Kind, string> = { air: say('Air'), compressor: say('Compressor'), water: say('Water'), load: say('Load'), one: nameOf(what.one) }
  return names[what.kind]
}

/** Chooser: page.md 2, targets. */
function Chooser({ view, room, what, pick, done }: { view: Home; room: Room; what: Choice; pick: (to: Partial<Choice>) => void; done: () => void }) {
  const sets: [Kind, string][] = [['air', say('Air')], ['compressor', say('Compressor')], ['water', say('Water')], ['load', say('Load')]]
  const ids = [...view.channels.map((c) => c.id), 'air.gives', 'air.use', 'air.leak', 'tank.hold']
  const size = room.phone ? 6 : 5
  const groups = [
    { name: say('Time'), all: spans.map(([code, words]) => ({ code, words: say(words), on: what.span === code, act: () => pick({ span: code, back: 0 }) })) },
    { name: say('Curves'), all: sets.map(([code, words]) => ({ code, words, on: what.kind === code, act: () => pick({ kind: code }) })) },
    ...Array.from({ length: Math.ceil(ids.length / size) }, (_, i) => ({
      name: say('One channel, {at} of {all}', { at: i + 1, all: Math.ceil(ids.length / size) }),
      all: ids.slice(i * size, i * size + size).map((id) => ({ code: `one-${id}`, words: nameOf(id), on: what.kind === 'one' && what.one === id, act: () => pick({ kind: 'one', one: id }) })),
    })),
  ]
  const { shown, more, next } = usePages(groups, room.phone ? 1 : 2)
  return (
    <div class="page trend">
      <h1>{say('Trends')}</h1>
      <ul class="groups-of choices">{shown.map((g) => (
        <li key={g.name}>
          <h2>{g.name}</h2>
          <div role="group" aria-label={g.name}>{g.all.map((o) => (
            <button key={o.code} type="button" class={`btn ${o.on ? 'on' : ''}`} aria-pressed={o.on} onClick={o.act} data-act={`trend-${o.code}`}>{o.words}</button>
          ))}</div>
        </li>
      ))}</ul>
      <div class="foot">
        <button type="button" class="btn go" onClick={done} data-act="draw">{say('Draw')}</button>
        <button type="button" class="btn" onClick={next} data-act="more">{more}</button>
      </div>
    </div>
  )
}

interface DrawnProps { view: Home; acts: Acts; room: Room; live: LiveValues; what: Choice; pick: (to: Partial<Choice>) => void; choose: () => void }

/** Drawn: page.md 1.6, missing is a hole with words. */
function Drawn({ view, acts, room, live, what, pick, choose }: DrawnProps) {
  const now = boxTime(live.t)
  const began = useRef(now)
  const key = `${what.span} ${what.back} ${what.kind} ${what.one}`
  useEffect(() => { began.current = now }, [key])
  const { from, to } = stretchOf(what.span, what.back, began.current)
  const ids = idsOf(what.kind, what.one, view.line.ranks.map((r) => r.name), view.channels.map((c) => c.id))
  const path = `api/trend?channels=${encodeURIComponent(ids.join(','))}&from=${encodeURIComponent(from)}&to=${encodeURIComponent(to)}&points=${points}`
  const asked = useAsked(path, key, readTrend)
  const grown = useGrown(asked.what, what.back === 0 ? live : undefined)
  const trend = grown && { ...grown, curves: grown.curves.map((c) => turned(c, acts.units)) }
  const long = what.span === '10d'
  const foot = room.phone ? 32 + 122 * 2 + 30 : 46 + 118
  const tall = room.height - (room.phone ? 16 : 32) - (room.phone ? 78 : 104) - foot - 24
  return (
    <div class="page trend">
      <h1>{say('Trends')}<span class="also">{trend ? say('{set}, {from} to {to}', { set: setName(what), from: timeOf(trend.from, long), to: timeOf(trend.to, long) }) : setName(what)}</span></h1>
      {trend === undefined ? <Waiting asked={asked} acts={acts} /> : <Curves trend={trend} width={room.phone ? 358 : 1200} tall={tall} phone={room.phone} long={long} light={acts.nightLabel} note={asked.trouble || trend.notes[0] || ''} />}
      <div class="foot turns">
        <button type="button" class="btn" onClick={() => acts.go('home')} data-act="go-home">{say('Home')}</button>
        {!room.phone && <button type="button" class="btn" onClick={() => acts.go('menu')} data-act="menu">{say('Menu')}</button>}
        <button type="button" class="btn" onClick={choose} data-act="choose">{say('Choose')}</button>
        <button type="button" class="btn" onClick={() => pick({ back: what.back + 1 })} data-act="earlier">{say('Earlier')}</button>
        <button type="button" class={`btn ${what.back === 0 ? 'off' : ''}`} disabled={what.back === 0} onClick={() => pick({ back: what.back - 1 })} data-act="later-span">{say('Later')}</button>
      </div>
    </div>
  )
}

/** useGrown adds what the box says now to a trend that ends now, without asking for all of it again. */
function useGrown(answer: Trend | undefined, live: LiveValues | undefined): Trend | undefined {
  const kept = useRef<{ answer: Trend | undefined; grown: Trend | undefined; t: string }>({ answer: undefined, grown: undefined, t: '' })
  if (kept.current.answer !== answer) kept.current = { answer, grown: answer, t: live?.t ?? '' }
  if (live && kept.current.grown && live.t !== kept.current.t) kept.current = { answer, grown: grow(kept.current.grown, boxTime(live.t), live.values), t: live.t }
  return kept.current.grown
}

interface CurvesProps { trend: Trend; width: number; tall: number; phone: boolean; long: boolean; light: string; note: string }

/** Curves: page.md 1.6, each curve by its own dash. */
function Curves({ trend, width, tall, phone, long, light, note }: CurvesProps) {
  const [mouse, setMouse] = useState(NaN) // share of the width
  const all = panelsOf(trend.curves)
  const high = Math.floor((tall - (note ? 30 : 0)) / Math.max(1, all.length))
  const left = phone ? 46 : 84
  const right = phone ? 84 : 170
  const wide = width - left - right
  const at = trend.from + mouse * (trend.to - trend.from)
  return (
    <div class="curves" role="group" aria-label={say('Curves; the numbers stand in a table behind them')}
      onMouseMove={(e) => {
        const box = e.currentTarget.getBoundingClientRect()
        setMouse(((e.clientX - box.left) / box.width * width - left) / wide)
      }} onMouseLeave={() => setMouse(NaN)}>
      {all.map((p) => <OnePanel key={p.unit} panel={p} trend={trend} left={left} wide={wide} high={high} phone={phone} long={long} light={light} />)}
      {mouse >= 0 && mouse <= 1 && <div class="cursor" style={{ left: `${left + mouse * wide}px`, height: `${high * all.length - 34}px` }} />}
      {mouse >= 0 && mouse <= 1 && <p class="read">{say('{time}: {values}', { time: timeOf(at, long), values: trend.curves.map((c) => valueAt(c, at)).join(', ') })}</p>}
      {note && <p class="said">{note}</p>}
      <Numbers trend={trend} long={long} />
    </div>
  )
}

/** OnePanel: page.md 3, air stands on the ground line. */
function OnePanel({ panel, trend, left, wide, high, phone, long, light }: { panel: Panel; trend: Trend; left: number; wide: number; high: number; phone: boolean; long: boolean; light: string }) {
  const host = useRef<HTMLDivElement>(null)
  const [top, bottom] = [30, 34]
  const tall = high - top - bottom
  const stamp = `${light} ${wide} ${high} ${panel.unit} ${trend.from} ${trend.to} ${panel.curves.map((c) => `${c.id} ${c.count.at(-1)} ${c.mean.at(-1)}`).join()}`
  useEffect(() => {
    if (!host.current || tall < 40) return
    const plot = draw(host.current, panel, trend, { wide, tall, top, bottom, left })
    return () => plot.destroy()
  }, [stamp])
  const line = phone ? 20 : 27
  return (
    <div class="panel" style={{ height: `${high}px` }}>
      <div ref={host} aria-hidden="true" />
      <span class="of-unit">{panel.unit}</span>
      {panel.ticks.map((v) => <span key={v} class="grade" style={{ top: `${top + (1 - (v - panel.low) / (panel.high - panel.low)) * tall - 12}px`, width: `${left - 10}px` }}>{Number(v.toPrecision(6))}</span>)}
      {timesOf(trend, phone ? 3 : 5).map((t) => <span key={t} class="hour" style={{ left: `${left + (t - trend.from) / (trend.to - trend.from) * wide}px`, top: `${high - bottom + 4}px` }}>{timeOf(t, long && !phone)}</span>)}
      {ends(panel, tall, line).map((e) => <span key={e.id} class="ends" style={{ left: `${left + wide + 8}px`, top: `${top + e.top}px` }}>{e.text}</span>)}
      {panel.curves.slice(0, 1).flatMap((c) => holes(c, trend.from, trend.to, (phone ? 70 : 110) / wide)).map(([a, b]) => (
        <span key={a} class="hole" style={{ left: `${left + (a + b) / 2 * wide}px`, top: `${top + tall / 2 - 14}px` }}>{say('not seen')}</span>
      ))}
    </div>
  )
}

/** timesOf are the round times at the foot of a drawing, away from its edges: n at most. */
function timesOf(t: Trend, n: number): number[] {
  const minute = 60_000
  const whole = t.to - t.from
  const step = [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440, 2880, 4320, 7200].map((m) => m * minute).find((s) => (whole * 0.9) / s <= n) ?? whole
  const zone = new Date(t.from).getTimezoneOffset() * minute
  const first = Math.ceil((t.from + whole * 0.05 - zone) / step) * step + zone
  return Array.from({ length: n }, (_, i) => first + i * step).filter((at) => at <= t.to - whole * 0.05)
}

interface Place { wide: number; tall: number; top: number; bottom: number; left: number }

/** draw sets the curves: a pale band from least to greatest, the mean as a line whose dash is its own. */
function draw(host: HTMLElement, panel: Panel, trend: Trend, at: Place): uPlot {
  const own = getComputedStyle(host)
  const color = (name: string) => own.getPropertyValue(`--${name}`).trim()
  const series: uPlot.Series[] = [{}]
  const bands: uPlot.Band[] = []
  const tables = panel.curves.map((c): uPlot.AlignedData => {
    const need = c.id.startsWith('need.')
    const n = series.length
    const i = panel.curves.indexOf(c)
    // What comes later lies on top: the band before the line.
    series.push(
      { stroke: 'transparent', points: { show: false } }, { stroke: 'transparent', points: { show: false } },
      { stroke: color(need ? 'ink2' : i === 0 ? 'air' : 'ink'), width: need ? 2 : 3, dash: need ? [5, 5] : dashes[i % dashes.length], points: { show: lonely(c.mean) } },
    )
    if (!need) bands.push({ series: [n, n + 1], fill: color('body') })
    return [c.mean.map((_, k) => (c.first + (k + 0.5) * c.step) / 1000), c.max, c.min, c.mean]
  })
  return new uPlot({
    width: at.left + at.wide, height: at.top + at.tall + at.bottom, padding: [0, 0, 0, 0], legend: { show: false }, cursor: { show: false }, series, bands,
    scales: { x: { time: true, range: [trend.from / 1000, trend.to / 1000] }, y: { range: [panel.low, panel.high] } },
    axes: [
      { side: 0, size: at.top, values: () => [], ticks: { show: false }, grid: { show: false } },
      { size: at.left, values: () => [], splits: () => panel.ticks, ticks: { show: false }, grid: { stroke: color('faint'), width: 2 } },
      { side: 2, size: at.bottom, values: () => [], ticks: { show: false }, grid: { show: false }, scale: 'x' },
    ],
  }, uPlot.join(tables), host)
}

/** lonely says that a curve has nothing but single points, which a line cannot show. */
function lonely(all: (number | null)[]): boolean {
  return !all.some((v, i) => v !== null && i > 0 && all[i - 1] !== null)
}

/** Numbers is what is drawn, for who cannot see it. See page.md 1.4, without colour, too. */
function Numbers({ trend, long }: { trend: Trend; long: boolean }) {
  return (
    <table class="behind">
      <caption>{say('The curves in numbers: mean, and from the least to the greatest')}</caption>
      <thead><tr><th scope="col">{say('time')}</th>{trend.curves.map((c) => <th key={c.id} scope="col">{c.name}</th>)}</tr></thead>
      <tbody>{rowsOf(trend, 12).map((r) => <tr key={r.at}><th scope="row">{timeOf(r.at, long)}</th>{r.texts.map((t, i) => <td key={i}>{t}</td>)}</tr>)}</tbody>
    </table>
  )
}
