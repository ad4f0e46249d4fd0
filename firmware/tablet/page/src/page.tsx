// SPDX-License-Identifier: Apache-2.0

import { render } from 'preact'
import './page.css'
import { idOf, waiting } from './alerts'
import { CatchUp } from './catchup'
import { pairAs, tell, tellCare, tellTest } from './command'
import { empty, receive, since, type Event, type Moment } from './inbox'
import { late } from './late'
import { moment } from './moment'
import type { TestActs } from './Leakdown'
import { lastWords, testView, zonesOf } from './leakdown'
import { AskingScreen, CoverScreen, Foot, HomeScreen, forStanding, shortPhone, type Acts, type Light, type Room, type Screen } from './screens'
import { say, speak, tongue } from './say'
import { content, frame, readSize, type SizeChoice } from './size'
import { Sound } from './sound'
import { readChoice } from './units'
import { derive, unseen, type AlarmRef, type Home, type View } from './view'

// What is not home comes when it is asked for.
const Menu = late('lists.js', () => import('./lists').then((m) => m.Menu))
const AlarmsScreen = late('Alarms.js', () => import('./Alarms').then((m) => m.AlarmsScreen))
const Channels = late('lists.js', () => import('./lists').then((m) => m.Channels))
const CareScreen = late('Care.js', () => import('./Care').then((m) => m.CareScreen))
const LearnedScreen = late('Care.js', () => import('./Care').then((m) => m.LearnedScreen))
const MorningScreen = late('Morning.js', () => import('./Morning').then((m) => m.MorningScreen))
const SettingsScreen = late('Settings.js', () => import('./Settings').then((m) => m.SettingsScreen))
const SizeScreen = late('Settings.js', () => import('./Settings').then((m) => m.SizeScreen))
const LogScreen = late('Log.js', () => import('./Log').then((m) => m.LogScreen))
const TrendScreen = late('Trend.js', () => import('./Trend').then((m) => m.TrendScreen))
const BusScreen = late('Bus.js', () => import('./Bus').then((m) => m.BusScreen))
const PairScreen = late('Pair.js', () => import('./Pair').then((m) => m.PairScreen))
const SensorScreen = late('Sensor.js', () => import('./Sensor').then((m) => m.SensorScreen))
const SetupScreen = late('Setup.js', () => import('./Setup').then((m) => m.SetupScreen))
const Start = late('Leakdown.js', () => import('./Leakdown').then((m) => m.Start))
const Running = late('Leakdown.js', () => import('./Leakdown').then((m) => m.Running))

const host = document.getElementById('page') as HTMLElement
const sound = new Sound()
let inbox = empty(moment())
let screen: Screen = 'home'
let led = false // to the set-up, once, by a box without a machine file
let looked = '' // the channel whose screen was opened last
let trouble = ''
let offer = false // a press was refused because this tablet is not paired
let shut = false // the box shows itself to paired tablets only
let asked = false // who this tablet is, because no reading came
const unkept = new Map<string, string>()
let units = readChoice(kept('airhold-units'))
let view: View = derive(inbox, moment(), units)
let highs: string[] = [] // the Highs that rang when the page was drawn last
let attended = '' // the run whose result is shown on the test's screen; empty: the choice of a new one
let left = '' // the morning that was left for home
const pressed = new Map<string, number>() // items of the care list on their way to the box, and since when
let recorded = 0 // presses on Done that the box took
const missed = new CatchUp({ get: kept, set: keep }, () => draw())
let drawn = moment() // when the page was drawn last
let settled = -Infinity // from when on, by the steady clock, all is heard that came while the page stood still
let busy = false // a command of the test is on its way: a second press would count twice

/** The choice of day or night is this tablet's own; without one the box's clock decides. */
function night(): boolean {
  const chosen = light()
  return chosen !== 'time' ? chosen === 'night' : view.hour >= 21 || view.hour < 6
}

function light(): Light {
  const chosen = kept('airhold-light')
  return chosen === 'day' || chosen === 'night' ? chosen : 'time'
}

/** kept reads what this tablet was told to keep. */
function kept(name: string): string | null {
  try {
    return localStorage.getItem(name) ?? unkept.get(name) ?? null
  } catch {
    return unkept.get(name) ?? null
  }
}

