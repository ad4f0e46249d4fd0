// SPDX-License-Identifier: Apache-2.0

import './leakdown.css'
import { useState } from 'preact/hooks'
import { bandDrawing, resultDrawing, watchDrawing, type Mark as Word, type Plot, type Size } from './curve'
import { steps, type ResultView, type Seen, type TestView, type Zone } from './leakdown'
import { lines } from './measure'
import type { Measure } from './payload'
import { key, say } from './say'
import type { Room } from './screens'
import { chances, fine, set, unit, upper } from './words'

/** TestActs is what a person may press in a leak-down test. */
export interface TestActs {
  start: (zone: string, phases: number, by?: string) => void // without by: who tested last
  tick: (id: string) => void
  next: () => void
  stop: () => void
  home: () => void
  last: () => void // show the last result
  trouble: string
  waits: string // an alarm that waits on Home; empty: none
}

/** StartView is what can be begun. */
export interface StartView {
  zones: Zone[]
  moving: boolean
  limit: Measure | undefined
  last: string
  zone: string // chosen beforehand
  by: string // who tested last on this tablet
}

/** Start asks what to test: which part, one watch or two. See page.md 7, the test's steps; 8, stop first. */
export function Start({ view, acts, room }: { view: StartView; acts: TestActs; room: Room }) {
  const [zone, setZone] = useState(view.zone)
  const [phases, setPhases] = useState(1)
  const [by, setBy] = useState(view.by)
  const chosen = view.zones.find((z) => z.zone === zone) ?? view.zones[0]
  const watches = [{ n: 1, words: say('One watch'), note: say('is it tight, and how much leaks') }, { n: 2, words: say('Two watches'), note: say('ranks at another pressure: which path leaks') }]
  return (
    <div class="test start">
      <h1>{say('Leak-down test')}</h1>
      <div class="middle">
        <Choice name={say('Which part')} of={view.zones.map((z) => ({ key: z.zone, words: z.words, note: '' }))} on={chosen?.zone ?? ''} pick={setZone} act="zone" />
        <Choice name={say('How')} of={watches.map((w) => ({ key: String(w.n), words: w.words, note: w.note }))} on={String(phases)} pick={(k) => setPhases(Number(k))} act="phases" />
        <div class="with">
          <p class="limit">{view.limit ? <b data-what="limit" data-value={view.limit.value} data-unit={view.limit.unit}>{say('{n} {unit} is the limit', { n: set(view.limit), unit: unit(view.limit) })}</b> : say('The limit is that of the machine file.')}</p>
          <label>{say('Who tests')} <input value={by} maxLength={40} placeholder={say('for the report')} onInput={(e) => setBy(e.currentTarget.value)} /></label>
        </div>
      </div>
      <Foot acts={acts} law={view.moving ? say('The machine moves: stop first.') : say('You charge, close and vent, by the machine’s manual.\nThe box only watches.')}>
        <button type="button" class="btn" onClick={acts.home} data-act="go-home">{say('Home')}</button>
        {view.last && <button type="button" class="btn" onClick={acts.last} data-act="last">{room.phone ? say('Last') : say('Last result')}</button>}
        <i />
        {view.moving ? <button type="button" class="btn off" disabled data-act="start">{say('Stop first')}</button> :
          <button type="button" class="btn go" onClick={() => acts.start(chosen?.zone ?? 'tank', phases, by.trim())} data-act="start">{say('Start')}</button>}
      </Foot>
    </div>
  )
}

/** Choice: page.md 2, targets. */
function Choice({ name, of, on, pick, act }: { name: string; of: { key: string; words: string; note: string }[]; on: string; pick: (k: string) => void; act: string }) {
  return (
    <section class="choice" aria-label={name}>
      <h2>{name}</h2>
      <ul style={{ '--n': String(of.length) }}>
        {of.map((o) => (
          <li key={o.key}><button type="button" class={`tick${o.key === on ? ' on' : ''}`} aria-pressed={o.key === on} onClick={() => pick(o.key)} data-act={`${act}-${o.key}`}>
            <span>{o.words}{o.note && <small>{o.note}</small>}</span>
          </button></li>
        ))}
      </ul>
    </section>
  )
}

