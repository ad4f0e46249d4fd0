// SPDX-License-Identifier: Apache-2.0

import { useState } from 'preact/hooks'
import { waiting, type Alerts } from './alerts'
import { rates, readHistory, sectionsOf, type History, type Listed, type Section, type Told } from './alarmlist'
import { useAsked } from './ask'
import type { Inbox, Moment } from './inbox'
import { Back, usePages } from './lists'
import { say } from './say'
import { Button, Mark, shortPhone, type Acts, type Room } from './screens'

/** Place is what of the screen is open: the lists, one alarm, a note on it, or the history. */
type Place = { at: 'lists' | 'history' } | { at: 'one' | 'note'; id: string }

interface Props {
  inbox: Inbox
  alerts: Alerts
  at: Moment
  moving: boolean
  acts: Acts
  room: Room
}

/** AlarmsScreen lists what waits, stands, is put off or out of service, and tells what was. See page.md 7, the states of an alarm; 1.4, shape before colour. */
export function AlarmsScreen({ inbox, alerts, at, moving, acts, room }: Props) {
  const [place, setPlace] = useState<Place>({ at: 'lists' })
  const sections = sectionsOf(inbox, waiting(alerts), at, acts.units)
  const open = 'id' in place ? sections.flatMap((s) => s.items).find((i) => i.id === place.id) : undefined
  const lists = () => setPlace({ at: 'lists' })
  if (place.at === 'history') return <HistoryPages alert={`${alerts.line}/${alerts.seq}`} acts={acts} room={room} leave={lists} />
  if (open && place.at === 'note' && !moving) return <NoteOn key={open.id} of={open} acts={acts} leave={() => setPlace({ at: 'one', id: open.id })} />
  if (open) return <One key={open.id} of={open} alert={`${alerts.line}/${alerts.seq}`} moving={moving} acts={acts} room={room} leave={lists} note={() => setPlace({ at: 'note', id: open.id })} />
  return <Lists sections={sections} acts={acts} room={room} open={(id) => setPlace({ at: 'one', id })} history={() => setPlace({ at: 'history' })} />
}

/** Lists: page.md 8, an empty list is one sentence; 2, targets of 20 mm. */
function Lists({ sections, acts, room, open, history }: { sections: Section[]; acts: Acts; room: Room; open: (id: string) => void; history: () => void }) {
  const most = room.phone ? (shortPhone(room) ? 1 : 2) : 5
  const chunks = sections.flatMap((s) => Array.from({ length: Math.ceil(s.items.length / most) }, (_, i) => ({ name: s.name, of: s.items.length, items: s.items.slice(i * most, i * most + most) })))
  const { shown, more, next } = usePages(chunks, 1)
  const page = shown[0]
  const today = useAsked<string>('api/alarm-health', '', rates)
  return (
    <div class="page alarms">
      <h1>{say('Alarms')}{page && <span class="also">{page.name}</span>}</h1>
      <p class="said">{acts.trouble || [page ? '' : say('No alarm stands.'), today.what ?? ''].filter((s) => s !== '').join(' ')}</p>
      <ul class="menu">
        {page?.items.map((i) => (
          <li key={i.id} data-alarm={i.ref.key} data-where={i.ref.where} data-section={page.name}>
            <button type="button" class={`btn way alarm-way${i.seen ? ' waits' : ''}`} onClick={() => open(i.id)} data-act={`open-${i.id.replace(/[^a-z0-9]+/gi, '-')}`}>
              <Mark of={i.priority} size={room.phone ? 24 : 30} />
              <span>{i.title} <small>{i.state}{i.group && <b>{i.group}</b>}</small></span>
            </button>
          </li>
        ))}
        <li><button type="button" class="btn way" onClick={history} data-act="history"><span>{say('History')} <small>{say('what was, day by day, and who did what')}</small></span></button></li>
      </ul>
      <Back acts={acts} more={more} next={next} />
    </div>
  )
}