/** keep stores a choice of this tablet's own. */
function keep(name: string, value: string): void {
  try {
    localStorage.setItem(name, value)
  } catch {
    unkept.set(name, value) // it lasts as long as the page does
  }
}

function language(): string {
  return kept('airhold-language') ?? 'en'
}

/** learn fetches a language; until it is there, and where it cannot be, the page speaks English. */
async function learn(code: string): Promise<void> {
  trouble = ''
  if (code === 'en') speak(undefined)
  else {
    const file = await import('./language').catch(() => undefined)
    const got = await file?.fetchLanguage(code)
    if (language() !== code) return
    if (file && got && 'language' in got) file.use(got.language)
    else {
      speak(undefined)
      trouble = got && 'trouble' in got ? got.trouble : say('The box did not answer. The page stays English.')
    }
  }
  draw()
}

/** size is what this tablet was told of its glass and the eye's distance. */
function size(): SizeChoice {
  return readSize(kept('airhold-size'))
}

async function send(verb: 'ack' | 'shelve' | 'unshelve' | 'note', refs: AlarmRef[], more: object = {}): Promise<void> {
  trouble = ''
  missed.press(refs.filter((r) => r.own).map((r) => idOf(r.key, r.where)))
  for (const ref of refs.filter((r) => !r.own)) {
    const t = 't' in view ? view.t : ''
    trouble = await tell(verb, ref, t, more)
    if (trouble !== '') break
  }
  if (trouble !== '') void askWho()
  draw()
}

/** askWho finds out whether what was refused, or does not come, waits for a pairing. */
async function askWho(): Promise<void> {
  try {
    const said = (await (await fetch('api/me', { credentials: 'same-origin', cache: 'no-store', signal: AbortSignal.timeout(5000) })).json()) as { place?: unknown; may?: unknown; paired?: unknown } | null
    if (said?.place !== 'tablet' || !Array.isArray(said.may)) return
    offer = said.paired !== true
    shut = !said.may.includes('look')
    draw()
  } catch {
    // the page goes on as it was: what was refused is said already
  }
}

const acts: Omit<Acts, 'offer' | 'muteLabel' | 'nightLabel' | 'trouble' | 'recorded' | 'units' | 'light' | 'language' | 'size'> = {
  seen: (refs) => void send('ack', refs),
  later: (refs) => void send('shelve', refs, { for: '10m' }),
  tellAlarm: (verb, ref, why) => void send(verb, [ref], why ? { why } : {}),
  mute: () => {
    sound.press(moment().steady)
    void keepAwake()
    setTimeout(draw, 100)
  },
  night: () => acts.lighten(night() ? 'day' : 'night'),
  lighten: (to) => {
    keep('airhold-light', to)
    draw()
  },
  choose: (to) => {
    units = to
    keep('airhold-units', JSON.stringify(to))
    draw()
  },
  resize: (to) => {
    keep('airhold-size', JSON.stringify(to))
    draw()
  },
  speak: (code) => {
    keep('airhold-language', code)
    void learn(code)
  },
  go: (to) => {
    if (screen === 'test' && to !== 'test') attended = '' // a result is left for good
    if (view.kind === 'home') left = to === 'home' ? view.morning?.id ?? '' : to === 'morning' ? '' : left
    screen = to === 'morning' ? 'home' : to
    trouble = ''
    draw()
  },
  look: (channel) => {
    looked = channel
    acts.go('sensor')
  },
  pair: async (code, name) => {
    const why = await pairAs(code, name)
    if (why === '') {
      offer = false
      if (shut) location.reload()
    }
    return why
  },
  done: (item, answer) => void sendCare(item, answer),
  told: (item) => moment().steady - (pressed.get(item) ?? -Infinity) < toldFor,
}

/** toldFor is how long a press on Done waits for the list to change before it may be pressed again, in ms. */
const toldFor = 6000

async function sendCare(item: string, answer?: Record<string, string>): Promise<void> {
  if (acts.told(item)) return
  pressed.set(item, moment().steady)
  trouble = ''
  draw()
  trouble = await tellCare(item, 't' in view ? view.t : '', answer)
  if (trouble === '') recorded++
  else {
    pressed.delete(item)
    void askWho()
  }
  draw()
}