/** Running shows the test at the step where the box is. See page.md 7, make safe, fill, isolate, watch, result. */
export function Running({ view, acts, room }: { view: TestView; acts: TestActs; room: Room }) {
  return (
    <div class={`test at-${view.step}`} data-step={view.step} data-run={view.run} data-verdict={view.result?.verdict}>
      <StepRail at={view.at} />
      {view.step === 'make_safe' && <MakeSafe view={view} acts={acts} room={room} />}
      {(view.step === 'fill' || view.step === 'isolate') && <Work view={view} acts={acts} room={room} />}
      {view.step === 'watch' && <Watch view={view} acts={acts} room={room} />}
      {view.step === 'result' && view.result && <Result view={view} result={view.result} acts={acts} room={room} />}
    </div>
  )
}

/** StepRail: page.md 7, the test's steps. */
function StepRail({ at }: { at: number }) {
  return (
    <ol class="steps" aria-label={say('Steps')}>
      {steps.map((s, i) => <li key={s.step} class={i < at ? 'been' : i === at ? 'now' : ''} aria-current={i === at ? 'step' : undefined}><b>{i + 1}</b> <span>{say(s.words)}</span></li>)}
    </ol>
  )
}

/** Law stands beside the presses: what went wrong, else what is not yet as it should be, else who has the last word. See page.md 7, the words of the test. */
function Foot({ acts, law, children }: { acts: TestActs; law: string; children: preact.ComponentChildren }) {
  const kids = Array.isArray(children) ? children : [children]
  const gap = kids.findIndex((k) => (k as { type?: unknown } | null)?.type === 'i')
  const told = acts.trouble || acts.waits || law
  return (
    <div class="foot">
      {kids.slice(0, gap)}
      <p class={`law${acts.trouble || acts.waits ? ' trouble' : ''}`} role={acts.trouble ? 'status' : undefined}>{told}</p>
      {kids.slice(gap + 1)}
    </div>
  )
}

/** Leave: page.md 8, a test goes on in the box. */
function Leave({ acts }: { acts: TestActs }) {
  return <button type="button" class="btn narrow" onClick={acts.home} data-act="go-home">{say('Home')}</button>
}

/** Next: page.md 1.5, the one expected press is solid. */
function Next({ view, acts }: { view: TestView; acts: TestActs }) {
  if (!view.go) return null
  if (view.go.ready) return <button type="button" class="btn go" onClick={acts.next} data-act="next">{view.go.words}</button>
  return <button type="button" class="btn off" disabled data-act="next">{view.go.words}</button>
}

const lawWords = key('The machine’s manual comes first.\nAirhold is not a safety device.')

function lawOf(view: TestView): string {
  const unmet = view.seen.filter((s) => s.met === 'no' && s.why !== '').map((s) => s.why)
  return unmet.length > 0 ? unmet.slice(0, 2).map((w) => upper(w)).join(' ') : say(lawWords)
}

/** Box: page.md 1.4, shape, not colour. */
function Box({ state }: { state: 'yes' | 'no' | 'not_seen' }) {
  return (
    <svg class={`box ${state}`} width="44" height="44" viewBox="0 0 44 44" aria-hidden="true">
      <rect x="3" y="3" width="38" height="38" rx="4" />
      {state === 'yes' && <path d="M11 23 l8 8 l15 -18" />}
    </svg>
  )
}

/** MakeSafe: page.md 7, make safe. */
function MakeSafe({ view, acts, room }: { view: TestView; acts: TestActs; room: Room }) {
  return (
    <>
      <h1>{view.title}<small>{[view.where, view.limit && say('limit {n} {unit}', { n: set(view.limit), unit: unit(view.limit) }), view.phases > 1 && say('two watches')].filter((s) => s).join(', ')}</small></h1>
      <div class="middle">
        <ul class="ticks">
          {view.ticks.map((t) => (
            <li key={t.id}><button type="button" class={`tick${t.done ? ' on' : ''}`} aria-pressed={t.done} onClick={() => acts.tick(t.id)} data-act={`tick-${t.id}`}>
              <Box state={t.done ? 'yes' : 'no'} /><span>{t.text}{t.note && <small>{t.note}</small>}</span>
            </button></li>
          ))}
        </ul>
        <section class="sees" aria-label={say('The box sees')}>
          <h2>{say('The box sees')}</h2>
          {view.seen.map((s) => <p key={s.id} class={s.met === 'no' ? 'wrong' : ''} data-cond={s.id} data-met={s.met}><SeenWords s={s} safe={view.safe} /></p>)}
          {view.pressure && !view.seen.some((s) => s.id === 'safe') && (
            <p><b data-what="pressure" data-value={view.pressure.value} data-unit={view.pressure.unit}>{whole(view.pressure)}</b> {unit(view.pressure)}, {view.zone === 'tank' ? say('tank') : view.where}{view.safe && `, ${say('safe below {n}', { n: whole(view.safe) })}`}</p>
          )}
        </section>
        {room.phone && <Leave acts={acts} />}
      </div>
      <Foot acts={acts} law={lawOf(view)}>
        {!room.phone && <Leave acts={acts} />}
        <button type="button" class="btn" onClick={acts.stop} data-act="stop">{say('Stop')}</button>
        <i />
        <Next view={view} acts={acts} />
      </Foot>
    </>
  )
}

