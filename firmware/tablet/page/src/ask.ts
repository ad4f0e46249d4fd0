// SPDX-License-Identifier: Apache-2.0

// What a list asks the box for when it is opened: one GET, its answer checked, the last answer kept while a new one
// is on its way.

import { useEffect, useState } from 'preact/hooks'
import { moment } from './moment'
import { heard, say } from './say'

export interface Asked<T> {
  what: T | undefined
  waits: number // s since the question; NaN once there is an answer
  trouble: string
  again: () => void
}

/** useAsked asks for path at once and whenever when changes; read turns an answer into what is shown. */
export function useAsked<T>(path: string, when: string, read: (v: unknown) => T | undefined): Asked<T> {
  const [what, setWhat] = useState<T | undefined>(undefined)
  const [trouble, setTrouble] = useState('')
  const [began, setBegan] = useState(() => moment().steady)
  const [round, setRound] = useState(0)
  useEffect(() => {
    let left = false
    setBegan(moment().steady)
    setTrouble('')
    void load(path).then((answer) => {
      if (left) return
      const got = 'trouble' in answer ? undefined : read(answer.said)
      if (got !== undefined) setWhat(() => got)
      else setTrouble('trouble' in answer ? answer.trouble : say('The box answered in words this page does not know. Load the page again.'))
    })
    return () => { left = true }
  }, [path, when, round])
  const waits = what === undefined && trouble === '' ? Math.floor((moment().steady - began) / 1000) : NaN
  return { what, waits, trouble, again: () => setRound(round + 1) }
}

async function load(path: string): Promise<{ said: unknown } | { trouble: string }> {
  try {
    const answer = await fetch(path, { credentials: 'same-origin', cache: 'no-store', signal: AbortSignal.timeout(5000) })
    if (!answer.ok) {
      const said = (await answer.text()).trim()
      return { trouble: said !== '' && said.length < 160 && !said.startsWith('<') ? heard(said) : say('The box refused ({n}).', { n: answer.status }) }
    }
    return { said: await answer.json() }
  } catch {
    return { trouble: say('The box did not answer.') }
  }
}
