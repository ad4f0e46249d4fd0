// SPDX-License-Identifier: Apache-2.0

import { useState } from 'preact/hooks'
import './setup.css'
import { useAsked } from './ask'
import { Waiting } from './Care'
import { pagesOf } from './care'
import { lines } from './measure'
import { moment } from './moment'
import { heard, say } from './say'
import type { Acts, Room } from './screens'
import { ask, changedAnswers, place, readChecked, readSetup, type Setup, type SetupChecked, type SetupProblem, type SetupQuestion, type SetupTalker } from './setup'
import type { Measure } from './payload'
import { messageName } from './words'

/** What was typed lasts as long as the page does: a machine that begins to move must not cost it. */
const typed: Record<string, string> = {}

/** How often what is heard is asked for anew, in ms. */
const again = 3000

type Step = 'refused' | 'wire' | 'needs' | 'inputs' | 'machine' | 'result'

/** A piece is what never parts at the end of a page, with its height in px. */
interface Piece { tall: number; show: preact.JSX.Element; path?: string }

/** SetupScreen leads through the set-up: what is heard, what is needed, how inputs read, what is typed in, the file. See page.md 7, not heard, assumed; 8, stop first. */
export function SetupScreen({ acts, room }: { acts: Acts; room: Room }) {
  const [at, setAt] = useState({ step: -1, page: 0 })
  const [checked, setChecked] = useState<SetupChecked | undefined>(undefined)
  const [trouble, setTrouble] = useState('')
  const [saved, setSaved] = useState('')
  const [waits, setWaits] = useState(false)
  const listens = at.step < 3
  const asked = useAsked('api/setup', listens ? String(Math.floor(moment().steady / again)) : 'still', readSetup)
  const setup = asked.what
  if (setup === undefined) return <div class="page careful"><h1>{say('Set-up')}</h1><Waiting asked={asked} acts={acts} /></div>
  const steps: Step[] = [...(setup.problems.length > 0 ? ['refused' as const] : []), 'wire', 'needs', 'inputs', 'machine', 'result']
  const n = Math.min(Math.max(at.step, 0), steps.length - 1)
  const step = steps[n] as Step
  const body = { from: setup.from, answers: changedAnswers(setup, typed) }

  const look = async (): Promise<SetupChecked | undefined> => {
    setWaits(true)
    const answer = await ask('check', body)
    setWaits(false)
    const got = 'said' in answer ? readChecked(answer.said) : undefined
    setTrouble('trouble' in answer ? answer.trouble : got ? '' : say('The box answered in words this page does not know. Load the page again.'))
    setChecked(got)
    setSaved('')
    return got
  }
  const save = async () => {
    setWaits(true)
    const answer = await ask('save', body)
    setWaits(false)
    const said = 'said' in answer ? (answer.said as { file?: unknown; words?: unknown }) : undefined
    setTrouble('trouble' in answer ? answer.trouble : '')
    if (said) setSaved(say('Saved as {file}. {words}', { file: String(said.file ?? ''), words: heard(String(said.words ?? '')) }))
  }
  const pieces = step === 'refused' ? refusedPieces(setup, room) : step === 'wire' ? wirePieces(setup, room) : step === 'needs' ? needPieces(setup, room) : step === 'inputs' ? inputPieces(setup, room)
    : step === 'machine' ? machinePieces(setup, checked?.problems ?? [], room) : resultPieces(setup, checked, { trouble, saved, waits, save: () => void save() }, room)
  const { phone } = room
  const free = room.height - (phone ? 16 + 40 + 8 + 46 + 184 : 32 + 64 + 8 + 40 + 190)
  const split = step === 'machine' ? pairs(pieces, free, phone) : pagesOf(pieces, (page) => page.reduce((sum, p) => sum + p.tall, 0) <= free)
  const page = Math.min(at.page, Math.max(0, split.length - 1))
  const shown = split[page] ?? []
  const last = page >= split.length - 1
  const go = (to: number, on = 0) => setAt({ step: to, page: on })
  const forward = async () => {
    if (!last) return go(n, page + 1)
    if (step !== 'machine') return go(n + 1)
    const got = await look()
    if (!got) return
    const bad = got.problems.find((p) => p.severity === 'error' && p.path)
    const where = bad ? pairs(machinePieces(setup, got.problems, room), free, phone).findIndex((all) => all.some((p) => p.path === bad.path)) : -1
    return where >= 0 ? go(n, where) : go(n + 1)
  }
  const back = () => (page > 0 ? go(n, page - 1) : n > 0 ? go(n - 1) : acts.go(phone ? 'menu' : 'home'))
  const end = step === 'result' && last
  return (
    <div class="page careful setup" data-step={step}>
      <h1>{titleOf(step, setup)}</h1>
      <p class="said">{subOf(step, setup, asked.trouble, n + 1, steps.length, trouble)}</p>
      <div class={`pieces of-${step}`}>{shown.map((p, i) => <div key={p.path ?? `${page}-${i}`} style={{ height: `${p.tall}px` }}>{p.show}</div>)}</div>
      <div class="foot">
        <button type="button" class="btn" onClick={back} data-act="back">{say('Back')}</button>
        {!phone && <button type="button" class="btn" onClick={() => acts.go('home')} data-act="go-home">{say('Home')}</button>}
        <button type="button" class={`btn${last ? ' go' : ''}`} disabled={waits} onClick={() => (end ? acts.go('home') : void forward())} data-act={end ? 'end' : 'next'}>
          {waits ? say('asking the box') : end ? say('To home') : !last ? say('More, {at}\u00a0of\u00a0{pages}', { at: page + 1, pages: split.length }) : step === 'machine' ? say('Check') : step === 'needs' ? say('Use this') : say('Next')}
        </button>
      </div>
    </div>
  )
}

