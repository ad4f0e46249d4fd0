// SPDX-License-Identifier: Apache-2.0

import './sensor.css'
import { useRef } from 'preact/hooks'
import { useAsked } from './ask'
import { textWidth } from './bar'
import { pagesOf } from './care'
import { usePages } from './lists'
import { lines } from './measure'
import { moment } from './moment'
import { heard, say } from './say'
import { Button, Mark, type Acts, type Room } from './screens'
import { blamed, effectOf, factsOf, faulty, lasting, meteredOf, nearby, readSensor, scaleOf, silent, titleOf, type Beside, type Sensor, type SensorRank, type Wires } from './sensor'
import { inUnits } from './units'
import { figure, unit, upper } from './words'

/** How often the sensor is asked for anew, in ms. */
const again = 2000

/** From when on an answer is called old, in ms. */
const oldAfter = 5000

/** SensorScreen tells of one sensor: what it does, what to do, what that does to its rank, and its electrical side. See page.md 7, reads high, stuck, no signal; 8, moving, stale. */
export function SensorScreen({ id, acts, room }: { id: string; acts: Acts; room: Room }) {
  const asked = useAsked(`api/sensor?id=${encodeURIComponent(id)}`, String(Math.floor(moment().steady / again)), readSensor)
  const got = useRef({ what: asked.what, at: moment().steady })
  if (got.current.what !== asked.what) got.current = { what: asked.what, at: moment().steady }
  const s = asked.what && inUnits(asked.what, acts.units)
  if (s === undefined) {
    return (
      <div class="page careful sensor">
        <h1>{say('Sensor')}</h1>
        {asked.trouble ? <p class="trouble" role="status">{asked.trouble}</p> : <p class="none" role="status">{say('asking the box, {n} s', { n: asked.waits })}</p>}
        <Ways acts={acts} phone={room.phone}>{asked.trouble && <Button act={asked.again} name="again">{say('Ask again')}</Button>}</Ways>
      </div>
    )
  }
  const gone = Math.floor((moment().steady - got.current.at) / 1000)
  return <Told s={s} old={gone * 1000 >= oldAfter ? say('The box does not answer. This is what it said {n} s ago.', { n: gone }) : ''} acts={acts} room={room} />
}

function Ways({ acts, phone, children }: { acts: Acts; phone: boolean; children: preact.ComponentChildren }) {
  return (
    <div class="foot">
      <Button act={() => acts.go('channels')} name="go-channels">{say('Sensors')}</Button>
      {!(phone && children) && <Button act={() => acts.go('home')} name="go-home">{say('Home')}</Button>}
      {children}
    </div>
  )
}

/** Part is a piece of the screen and how high it stands, in px. */
interface Part { tall: number; show: preact.JSX.Element }

function Told({ s, old, acts, room }: { s: Sensor; old: string; acts: Acts; room: Room }) {
  const { phone } = room
  const title = titleOf(s)
  const mark = s.priority !== 'none'
  const head = phone ? { size: 28, line: 32, width: 358 - (mark ? 40 : 0) } : { size: 60, line: 64, width: 1200 - (mark ? 74 : 0) }
  const free = room.height - (phone ? 16 : 32) - lines(title, head.width * 0.97, head.size, 700) * head.line - (old ? (phone ? 44 : 30) : 0) - (phone ? 32 + 122 + 24 : 46 + 118 + 26)
  const parts = partsOf(s, room, free)
  const { shown, more, next } = usePages(pagesOf(parts, (page) => page.reduce((sum, p) => sum + p.tall, 0) <= free), 1)
  return (
    <div class={`page careful sensor ink-is-${s.priority}${old ? ' old' : ''}`} data-sensor={s.id} data-says={s.says}>
      <h1 style={{ fontSize: `${head.size}px`, lineHeight: `${head.line}px` }}>{mark && <Mark of={s.priority} size={phone ? 28 : 54} />}<span>{title}</span></h1>
      {old && <p class="older" role="status">{old}</p>}
      <div class="pieces">{(shown[0] ?? []).map((p, i) => <div key={i} style={{ height: `${p.tall}px` }}>{p.show}</div>)}</div>
      <Ways acts={acts} phone={phone}>{more && <Button act={next} name="more">{more}</Button>}</Ways>
    </div>
  )
}

