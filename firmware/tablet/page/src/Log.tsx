// SPDX-License-Identifier: Apache-2.0

import './log.css'
import { useState } from 'preact/hooks'
import { useAsked } from './ask'
import { Waiting } from './Care'
import { askExport, clockAt, estimate, forms, readExport, readLog, size, type Log } from './log'
import { moment } from './moment'
import { say } from './say'
import { Button, type Acts, type Room } from './screens'
import { inUnits } from './units'

type Span = 'hour' | 'today' | 'all' | 'between'

/** LogScreen is the researcher's: what is recorded, every signal, and the way to take it along. A desk screen, so it may scroll. See page.md 2, desk; 8, simulated. */
export function LogScreen({ acts, room }: { acts: Acts; room: Room }) {
  const at = moment().steady
  const asked = useAsked('api/log', String(Math.floor(at / 3000)), (v) => readLog(inUnits(v, acts.units)))
  const [find, setFind] = useState('')
  const [chosen, setChosen] = useState<string[]>([])
  const log = asked.what
  if (log === undefined) return <div class="page careful"><h1>{say('Log')}</h1><Waiting asked={asked} acts={acts} /></div>
  const shown = log.signals.filter((s) => `${s.id} ${s.quantity} ${s.unit} ${s.source}`.toLowerCase().includes(find.trim().toLowerCase()))
  const choose = (id: string) => setChosen(chosen.includes(id) ? chosen.filter((c) => c !== id) : [...chosen, id])
  return (
    <div class={`log ${room.phone ? 'log-phone' : ''}`} tabIndex={0} role="region" aria-label={say('Log')}>
      <header><h1>{say('Log')}</h1><p>{log.title}</p>
        <nav><Button act={() => acts.go('home')} name="go-home">{say('Home')}</Button><Button act={() => acts.go('menu')} name="menu">{say('Menu')}</Button></nav>
      </header>
      {asked.trouble && <p class="trouble" role="status">{asked.trouble}</p>}
      <dl class="facts-of">{log.facts.map((f) => <div key={f.name}><dt>{f.name}</dt><dd>{f.value}<small>{f.rest}</small></dd></div>)}</dl>
      <label class="seek">{say('Find a signal')} <input type="search" value={find} placeholder={say('name, unit or source')} onInput={(e) => setFind(e.currentTarget.value)} data-act="find" /></label>
      <ExportForm log={log} chosen={chosen} acts={acts} />
      {shown.length === 0 ? <p class="none-of">{log.signals.length === 0 ? say('No signal is recorded.') : say('No signal has that in its name, unit or source.')}</p> : (
        <div class="all-wide"><table>
          <thead><tr><td /><th scope="col">{say('id')}</th><th scope="col">{say('quantity')}</th><th scope="col">{say('unit')}</th><th scope="col">{say('source')}</th><th scope="col">{say('per s')}</th><th scope="col">{say('calibrated by')}</th><th scope="col">{say('now')}</th><th scope="col">{say('age')}</th><th scope="col">{say('quality')}</th></tr></thead>
          <tbody>{shown.map((s) => (
            <tr key={s.id} data-signal={s.id}>
              <td><label class="pick"><input type="checkbox" checked={chosen.includes(s.id)} onChange={() => choose(s.id)} aria-label={say('export {id}', { id: s.id })} data-act={`choose-${s.id}`} /></label></td>
              <th scope="row">{s.id}</th><td>{s.quantity}</td><td>{s.unit}</td><td>{s.source}</td><td>{Number.isNaN(s.rate) ? '' : s.rate.toFixed(s.rate < 9.95 ? 1 : 0)}</td><td class="made">{s.made}</td><td class="figure">{s.now}</td><td>{s.age}</td><td>{s.quality}</td>
            </tr>
          ))}</tbody>
        </table></div>
      )}
      <h2>{say('On the disk')}</h2>
      <ul class="told">{log.boots.map((b) => <li key={b.id}><b>{b.id}</b> {say('{from} to {to}, {size}, {words}', { from: clockAt(b.from), to: clockAt(b.to), size: size(b.bytes), words: b.words })}</li>)}</ul>
      <h2>{say('Holes')}</h2>
      {log.holes.length === 0 ? <p>{say('Nothing is missing in this boot.')}</p> : <ul class="told">{log.holes.map((h, i) => <li key={i}><b>{h.at}</b> {h.words}</li>)}</ul>}
      <h2>{say('Frames sent: 0')}</h2>
      <p>{log.sent}</p>
    </div>
  )
}

