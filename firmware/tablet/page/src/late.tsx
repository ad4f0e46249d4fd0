// SPDX-License-Identifier: Apache-2.0

// Screens that are fetched from the box when they are first opened, so that home is there sooner.

import type { ComponentType } from 'preact'
import { useEffect, useState } from 'preact/hooks'
import { moment } from './moment'
import { say } from './say'
import type { Acts } from './screens'

/**
 * late makes a screen of one in a file of its own. Until it is there the page counts; where it does not come the page
 * says so and asks again. The file is asked for before it is imported: a browser never tries a failed import again.
 * See page.md 8, loading: no skeletons.
 */
export function late<P extends object>(file: string, load: () => Promise<ComponentType<P>>): (props: P & { acts: Acts | LateActs }) => preact.JSX.Element {
  let got: ComponentType<P> | undefined
  return function Late(props) {
    const [, setDone] = useState(0)
    const [trouble, setTrouble] = useState('')
    const [began, setBegan] = useState(() => moment().steady)
    const [round, setRound] = useState(0)
    useEffect(() => {
      if (got !== undefined) return
      setBegan(moment().steady)
      setTrouble('')
      fetched(file).then(load).then((c) => {
        got = c
        setDone((n) => n + 1)
      }).catch(() => setTrouble(say('The box did not answer.')))
    }, [round])
    if (got !== undefined) {
      const Screen = got
      return <Screen {...props} />
    }
    if (trouble === '') return <p class="asking" role="status">{say('asking the box, {n} s', { n: Math.floor((moment().steady - began) / 1000) })}</p>
    return (
      <div class="page">
        <p class="trouble" role="alert">{trouble}</p>
        <div class="foot">
          <button type="button" class="btn" onClick={() => ('go' in props.acts ? props.acts.go('home') : props.acts.home())} data-act="go-home">{say('Home')}</button>
          <button type="button" class="btn go" onClick={() => setRound(round + 1)} data-act="again">{say('Ask again')}</button>
        </div>
      </div>
    )
  }
}

async function fetched(file: string): Promise<void> {
  const answer = await fetch(file, { credentials: 'same-origin', signal: AbortSignal.timeout(5000) })
  if (!answer.ok) throw new Error(`${file}: ${answer.status}`)
  await answer.text()
}

/** LateActs is the least a screen of its own needs: the way home. */
export interface LateActs { home: () => void }