function partsOf(s: Sensor, room: Room, free: number): Part[] {
  const { phone } = room
  const parts: Part[] = []
  if (s.do) parts.push(deed(say('Now'), s.do, phone ? 20 : 36, true, phone))
  if (s.then) parts.push(deed(say('Then'), s.then, phone ? 17 : 24, false, phone))
  parts.push(line(s.why ? say('{why}; {since}', { why: upper(s.why), since: lasting(s) }) : upper(lasting(s)), phone ? 16 : 22, phone))
  const used = parts.reduce((sum, p) => sum + p.tall, 0)
  const facts = factsOf(s)
  if (phone) {
    if (s.rank) parts.push(line(effectOf(s, s.rank), 17, true, true), positions(s, s.rank, room, free))
    if (s.wires) parts.push(meter(s, s.wires, true, tellsOf(s, s.wires)))
    return [...parts, ...facts.filter((f) => f.data !== 'effect').map((f) => fact(f, 350, true))]
  }
  // The drawing stands on the first page where that leaves it a height that can be read; what a meter tells leaves first.
  const left = free - used
  const tells = s.wires ? tellsOf(s, s.wires) : []
  let meters = s.wires && meter(s, s.wires, false, tells)
  const more = meters && meters.tall > left && s.wires ? tells : []
  if (more.length > 0 && s.wires) meters = meter(s, s.wires, false, [])
  const known = [...more.map(([name, text]) => ({ name, text, data: 'meter' })), ...facts]
  if (s.rank) {
    const own = positions(s, s.rank, room, left >= 250 ? left : free)
    return [...parts, { tall: Math.max(own.tall, meters?.tall ?? 0), show: <div class="halves">{own.show}{meters?.show}</div> }, ...known.map((f) => fact(f, 1200, false))]
  }
  if (!meters) return [...parts, ...known.map((f) => fact(f, 1200, false))]
  const beside: Part[] = []
  for (const f of known) {
    const one = fact(f, 690, false)
    if (beside.reduce((sum, p) => sum + p.tall, one.tall) > Math.max(left, meters.tall)) break
    beside.push(one)
  }
  return [
    ...parts,
    { tall: Math.max(meters.tall, beside.reduce((sum, p) => sum + p.tall, 0)), show: <div class="halves"><div>{beside.map((p, i) => <div key={i} style={{ height: `${p.tall}px` }}>{p.show}</div>)}</div>{meters.show}</div> },
    ...known.slice(beside.length).map((f) => fact(f, 1200, false)),
  ]
}

/** deed is what to do and when. */
function deed(when: string, text: string, size: number, strong: boolean, phone: boolean): Part {
  const high = Math.round(size * 1.22)
  const lead = phone ? 74 : 126
  return {
    tall: lines(text, ((phone ? 358 : 1200) - lead) * 0.97, size, strong ? 650 : 500) * high + (phone ? 6 : 8),
    show: <p class={`deed${strong ? ' strong' : ''}`} style={{ fontSize: `${size}px`, lineHeight: `${high}px`, gridTemplateColumns: `${lead}px 1fr` }}><span class="lead-of">{when}</span><span>{text}</span></p>,
  }
}

function line(text: string, size: number, phone: boolean, strong = false): Part {
  const high = Math.round(size * 1.24)
  return { tall: lines(text, (phone ? 358 : 1200) * 0.97, size, strong ? 600 : 500) * high + (phone ? 8 : 14), show: <p class={strong ? '' : 'lead-of'} style={{ fontSize: `${size}px`, lineHeight: `${high}px` }}>{text}</p> }
}