/** ExportForm: page.md 8, export: stop first. */
function ExportForm({ log, chosen, acts }: { log: Log; chosen: string[]; acts: Acts }) {
  const [form, setForm] = useState('parquet')
  const [span, setSpan] = useState<Span>('hour')
  const [from, setFrom] = useState('')
  const [to, setTo] = useState('')
  const [trouble, setTrouble] = useState('')
  const [round, setRound] = useState(0)
  const asked = useAsked('api/export', `${Math.floor(moment().steady / 1000)} ${round}`, readExport)
  const x = asked.what
  const working = x?.state === 'working'
  const dated = Number.isFinite(log.now)
  const midnight = new Date(log.now).setHours(0, 0, 0, 0)
  const begin = { hour: log.now - 3_600_000, today: midnight, all: NaN, between: Date.parse(from) }[span]
  const end = { hour: log.now, today: log.now, all: NaN, between: Date.parse(to) }[span]
  const frames = forms.some((f) => f.form === form && f.frames)
  const about = estimate(log, form, begin, end, frames ? [] : chosen)
  const press = async () => {
    setTrouble('')
    if (!dated && span !== 'all') return setTrouble(say('The box does not know what time it is: export all that is recorded.'))
    if (span === 'between' && (Number.isNaN(begin) || Number.isNaN(end))) return setTrouble(say('Say from when to when.'))
    setTrouble(await askExport('POST', {
      format: form, ...(frames || chosen.length === 0 ? {} : { channels: chosen }), ...(Number.isNaN(begin) ? {} : { from: new Date(begin).toISOString() }), ...(Number.isNaN(end) ? {} : { to: new Date(end).toISOString() }),
    }))
    setRound(round + 1)
  }
  const cancel = async () => {
    setTrouble(await askExport('DELETE'))
    setRound(round + 1)
  }
  const spans: [Span, string][] = [['hour', say('last hour')], ['today', say('today')], ['all', say('all that is recorded')], ['between', say('from, to')]]
  return (
    <section class="take-out">
      <h2>{say('Export')}</h2>
      <fieldset class="spans"><legend>{say('time')}</legend>
        {spans.map(([s, words]) => <label key={s}><input type="radio" name="span" checked={span === s} onChange={() => setSpan(s)} data-act={`span-${s}`} />{words}</label>)}
        {span === 'between' && <><input type="datetime-local" aria-label={say('from')} value={from} onInput={(e) => setFrom(e.currentTarget.value)} data-act="from" /><input type="datetime-local" aria-label={say('to')} value={to} onInput={(e) => setTo(e.currentTarget.value)} data-act="to" /></>}
      </fieldset>
      <fieldset><legend>{say('as')}</legend>
        {forms.map((f) => <label key={f.form}><input type="radio" name="form" checked={form === f.form} onChange={() => setForm(f.form)} data-act={`form-${f.form}`} />{say(f.opens)}</label>)}
      </fieldset>
      <p class="of-which">{frames ? say('Raw frames hold no signals: all of them go.') : chosen.length === 0 ? say('No signal is chosen: all {n} go.', { n: log.signals.length }) : say('{n} of {all} signals.', { n: chosen.length, all: log.signals.length })}</p>
      <div class="go-out">
        {working ? <Button act={() => void cancel()} name="cancel">{say('Cancel')}</Button>
          : <Button look="go" act={() => void press()} name="export">{Number.isNaN(about) ? say('Export') : say('Export, about {size}', { size: size(about) })}</Button>}
        {x?.state === 'done' && <a class="btn" href="api/export/file" download data-act="download">{say('Download, {size}', { size: size(x.bytes) })}</a>}
      </div>
      <p class="how-far" role="status" data-export={x?.state ?? ''}>
        {trouble || (acts.trouble ? acts.trouble : '') || (working ? say('{n} % done, {size}', { n: Math.floor(x.percent), size: size(x.bytes) }) : x?.state === 'failed' ? x.error : x?.state === 'done' ? [x.name, ...x.notes].join(' ') : asked.trouble)}
      </p>
    </section>
  )
}