async function sendTest(verb: 'test-start' | 'test-step' | 'test-stop', args: Record<string, string>): Promise<void> {
  if (busy) return
  busy = true
  trouble = await tellTest(verb, args, 't' in view ? view.t : '')
  busy = false
  draw()
}

/** testActs are the presses of the leak-down test. */
const testActs: Omit<TestActs, 'trouble' | 'waits'> = {
  start: (zone, phases, by) => {
    if (by !== undefined) keep('airhold-by', by)
    const who = by ?? kept('airhold-by') ?? ''
    void sendTest('test-start', { zone, phases: String(phases), ...(who ? { by: who } : {}) })
  },
  tick: (id) => void sendTest('test-step', { tick: id }),
  next: () => void sendTest('test-step', { next: '1' }),
  stop: () => void sendTest('test-stop', {}),
  home: () => acts.go('home'),
  last: () => {
    attended = testView(inbox, moment())?.run ?? ''
    draw()
  },
}

/** TestScreen: page.md 8, test running. */
function TestScreen({ view: v, room, at }: { view: Home; room: Room; at: Moment }) {
  const t = testView(inbox, at)
  const waits = v.head.seen.length > 0 ? say('An alarm waits on Home.') : ''
  const all: TestActs = { ...testActs, trouble, waits }
  if (t && (t.running || attended === t.run)) return <Running key={`${t.run}/${t.step}`} view={t} acts={all} room={room} />
  const limit = t?.limit
  return <Start view={{ zones: zonesOf(inbox.now?.what.ranks), moving: v.moving, limit, last: lastWords(t), zone: '', by: kept('airhold-by') ?? '' }} acts={all} room={room} />
}

/** A page that stood still so long, in ms, hears all that was said meanwhile at once, and first of all what may be over. */
const stoodStill = 1500
const settleFor = 2500

/** settle says whether the page is up to date with what was said. */
function settle(at: Moment): boolean {
  if (since(drawn, at) > stoodStill) settled = at.steady + settleFor
  drawn = at
  return at.steady >= settled
}

/** keepAwake asks the screen to stay on; the browser offers it only on trusted origins. */
async function keepAwake(): Promise<void> {
  await navigator.wakeLock?.request('screen').catch(() => undefined)
}

/** homeOf leaves out a test that has ended and was not watched here. */
function homeOf(v: Home): Home {
  return v.test && !v.test.running && v.test.run !== attended ? { ...v, test: undefined } : v
}