/** SeenWords is what the box sees of one condition; what it cannot see is a hole with words. See page.md 1.6, missing is a hole with words. */
function SeenWords({ s, safe }: { s: Seen; safe: Measure | undefined }) {
  if (s.met === 'not_seen') return <>{say('{what}: not seen', { what: s.text })}</>
  if (s.figure === '') return <>{s.text}: {s.words}</>
  const more = s.id === 'drive' ? [say('drive')] : s.id === 'safe' ? [say('in the tank'), safe && say('safe below {n}', { n: whole(safe) })] : []
  return <><b>{s.figure}</b> {[s.words, ...more].filter((p) => p).join(', ')}</>
}

function whole(m: Measure): string {
  return fine({ ...m, value: m.value }, Math.abs(m.value) >= 100 ? Math.round(m.value) : m.value)
}

/** Work is a step in which the person does something at the machine: fill, isolate. See page.md 7, fill, isolate. */
function Work({ view, acts, room }: { view: TestView; acts: TestActs; room: Room }) {
  // One thing after the other: only the first that is not as it should be says what to do.
  const first = view.seen.find((s) => s.met === 'no') ?? view.seen.find((s) => s.met === 'not_seen')
  const words = [...view.todo, view.hear, ...view.cautions].reduce((n, w) => n + w.length, 0)
  const long = (s: Seen) => s.met !== 'not_seen' && s.figure === '' && s.words.length > 12
  return (
    <>
      <h1>{view.title}{view.phase && <small>{view.phase}</small>}</h1>
      <div class="middle two">
        <section class={`todo${words > 560 ? ' dense' : ''}`} aria-label={say('What to do')} tabIndex={0}>
          <ol>{view.todo.map((d) => <li key={d}>{d}</li>)}</ol>
          {view.hear && <p class="hear"><b>{say('You should hear')}</b> {view.hear}</p>}
          {view.cautions.length > 0 && <div class="care"><h2>{say('Take care')}</h2><ul>{view.cautions.map((c) => <li key={c}>{c}</li>)}</ul></div>}
        </section>
        <section class="state" aria-label={say('The box sees')} tabIndex={0}>
          <Pressure view={view} width={room.phone ? 358 : 440} small={room.phone} />
          <h2>{say('The box sees')}</h2>
          <ul class={`conds${view.seen.length > 4 ? ' many' : ''}`}>
            {view.seen.map((s) => (
              <li key={s.id} data-cond={s.id} data-met={s.met}><Box state={s.met} />
                <span>{s.text}{long(s) && <small class="quiet">{s.words}</small>}{s === first && s.why && <small>{upper(s.why)}</small>}</span>
                {!long(s) && <span class="sight">{s.met === 'not_seen' ? say('not seen') : <><b>{s.figure}</b> {s.words}</>}</span>}
              </li>
            ))}
          </ul>
        </section>
        {room.phone && <Leave acts={acts} />}
      </div>
      <Foot acts={acts} law={say(lawWords)}>
        {!room.phone && <Leave acts={acts} />}
        <button type="button" class="btn" onClick={acts.stop} data-act="stop">{say('Stop')}</button>
        <i />
        <Next view={view} acts={acts} />
      </Foot>
    </>
  )
}