function titleOf(step: Step, setup: Setup): string {
  switch (step) {
    case 'refused': return say('Machine file refused')
    case 'wire': return say('This is what I hear')
    case 'needs': return say('What I need')
    case 'inputs': return say('The inputs')
    case 'machine': return say('The machine')
    case 'result': return setup.file === '' ? say('The machine file') : say('The new machine file')
  }
}

function subOf(step: Step, setup: Setup, lost: string, n: number, of: number, trouble: string): string {
  if (lost) return lost
  if (trouble && step === 'machine') return trouble
  const count = say('Step {n} of {of}.', { n, of })
  switch (step) {
    case 'refused': return setup.state === 'refused' ? say('{count} No file was accepted before: nothing is computed.', { count }) : say('{count} The box runs on the file it accepted last.', { count })
    case 'wire': return say('{count} The box only listens. Strokes: messages of the last second.', { count })
    case 'needs': return say('{count} What is heard is used; what is not has its consequence.', { count })
    case 'inputs': return say('{count} Engine off and key out before you touch a plug.', { count })
    case 'machine': return say('{count} No box can hear these. Each with its unit.', { count })
    case 'result': return say('{count} Read it once before you rely on it.', { count })
  }
}

/** Text measures a paragraph and sets it. */
function text(s: string, width: number, size: number, look = '', weight = 500): Piece {
  const line = Math.round(size * 1.25)
  return { tall: lines(s || ' ', width, size, weight) * line, show: <p class={look} style={{ fontSize: `${size}px`, lineHeight: `${line}px` }}>{s}</p> }
}

function stack(parts: Piece[], rule = true): Piece {
  return { tall: parts.reduce((sum, p) => sum + p.tall, 0) + 16, show: <div class={rule ? 'ruled' : ''}>{parts.map((p, i) => <div key={i}>{p.show}</div>)}</div> }
}

const wide = (room: Room) => (room.phone ? 350 : 1180)
const size = (room: Room) => (room.phone ? 17 : 24)

function problemPiece(p: SetupProblem, room: Room): Piece {
  const tries = [p.allowed && say('Allowed: {allowed}.', { allowed: p.allowed }), p.suggestion && say('Try: {suggestion}', { suggestion: p.suggestion })].filter(Boolean).join(' ')
  return stack([
    text(p.severity === 'error' ? place(p) : say('{place}, a warning', { place: place(p) }), wide(room), size(room), 'strong', 650), text(p.message, wide(room), size(room)),
    ...(tries ? [text(tries, wide(room), size(room), 'quiet')] : []),
  ])
}

function refusedPieces(setup: Setup, room: Room): Piece[] {
  return setup.problems.map((p) => problemPiece(p, room))
}

function of(m: Measure | undefined, digits: number): string {
  return m === undefined ? '' : `${m.value.toFixed(digits)} ${m.unit === 'Cel' ? '°C' : m.unit === '1' ? '' : m.unit}`.trim()
}

function wirePieces(setup: Setup, room: Room): Piece[] {
  if (setup.links.length === 0) return [text(say('This box listens to no bus.'), wide(room), size(room))]
  return setup.links.flatMap((l) => {
    const rate = l.bitrate ? say('{rate} kbit/s', { rate: l.bitrate.value / 1000 }) : ''
    const busy = l.busy ? say('{busy} busy', { busy: of(l.busy, 0) }) : ''
    const head = [l.link, rate, busy].filter((s) => s !== '').join(', ')
    return [
      stack([text(`${head}. ${l.words}`, wide(room), size(room), 'strong', 650), ...l.remarks.map((r) => text(r, wide(room), size(room)))], false),
      ...l.talkers.flatMap((t) => talkerPieces(t, room)),
    ]
  })
}

