// SPDX-License-Identifier: Apache-2.0

import type { ComponentChildren } from 'preact'
import { BudgetBar } from './BudgetBar'
import { textWidth, usesKnown, wordsFit } from './bar'
import { fit, lines, noteLines } from './measure'
import { PressureLine } from './PressureLine'
import type { Priority } from './payload'
import { key, num, say } from './say'
import { content, gone, type Frame, type SizeChoice } from './size'
import type { Choice } from './units'
import type { AlarmRef, Asking, Cover, Head, Home, Row, View } from './view'

/** Room is the frame in its own px; the page scales it to the glass. */
export type Room = Frame

export type Screen = 'home' | 'morning' | 'menu' | 'alarms' | 'channels' | 'test' | 'care' | 'learned' | 'settings' | 'bus' | 'log' | 'size' | 'pair' | 'setup' | 'trend' | 'sensor'

/** forStanding holds the screens that a machine on its way shuts: a driver has no time for them. */
export const forStanding: ReadonlySet<Screen> = new Set(['care', 'learned', 'settings', 'size', 'bus', 'log', 'pair', 'setup', 'trend'])

/** Light is how day and night are chosen: by hand, or by the box's clock. */
export type Light = 'day' | 'night' | 'time'

/** Acts is what a person may do on the page. */
export interface Acts {
  seen: (refs: AlarmRef[]) => void
  later: (refs: AlarmRef[]) => void
  tellAlarm: (verb: 'unshelve' | 'note', ref: AlarmRef, why?: string) => void
  mute: () => void
  night: () => void
  go: (to: Screen) => void
  look: (channel: string) => void // opens the screen of one sensor
  done: (item: string, answer?: Record<string, string>) => void // records an item of the care list
  recorded: number // how often Done has worked: lists ask anew
  told: (item: string) => boolean // it was pressed, and the box has not said yet what that changes
  units: Choice
  choose: (units: Choice) => void
  light: Light
  lighten: (light: Light) => void
  language: string // the code of the language chosen here
  speak: (code: string) => void
  size: SizeChoice
  resize: (size: SizeChoice) => void
  muteLabel: string
  nightLabel: string
  offer: boolean // a press was refused because this tablet is not paired
  pair: (code: string, name: string) => Promise<string> // returns why not; empty: it is paired
  trouble: string // why the last press did not work; empty: it did
}

/** Mark is a priority as a shape: octagon, diamond, open circle. See page.md 1.4 and 5, the mark of an unacknowledged High. */
export function Mark({ of, size, blink = false }: { of: Priority; size: number; blink?: boolean }) {
  const c = size / 2
  const at = (n: number, turn: number, r: number) => Array.from({ length: n }, (_, i) => {
    const a = (2 * Math.PI * i) / n + turn
    return `${(c + r * Math.sin(a)).toFixed(1)},${(c - r * Math.cos(a)).toFixed(1)}`
  }).join(' ')
  return (
    <svg class={`shape-of ${of}${blink ? ' blink' : ''}`} width={size} height={size} viewBox={`0 0 ${size} ${size}`} aria-hidden="true">
      {of === 'high' && <polygon points={at(8, Math.PI / 8, c * 0.96)} />}
      {of === 'medium' && <polygon points={at(4, 0, c * 0.98)} />}
      {of === 'low' && <circle class="open" cx={c} cy={c} r={c * 0.74} stroke-width={size / 6} />}
    </svg>
  )
}

/** Button: page.md 2, targets and radius. */
export function Button({ children, act, look = '', name, off = false }: { children: ComponentChildren; act: () => void; look?: string; name: string; off?: boolean }) {
  return <button type="button" class={`btn ${look}${off ? ' off' : ''}`} disabled={off} onClick={act} data-act={name}>{children}</button>
}

/** Rail holds the presses that are always there; a covered page has no menu, for there is nothing live behind it. See page.md 2, rail. */
export function Rail({ acts, menu = true, test }: { acts: Acts; menu?: boolean; test?: Home['test'] }) {
  return (
    <nav class="rail" aria-label={say('Page')}>
      {test ? testButton(acts, test) : <Button act={acts.mute} name="mute">{acts.muteLabel}</Button>}
      <Button act={acts.night} name="night">{acts.nightLabel}</Button>
      {menu && <Button act={() => acts.go('menu')} name="menu">{say('Menu')}</Button>}
    </nav>
  )
}

/** testButton leads back to the test that goes on, or to its result. */
function testButton(acts: Acts, test: { running: boolean }) {
  return <Button look="go" act={() => acts.go('test')} name="go-test">{test.running ? say('Test') : say('Result')}</Button>
}

/** Answer: page.md 2, rail: Seen and Later; 7. */
export function Answer({ head, acts, test }: { head: Head; acts: Acts; test: Home['test'] }) {
  if (head.seen.length === 0) {
    if (test === undefined) return null
    return <div class="answer">{testButton(acts, test)}</div>
  }
  return (
    <div class="answer">
      {acts.offer
        ? <Button act={() => acts.go('pair')} name="go-pair">{say('Pair')}</Button>
        : head.later.length > 0 && <Button act={() => acts.later(head.later)} name="later">{say('Later 10\u00a0min')}</Button>}
      <Button look="go" act={() => acts.seen(head.seen)} name="seen">{say('Seen')}</Button>
    </div>
  )
}

