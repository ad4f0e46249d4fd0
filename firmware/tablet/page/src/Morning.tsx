// SPDX-License-Identifier: Apache-2.0

import './care.css'
import { textWidth } from './bar'
import { between, Square, tallOf, type Row } from './Care'
import { sentence, share, type CareItem } from './care'
import { fit, lines, noteLines } from './measure'
import { night, nightCurve, spoken, type MorningView, type NightSize, type Share } from './morning'
import { key, say } from './say'
import { Answer, Button, Rail, Top, type Acts, type Room } from './screens'
import type { Home } from './view'
import { unit } from './words'

/** MorningScreen is the first screen of the day: what the night has left, and what is due before work. See page.md 7, held overnight; cooling, leak. */
export function MorningScreen({ view, morning, room, acts }: { view: Home; morning: MorningView; room: Room; acts: Acts }) {
  const { phone } = room
  const head = phone && morning.places ? { ...morning.head, rows: [...morning.head.rows, { when: 'Where' as const, text: morning.places }].slice(0, 2) } : morning.head
  const at = places(room, head, morning, view.care)
  const more = view.care.length - at.chores.length
  const across = phone ? 358 : 1170 - textWidth(view.sim, 21)
  const note = more > 0 ? say('{n} more due, in Menu, Care', { n: more }) : fit(view.note, across, phone ? 17 : 21, view.banner)
  return (
    <div class={`home first ink-of-${head.ink}`}>
      <Top head={head} phone={phone} also={phone ? '' : morning.places} />
      <Answer head={head} acts={acts} test={undefined} />
      <div class="clock">{view.clock}</div>
      <section class="zone" style={{ top: `${at.line}px` }} aria-label={say('Overnight')}>
        {at.tall > 0 && <NightDrawing v={morning} size={{ width: phone ? 358 : 1042, height: at.tall, small: phone }} />}
        {phone && <div class="split">{[morning.cooling, morning.lost].map((s, i) => s && <p key={i}><b>{s.text}</b> {s.about}</p>)}</div>}
      </section>
      <section class="zone" style={{ top: `${at.care}px` }} aria-label={say('Care due')}>
        {view.care.length === 0 && <p class="none">{say('Nothing due.')}</p>}
        {at.shared && <p class="said"><b>{say('For each:')}</b> {at.shared}</p>}
        <ul class="chores">{at.chores.map((c) => <Chore key={c.item} c={c} acts={acts} moving={view.moving} />)}</ul>
      </section>
      {acts.trouble ? <p class="trouble" role="status">{acts.trouble}</p> : note && <p class="foot-note" style={{ maxWidth: `${across}px` }}>{note}</p>}
      {!(phone && head.seen.length > 0) && <Rail acts={acts} />}
    </div>
  )
}

interface Chore { item: string; words: string; text: string }

/** Chore: page.md 1.4, a reminder is a small square. */
function Chore({ c, acts, moving }: { c: Chore; acts: Acts; moving: boolean }) {
  return (
    <li data-care={c.item}>
      <Square due />
      <div><h2>{c.words}</h2><p>{c.text}</p></div>
      {moving ? <p class="later">{say('stop first')}</p> : <Button act={() => acts.done(c.item)} name={`done-${c.item}`} off={acts.told(c.item)}>{say('Done')}</Button>}
    </li>
  )
}

/** briefly stands for the cautions where there is no room for them: what holds for all, and where the rest is. */
const briefly = key('parked, engine off, key out, pressure let off, eyes protected. The machine’s manual comes first. All cautions: Menu, Care.')

interface Places { line: number; tall: number; care: number; shared: string; chores: Chore[] }