function talkerPieces(t: SetupTalker, room: Room): Piece[] {
  const { phone } = room
  const name = say('{address} {name}', { address: t.address, name: t.words })
  if (phone) {
    const head = text(name, 350, 17, 'strong', 650)
    return t.messages.map((m, i) => {
      const what = messageWords(m)
      const row = { tall: lines(what, 200, 17) * 21 + 8, show: <div class="spoken"><span>{what}</span><Strip of={m.strip} width={138} /></div> }
      return i === 0 ? stack([head, row]) : row
    })
  }
  return t.messages.map((m, i) => ({
    tall: Math.max(54, 30 * lines(t.words, 300, 23, 600) * (i === 0 ? 1 : 0), 30 * lines(messageWords(m), 370, 23)) + 6,
    show: <div class={`spoken${i === 0 ? ' ruled' : ''}`}><span>{i === 0 ? t.address : ''}</span><b>{i === 0 ? t.words : ''}</b><span>{messageWords(m)}</span><Strip of={m.strip} width={380} /></div>,
  }))
}

function messageWords(m: { words: string; pgn: number; decoded: boolean; count: number }): string {
  return m.decoded ? say('{words}, {pgn}', { words: messageName(m.words), pgn: m.pgn }) : m.count === 1 ? say('not decoded, 1 message') : say('not decoded, {n} messages', { n: m.count })
}

/** Strip is the last second: a stroke for each message. See page.md 5, the last-second strips. */
function Strip({ of: at, width }: { of: number[]; width: number }) {
  const words = at.length === 0 ? say('none in the last second') : say('{n} in the last second', { n: at.length })
  return (
    <svg class="strip" width={width} height={30} viewBox={`0 0 ${width} 30`} role="img" aria-label={words} data-strip={at.length}>
      <path class="rule" d={`M0 15 H${width}`} />
      {at.map((x) => <path key={x} class="beat" d={`M${(x * (width - 4) + 2).toFixed(1)} 3 v24`} />)}
    </svg>
  )
}

function needPieces(setup: Setup, room: Room): Piece[] {
  return setup.needs.map((n) => {
    const how = n.state === 'twice' ? say('heard twice, using {who}', { who: n.using }) : n.state === 'heard' ? (n.using ? say('heard, {who}', { who: n.using }) : say('heard'))
      : n.state === 'sent' ? say('sent by {who}, {then}', { who: n.using, then: n.then }) : say('not heard: {then}', { then: n.then })
    const w = room.phone ? 350 : 820
    const p = text(how, w, size(room), n.state === 'not_heard' ? '' : 'quiet')
    const name = text(n.words, 340, size(room), 'strong', 650)
    return room.phone ? stack([name, p]) : { tall: Math.max(p.tall, name.tall) + 20, show: <div class={`need ruled ${n.state}`} data-need={n.id} data-state={n.state}>{name.show}{p.show}</div> }
  })
}

function inputPieces(setup: Setup, room: Room): Piece[] {
  if (setup.inputs.length === 0) return [text(say('No converter board is declared, so no input can be read. What is typed in brings one.'), wide(room), size(room))]
  return setup.inputs.map((i) => {
    const figures = [of(i.volts, 2), of(i.value, 1)].filter((s) => s !== '').join(', ')
    const name = !i.plug ? i.name : i.plug.includes(' ') ? say('{name}, {place}', { name: i.name, place: i.plug }) : say('{name}, plug {plug}', { name: i.name, plug: i.plug })
    const said = i.status === 'ok' ? say('ok, {figures}', { figures }) : i.sentence
    const p = text(said, room.phone ? 350 : 690, size(room), i.status === 'ok' ? 'quiet' : '')
    const t = text(name, room.phone ? 350 : 470, size(room), 'strong', 650)
    return room.phone ? stack([t, p]) : { tall: Math.max(p.tall, t.tall) + 20, show: <div class="input-row ruled" data-input={i.id} data-status={i.status}>{t.show}{p.show}</div> }
  })
}

/** pairs sets the questions two beside one another, on a phone one below the other. */
function pairs(all: Piece[], free: number, phone: boolean): Piece[][] {
  const rows = Math.max(1, Math.floor(free / (all[0]?.tall ?? free)))
  const many = phone ? rows : 2 * rows
  return Array.from({ length: Math.ceil(all.length / many) }, (_, i) => all.slice(i * many, i * many + many))
}