/** Pressure is the pressure of the part under test on one scale with where it should be and where it must not go. See page.md 3, one scale. */
function Pressure({ view, width, small }: { view: TestView; width: number; small: boolean }) {
  const { pressure, safe } = view
  // In the second watch the ranks are vented to the target while the part under test may be the tank.
  const target = view.step === 'isolate' && view.zone === 'tank' && view.second ? undefined : view.target
  const top = Math.max(safe?.value ?? 0, target?.value ?? 0, pressure?.value ?? 0) * 1.06 || 1
  const x = (v: number) => Math.max(0, Math.min(1, v / top)) * (width - 4) + 2
  const thick = small ? 30 : 40
  const size = small ? 15 : 23
  const close = target !== undefined && safe !== undefined && Math.abs(x(safe.value) - x(target.value)) < (small ? 90 : 150)
  return (
    <div class="pressure">
      <p>{pressure ? <><b data-what="pressure" data-value={pressure.value} data-unit={pressure.unit}>{whole(pressure)}</b><span class="unit">{say('{unit} now', { unit: unit(pressure) })}</span></> : <span class="unit" data-unseen="pressure">{say('pressure not seen')}</span>}</p>
      <svg width={width} height={thick + (small ? 42 : 62)} viewBox={`0 0 ${width} ${thick + (small ? 42 : 62)}`} role="img"
        aria-label={[pressure ? say('pressure {n} {unit}', { n: whole(pressure), unit: unit(pressure) }) : say('pressure not seen'), target ? say('fill to {n}', { n: whole(target) }) : '', safe ? say('safe below {n}', { n: whole(safe) }) : ''].filter((s) => s !== '').join('; ')}>
        <rect class="frame-line" x="1" y={size + 8} width={width - 2} height={thick} />
        {pressure && <rect class="part bags" x="2" y={size + 9} width={Math.max(0, x(pressure.value) - 2)} height={thick - 2} />}
        {target && <path class="post" d={`M${x(target.value)} ${size + 2} V${size + thick + 14}`} />}
        {safe && <path class="post" d={`M${x(safe.value)} ${size + 2} V${size + thick + 14} M${x(safe.value) - 9} ${size + 4} h18 M${x(safe.value) - 9} ${size + thick + 12} h18`} />}
        {target && <text class="t-read strong" x={x(target.value)} y={close ? size - 2 : size + thick + 16 + size} text-anchor={x(target.value) > width * 0.75 ? 'end' : 'middle'}>{view.step === 'fill' ? say('fill to {n}', { n: whole(target) }) : view.second ? say('vent to {n}', { n: whole(target) }) : say('filled to {n}', { n: whole(target) })}</text>}
        {safe && <text class="t-read" x={width} y={size + thick + 16 + size} text-anchor="end">{view.zone === 'tank' ? say('safe below {n}', { n: whole(safe) }) : say('tank safe below {n}', { n: whole(safe) })}</text>}
      </svg>
    </div>
  )
}

/** Grid: page.md 2, faint: rules only. */
function Grid({ p }: { p: Plot }) {
  return (
    <g>
      {p.rows.map((r) => <g key={r.text}><path class="grid" d={`M${p.left} ${r.y} H${p.right}`} /><text class="t-read" x={p.left - (p.small ? 6 : 12)} y={r.y + (p.small ? 5 : 8)} text-anchor="end">{r.text}</text></g>)}
      {p.times.map((t) => <text key={t.text} class="t-read" x={t.x} y={p.base + (p.small ? 19 : 32)} text-anchor={t.anchor}>{t.text}</text>)}
    </g>
  )
}

/** Words: page.md 2, read. */
function Words({ words }: { words: Word[] }) {
  return <>{words.map((w) => <text key={w.text} class={`halo ${w.strong ? 't-strong' : 't-read'}`} x={w.x} y={w.y} text-anchor={w.anchor}>{w.text}</text>)}</>
}