function draw(): void {
  const at = moment()
  const upToDate = settle(at)
  missed.step(at.steady)
  view = derive(inbox, at, units, waiting(missed.alerts))
  const test = testView(inbox, at)
  if (test?.running) attended = test.run
  const now = view.rings.filter((r) => r.priority === 'high').map((r) => r.id)
  if (now.some((id) => !highs.includes(id))) screen = 'home' // there is one place to look
  if (view.kind === 'home' && view.moving && forStanding.has(screen)) screen = 'home'
  if (view.kind === 'home' && !led && inbox.now?.what.setup === 'needed') {
    led = true
    screen = 'setup'
  }
  highs = now
  if (upToDate && !document.hidden && view.kind === 'home' && (screen === 'home' || screen === 'alarms')) missed.look(unseen(inbox))
  sound.ring(view.rings, at.steady, upToDate)
  const dark = night()
  document.documentElement.classList.toggle('night', dark)
  document.documentElement.lang = tongue()
  const all: Acts = { ...acts, muteLabel: sound.label(at.steady), nightLabel: dark ? say('Day') : say('Night'), trouble, offer, recorded, units, light: light(), language: language(), size: size() }
  const home = view.kind === 'home' ? homeOf(view) : undefined
  const first = home !== undefined && screen === 'home' && home.test === undefined && home.morning !== undefined && home.morning.id !== left ? home.morning : undefined
  // Home is what a driver reads; the rest is for standing before the glass.
  const room = frame(innerWidth, innerHeight, home && !first && screen === 'home' ? size().far : 'normal')
  const wall = shut && view.kind !== 'home'
  if (view.kind === 'asking' && view.seconds >= 2 && !asked) {
    asked = true
    void askWho()
  }
  const state = view.kind === 'home' || view.kind === 'cover' ? view.state : 'none'
  render(
    <main
      class={`frame ${room.phone ? 'phone' : 'cab'} ${!room.phone && room.height < 780 ? 'low-frame' : ''} ${!room.phone && room.width < 1200 ? 'narrow-frame' : ''} ${shortPhone(room) ? 'short' : ''} is-${view.kind}`}
      style={{ zoom: String(room.zoom), width: `${room.width}px`, height: `${room.height}px`, '--press': `${room.press}px`, '--apart': `${room.apart}px`, ...(room.phone ? {} : { '--content': `${content(room)}px` }) }}
      data-screen={wall ? 'pair' : view.kind !== 'home' ? view.kind : first ? 'morning' : screen} data-state={state} data-live={view.kind === 'home' ? 'yes' : 'no'}
      data-played={`${sound.played.high} ${sound.played.medium} ${sound.played.low}`} data-tones={sound.played.tones}
      data-alert={missed.alerts.seq} data-told={missed.told}
    >
      {wall && <PairScreen acts={all} room={room} shut />}
      {!wall && view.kind === 'asking' && <AskingScreen view={view} />}
      {!wall && view.kind === 'cover' && <CoverScreen view={view} acts={all} room={room} />}
      {home && first && <MorningScreen view={home} morning={first} room={room} acts={all} />}
      {home && !first && screen === 'home' && <HomeScreen view={home} room={room} acts={all} />}
      {view.kind === 'home' && screen === 'menu' && <Menu view={view} acts={all} room={room} />}
      {view.kind === 'home' && screen === 'alarms' && <AlarmsScreen inbox={inbox} alerts={missed.alerts} at={at} moving={view.moving} acts={all} room={room} />}
      {view.kind === 'home' && screen === 'test' && <TestScreen view={view} room={room} at={at} />}
      {view.kind === 'home' && screen === 'channels' && <Channels view={view} acts={all} room={room} last={looked} />}
      {view.kind === 'home' && screen === 'sensor' && <SensorScreen key={looked} id={looked} acts={all} room={room} />}
      {view.kind === 'home' && screen === 'care' && <CareScreen view={view} acts={all} room={room} />}
      {view.kind === 'home' && screen === 'settings' && <SettingsScreen acts={all} room={room} />}
      {view.kind === 'home' && screen === 'size' && <SizeScreen acts={all} room={room} />}
      {view.kind === 'home' && screen === 'setup' && <SetupScreen acts={all} room={room} />}
      {view.kind === 'home' && screen === 'trend' && <TrendScreen view={view} acts={all} room={room} live={liveValues()} />}
      {view.kind === 'home' && screen === 'bus' && <BusScreen acts={all} room={room} />}
      {view.kind === 'home' && screen === 'log' && <LogScreen acts={all} room={room} />}
      {view.kind === 'home' && screen === 'pair' && <PairScreen acts={all} room={room} />}
      {view.kind === 'home' && screen === 'learned' && <LearnedScreen acts={all} room={room} />}
      <Foot view={view} />
    </main>,
    host,
  )
}

/** liveValues are the channels as the box says them now. */
function liveValues(): { t: string; values: Map<string, number> } {
  const n = inbox.now?.what
  return { t: n?.t ?? '', values: new Map((n?.values ?? []).flatMap((v) => (v.quality === 'ok' && v.value ? [[v.id, v.value.value] as const] : []))) }
}

function report(e: Event): void {
  const [, , , branch, last] = e.kind === 'message' ? e.topic.split('/') : []
  if (e.kind === 'message' && branch === 'alert') missed.receive(last === 'last', e.text)
  else inbox = receive(inbox, e)
  draw()
}

draw()
setInterval(draw, 250)
addEventListener('resize', draw)
if (language() !== 'en') void learn(language())
document.addEventListener('visibilitychange', () => {
  draw()
  if (!document.hidden && sound.able()) void keepAwake()
})
void import('./link').then(({ listen }) => listen(`${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/mqtt`, report))