/** whens are the names of the answers. */
const whens: Record<Row['when'], string> = { Now: key('Now'), Then: key('Then'), Tonight: key('Tonight'), Cause: key('Cause'), Where: key('Where'), Why: key('Why') }

/** Top is the one place that answers: what is it, what now, what then. See page.md 1.1, one sentence first; 1.4, amount of ink. */
export function Top({ head, phone, also = '' }: { head: Head; phone: boolean; also?: string }) {
  const loud = head.ink === 'high' || head.ink === 'medium'
  const long = head.word.length > (phone ? 10 : loud ? 16 : 19)
  const most = phone && long && !loud ? Math.floor(284 / textWidth(head.word, 1)) : 0 // a word a little too long is set a little smaller
  const own = most >= 40
  return (
    <section class="top" role={loud ? 'alert' : undefined} data-ink={head.ink}>
      <h1 class={long && !own ? 'long' : ''} style={own ? { fontSize: `${most}px` } : undefined}>{head.mark === 'word' && <Mark of={head.ink} size={phone ? 44 : 80} blink={head.blink} />}<span>{head.word}</span>{also && <span class="also">{also}</span>}</h1>
      {head.mark === 'title' && loud && <h2 class="named"><Mark of={head.ink} size={phone ? 26 : 40} blink={head.blink} />{head.title}</h2>}
      {head.rows.map((r) => <p key={r.when} class={r.when === 'Now' ? 'act' : ''}><span class="when">{say(whens[r.when])}</span> <span class="do">{r.text}</span></p>)}
      {head.mark === 'word' && head.title && <p class="cause">{head.title}{head.cause ? `. ${head.cause}` : ''}</p>}
      {head.mark === 'word' && !head.title && head.cause && <p class="cause">{head.cause}</p>}
      {(head.mark === 'none' || (head.mark === 'title' && loud)) && head.cause && <p class="cause">{head.cause}</p>}
      {head.mark === 'title' && !loud && (
        <div class="note-line"><Mark of={head.ink} size={30} /><h2>{head.title}</h2>{head.cause && <p>{head.cause}</p>}</div>
      )}
    </section>
  )
}

/** HomeScreen is what an operator drives by. See page.md 2, zones and the order of leaving. */
export function HomeScreen({ view, room, acts }: { view: Home; room: Room; acts: Acts }) {
  const loud = view.head.ink === 'high' || view.head.ink === 'medium'
  const note = view.head.mark === 'title' && !loud
  const width = content(room)
  const tall = (head: Head) => (room.phone ? headOnPhone(head, note) : below(head, note, width))
  const less = gone(room, zones(room, loud, note, tall(view.head), false).lineHeight)
  const head = left(view.head, less, loud, width)
  const at = zones(room, loud, note, tall(head) - (less > 1 && !loud && !note && head.rows.length < view.head.rows.length ? 41 : 0), less > 0)
  // Where a phone is short and an alarm stands, the foot row is the first to leave.
  const few = less > 0 || (shortPhone(room) && (loud || note))
  const across = room.phone ? 358 : width + room.press + 10 - textWidth(view.sim, 21)
  const foot = fit(view.note, across, room.phone ? 17 : 21, view.banner) || (room.phone && (!view.bar.gives || !usesKnown(view.bar)) && !wordsFit(view.bar, width, 22, 19) ? view.bar.words : '')
  const own = room.phone && view.line.left !== undefined && !view.facts.some((f) => f.unit === 'min')
  const facts = room.phone ? [...view.facts].sort((a, b) => Number(b.unit === 'min') - Number(a.unit === 'min')).slice(0, own ? 1 : 2) : view.facts
  return (
    <div class={`home ink-of-${view.head.ink}${view.head.seen.length > 0 && (acts.offer || view.head.later.length > 0) ? ' two' : ''}`}>
      <Hatch />
      {/* A phone has no room for Tonight above a note: of the two it goes first. */}
      <Top head={room.phone && note ? { ...head, rows: head.rows.slice(0, 1) } : head} phone={room.phone} />
      <Answer head={view.head} acts={acts} test={room.phone ? undefined : view.test} />
      <div class="clock">{view.clock}</div>
      <section class="zone" style={{ top: `${at.line}px` }} aria-label={say('Pressure')}>
        <PressureLine state={view.line} size={{ width, height: at.lineHeight, small: room.phone, gone: less }} />
      </section>
      <section class="zone" style={{ top: `${at.bar}px` }} aria-label={say('Air budget')}>
        <BudgetBar state={view.bar} width={width} tall={at.barHeight} small={room.phone} />
      </section>
      {!few && <section class="facts" aria-label={say('Other figures')}>
        {own && view.line.left && (
          <p><span data-what="left" data-value={view.line.left.text.replace(/\D+/g, '')} data-unit="min">{view.line.left.text}</span><span class="unit">{say('min in the tank')}</span></p>
        )}
        {facts.map((f) => (
          <p key={f.words}><span data-what="fact" data-value={f.value.replace(/^\D+/, '')} data-unit={f.unit}>{num(f.value)}</span><span class="unit">{f.words}</span></p>
        ))}
      </section>}
      {acts.trouble ? <p class="trouble" role="status">{acts.trouble}</p> : foot && <p class="foot-note" style={{ maxWidth: `${across}px` }}>{foot}</p>}
      {!(room.phone && view.head.seen.length > 0) && <Rail acts={acts} test={room.phone ? view.test : undefined} />}
    </div>
  )
}