/** Watch: page.md 7, watch; 5, points as they arrive. */
function Watch({ view, acts, room }: { view: TestView; acts: TestActs; room: Room }) {
  const low = room.height < 780
  // A short phone keeps the falling curve and leaves out the second drawing.
  const short = room.phone && room.height < 800
  const upperSize: Size = room.phone ? { width: 358, height: short ? room.height - 530 : room.height - 676, small: true } : { width: 800, height: low ? 300 : 330, small: false }
  const lowerSize: Size = room.phone ? { width: 358, height: 124, small: true } : { width: 800, height: low ? 190 : 210, small: false }
  const d = view.curve && watchDrawing(view.curve, view.seconds, upperSize, { cooling: view.cooling, lost: view.lost })
  const b = bandDrawing(view.updates, view.limit, Math.max(view.seconds, ...(view.curve?.measured ?? []).slice(-1).map((m) => m[0])), lowerSize)
  const odd = view.seen.filter((s) => s.met === 'no')
  return (
    <>
      <section class="falling" aria-label={say('Pressure')}>
        <h2>{[upper(view.where), 'kPa', view.second ? say('from the first watch') : view.phase].filter((s) => s).join(', ')}</h2>
        {d ? (
          <svg width={upperSize.width} height={upperSize.height} viewBox={`0 0 ${upperSize.width} ${upperSize.height}`} role="img" aria-label={say('Pressure, {where}, since it was closed; cooling took {cooling} kPa, a leak {leak} kPa', { where: view.where, cooling: view.cooling || say('not known'), leak: view.lost || say('not known') })}>
            <LeakPattern />
            <Grid p={d.plot} />
            {d.leakPart && <polygon class="leak-part" points={d.leakPart} />}
            <path class="ground" d={`M${d.plot.left} ${d.plot.base} H${d.plot.right}`} />
            {d.fitBand && <polygon class="fit-band" points={d.fitBand} />}
            <path class="only-cooling" d={d.cooling} />
            <path class="fit" d={d.fit} />
            <path class="fit ahead" d={d.ahead} />
            <g class="dots">{d.dots.map((o, i) => <circle key={i} cx={o.x} cy={o.y} r={room.phone ? 2.6 : 4} />)}</g>
            <path class="mark now-line" d={`M${d.now} ${d.plot.top} V${d.plot.base}`} />
            {d.brackets.map((k) => <path key={k.to} class="mark" d={`M${k.x + 10} ${k.from} h10 V${k.to} h-10`} />)}
            <Words words={d.words} />
          </svg>
        ) : <p class="none" style={{ height: `${upperSize.height}px` }}>{say('The first readings are on their way.')}</p>}
        {!short && <><h2>{say('Leak, {unit}: the band narrows', { unit: view.limit ? unit(view.limit) : 'L/min ANR' })}</h2>
        <svg width={lowerSize.width} height={lowerSize.height} viewBox={`0 0 ${lowerSize.width} ${lowerSize.height}`} role="img" aria-label={say('The estimate of the leak and its band over time, against the limit')}>
          <Grid p={b.plot} />
          {b.band && <polygon class="body" points={b.band} />}
          {b.limit !== undefined && <path class="limit-line" d={`M${b.plot.left} ${b.limit} H${b.plot.right}`} />}
          <path class="ground" d={`M${b.plot.left} ${b.plot.base} H${b.plot.right}`} />
          {b.line && <path class="estimate" d={b.line} />}
          {b.dot && <circle class="estimate-dot" cx={b.dot.x} cy={b.dot.y} r={room.phone ? 6 : 8} />}
          {b.limitText && view.limit && <text class="t-strong halo" x={b.limitText.x} y={b.limitText.y} text-anchor="end" data-what="limit" data-value={view.limit.value} data-unit={view.limit.unit}>{say('limit {n}', { n: set(view.limit) })}</text>}
        </svg></>}
      </section>
      <aside class={`read${view.heard ? ' old' : ''}`}>
        <Estimate view={view} />
        <p class="small">{view.heard ? `${upper(view.heard)}.` : odd[0] ? odd[0].why || say('Not as it should be: {what}.', { what: odd[0].text }) : view.todo[1] ?? say('Stops itself at 99 %.')}{view.heldBack && <><br />{say('Air alarms are held back.')}</>}</p>
        {(acts.trouble || acts.waits) && <p class="trouble" role="status">{acts.trouble || acts.waits}</p>}
        <p class="secs"><span data-what="seconds" data-value={view.seconds} data-unit="s">{view.seconds}</span><span class="unit">s</span></p>
        <div class="presses"><button type="button" class="btn" onClick={acts.home} data-act="go-home">{say('Home')}</button><button type="button" class="btn" onClick={acts.stop} data-act="stop">{say('Stop')}</button></div>
        {view.go?.ready && <Next view={view} acts={acts} />}
      </aside>
    </>
  )
}

