// SPDX-License-Identifier: Apache-2.0

import './care.css'
import { useAsked, type Asked } from './ask'
import { pagesOf, readCare, readLearned, share, tellOf, type CareAsked, type CareItem, type CareList, type CareNote, type LearnedLine } from './care'
import { Back, usePages } from './lists'
import { lines } from './measure'
import { key, say } from './say'
import { Button, type Acts, type Room } from './screens'
import { inUnits } from './units'
import type { Home } from './view'

type Line = { kind: 'ask'; of: CareAsked } | { kind: 'item'; of: CareItem } | { kind: 'note'; of: CareNote }

/** Square is the mark of a reminder: filled when due, open when it soon will be. See page.md 1.4, a reminder is a small square. */
export function Square({ due }: { due: boolean }) {
  return <svg class="square" width="30" height="30" viewBox="0 0 30 30" aria-hidden="true"><rect class={due ? 'due' : 'soon'} x="5.5" y="5.5" width="19" height="19" /></svg>
}

/** Row is how an item is set: its title, its text, and how much room each has. */
export interface Row {
  width: number
  title: { size: number; line: number }
  text: { size: number; line: number }
  least: number // px high, because of the press beside it
}

/** tallOf is how high an item stands. */
export function tallOf(r: Row, title: string, text: string): number {
  return Math.max(r.least, lines(title, r.width * 0.98, r.title.size, 650) * r.title.line + lines(text, r.width * 0.98, r.text.size) * r.text.line)
}

/** between is the gap of two presses. */
export const between = 30

/** CareScreen lists what the machine wants done, the due first; what was done stands at the end. See page.md 7, Tonight; 8, "Nothing due." */
export function CareScreen({ view, acts, room }: { view: Home; acts: Acts; room: Room }) {
  const due = `${view.care.map((c) => c.item).join(' ')} ${acts.recorded}`
  const asked = useAsked<CareList>('api/care', due, readCare)
  // A box that does not answer has at least said in its snapshot what is due.
  const list = asked.what ?? (asked.trouble ? { items: view.care, history: [], ask: [] } : undefined)
  const count = list?.items.filter((c) => c.due).length ?? 0
  return (
    <div class="page careful">
      <h1>{say('Care')}{list && <span class="also">{count === 0 ? say('Nothing due.') : say('{n} due', { n: count })}</span>}</h1>
      {list ? <CareLines list={list} trouble={acts.trouble || asked.trouble} water={room.phone && room.height < 760 ? '' : view.water} acts={acts} room={room} /> : <Waiting asked={asked} acts={acts} />}
    </div>
  )
}

/** Waiting stands in for a list that the box has not told yet. See page.md 5, waiting is a sentence with a count. */
export function Waiting<T>({ asked, acts }: { asked: Asked<T>; acts: Acts }) {
  return (
    <>
      {asked.trouble ? <p class="trouble" role="status">{asked.trouble}</p> : <p class="none" role="status">{say('asking the box, {n} s', { n: asked.waits })}</p>}
      {asked.trouble && <Button act={asked.again} name="again" look="again">{say('Ask again')}</Button>}
      <Back acts={acts} more="" next={() => undefined} />
    </>
  )
}

/** CareLines: page.md 9, nothing scrolls: whole pages. */
function CareLines({ list, trouble, water, acts, room }: { list: CareList; trouble: string; water: string; acts: Acts; room: Room }) {
  const { phone } = room
  const row: Row = phone ? { width: 318, title: { size: 22, line: 25 }, text: { size: 16, line: 19 }, least: 0 } : { width: 962, title: { size: 32, line: 36 }, text: { size: 22, line: 26 }, least: 118 }
  const full = phone ? 350 : 1180
  const said = (s: string) => (s ? lines(s, full, row.text.size) * row.text.line + 12 : 0)
  const free = room.height - (phone ? 16 + 36 + 12 + 184 : 32 + 68 + 16 + 184) - said(water) - (trouble ? (phone ? 54 : 40) : 0)
  const fits = (page: Line[]) => {
    const items = page.flatMap((l) => (l.kind === 'item' ? [l.of] : []))
    const told = share(items.map((c) => c.caution))
    const tall = page.map((l) => {
      if (l.kind === 'note') return phone ? 88 : 44
      if (l.kind === 'ask') return phone ? lines(l.of.words, 320, 22, 650) * 25 + 296 : 118
      // A phone has the press under the text.
      return tallOf(row, `${l.of.words} ${say('soon due')}`, `${tellOf(l.of)} ${told.own[items.indexOf(l.of)]}`) + (phone ? 132 : 0)
    })
    const gap = page[0]?.kind === 'note' ? 0 : between
    return tall.reduce((sum, h) => sum + h + gap, -gap) + said(told.shared) <= free
  }
  const tell = pagesOf([...list.ask.map((of): Line => ({ kind: 'ask', of })), ...list.items.map((of): Line => ({ kind: 'item', of }))], fits)
  const notes = pagesOf(list.history.map((of): Line => ({ kind: 'note', of })), fits)
  const { shown, more, next, at } = usePages([...tell, ...notes], 1)
  const page = shown[0] ?? []
  const items = page.flatMap((l) => (l.kind === 'item' ? [l.of] : []))
  const told = share(items.map((c) => c.caution))
  return (
    <>
      {water && <p class="said">{water}</p>}
      {told.shared && <p class="said"><b>{say('For each:')}</b> {told.shared}</p>}
      {page[0]?.kind === 'note' ? <ul class="notes">{page.map((l, i) => l.kind === 'note' && <Note key={i} n={l.of} />)}</ul> : (
        <ul class="chores">{page.map((l) => (
          l.kind === 'ask' ? <Question key={`ask-${l.of.item}`} q={l.of} acts={acts} />
            : l.kind === 'item' && <Item key={l.of.item} c={l.of} caution={told.own[items.indexOf(l.of)] ?? ''} acts={acts} />
        ))}</ul>
      )}
      {trouble && <p class="trouble" role="status">{trouble}</p>}
      <Back acts={acts} more={more !== '' && at + 1 === tell.length && notes.length > 0 ? say('Done so far') : more} next={next} />
    </>
  )
}

