// SPDX-License-Identifier: Apache-2.0

import { useState } from 'preact/hooks'
import { Mark, shortPhone, type Acts, type Room, type Screen } from './screens'
import type { Home, ListedAlarm, ListedChannel } from './view'

/** Menu holds the screens there are; what is not for driving says so. */
export function Menu({ acts, view, room }: { acts: Acts; view: Home; room: Room }) {
  const still = !view.moving || view.test?.running === true
  const go = (to: Screen, words: string, about: string, ready = true) => (
    <li>
      <button type="button" class={`btn way${ready ? '' : ' off'}`} disabled={!ready} onClick={() => acts.go(to)} data-act={`go-${to}`}>
        <span>{words} <small>{ready ? about : 'stop first'}</small></span>
      </button>
    </li>
  )
  const due = view.care.length
  const bus = !(shortPhone(room) && view.morning) // nine presses of 20 mm are one too many for a short phone
  return (
    <div class="page">
      <h1>Menu</h1>
      <ul class={`menu${view.morning ? ' full' : ''}`}>
        {go('home', 'Home', 'what the air does now')}
        {view.morning && go('morning', 'Overnight', 'what the night has left')}
        {go('alarms', 'Alarms', view.alarms.length === 0 ? 'none stands' : `${view.alarms.length} to look at`)}
        {go('care', 'Care', due === 0 ? 'nothing due' : `${due} due`, !view.moving)}
        {go('test', 'Leak-down test', (!room.phone && view.test?.words) || 'how much leaks, and how sure that is', still)}
        {go('channels', 'Sensors', `${view.channels.length} channels: value, quality, age`)}
        {go('settings', 'Settings', 'units, day and night', !view.moving)}
        {bus && go('bus', 'Bus', 'who is on the wire, what is sent', !view.moving)}
        {go('learned', 'Learned', 'what this machine has taught the box', !view.moving)}
      </ul>
    </div>
  )
}

/** usePages shows a long list in whole pages: nothing scrolls in a cab. */
export function usePages<T>(all: T[], size: number): { shown: T[]; more: string; next: () => void; at: number } {
  const [page, setPage] = useState(0)
  const pages = Math.max(1, Math.ceil(all.length / size))
  const at = page % pages
  return { shown: all.slice(at * size, at * size + size), more: pages > 1 ? `More, ${at + 1} of ${pages}` : '', next: () => setPage(at + 1), at }
}

/** Alarms lists what stands or waits to be acknowledged. */
export function Alarms({ view, acts, room }: { view: Home; acts: Acts; room: Room }) {
  const { shown, more, next } = usePages(view.alarms, Math.max(1, Math.floor((room.height - (room.phone ? 300 : 330)) / (room.phone ? 230 : 140))))
  return (
    <div class="page">
      <h1>Alarms</h1>
      {view.alarms.length === 0 && <p class="none">No alarm stands.</p>}
      <ul class="list">{shown.map((a) => <OneAlarm key={`${a.ref.key}/${a.ref.where}`} a={a} acts={acts} />)}</ul>
      {acts.trouble && <p class="trouble" role="status">{acts.trouble}</p>}
      <Back acts={acts} more={more} next={next} />
    </div>
  )
}

function OneAlarm({ a, acts }: { a: ListedAlarm; acts: Acts }) {
  return (
    <li data-alarm={a.ref.key} data-where={a.ref.where}>
      <Mark of={a.priority} size={34} />
      <div>
        <h2>{a.title}</h2>
        <p class="quiet">{a.state}{a.since && `, since ${a.since}`}</p>
        {a.act && <p class="todo">{a.act}. {a.caution}</p>}
      </div>
      {a.unacked && <button type="button" class="btn go" onClick={() => acts.seen([a.ref])} data-act="seen">Seen</button>}
    </li>
  )
}

/** Channels lists every input with its value, quality and age. */
export function Channels({ view, acts, room }: { view: Home; acts: Acts; room: Room }) {
  const { shown, more, next } = usePages(view.channels, Math.max(1, Math.floor((room.height - (room.phone ? 330 : 360)) / 44)))
  return (
    <div class="page">
      <h1>Sensors</h1>
      {view.channels.length === 0 ? <p class="none">No channel is declared.</p> : (
        <table class="channels">
          <thead><tr><th scope="col">channel</th><th scope="col">value</th><th scope="col">quality</th><th scope="col">age</th>{!room.phone && <th scope="col">source</th>}</tr></thead>
          <tbody>{shown.map((c) => <OneChannel key={c.id} c={c} phone={room.phone} />)}</tbody>
        </table>
      )}
      <Back acts={acts} more={more} next={next} />
    </div>
  )
}

function OneChannel({ c, phone }: { c: ListedChannel; phone: boolean }) {
  return (
    <tr class={c.old ? 'old' : ''} data-channel={c.id}>
      <td>{c.id}</td>
      <td data-what={`channel-${c.id}`} data-value={c.value?.value} data-unit={c.value?.unit}>{c.text}</td>
      <td>{c.quality}</td>
      <td>{c.age}</td>
      {!phone && <td>{c.source}</td>}
    </tr>
  )
}

export function Back({ acts, more, next }: { acts: Acts; more: string; next: () => void }) {
  return (
    <div class={`foot${more ? ' three' : ''}`}>
      <button type="button" class="btn" onClick={() => acts.go('home')} data-act="go-home">Home</button>
      <button type="button" class="btn" onClick={() => acts.go('menu')} data-act="menu">Menu</button>
      {more && <button type="button" class="btn" onClick={next} data-act="more">{more}</button>}
    </div>
  )
}