/** places says where drawing and list stand: the head first, then as much of the list as leaves the drawing its least height. */
function places(room: Room, head: MorningView['head'], m: MorningView, care: CareItem[]): Places {
  const { phone } = room
  const low = !phone && room.height < 780
  const row: Row = phone ? { width: 190, title: { size: 24, line: 27 }, text: { size: 16, line: 19 }, least: 122 } : { width: 804, title: { size: 40, line: 46 }, text: { size: 22, line: 26 }, least: 118 }
  const size = phone ? 22 : 34
  const rows = head.rows.reduce((n, r) => n + lines(r.text, phone ? 262 : 870, size), 0)
  const noted = head.mark === 'title'
  const cause = phone ? (head.cause ? lines(head.cause, 300, 22) : 0) : noteLines(head.title, head.cause)
  const note = !noted ? 0 : phone ? 22 + 12 + 32 * lines(head.title, 312, 27, 650) + 27 * cause : 41 + 33 * cause
  const word = phone ? 36 * lines(head.word, 284, 36, 700) : low ? 84 : 104
  const line = Math.round((phone ? 16 : low ? 22 : 32) + word + 10 + rows * size * 1.2 + note + (phone ? 16 : rows > 1 || noted ? 14 : low ? 22 : 37))
  const bottom = room.height - (phone ? 176 : 40)
  const drawn = m.from !== undefined || m.to !== undefined
  const split = phone ? [m.cooling, m.lost].filter((s) => s).length * 27 : 0
  const [least, most] = !drawn ? [0, 0] : phone ? [120, 190] : [162, 250]
  const list = (n: number, whole: boolean) => {
    const some = care.slice(0, n)
    const told = whole ? share(some.map((c) => c.caution)) : { shared: say(briefly), own: [] }
    const chores = some.map((c, i): Chore => ({ item: c.item, words: c.words, text: `${sentence(c.why)} ${told.own[i] ?? ''}`.trim() }))
    const said = told.shared ? lines(`${say('For each:')} ${told.shared}`, phone ? 350 : 1020, row.text.size) * row.text.line + 12 : 0
    return { shared: told.shared, chores, tall: chores.reduce((sum, c) => sum + tallOf(row, c.words, c.text) + between, said - between) }
  }
  const rest = bottom - line - split - 18
  let got = list(0, true)
  let tall = most
  for (const [n, whole, draw] of [[3, true, least], [2, true, least], [1, true, least], [2, false, least], [1, false, least], [1, true, 0], [1, false, 0], [0, true, 0]] as const) {
    if (care.length === 0) break
    got = list(n, whole)
    tall = draw === 0 ? 0 : Math.min(most, rest - got.tall)
    if (got.tall <= rest - draw) break
  }
  return { line, tall, care: line + (tall > 0 ? tall + 18 : 0) + split + (tall === 0 && split > 0 ? 18 : 0), shared: got.shared, chores: got.chores }
}

/** NightDrawing is two readings, a guess between them, and where the difference went. See page.md 1.6, measured solid, at rest dotted. */
function NightDrawing({ v, size }: { v: MorningView; size: NightSize }) {
  const p = night(v, size)
  const { small } = size
  const below = small ? 26 : 42
  const both = v.from && v.to
  const split = p.cooling || p.lost
  const first = Math.min(98, size.height - 132) // four lines of words: they keep apart in a low drawing
  return (
    <svg class="night-line" width={size.width} height={size.height} viewBox={`0 0 ${size.width} ${size.height}`} role="img" aria-label={spoken(v)}>
      {both && v.guess && <path class="air rest" d={nightCurve(p)} />}
      {both && split && <path class="mark thread" d={`M${p.left.to + 10} ${p.y.from} H${p.bar} M${p.right.to + (small ? 6 : 10)} ${p.y.to} H${p.bar}`} />}
      {v.from && (
        <g>
          <path class="air" d={`M${p.left.from} ${p.y.from} H${p.left.to}`} />
          <text class="t-num" x="0" y={p.y.from - (small ? 12 : 20)} data-what="morning-from" data-value={v.from.measure.value} data-unit={v.from.measure.unit}>{v.from.text}<tspan class="t-unit" dx={small ? 4 : 10}>{unit(v.from.measure)}</tspan></text>
          <text class="t-quiet" x="0" y={p.y.from + below}>{v.from.when}</text>
        </g>
      )}
      {v.to && (
        <g>
          <path class="air" d={`M${p.right.from} ${p.y.to} H${p.right.to}`} />
          <text class="t-num" x={p.right.to} y={p.y.to - (small ? 12 : 20)} text-anchor="end" data-what="morning-to" data-value={v.to.measure.value} data-unit={v.to.measure.unit}>{v.to.text}{!v.from && <tspan class="t-unit" dx={small ? 4 : 10}>{unit(v.to.measure)}</tspan>}</text>
          <text class="t-quiet" x={p.right.to} y={p.y.to + below} text-anchor="end">{v.to.when}</text>
        </g>
      )}
      {!v.from && <text class="t-quiet" x="0" y={p.y.from + below}>{say('evening: not seen')}</text>}
      {!v.to && <text class="t-quiet" x={p.right.to} y={p.y.from + below} text-anchor="end">{say('morning: not seen')}</text>}
      {p.cooling && <rect class="cooling" x={p.cooling.x} y={p.cooling.y} width={p.wide} height={p.cooling.height} data-part="cooling" />}
      {p.lost && <rect class="lost" x={p.lost.x} y={p.lost.y} width={p.wide} height={Math.max(p.lost.height, 3)} data-part="lost" />}
      {!small && both && !split && <text class="t-quiet" x={p.labels} y={(p.y.from + p.y.to) / 2 + 9}>{say('where it went: not known')}</text>}
      {!small && v.cooling && <Words s={v.cooling} x={p.labels} y={first} what="cooling" />}
      {!small && v.lost && <Words s={v.lost} x={p.labels} y={v.cooling ? first + Math.max(80, size.height - 52 - first) : first + 40} what="lost" />}
    </svg>
  )
}

/** Words: page.md 7, cooling, leak. */
function Words({ s, x, y, what }: { s: Share; x: number; y: number; what: string }) {
  return (
    <g>
      <text class="t-glance" x={x} y={y} data-what={`morning-${what}`} data-value={s.measure.value} data-unit={s.measure.unit}>{s.text}</text>
      <text class="t-quiet" x={x} y={y + 36}>{s.about}</text>
    </g>
  )
}