/** Estimate is the leak with its band and the chances; before the first one it says so. See page.md 1.6, uncertain is as wide as its interval. */
function Estimate({ view }: { view: TestView }) {
  if (!view.leak) {
    return <div class="estimate-words"><p>{view.title}</p><p class="yet">{say('not known yet')}</p><p>{say('The first estimate needs some more seconds.')}</p></div>
  }
  const pass = Math.max(0, Math.min(1, view.pass))
  const likely = view.pass >= view.fail
  const [passes, fails] = chances(view.pass, view.fail)
  return (
    <div class="estimate-words">
      <p>{view.title}</p>
      <p class="est"><span data-what="test-leak" data-value={view.leak.value} data-unit={view.leak.unit}>{fine(view.leak)}</span><span class="unit">{unit(view.leak)}</span></p>
      <p class="between">{say('between')} <b data-what="test-leak-low" data-value={view.leak.low} data-unit={view.leak.unit}>{fine(view.leak, view.leak.low)}</b> {say('and')} <b data-what="test-leak-high" data-value={view.leak.high} data-unit={view.leak.unit}>{fine(view.leak, view.leak.high)}</b> (95&nbsp;%)</p>
      <div class="odds" role="img" aria-label={say('chance of pass {pass}, of fail {fail}', { pass: passes, fail: fails })}><span style={{ width: `${pass * 100}%` }} /><i style={{ width: `${(1 - pass) * 100}%` }} /></div>
      <p class={`chances${passes.length + fails.length > 14 ? ' tight' : ''}`}><span class={likely ? 'likely' : ''}>{say('pass {n}', { n: passes })}</span><span class={likely ? '' : 'likely'}>{say('fail {n}', { n: fails })}</span></p>
    </div>
  )
}

/** LeakPattern: page.md 1.6, uncertain is hatched. */
function LeakPattern() {
  return <defs><pattern id="leak-part" width="8" height="8" patternUnits="userSpaceOnUse"><rect class="body" width="8" height="8" /><rect class="stripe" width="3" height="8" /></pattern></defs>
}

/** Result is the verdict in words, the curve beside its limit, the earlier test beside this one, and what it does not say. See page.md 7, result; pass, fail, undecided, invalid. */
function Result({ view, result, acts, room }: { view: TestView; result: ResultView; acts: TestActs; room: Room }) {
  const [sheet, setSheet] = useState(1)
  const low = room.height < 780
  const room1 = room.phone ? 0 : room.height - (low ? 168 : 170) - (low ? 192 : 248)
  const kept = fitting(result.first, room.phone ? Infinity : room1 - 190, 655, 23)
  const need = kept.reduce((sum, l) => sum + lines(l, 655, 23) * 28 + 4, 0)
  const size: Size = room.phone ? { width: 358, height: 210, small: true } : { width: result.judged ? 660 : 700, height: Math.min(372, room1 - need - (need > 0 ? 10 : 0)), small: false }
  const d = result.curve && resultDrawing(result.curve, result.before, size, result.judged)
  return (
    <>
      <h1 class={`verdict ${result.verdict}`}><VerdictMark of={result.verdict} tall={room.phone ? 34 : low ? 56 : 66} /><span>{view.title}</span></h1>
      <p class="sub">{result.sub}</p>
      <div class={`middle sheet-${sheet} ${result.judged ? 'is-judged' : 'is-void'}`}>
        {(sheet === 1 || room.phone) && (
          <>
            <section class="drawn">
              {!result.judged && <div class="why">{result.reasons.map((r) => <p key={r}>{r}</p>)}</div>}
              {d && <h2>{upper(view.where)}, kPa{d.before && <small>{say('before: that leak with this cooling')}</small>}</h2>}
              {d && <ResultCurve d={d} size={size} where={view.where} judged={result.judged} />}
              {kept.map((l) => <p key={l} class="note">{l}</p>)}
            </section>
            {result.judged && <Compare result={result} />}
          </>
        )}
        {(sheet === 2 || room.phone) && (
          <div class="groups" tabIndex={0}><div>{result.more.map((g) => <section key={g.name}><h2>{g.name}</h2><ul>{g.lines.map((l) => <li key={l}>{l}</li>)}</ul></section>)}</div></div>
        )}
        {acts.trouble && <p class="trouble" role="status">{acts.trouble}</p>}
      </div>
      <div class="foot">
        <button type="button" class="btn narrow" onClick={acts.home} data-act="go-home">{say('Home')}</button>
        {!room.phone && <button type="button" class="btn" onClick={() => setSheet(3 - sheet)} data-act="more">{sheet === 1 ? say('What it says') : say('The curve')}</button>}
        <a class="btn" href={`api/tests/${encodeURIComponent(view.run)}/report`} target="_blank" rel="noopener" data-act="report">{say('Report')}</a>
        <p class="law" />
        <button type="button" class={`btn${result.verdict === 'pass' ? '' : ' go'}`} onClick={() => acts.start(view.zone, view.phases || 1)} data-act="again">{say('Test again')}</button>
        {result.next && <button type="button" class={`btn${result.verdict === 'pass' ? ' go' : ''}`} onClick={() => acts.start(result.next?.zone ?? '', 1)} data-act="next-zone">{result.next.words}</button>}
      </div>
    </>
  )
}

