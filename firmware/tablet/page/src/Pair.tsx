// SPDX-License-Identifier: Apache-2.0

// What this tablet may do, and how it comes to more: by a name and the code that the box's terminal shows.

import { useState } from 'preact/hooks'
import { useAsked } from './ask'
import { Waiting } from './Care'
import { object } from './payload'
import { heard, say } from './say'
import type { Acts, Room } from './screens'

type Step = 'about' | 'name' | 'other' | 'code'

interface Me {
  box: boolean
  name: string // empty: not paired
  looks: boolean
  why: string
}

/** meOf reads /api/me; undefined where it is none. */
export function meOf(said: unknown): Me | undefined {
  if (!object(said) || typeof said.place !== 'string' || !Array.isArray(said.may)) return undefined
  const word = (v: unknown) => (typeof v === 'string' ? v : '')
  return { box: said.place === 'box', name: said.paired === true ? word(said.name) : '', looks: said.may.includes('look'), why: word(said.why) }
}

const digits = 8

/** PairScreen says it, and takes name and code in whole pages. Where the box shows nothing to strangers it is all there is. See page.md 2, targets; 9, no pop-ups. */
export function PairScreen({ acts, room, shut = false }: { acts: Acts; room: Room; shut?: boolean }) {
  const [step, setStep] = useState<Step>('about')
  const [name, setName] = useState('')
  const [code, setCode] = useState('')
  const [trouble, setTrouble] = useState('')
  const [waits, setWaits] = useState(false)
  const [round, setRound] = useState(0)
  const me = useAsked('api/me', String(round), meOf)
  const called = (n: string) => {
    setName(n)
    setTrouble('')
    setStep('code')
  }
  const enter = (typed: string) => {
    setTrouble('')
    setCode(typed.slice(0, digits))
  }
  const send = async () => {
    if (waits || code.length !== digits) return
    setWaits(true)
    const why = await acts.pair(code, name.trim())
    setWaits(false)
    setCode('')
    setTrouble(why)
    if (why !== '') return
    setRound(round + 1)
    setStep('about')
  }
  const foot = (back?: Step) => (
    <div class="foot">
      {!shut && !(room.phone && step === 'code') && <button type="button" class="btn" onClick={() => acts.go('home')} data-act="go-home">{say('Home')}</button>}
      {back && <button type="button" class="btn" onClick={() => { setTrouble(''); setCode(''); setStep(back) }} data-act="back">{say('Back')}</button>}
      {step === 'about' && me.what && !me.what.box && (
        <button type="button" class="btn go" onClick={() => { setTrouble(''); setStep('name') }} data-act="pair">{me.what.name === '' ? say('Pair') : say('Pair anew')}</button>
      )}
      {step === 'code' && room.phone && <SendButton ready={code.length === digits && !waits} send={send} />}
    </div>
  )
  return (
    <div class="page pair">
      <h1>{say('This tablet')}</h1>
      {step === 'about' && (me.what ? <About me={me.what} /> : <Waiting asked={me} acts={acts} />)}
      {step === 'name' && (
        <>
          <p class="said">{say('Its name? The journal writes it beside each press.')}</p>
          <div class="names">
            {[['cab', say('Cab')], ['yard', say('Yard')], ['shop', say('Shop')]].map(([n, words]) => (
              <button key={n} type="button" class="btn" onClick={() => called(n as string)} data-act={`name-${n}`}>{words}</button>
            ))}
            <button type="button" class="btn" onClick={() => setStep('other')} data-act="name-other">{say('Another')}</button>
          </div>
        </>
      )}
      {step === 'other' && (
        <>
          <label class="said" for="tablet-name">{say('Its name: letters, digits, spaces and hyphens.')}</label>
          <div class="names">
            <input id="tablet-name" value={name} maxLength={24} autocomplete="off" onInput={(e) => setName(e.currentTarget.value)} />
            <button type="button" class={`btn ${name.trim() === '' ? 'off' : 'go'}`} disabled={name.trim() === ''} onClick={() => called(name.trim())} data-act="named">{say('Next')}</button>
          </div>
        </>
      )}
      {step === 'code' && (
        <>
          <p class={trouble ? 'trouble' : 'said'} role={trouble ? 'alert' : undefined} id="of-code">{trouble || say('{name}: press the 8 digits that airhold pair shows at the box.', { name: name.trim() })}</p>
          {room.phone
            ? <input class="digits" aria-labelledby="of-code" inputMode="numeric" autocomplete="off" value={code} maxLength={digits} onInput={(e) => enter(e.currentTarget.value.replace(/\D/g, ''))} />
            : (
              <>
                <p class="digits" data-digits={code.length} aria-live="polite">{`${code.padEnd(digits, '–').slice(0, 4)} ${code.padEnd(digits, '–').slice(4)}`}</p>
                <div class="keys" role="group" aria-labelledby="of-code">
                  {['1', '2', '3', '4', '5', '<', '6', '7', '8', '9', '0'].map((d) => (d === '<'
                    ? <button key={d} type="button" class="btn" onClick={() => setCode(code.slice(0, -1))} data-act="rub">{say('Rub out')}</button>
                    : <button key={d} type="button" class="btn" onClick={() => enter(code + d)} data-act={`digit-${d}`}>{d}</button>))}
                  <SendButton ready={code.length === digits && !waits} send={send} />
                </div>
              </>
            )}
        </>
      )}
      {(step !== 'about' || me.what) && foot(step === 'about' ? undefined : step === 'name' ? 'about' : 'name')}
    </div>
  )
}

/** SendButton: page.md 1.5, solid once it may be pressed. */
function SendButton({ ready, send }: { ready: boolean; send: () => Promise<void> }) {
  return <button type="button" class={`btn ${ready ? 'go' : 'off'}`} disabled={!ready} onClick={() => void send()} data-act="send">{say('Pair')}</button>
}

/** About says in words what may be done here. See page.md 1.1, one sentence first. */
function About({ me }: { me: Me }) {
  const secure = say('Tests, export and who is paired: at the box itself. Elsewhere they need the secure page, not in this release.')
  if (me.box) return <p class="said" data-me="box">{say('This is the box’s own screen. It needs no pairing, and may do all that the page offers.')}</p>
  if (me.name !== '') {
    return (
      <div data-me="paired">
        <p class="said">{say('Paired as {name}. It may look, press Seen and Later, and record care.', { name: me.name })}</p>
        <p class="said">{secure}</p>
      </div>
    )
  }
  return (
    <div data-me="unpaired">
      <p class="said">{me.looks ? say('It may look, and not press.') : say('Not paired, and this box shows itself to paired tablets only.')}</p>
      {me.why && <p class="said">{heard(me.why)}</p>}
      <p class="said">{say('To let it press Seen and Later and record care: at the box’s terminal, airhold pair shows a code. Then press Pair here.')}</p>
      <p class="said">{secure}</p>
    </div>
  )
}