function machinePieces(setup: Setup, problems: SetupProblem[], room: Room): Piece[] {
  return setup.questions.map((q) => ({ path: q.path, tall: room.phone ? 270 : 232, show: <Question q={q} problem={problems.find((p) => p.path === q.path)} /> }))
}

/** Question: page.md 2, targets. */
function Question({ q, problem }: { q: SetupQuestion; problem: SetupProblem | undefined }) {
  const [value, setValue] = useState(typed[q.path] ?? q.value)
  const put = (v: string) => {
    typed[q.path] = v
    setValue(v)
  }
  const units = q.kind === 'quantity' ? say('units: {units}', { units: q.allowed.join(', ') }) : ''
  const told = problem ? `${problem.message}${problem.allowed && !problem.message.includes(problem.allowed) ? `. ${say('Allowed: {allowed}.', { allowed: problem.allowed })}` : ''}` : [q.why, units].filter((s) => s !== '').join('; ')
  return (
    <label class={`question${problem ? ' wrong' : ''}`} data-path={q.path}>
      <b>{q.needed ? say('{words} (needed)', { words: q.words }) : q.words}</b>
      {q.kind === 'word' ? (
        <select value={value} onChange={(e) => put(e.currentTarget.value)}>
          {!q.allowed.includes(value) && <option value={value}>{value || say('not said')}</option>}
          {q.allowed.map((w) => <option key={w} value={w}>{w.replaceAll('_', ' ')}</option>)}
        </select>
      ) : <input type="text" value={value} maxLength={80} autocomplete="off" spellcheck={false} aria-invalid={problem !== undefined} onInput={(e) => put(e.currentTarget.value)} />}
      <span class="told">{told}</span>
    </label>
  )
}

interface ResultActs { trouble: string; saved: string; waits: boolean; save: () => void }

function resultPieces(setup: Setup, checked: SetupChecked | undefined, acts: ResultActs, room: Room): Piece[] {
  if (checked === undefined) return [text(acts.trouble || say('It was not checked yet. Go back and press Check.'), wide(room), size(room))]
  const errors = checked.problems.filter((p) => p.severity === 'error').length
  const verdict = checked.ok ? say('Accepted by the box’s own check. {n} lines differ from the file in use.', { n: checked.changed.length }) : say('Refused: {n} errors. Nothing can be saved until they are mended.', { n: errors })
  const why = acts.saved || acts.trouble || setup.whyNot || say('It is saved as a new file, {where}. Nothing is overwritten. The box takes it at its next start.', { where: setup.where })
  const head = text(verdict, wide(room), size(room), 'strong', 650)
  const line = text(why, wide(room), size(room))
  const name = setup.where || 'machine.yaml'
  const press: Piece = {
    tall: (room.phone ? 122 : 118) + 30,
    show: (
      <div class="setup-does">
        <button type="button" class={`btn go${setup.whyNot || !checked.ok ? ' off' : ''}`} disabled={setup.whyNot !== '' || !checked.ok || acts.waits || acts.saved !== ''} onClick={acts.save} data-act="save">{acts.saved ? say('Saved') : say('Save')}</button>
        <button type="button" class={`btn${checked.ok ? '' : ' off'}`} disabled={!checked.ok} onClick={() => download(name, checked.text)} data-act="download">{say('Download')}</button>
      </div>
    ),
  }
  const had = new Set(checked.changed)
  const small = room.phone ? 14 : 20
  const body = checked.text.replace(/\n$/, '').split('\n').map((s, i): Piece => {
    const indent = s.length - s.trimStart().length
    const width = wide(room) - (room.phone ? 44 : 64) - indent * small * 0.45
    const tall = Math.round(small * 1.3)
    return { tall: tall * broken(s.trimStart(), width, small), show: <div class={`line${had.has(i + 1) ? ' new' : ''}`} data-line={i + 1} style={{ fontSize: `${small}px`, lineHeight: `${tall}px` }}><i>{i + 1}</i><span style={{ marginLeft: `${indent * small * 0.45}px` }}>{s.trimStart() || ' '}</span></div> }
  })
  return [stack([head, line, press], false), ...checked.problems.map((p) => problemPiece(p, room)), ...body]
}

/** broken counts the lines of a text whose long words may break anywhere. */
function broken(s: string, width: number, px: number): number {
  return Math.max(1, lines(s, width * 0.94, px, 650), ...s.split(' ').map((w) => Math.ceil((w.length * px * 0.62) / width)))
}

function download(name: string, body: string): void {
  const url = URL.createObjectURL(new Blob([body], { type: 'application/yaml' }))
  const a = document.createElement('a')
  a.href = url
  a.download = name
  a.click()
  setTimeout(() => URL.revokeObjectURL(url), 1000)
}