/** left is the head without what has left: Tonight, and behind an alarm all but the first sentence of the cause. */
function left(head: Head, less: number, loud: boolean, width: number): Head {
  if (less < 2) return head
  return { ...head, rows: head.rows.filter((r) => r.when !== 'Tonight'), cause: loud && head.ink === 'high' ? fit(head.cause, width, 27) : head.cause }
}

/** shortPhone says whether a phone is too short for all that stands on a long one. */
export function shortPhone(room: Room): boolean {
  return room.phone && room.height < 780
}

/** headOnPhone is where the head of a phone ends, in px, where no alarm fills it. */
function headOnPhone(head: Head, note: boolean): number {
  if (note) return 156 + 32 * lines(head.title, 312, 27, 650) + (head.cause ? 27 * lines(head.cause, 312, 22) : 0)
  return head.cause ? 132 + 23 * lines(head.cause, 354, 19) : 0
}

/** below is how far what stands in the head goes beyond the room it usually takes, in px. */
function below(head: Head, note: boolean, width: number): number {
  if (note) return 33 * noteLines(head.title, head.cause, width) + 41 * (head.rows.length - 1)
  return head.mark === 'none' && head.cause ? 33 * (lines(head.cause, width, 27) - 1) : 0
}

/** Hatch is the one fill pattern; it takes the colour of what it fills, one definition for each. See page.md 1.6, uncertain is hatched. */
function Hatch() {
  return (
    <svg class="defs" width="0" height="0" aria-hidden="true">
      <defs>
        {(['high', 'medium', 'low', 'none'] as const).map((p) => (
          <pattern key={p} id={`hatch-${p}`} width="10" height="10" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
            <rect class={`hatch-${p}`} width="4" height="10" />
          </pattern>
        ))}
      </defs>
    </svg>
  )
}

/** zones says where the drawing and the bar stand; more is what a long note takes of the drawing, on a phone where the head ends. */
function zones(room: Room, loud: boolean, note: boolean, more: number, footless: boolean): { line: number; lineHeight: number; bar: number; barHeight: number } {
  if (room.phone) {
    const short = shortPhone(room)
    const bar = room.height - (short && (loud || note) ? 258 : 318)
    const line = loud ? (short ? 262 : 300) : Math.max(note ? (short ? 216 : 262) : 170, more)
    return { line, lineHeight: Math.min(250, bar - line - 14), bar, barHeight: 76 }
  }
  const low = room.height < 780
  const bar = room.height - (low ? 226 : loud ? 228 : 238) + (footless ? 66 : 0)
  const line = (loud ? (low ? 272 : 300) : low ? 222 : 242) + more
  return { line, lineHeight: bar - line - (loud ? 10 : 14), bar, barHeight: low ? 104 : 112 }
}

/** AskingScreen waits for the first reading, and counts. See page.md 8, loading. */
export function AskingScreen({ view }: { view: Asking }) {
  return <p class="asking" role="status"><span data-what="wait" data-value={view.seconds} data-unit="s">{say('asking the box, {n} s', { n: view.seconds })}</span></p>
}

/** CoverScreen hides everything that could be taken for a live reading. See page.md 8, link lost. */
export function CoverScreen({ view, acts, room }: { view: Cover; acts: Acts; room: Room }) {
  return (
    <div class="cover">
      <div class="not-live" aria-hidden="true" />
      <section role="alert">
        <h1><Mark of="medium" size={room.phone ? 40 : 84} /><span>{view.title}</span></h1>
        {view.rows.map((r) => <p key={r.when} class="act"><span class="when">{say(whens[r.when])}</span> <span class="do">{r.text}</span></p>)}
      </section>
      <p class="counting"><span data-what="silence" data-value={view.seconds} data-unit="s">{view.seconds}</span><span class="unit">{view.unit}</span></p>
      {view.past && <p class="past">{view.past}</p>}
      {view.clock && <div class="clock">{view.clock}</div>}
      <Rail acts={acts} menu={false} />
    </div>
  )
}

/** Foot names the kind of air, on every screen. See page.md 7, compressed air, simulated. */
export function Foot({ view }: { view: View }) {
  return <p class="sim" data-sim={view.sim}>{view.sim}</p>
}
