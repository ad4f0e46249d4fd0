// SPDX-License-Identifier: Apache-2.0

import { render } from 'preact'
import './page.css'
import { tell } from './command'
import { empty, receive, type Event } from './inbox'
import { Alarms, Channels, Menu } from './lists'
import { moment } from './moment'
import { AskingScreen, CoverScreen, Foot, HomeScreen, type Acts, type Room, type Screen } from './screens'
import { Sound } from './sound'
import { derive, type AlarmRef, type View } from './view'

const host = document.getElementById('page') as HTMLElement
const sound = new Sound()
let inbox = empty(moment())
let screen: Screen = 'home'
let trouble = ''
let view: View = derive(inbox, moment())
let ringing = 'none'

/** The choice of day or night is this tablet's own; without one the box's clock decides. */
function night(): boolean {
  const chosen = stored()
  return chosen !== null ? chosen === 'night' : view.hour >= 21 || view.hour < 6
}

function stored(): string | null {
  try {
    return localStorage.getItem('airhold-light')
  } catch {
    return null
  }
}

function store(light: string): void {
  try {
    localStorage.setItem('airhold-light', light)
  } catch {
    // A browser that keeps nothing: the choice lasts as long as the page does.
    document.documentElement.dataset.light = light
  }
}

/** fit scales a frame of the design's own px onto the glass: 1280 wide and at least 750 high, or a phone's 390. */
function fit(): Room & { zoom: number } {
  const { innerWidth: w, innerHeight: h } = window
  if (h > w) {
    const zoom = Math.min(w / 390, h / 700)
    return { width: w / zoom, height: h / zoom, phone: true, zoom }
  }
  const zoom = Math.min(w / 1280, h / 750)
  return { width: w / zoom, height: h / zoom, phone: false, zoom }
}

async function send(verb: 'ack' | 'shelve', refs: AlarmRef[], more: object = {}): Promise<void> {
  trouble = ''
  for (const ref of refs) {
    const t = 't' in view ? view.t : ''
    trouble = await tell(verb, ref, t, more)
    if (trouble !== '') break
  }
  draw()
}

const acts: Omit<Acts, 'muteLabel' | 'nightLabel' | 'trouble'> = {
  seen: (refs) => void send('ack', refs),
  later: (refs) => void send('shelve', refs, { for: '10m' }),
  mute: () => {
    sound.press(moment().steady)
    void keepAwake()
    setTimeout(draw, 100)
  },
  night: () => {
    store(night() ? 'day' : 'night')
    draw()
  },
  go: (to) => {
    screen = to
    draw()
  },
}

/** keepAwake asks the screen to stay on; the browser offers it only on trusted origins. */
async function keepAwake(): Promise<void> {
  await navigator.wakeLock?.request('screen').catch(() => undefined)
}

function draw(): void {
  const at = moment()
  view = derive(inbox, at)
  if (view.ring === 'high' && ringing !== 'high') screen = 'home' // there is one place to look
  ringing = view.ring
  sound.ring(view.ring, at.steady)
  const dark = night()
  document.documentElement.classList.toggle('night', dark)
  const room = fit()
  const all: Acts = { ...acts, muteLabel: sound.label(at.steady), nightLabel: dark ? 'Day' : 'Night', trouble }
  const state = view.kind === 'home' || view.kind === 'cover' ? view.state : 'none'
  render(
    <main
      class={`frame ${room.phone ? 'phone' : 'cab'} ${!room.phone && room.height < 780 ? 'low-frame' : ''} is-${view.kind}`}
      style={{ zoom: String(room.zoom), width: `${room.width}px`, height: `${room.height}px` }}
      data-screen={view.kind === 'home' ? screen : view.kind} data-state={state} data-live={view.kind === 'home' ? 'yes' : 'no'}
    >
      {view.kind === 'asking' && <AskingScreen view={view} />}
      {view.kind === 'cover' && <CoverScreen view={view} acts={all} room={room} />}
      {view.kind === 'home' && screen === 'home' && <HomeScreen view={view} room={room} acts={all} />}
      {view.kind === 'home' && screen === 'menu' && <Menu view={view} acts={all} />}
      {view.kind === 'home' && screen === 'alarms' && <Alarms view={view} acts={all} room={room} />}
      {view.kind === 'home' && screen === 'channels' && <Channels view={view} acts={all} room={room} />}
      <Foot view={view} />
    </main>,
    host,
  )
}

function report(e: Event): void {
  inbox = receive(inbox, e)
  draw()
}

draw()
setInterval(draw, 250)
addEventListener('resize', draw)
document.addEventListener('visibilitychange', () => {
  draw()
  if (!document.hidden && sound.label(moment().steady) !== 'Sound on') void keepAwake()
})
void import('./link').then(({ listen }) => listen(`${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/mqtt`, report))
