// SPDX-License-Identifier: Apache-2.0

import { useState } from 'preact/hooks'
import { say } from './say'
import { forStanding, shortPhone, type Acts, type Room, type Screen } from './screens'
import type { Home, ListedChannel } from './view'

interface Way {
  to: Screen
  words: string
  about: string
  ready: boolean
}

/** Menu holds the screens there are; what is not for driving says so. See page.md 8, moving: the rest says stop first. */
export function Menu({ acts, view, room }: { acts: Acts; view: Home; room: Room }) {
  const standing = !view.moving
  const due = view.care.length
  const ways: Omit<Way, 'ready'>[] = [
    { to: 'home', words: say('Home'), about: say('what the air does now') },
    ...(view.morning ? [{ to: 'morning' as const, words: say('Overnight'), about: say('what the night has left') }] : []),
    { to: 'alarms', words: say('Alarms'), about: view.alarms.length === 0 ? say('none stands') : say('{n} to look at', { n: view.alarms.length }) },
    { to: 'care', words: say('Care'), about: due === 0 ? say('nothing due') : say('{n} due', { n: due }) },
    { to: 'test', words: say('Leak-down test'), about: (!room.phone && view.test?.words) || say('how much leaks, and how sure that is') },
    { to: 'channels', words: say('Sensors'), about: say('{n} channels: value, quality, age', { n: view.channels.length }) },
    { to: 'trend', words: say('Trends'), about: say('what was, over time') },
    { to: 'settings', words: say('Settings'), about: say('units, day and night') },
    { to: 'bus', words: say('Bus'), about: say('who is on the wire, what is sent') },
    { to: 'learned', words: say('Learned'), about: say('what this machine has taught the box') },
    { to: 'log', words: say('Log'), about: say('what is recorded, and its export') },
    { to: 'pair', words: say('This tablet'), about: say('what it may do, and pairing') },
    { to: 'setup', words: say('Set-up'), about: say('what is heard, what must be typed in') },
  ]
  const ready = (to: Screen) => standing || (to === 'test' ? view.test?.running === true : !forStanding.has(to))
  const { shown, more, next } = usePages(ways, shortPhone(room) ? 6 : room.phone ? 8 : 9)
  return (
    <div class="page">
      <h1>{say('Menu')}</h1>
      <ul class="menu">{shown.map((w) => <OneWay key={w.to} way={{ ...w, ready: ready(w.to) }} acts={acts} />)}</ul>
      {more && (
        <div class="foot">
          <button type="button" class="btn" onClick={() => acts.go('home')} data-act="leave">{say('Home')}</button>
          <button type="button" class="btn" onClick={next} data-act="more">{more}</button>
        </div>
      )}
    </div>
  )
}

/** OneWay: page.md 1.5, words, not icons. */
function OneWay({ way, acts }: { way: Way; acts: Acts }) {
  return (
    <li>
      <button type="button" class={`btn way${way.ready ? '' : ' off'}`} disabled={!way.ready} onClick={() => acts.go(way.to)} data-act={`go-${way.to}`}>
        <span>{way.words} <small>{way.ready ? way.about : say('stop first')}</small></span>
      </button>
    </li>
  )
}

/** usePages shows a long list in whole pages, that of the item at first before the others: nothing scrolls in a cab. See page.md 9, no scrolling in the cab. */
export function usePages<T>(all: T[], size: number, first = 0): { shown: T[]; more: string; next: () => void; at: number } {
  const [page, setPage] = useState(() => Math.max(0, Math.floor(first / size)))
  const pages = Math.max(1, Math.ceil(all.length / size))
  const at = page % pages
  return { shown: all.slice(at * size, at * size + size), more: pages > 1 ? say('More, {at}\u00a0of\u00a0{pages}', { at: at + 1, pages }) : '', next: () => setPage(at + 1), at }
}

/** Channels lists every input with its value, quality and age; each opens its own screen. It begins at the one looked at last. See page.md 7, not seen, not heard; 8, stale. */
export function Channels({ view, acts, room, last }: { view: Home; acts: Acts; room: Room; last: string }) {
  const rows = Math.max(1, Math.floor((room.height - (room.phone ? 16 + 40 + 22 : 32 + 64 + 30) - (room.phone ? 32 + 122 : 46 + 118)) / (room.press + room.apart)))
  const { shown, more, next } = usePages(view.channels, rows * (room.phone ? 2 : 3), view.channels.findIndex((c) => c.id === last))
  return (
    <div class="page">
      <h1>{say('Sensors')}</h1>
      {view.channels.length === 0 ? <p class="none">{say('No channel is declared.')}</p> : <ul class="menu channels">{shown.map((c) => <OneChannel key={c.id} c={c} acts={acts} />)}</ul>}
      <Back acts={acts} more={more} next={next} />
    </div>
  )
}

/** OneChannel: page.md 8, stale turns ink2. */
function OneChannel({ c, acts }: { c: ListedChannel; acts: Acts }) {
  return (
    <li class={c.old ? 'old' : ''} data-channel={c.id}>
      <button type="button" class="btn way" onClick={() => acts.look(c.id)} data-act={`look-${c.id}`}>
        <span><span class="of">{c.id}</span> <b data-what={`channel-${c.id}`} data-value={c.value?.value} data-unit={c.value?.unit}>{c.text}</b> <small>{say('{quality}, {age}', { quality: c.quality, age: c.age })}</small></span>
      </button>
    </li>
  )
}

/** Back: page.md 2, targets. */
export function Back({ acts, more, next }: { acts: Acts; more: string; next: () => void }) {
  return (
    <div class={`foot${more ? ' three' : ''}`}>
      <button type="button" class="btn" onClick={() => acts.go('home')} data-act="go-home">{say('Home')}</button>
      <button type="button" class="btn" onClick={() => acts.go('menu')} data-act="menu">{say('Menu')}</button>
      {more && <button type="button" class="btn" onClick={next} data-act="more">{more}</button>}
    </div>
  )
}