function fact({ name, text, data }: { name: string; text: string; data: string }, width: number, phone: boolean): Part {
  const [size, high, lead] = phone ? [16, 20, 92] : [22, 27, 142]
  return {
    tall: Math.max(1, lines(text, (width - lead - 10) * 0.97, size)) * high + (phone ? 12 : 14),
    show: <p class="fact" data-fact={data} style={{ fontSize: `${size}px`, lineHeight: `${high}px`, gridTemplateColumns: `${lead}px 1fr`, width: `${width}px` }}><b>{name}</b><span>{text}</span></p>,
  }
}

/** tellsOf says what a meter beside the box's figure tells of a sensor with a fault. */
function tellsOf(s: Sensor, w: Wires): [string, string][] {
  const { signal } = w
  const outside = meteredOf(w).some((r) => r.what === 'signal' && r.odd)
  if (!faulty(s) || (signal ?? w.low)?.unit === 'mA') return []
  return [
    ...(signal ? [[say('meter {n}', { n: figure(signal) }), outside ? say('the sensor, or its supply at the plug') : s.rank ? say('arm bent or dirty: clean, zero check') : say('the sensor, or what it measures')] as [string, string]] : []),
    [signal ? say('another') : say('a signal'), say('wire or plug on the way to the box')],
    ...(w.supplyId ? [[say('supply low'), say('fuse or plug of the supply')] as [string, string]] : []),
  ]
}

/** meter is what a meter at the plug is held against: what is right, and what the box reads. */
function meter(s: Sensor, w: Wires, phone: boolean, tells: [string, string][]): Part {
  const rows = meteredOf(w)
  const width = phone ? 350 : 480
  const [size, high] = phone ? [16, 20] : [20, 24]
  const title = s.plug ? say('Parked, with a meter at {plug}', { plug: s.plug }) : say('Parked, with a meter at its plug')
  const note = say('Engine off, brake on, planter down or on its locks; key on to read. The machine’s manual leads.')
  const lead = phone ? 96 : 132
  const told = tells.map(([, text]) => Math.max(1, lines(text, (width - lead - 10) * 0.97, size)) * high + 6)
  const row = phone ? 34 : 44
  const tall = lines(title, width * 0.97, size + 2, 650) * (high + 2) + lines(note, width * 0.97, size) * high + high + 10 + rows.length * row + (told.length > 0 ? 10 : 0) + told.reduce((sum, t) => sum + t, 0) + 10
  return {
    tall,
    show: (
      <section class="meter" style={{ width: `${width}px`, fontSize: `${size}px`, lineHeight: `${high}px` }}>
        <h2 style={{ fontSize: `${size + 2}px`, lineHeight: `${high + 2}px` }}>{title}</h2>
        <p class="lead-of">{note}</p>
        <table>
          <thead><tr style={{ height: `${high + 6}px` }}><td /><th scope="col"><span>{say('right')}</span></th><th scope="col"><span>{say('box reads')}</span></th></tr></thead>
          <tbody>{rows.map((r) => (
            <tr key={r.what} class={r.odd || !r.reads ? 'odd' : ''} style={{ height: `${row}px` }}>
              <th scope="row"><span>{r.name}</span></th>
              <td><span>{r.right || '–'}</span></td>
              <td><span data-what={r.reads && `meter-${r.what}`} data-value={r.reads?.value} data-unit={r.reads?.unit}><b>{r.reads ? figure(r.reads) : say('nothing')}</b>{r.reads && <small>{unit(r.reads)}</small>}</span></td>
            </tr>
          ))}</tbody>
        </table>
        {tells.length > 0 && <div class="tells">{tells.map(([name, text], i) => <p key={name} class="fact" style={{ height: `${told[i] ?? 0}px`, gridTemplateColumns: `${lead}px 1fr` }}><b>{name}</b><span>{text}</span></p>)}</div>}
      </section>
    ),
  }
}