/** One: page.md 1.1, what to do stands first. */
function One({ of, alert, moving, acts, room, leave, note }: { of: Listed; alert: string; moving: boolean; acts: Acts; room: Room; leave: () => void; note: () => void }) {
  const past = useAsked<History>(`api/journal?limit=20&alarm=${encodeURIComponent(of.ref.key)}`, alert, (v) => readHistory(v, acts.units))
  const few = room.phone ? (shortPhone(room) ? 1 : 3) : 3
  const own = (past.what?.records ?? []).filter((r) => r.what === of.title).slice(0, few)
  return (
    <div class="page alarms one" data-alarm={of.ref.key} data-where={of.ref.where}>
      <h1><Mark of={of.priority} size={room.phone ? 26 : 40} /><span>{of.title}</span></h1>
      <p class="lead">{of.state}{of.group && `; ${of.group}`}</p>
      {of.act && <p class="act">{of.act}</p>}
      {of.caution && <p class="careful-of">{of.caution}</p>}
      {of.cause && <p><b>{say('Likely cause')}</b> {of.cause}</p>}
      {of.consequence && <p><b>{say('If nobody acts')}</b> {of.consequence}</p>}
      {of.lines.map((l) => <p key={l}>{l}</p>)}
      {own.map((r) => <p key={r.seq} class="was" data-record={r.seq}>{r.time} {r.words}{r.who && `, ${r.who}`}</p>)}
      {acts.trouble && <p class="trouble" role="status">{acts.trouble}</p>}
      <div class="foot deeds">
        <Button act={leave} name="all-alarms">{say('All alarms')}</Button>
        {of.seen && <Button act={() => acts.seen([of.ref])} name="seen" look="go">{say('Seen')}</Button>}
        {of.later && <Button act={() => acts.later([of.ref])} name="later">{say('Later 10\u00a0min')}</Button>}
        {of.back && <Button act={() => acts.tellAlarm('unshelve', of.ref)} name="show-again" look="go">{say('Show again')}</Button>}
        {!moving && !of.ref.own && <Button act={note} name="note">{say('Note')}</Button>}
      </div>
    </div>
  )
}

/** NoteOn: page.md 2, targets; 8, not while moving. */
function NoteOn({ of, acts, leave }: { of: Listed; acts: Acts; leave: () => void }) {
  const [words, setWords] = useState('')
  return (
    <div class="page alarms one">
      <h1><span>{say('Note')}</span><span class="also">{of.title}</span></h1>
      <label>{say('What you saw or did. It goes into the journal.')}<input value={words} maxLength={200} onInput={(e) => setWords(e.currentTarget.value)} /></label>
      {acts.trouble && <p class="trouble" role="status">{acts.trouble}</p>}
      <div class="foot deeds">
        <Button act={leave} name="leave-note">{say('Leave it')}</Button>
        <Button act={() => { acts.tellAlarm('note', of.ref, words.trim()); leave() }} name="keep-note" look="go" off={words.trim() === ''}>{say('Keep note')}</Button>
      </div>
    </div>
  )
}

/** HistoryPages turns the pages of the journal: one question a page, the newest first. See page.md 9, nothing scrolls: whole pages. */
function HistoryPages({ alert, acts, room, leave }: { alert: string; acts: Acts; room: Room; leave: () => void }) {
  const [turned, setTurned] = useState<number[]>([])
  const before = turned.at(-1)
  const most = Math.max(2, Math.floor((room.height - (room.phone ? 290 : 330)) / (room.phone ? 74 : 72)))
  const asked = useAsked<History>(`api/journal?limit=${most}${before ? `&before=${before}` : ''}`, before ? '' : alert, (v) => readHistory(v, acts.units))
  const page = asked.what
  return (
    <div class="page alarms history">
      <h1>{say('History')}</h1>
      <p class="said">{asked.trouble || (page ? page.chain : say('asking the box, {n} s', { n: asked.waits }))}</p>
      {page && page.records.length === 0 && <p class="none">{say('Nothing is in the journal.')}</p>}
      <ul class="told">{page?.records.map((r, i) => <OneTold key={r.seq} r={r} day={r.day !== page.records[i - 1]?.day || i === 0} />)}</ul>
      <div class="foot deeds">
        {turned.length === 0 ? <Button act={leave} name="all-alarms">{say('All alarms')}</Button> : <Button act={() => setTurned(turned.slice(0, -1))} name="newer">{say('Newer')}</Button>}
        {asked.trouble ? <Button act={asked.again} name="again" look="go">{say('Ask again')}</Button> : page && page.next > 0 && <Button act={() => setTurned([...turned, page.next])} name="older">{say('Older')}</Button>}
      </div>
    </div>
  )
}

/** OneTold: page.md 7, rang, put off, returned. */
function OneTold({ r, day }: { r: Told; day: boolean }) {
  return (
    <li data-record={r.seq}>
      <span class="at">{day && r.day && <b>{r.day}</b>} {r.time}</span>
      <span class="what">{r.what && <b>{r.what}</b>} {r.words}{r.value && `, ${r.value}`}{r.who && <em>, {r.who}</em>}</span>
    </li>
  )
}