/** fitting keeps the last line, a caution, and as many of the others from the top as there is room for. */
function fitting(all: string[], room: number, width: number, size: number): string[] {
  const tall = (l: string) => lines(l, width, size) * 28 + 4
  const last = all.at(-1)
  if (last === undefined) return []
  let left = room - tall(last)
  const out = []
  for (const l of all.slice(0, -1)) {
    if (tall(l) > left) break
    left -= tall(l)
    out.push(l)
  }
  return [...out, last]
}

/** VerdictMark tells the verdict by shape: nothing for a pass, a block for a fail, stripes where it is open, a dashed hole where nothing is judged. See page.md 1.4, shape before colour. */
function VerdictMark({ of, tall }: { of: string; tall: number }) {
  if (of === 'pass') return null
  const w = Math.round(tall * 0.36)
  const d = []
  for (let a = 7; a < w + tall; a += 14) d.push(`M${a} -2 L${a - tall - 4} ${tall + 2}`)
  return (
    <svg class="clip verdict-mark" width={w} height={tall} viewBox={`0 0 ${w} ${tall}`} aria-hidden="true">
      {of === 'fail' && <rect class="solid" width={w} height={tall} />}
      {of === 'undecided' && <><path class="open-stripes" d={d.join(' ')} /><rect class="outline" x="1.5" y="1.5" width={w - 3} height={tall - 3} /></>}
      {of !== 'fail' && of !== 'undecided' && <rect class="outline dashed" x="2" y="2" width={w - 4} height={tall - 4} />}
    </svg>
  )
}

/** ResultCurve: page.md 1.6, limit dashed, measured solid. */
function ResultCurve({ d, size, where, judged }: { d: NonNullable<ReturnType<typeof resultDrawing>>; size: Size; where: string; judged: boolean }) {
  return (
    <svg width={size.width} height={size.height} viewBox={`0 0 ${size.width} ${size.height}`} role="img" aria-label={!judged ? say('Pressure, {where}, as measured; not judged', { where }) : d.before ? say('Pressure, {where}: this test, the edge of what passes, and the earlier test', { where }) : say('Pressure, {where}: this test, the edge of what passes', { where })}>
      <Grid p={d.plot} />
      {d.allowed && <polygon class="allowed" points={d.allowed} />}
      {d.limit && <path class="limit-edge" d={d.limit} />}
      {d.before && <path class="earlier" d={d.before} />}
      {d.now && <path class="this" d={d.now} />}
      {d.dots.length > 0 && <g class="dots">{d.dots.map((o, i) => <circle key={i} cx={o.x} cy={o.y} r="4" />)}</g>}
      <path class="ground" d={`M${d.plot.left} ${d.plot.base} H${d.plot.right}`} />
      <Words words={judged ? d.words : []} />
    </svg>
  )
}

/** Compare: page.md 7, before, now, limit. */
function Compare({ result }: { result: ResultView }) {
  const before = result.heads?.before !== '' && result.rows.some((r) => r.before)
  return (
    <table class={`cmp${before ? '' : ' alone'}`}>
      <thead><tr><td />{before && <th scope="col">{say('before')}<small>{result.heads?.before}</small></th>}<th scope="col">{say('now')}<small>{result.heads?.now}</small></th></tr></thead>
      <tbody>
        {result.rows.map((r) => (
          <tr key={r.id} data-row={r.id}>
            <th scope="row">{r.name}<small>{r.under}</small></th>
            {before && <td>{r.before ? <><span class={r.before.band ? '' : 'unknown'}>{r.before.figure}</span>{r.before.unit && <span class="unit">{r.before.unit}</span>}<small>{r.before.band}</small></> : <small>{say('not known')}</small>}</td>}
            <td><span class={r.now.band ? '' : 'unknown'} data-what={`result-${r.id}`} data-value={r.now.measure?.value} data-unit={r.now.measure?.unit}>{r.now.figure}</span>{r.now.unit && <span class="unit">{r.now.unit}</span>}<small>{r.now.band}</small></td>
          </tr>
        ))}
      </tbody>
    </table>
  )
}