/** positions sets the sensors of a rank on one scale, with what was wanted, and the average with this sensor and without it. */
function positions(s: Sensor, r: SensorRank, room: Room, free: number): Part {
  const { phone } = room
  const [width, name, size] = phone ? [358, 128, 15] : [680, 190, 22]
  const means = r.average && r.rest ? [{ id: 'average', words: r.asZero ? say('average with 0') : say('average with it'), m: r.average }, { id: 'rest', words: say('without it'), m: r.rest }] : []
  const [capTall, topTall, axis, meanTall] = phone ? [22, 18, 26, 30] : [30, 26, 34, free < 330 ? 34 : 40]
  const rest = capTall + topTall + axis + means.length * meanTall + 16
  const [least, most] = phone ? [36, 42] : [40, 62]
  const all = r.sensors.length * least + rest <= free
  const fits = all ? r.sensors.length : Math.max(1, Math.floor((free - rest - (phone ? 20 : 26)) / least))
  const { drawn, left } = nearby(r.sensors, s.id, fits)
  const below = left > 0 ? (phone ? 20 : 26) : 0
  const row = Math.min(most, Math.max(least, Math.floor((free - rest - below) / Math.max(1, drawn.length))))
  const height = topTall + drawn.length * row + means.length * meanTall + axis + 6
  const of = [r.wanted, r.average, r.rest, ...r.sensors.map((b) => b.value)].find((m) => m !== undefined)
  /** now is where a sensor stands: without a value of its own now this one has no place on the scale. */
  const now = (b: Beside) => (b.id === s.id && silent(s) ? undefined : b.value?.value)
  const { low, high, marks } = scaleOf([...r.sensors.map(now), r.wanted?.value, r.average?.value, r.rest?.value], of?.unit === 'N' || of === undefined ? 200 : 50)
  const [x0, x1] = [name + 8, width - (phone ? 14 : 24)]
  const x = (v: number) => x0 + ((v - low) / (high - low)) * (x1 - x0)
  const bad = blamed(s)
  const rank = heard(`${r.name} rank`)
  const base = topTall + drawn.length * row
  const foot = base + means.length * meanTall + 6
  const dot = phone ? 7 : 10
  /** besideOf puts a text on that side of a mark where it finds room. */
  const besideOf = (at: number, text: string) => (at + dot + 8 + textWidth(text, size) <= width - 4 ? { x: at + dot + 8, 'text-anchor': 'start' as const } : { x: at - dot - 8, 'text-anchor': 'end' as const })
  const shift = r.shift && Math.abs(Number(figure(r.shift))) > 0 && bad && !r.asZero && !phone ? (r.shift.value > 0 ? say('{n} too much', { n: figure(r.shift, Math.abs(r.shift.value)) }) : say('{n} too little', { n: figure(r.shift, Math.abs(r.shift.value)) })) : ''
  const wantedText = r.wanted ? say('wanted {n}', { n: figure(r.wanted) }) : ''
  const end = of ? say('{n} {unit}', { n: high, unit: unit(of) }) : String(high)
  const lifted = !!r.average && !!r.rest && r.average.value > r.rest.value
  const font = { fontSize: `${size}px` }
  const middle = (y: number) => y + size * 0.36
  return {
    tall: capTall + height + below + 10,
    show: (
      <section style={{ width: `${width}px` }}>
        <h2 class="cap" style={{ fontSize: `${size + 2}px`, lineHeight: `${capTall}px` }}>{say('{rank}, gauge-wheel load', { rank: upper(rank) })}</h2>
        <svg class="positions" width={width} height={height} viewBox={`0 0 ${width} ${height}`} role="img" aria-label={say('Load sensors on one scale: {rank}', { rank })}>
          <defs><pattern id="lie" width="10" height="10" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="stripe" width="4" height="10" /></pattern></defs>
          {r.wanted && <path class="wanted" d={`M${x(r.wanted.value)} ${topTall - 14} V${foot}`} />}
          {r.wanted && <text {...besideOf(x(r.wanted.value) - dot + 2, wantedText)} y={size * 0.95} class="plain" style={font}>{wantedText}</text>}
          {drawn.map((b, i) => {
            const y = topTall + i * row + row / 2 + (phone ? 5 : 8)
            const own = b.id === s.id
            const stands = now(b)
            const at = stands === undefined ? undefined : x(stands)
            return (
              <g key={b.id} data-position={b.id} data-value={stands}>
                <text x={0} y={middle(y)} style={font} class={own ? 'strong' : 'plain'}>{short(b.name, name - 6, size)}</text>
                <path class="track" d={`M${x0} ${y} H${x1}`} />
                {own && bad && at !== undefined && r.rest && <rect class="lie" x={Math.min(at, x(r.rest.value))} y={y - dot * 0.8} width={Math.abs(at - x(r.rest.value))} height={dot * 1.6} />}
                {at === undefined ? <text x={x0 + 6} y={middle(y) - size * 0.9} style={font} class={own ? faultyText : 'plain'}>{b.value ? say('not seen, last {n}', { n: figure(b.value) }) : say('not seen')}</text> : (
                  <>
                    <circle class={own && bad ? 'own' : b.believed ? 'other' : 'doubted'} cx={at} cy={y} r={own && bad ? dot + 2 : dot} />
                    <text x={Math.min(Math.max(at, x0 + 24), width - 22)} y={y - dot - (own && bad ? (phone ? 8 : 10) : 5)} text-anchor="middle" style={font} class={own && bad ? faultyText : own ? 'strong' : 'plain'}>{toldOf(b, own)}</text>
                  </>
                )}
              </g>
            )
          })}
          {means.length > 0 && <path class="rule dotted" d={`M0 ${base + 3} H${width}`} />}
          {means.map(({ id, words, m }, i) => {
            const y = base + i * meanTall + meanTall / 2 + 4
            const at = x(m.value)
            const text = id === 'average' && shift ? say('{n}, {shift}', { n: figure(m), shift }) : figure(m)
            return (
              <g key={id} data-position={id} data-value={m.value}>
                <text x={0} y={middle(y)} style={font} class="plain">{words}</text>
                {id === 'rest' && bad && r.average && <rect class="lie" x={Math.min(at, x(r.average.value))} y={y - dot * 0.8} width={Math.abs(at - x(r.average.value))} height={dot * 1.6} />}
                <path class={id === 'rest' || !bad ? 'mean' : 'mean lied'} d={`M${at} ${y - dot - 2} l${dot + 2} ${dot + 2} l${-dot - 2} ${dot + 2} l${-dot - 2} ${-dot - 2} z`} />
                <text {...(id === 'rest' && lifted ? { x: at - dot - 8, 'text-anchor': 'end' as const } : besideOf(at, text))} y={middle(y)} style={font} class="strong">{text}</text>
              </g>
            )
          })}
          <path class="rule" d={`M${x0} ${foot} H${x1}`} />
          {marks.filter((m, i) => (marks.length <= (phone ? 4 : 7) || i % 2 === 0) && x(m) + textWidth(String(m), size) / 2 + 12 < width - textWidth(end, size)).map((m) => <text key={m} x={x(m)} y={foot + size + 3} text-anchor="middle" class="plain" style={font}>{m}</text>)}
          <text x={width} y={foot + size + 3} text-anchor="end" class="plain" style={font}>{end}</text>
        </svg>
        {left > 0 && <p class="lead-of" style={{ fontSize: `${size}px`, lineHeight: `${below}px` }}>{say('Not drawn of this rank: {n}.', { n: left })}</p>}
      </section>
    ),
  }
}

/** faultyText is how the figure of a sensor with a fault is set. */
const faultyText = 'strong own-text'

/** toldOf is the last figure of a sensor, with a word where it may not be believed. */
function toldOf(b: Beside, own: boolean): string {
  if (!b.value) return ''
  return b.believed || own ? figure(b.value) : say('{n}, doubted', { n: figure(b.value) })
}

/** short cuts a name that finds no room. */
function short(name: string, width: number, size: number): string {
  if (textWidth(name, size) <= width) return name
  let n = name.length
  while (n > 3 && textWidth(name.slice(0, n), size) > width) n--
  return `${name.slice(0, n).trim()}…`
}
