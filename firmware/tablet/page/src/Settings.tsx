// SPDX-License-Identifier: Apache-2.0

// What this tablet was told to do its own way. Nothing here reaches the box.

import { usePages, Back } from './lists'
import { languages } from './language'
import { key, num, say } from './say'
import { Button, type Acts, type Light, type Room } from './screens'
import { fars, nudge, pressMM, usual, type Far } from './size'
import { wordsOf, type Choice } from './units'

const lights: [Light, string][] = [['day', key('Day')], ['night', key('Night')], ['time', key('by the time')]]

interface Group {
  name: string
  act: string
  options: [string, string][]
  on: string
  pick: (code: string) => void
}

/** SettingsScreen offers each choice as a row of presses; the one that holds is framed. See page.md 2, size choice; 9, no settings on home. */
export function SettingsScreen({ acts, room }: { acts: Acts; room: Room }) {
  const unit = (kind: keyof Choice, name: string): Group => ({
    name, act: kind, options: wordsOf[kind], on: acts.units[kind], pick: (code) => acts.choose({ ...acts.units, [kind]: code } as Choice),
  })
  const groups: Group[] = [
    unit('pressure', say('Pressure')), unit('flow', say('Air a minute')), unit('temperature', say('Temperature')),
    { name: say('Light'), act: 'light', options: lights, on: acts.light, pick: (code: string) => acts.lighten(code as Light) },
    {
      name: say('Size'), act: 'size', options: [...fars, ['sample', key('20 mm sample')]], on: acts.size.far,
      pick: (code: string) => (code === 'sample' ? acts.go('size') : acts.resize({ ...acts.size, far: code as Far })),
    },
    { name: say('Language'), act: 'language', options: languages, on: acts.language, pick: acts.speak },
  ]
  const { shown, more, next } = usePages(groups, room.phone ? 1 : 4)
  return (
    <div class="page settings">
      <h1>{say('Settings')}</h1>
      {acts.trouble ? <p class="trouble" role="status">{acts.trouble}</p> : <p class="said">{say('For this tablet alone. Sentences and leak-down tests keep the units of the box.')}</p>}
      <ul class="groups-of">{shown.map((g) => <OneGroup key={g.act} g={g} />)}</ul>
      <Back acts={acts} more={more} next={next} />
    </div>
  )
}

/** OneGroup: page.md 2, targets. */
function OneGroup({ g }: { g: Group }) {
  return (
    <li>
      <h2 id={`of-${g.act}`}>{g.name}</h2>
      <div role="group" aria-labelledby={`of-${g.act}`}>
        {g.options.map(([code, words]) => (
          <button key={code} type="button" class={`btn ${code === g.on ? 'on' : ''}`} aria-pressed={code === g.on} onClick={() => g.pick(code)} data-act={`${g.act}-${code}`}>{say(words)}</button>
        ))}
      </div>
    </li>
  )
}

/** SizeScreen asks a person to bring a bar to 20 mm: then the page knows the glass, and says how large its presses are. See page.md 2, the 20 mm sample. */
export function SizeScreen({ acts, room }: { acts: Acts; room: Room }) {
  const { perMM } = acts.size
  const d = perMM > 0 ? perMM : usual(room)
  const set = (up: boolean) => acts.resize({ ...acts.size, perMM: nudge(d, up) })
  const mm = pressMM(room, perMM)
  return (
    <div class="page settings size">
      <h1>{say('Size')}</h1>
      <p class="said">{say('Lay a ruler on the glass and make the square 20 mm wide. Without a ruler: a gloved finger laid on it must just cover it.')}</p>
      <div class="sample">
        <i style={{ width: `${(20 * d) / room.zoom}px`, height: `${(20 * d) / room.zoom}px` }} data-what="sample" data-value={20} data-unit="mm" />
      </div>
      <p class="said" role="status">{!(mm > 0) ? say('Not measured yet.') : mm < 19.95 ? say('This glass is small: presses are {n} mm.', { n: num(mm.toFixed(0)) }) : say('Presses are {n} mm.', { n: num(mm.toFixed(0)) })}</p>
      <div class="steps-of">
        <Button act={() => set(false)} name="smaller">{say('Smaller')}</Button>
        <Button act={() => set(true)} name="larger">{say('Larger')}</Button>
        <Button act={() => acts.resize({ ...acts.size, perMM: d })} name="fits" look="go">{say('It is 20 mm')}</Button>
      </div>
      <Back acts={acts} more="" next={() => undefined} />
    </div>
  )
}