/** Item: page.md 1.5, a press only where there is something to press. */
function Item({ c, caution, acts }: { c: CareItem; caution: string; acts: Acts }) {
  return (
    <li data-care={c.item} data-due={c.due ? 'yes' : c.soon ? 'soon' : 'no'}>
      {c.due || c.soon ? <Square due={c.due} /> : <i class="square" />}
      <div>
        <h2>{c.words}{(c.due || c.soon) && <span class="when-due">{c.due ? say('due') : say('soon due')}</span>}</h2>
        <p>{tellOf(c)} {caution}</p>
      </div>
      <Button act={() => acts.done(c.item)} name={`done-${c.item}`} off={acts.told(c.item)}>{say('Done')}</Button>
    </li>
  )
}

/** answers are those the box takes to what it asks once a season. */
const answers = [['done', key('Done')], ['not-done', key('Not done')], ['unknown', key('Not known')]] as const

/** Question: page.md 2, targets. */
function Question({ q, acts }: { q: CareAsked; acts: Acts }) {
  return (
    <li class="asked" data-ask={q.item}>
      <Square due={false} />
      <div><h2>{q.words}</h2></div>
      <div class="answers">
        {answers.map(([answer, words]) => <Button key={answer} act={() => acts.done(q.item, { answer })} name={`${answer}-${q.item}-asked`} off={acts.told(q.item)}>{say(words)}</Button>)}
      </div>
    </li>
  )
}

/** Note: page.md 1.6, old is past tense. */
function Note({ n }: { n: CareNote }) {
  return <li><span class="day">{n.at || say('no clock')}</span><b>{n.words}</b><span>{[n.by, n.note].filter((s) => s !== '').join('; ')}</span></li>
}

/** LearnedScreen shows what the machine has taught the box; it only reads. See page.md 8, learning; 1.6, missing is a hole with words. */
export function LearnedScreen({ acts, room }: { acts: Acts; room: Room }) {
  const asked = useAsked('api/learned', '', (v) => readLearned(inUnits(v, acts.units)))
  const all = asked.what ?? []
  const { phone } = room
  const free = room.height - (phone ? 16 + 36 + 80 + 184 : 32 + 68 + 60 + 184)
  const tall = (l: LearnedLine) => (phone ? 14 + 21 * lines(l.words, 350 - 130, 18) + 19 * lines(l.text, 345, 16)
    : Math.max(52, 12 + 29 * lines(l.words, 540, 26), 12 + 27 * lines(l.text, 395, 22)))
  const { shown, more, next } = usePages(pagesOf(all, (page) => page.reduce((sum, l) => sum + tall(l), 0) <= free), 1)
  return (
    <div class="page careful">
      <h1>{say('Learned')}</h1>
      {asked.what === undefined ? <Waiting asked={asked} acts={acts} /> : (
        <>
          <p class="said">{all.length === 0 ? say('Nothing learned of this machine yet.') : say('Of this machine, by watching it. Taken back on the box: airhold learned forget.')}</p>
          <ul class="learned">{(shown[0] ?? []).map((l) => (
            <li key={l.name} data-learned={l.name} style={{ height: `${tall(l)}px` }}>
              <span>{l.words}</span>
              <b data-what={l.measure && `learned-${l.name}`} data-value={l.measure?.value} data-unit={l.measure?.unit}>{l.value || say('a curve')}</b>
              <span class="rests">{l.text}</span>
            </li>
          ))}</ul>
          <Back acts={acts} more={more} next={next} />
        </>
      )}
    </div>
  )
}
