// SPDX-License-Identifier: Apache-2.0

// A stand-in for the box: serves the built page, a broker on /mqtt and the command API, and publishes one scene.
// For looking at the page and for its tests; never shipped.

import { createServer } from 'node:http'
import { readFile } from 'node:fs/promises'
import { extname, join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { Aedes } from 'aedes'
import { createWebSocketStream, WebSocketServer } from 'ws'
import { careList, learned } from './care.mjs'
import { bus } from './bus.mjs'
import { openJournal } from './journal.mjs'
import { log, none } from './log.mjs'
import { about, scenes } from './scenes.mjs'
import { sensors } from './sensor.mjs'
import { checkedBy, setups } from './setup.mjs'
import { tests } from './tests.mjs'
import { trend } from './trend.mjs'

const dist = join(fileURLToPath(new URL('.', import.meta.url)), '../../dist')
const types = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript', '.css': 'text/css', '.woff2': 'font/woff2', '.txt': 'text/plain', '.json': 'application/json' }
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; connect-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'"
const prefix = 'airhold/v1/kettle-ridge-16'

/** openBox starts a stand-in on a free port of the loopback. It says a snapshot so often, in ms, each as change makes it. */
export async function openBox({ every = 500, change: turned = (now) => now } = {}) {
  const broker = await Aedes.createBroker()
  const commands = []
  let refuse = ''
  const own = { place: 'box', paired: false, role: 'operate', secure: false, may: ['look', 'ack', 'shelve', 'unshelve', 'note', 'care-done', 'test', 'export', 'revoke'] }
  let me = own
  let talk = true
  let scene = scenes.healthy
  let started = Date.now()
  let seq = 0
  let boot = 'b1'
  let runs = 1
  let journal = openJournal('00000000000000a1')
  let plugged = true
  const states = new Map() // by topic: what was said last, and when that began
  const cared = new Set()
  let deaf = false
  let setup = 'running'
  let sensed = ''
  let sensorsAsked = 0
  const snapshot = () => ({ ...stamp(), ...turned(scene.now), ...(setups[setup].state === 'refused' ? { setup: 'needed', banner: 'Machine file refused (machine.yaml line 3).' } : {}), ...(scene.now.care ? { care: scene.now.care.filter((c) => !cared.has(c.item)) } : {}) })

  const stamp = () => ({ v: 1, t: new Date(Date.parse(`2026-04-28T${scene.t}Z`) + Date.now() - started).toISOString(), clk: 'good', boot, mono: Math.round(performance.now()), seq: seq++ })
  // One after the other: the broker takes a packet that overtakes another for a repeated one.
  let queue = Promise.resolve()
  const say = (topic, what, retain) => {
    const packet = { cmd: 'publish', topic: `${prefix}/${topic}`, payload: what === undefined ? '' : JSON.stringify(what), dup: false, qos: retain ? 1 : 0, retain }
    queue = queue.then(() => new Promise((done, fail) => broker.publish(packet, (err) => (err ? fail(err) : done()))))
  }
  const topicOf = (a) => `alarm/${a.key}${a.where ? `/${a.where.replaceAll(' ', '-')}` : ''}`
  let shown = []
  const sayLast = () => say('alert/last', journal.last(), true)
  const stateOf = (a) => states.get(topicOf(a))?.state ?? 'normal'
  /** turn brings an alarm into a state: its topic first, then the journal, then the alert, as the box does. */
  const turn = (a, to, more = {}) => {
    const from = stateOf(a)
    const { hid, ...rest } = more
    if (from !== to) {
      states.set(topicOf(a), { state: to, stamp: stamp(), alarm: a, more: rest })
      say(topicOf(a), { ...a, ...states.get(topicOf(a)).stamp, state: to, ...rest }, true)
    }
    const at = from !== to ? states.get(topicOf(a)).stamp : stamp()
    const r = journal.add({
      utc: at.t, clk: at.clk, boot_id: boot, mono_ms: at.mono, kind: 'alarm', ...(rest.actor ? { actor: rest.actor, role: 'operate', via: 'page' } : {}), alarm: a.key, where: a.where ?? '', from, to,
      ...(a.value ? { value: a.value } : {}), ...(a.limit ? { limit: a.limit } : {}), ...(rest.reason ? { reason: rest.reason } : {}), title: a.title, row: a.kind ?? 'announced', do: a.do,
    })
    if (!hid) say('alert', journal.alertOf(r), false)
    sayLast()
  }
  const sum = () => {
    const all = [...states.values()].map((s) => s.state)
    say('alarms', {
      ...stamp(), unacked: all.filter((s) => s.endsWith('unacked')).length, active: all.filter((s) => s.startsWith('active')).length, shelved: all.filter((s) => s === 'shelved').length,
      out_of_service: all.filter((s) => s === 'out_of_service').length, highest: 'none', flood: false,
    }, true)
  }
  const sayAlarms = () => {
    for (const [topic, s] of states) {
      if (s.state === 'normal' || scene.alarms.some((a) => topicOf(a) === topic)) continue
      turn(s.alarm, 'normal')
    }
    shown = scene.alarms
    for (const a of shown) {
      states.delete(topicOf(a))
      turn(a, a.state, a.more)
    }
    sum()
  }
  let test
  const sayTest = () => {
    if (!test) return
    say(`test/${test.state.run}`, test.state, true)
    if (test.curve) say(`test/${test.state.run}/curve`, { run: test.state.run, ...test.curve }, true)
  }
  /** obey does what the box would do with a command of the test, as far as the page shows it. */
  const obey = (verb, args) => {
    if (verb === 'test-start') test = { state: { ...tests.safe.state, run: `k16-0428-${Object.keys(args).length}x`, zone: args.zone, phases: Number(args.phases) } }
    else if (!test) return
    else if (verb === 'test-stop') test = { state: { ...tests.stopped.state, run: test.state.run } }
    else if (args.tick) {
      const ticks = test.state.ticks.map((k) => (k.id === args.tick ? { ...k, done: !k.done } : k))
      const left = ticks.filter((k) => !k.done).length
      test = { ...test, state: { ...test.state, ticks, left, can_go: left === 0, next: left === 0 ? 'Next: fill' : '' } }
    } else if (args.next) test = { state: { ...tests.fill.state, run: test.state.run } }
    sayTest()
  }
  const tick = setInterval(() => { if (talk) say('now', snapshot(), false) }, every)

  const server = createServer(async (q, w) => {
    if (q.method === 'POST') {
      let text = ''
      for await (const c of q) text += c
      const body = JSON.parse(text)
      if (q.url.startsWith('/api/setup/')) {
        commands.push({ verb: q.url, body })
        w.writeHead(refuse ? 403 : 200, { 'Content-Type': 'application/json' })
        w.end(JSON.stringify(refuse ? { id: '', ok: false, error: refuse } : q.url.endsWith('check') ? checkedBy(body) : { file: '/etc/airhold/machine.setup-1.yaml', words: 'The box takes it at its next start.' }))
        return
      }
      if (q.url === '/api/alerts/got') {
        const { status, sentence } = journal.take(body)
        w.writeHead(status, { 'Content-Type': 'application/json' })
        w.end(sentence ? JSON.stringify({ id: '', ok: false, error: sentence }) : undefined)
        return
      }
      if (q.url === '/api/pair') {
        const good = body.code === '12345678'
        if (good) me = { ...me, paired: true, name: body.name, role: 'operate', may: ['look', 'ack', 'shelve', 'unshelve', 'note', 'care-done'] }
        w.writeHead(good ? 200 : 403, { 'Content-Type': 'application/json' })
        w.end(JSON.stringify(good ? me : { id: '', ok: false, error: 'That is not the code. 4 more tries before pairing is shut.' }))
        return
      }
      commands.push({ verb: q.url.split('/').pop(), body })
      w.writeHead(refuse ? 403 : 200, { 'Content-Type': 'application/json' })
      w.end(JSON.stringify(refuse ? { id: body.id, ok: false, error: refuse } : { id: body.id, ok: true }))
      if (refuse) return
      if (commands.at(-1).verb === 'care-done') cared.add(body.where)
      else if (body.args) obey(q.url.split('/').pop(), body.args)
      else {
        const a = [...states.values()].find((s) => s.alarm.key === body.key && (s.alarm.where ?? '') === (body.where ?? ''))
        const actor = body.by ?? 'box screen'
        const verb = commands.at(-1).verb
        if (a && verb === 'ack' && a.state.endsWith('_unacked')) turn(a.alarm, a.state === 'active_unacked' ? 'active_acked' : 'normal', { actor })
        if (a && verb === 'shelve') turn(a.alarm, 'shelved', { actor, by: actor, until_mono: Math.round(performance.now()) + 599_000 })
        if (a && verb === 'unshelve') turn(a.alarm, 'active_unacked', { actor })
        if (a && verb === 'note') turn(a.alarm, a.state, { actor, reason: body.why })
        sum()
      }
      return
    }
    const url = new URL(q.url, 'http://box')
    if (url.pathname === '/api/alerts' || url.pathname === '/api/journal') {
      const { status, what, text } = deaf ? { status: 503, text: 'The box could not read its journal. Ask again.' } : url.pathname === '/api/alerts' ? journal.since(url.searchParams) : journal.page(url.searchParams)
      w.writeHead(status, { 'Content-Type': what ? 'application/json' : 'text/plain', 'Cache-Control': 'no-store' })
      w.end(what ? JSON.stringify(what) : text)
      return
    }
    if (url.pathname === '/api/sensor') {
      const id = url.searchParams.get('id')
      const what = sensors[`${id} ${sensed}`] ?? sensors[id]
      sensorsAsked++
      w.writeHead(deaf ? 503 : what ? 200 : 404, { 'Content-Type': what && !deaf ? 'application/json' : 'text/plain' })
      w.end(deaf ? 'not now' : what ? JSON.stringify(what) : `This box has no channel "${id}".`)
      return
    }
    const answers = {
      '/api/alarm-health': () => ({ days: [{ announced: 5, operating: { value: 4, unit: 'h' } }] }),
      '/api/bus': () => bus,
      '/api/care': () => careList(cared),
      '/api/export': () => none,
      '/api/learned': () => learned,
      '/api/log': () => log(Date.parse(snapshot().t)),
      '/api/me': () => me,
      '/api/setup': () => setups[setup],
      '/api/trend': () => trend(url.search, Date.parse(snapshot().t)),
    }
    const said = answers[url.pathname]?.()
    if (said) {
      w.writeHead(deaf ? 503 : 200, { 'Content-Type': 'application/json' })
      w.end(deaf ? 'not now' : JSON.stringify(said))
      return
    }
    const path = q.url === '/' ? '/index.html' : q.url.split('?')[0]
    const data = await readFile(join(dist, path)).catch(() => undefined)
    w.writeHead(data ? 200 : 404, { 'Content-Type': types[extname(path)] ?? 'application/octet-stream', 'Content-Security-Policy': policy })
    w.end(data)
  })
  const sockets = new WebSocketServer({ server, path: '/mqtt', handleProtocols: () => 'mqtt' })
  sockets.on('connection', (socket, request) => {
    if (!plugged) {
      socket.terminate()
      return
    }
    const stream = createWebSocketStream(socket)
    stream.on('error', () => undefined)
    broker.handle(stream, request)
  })
  await new Promise((done) => server.listen(0, '127.0.0.1', done))
  say('online', { online: true, t: stamp().t, boot }, true)
  say('about', { ...stamp(), ...about }, true)
  sayLast()

  return {
    url: `http://127.0.0.1:${server.address().port}/`,
    commands,
    show(name) {
      scene = scenes[name]
      if (scene === undefined) throw new Error(`no scene ${name}; there are: ${Object.keys(scenes).join(', ')}`)
      started = Date.now()
      cared.clear()
      say('online', { online: true, t: stamp().t, boot }, true)
      sayAlarms()
      if (talk) say('now', snapshot(), false)
    },
    /** test puts a state of the leak-down test on, or takes it away. */
    test(name) {
      if (name !== undefined && tests[name] === undefined) throw new Error(`no test ${name}; there are: ${Object.keys(tests).join(', ')}`)
      if (test) {
        say(`test/${test.state.run}`, undefined, true)
        say(`test/${test.state.run}/curve`, undefined, true)
      }
      test = name === undefined ? undefined : tests[name]
      sayTest()
    },
    /** hush stops or starts the snapshots, as a box does that hangs. */
    hush(quiet) { talk = !quiet },
    /** stop says goodbye as the last will does. */
    stop() {
      talk = false
      say('online', { online: false, t: stamp().t, boot }, true)
    },
    /** cut drops every connection; new ones are taken at once. */
    cut() { for (const c of sockets.clients) c.terminate() },
    /** plug false kills the broker, as far as a page can tell. */
    plug(on) {
      plugged = on
      if (!on) for (const c of sockets.clients) c.terminate()
    },
    /** turn brings an alarm of any scene into a state: {key, where, title, priority}, state, {actor, reason, hid: true} where the alert itself is to be lost. */
    turn(a, state, more) {
      turn({ firstout: false, silent: false, ...a }, state, more)
      sum()
    },
    journal: () => journal,
    /** restart ends this run of the box and begins another: what was active is unknown, what was unacknowledged still waits. anew: with an empty memory. */
    async restart(anew) {
      talk = false
      for (const c of sockets.clients) c.terminate()
      boot = `b${++runs}`
      if (anew) {
        journal = openJournal(`00000000000000a${runs}`)
        for (const topic of states.keys()) say(topic, undefined, true)
        states.clear()
        shown = []
        sayLast()
      } else {
        for (const s of [...states.values()]) {
          const to = { active_unacked: 'returned_unacked', active_acked: 'normal' }[s.state]
          if (to) turn(s.alarm, to, { reason: 'restarted' })
        }
      }
      say('online', { online: true, t: stamp().t, boot }, true)
      await queue
      talk = true
    },
    /** deafen lets the lists go unanswered. */
    deafen(now) { deaf = now },
    /** strange makes whoever comes an unpaired tablet, which may look or not; undefined: the box's own screen. */
    strange(looks) { me = looks === undefined ? own : { place: 'tablet', paired: false, role: looks ? 'view' : 'none', secure: false, may: looks ? ['look'] : [] } },
    /** sense chooses another answer for the sensors that have one of that name (fake/sensor.mjs). */
    sense(name) { sensed = name },
    /** sensorsAsked counts the questions for one sensor. */
    sensorsAsked: () => sensorsAsked,
    /** setUp chooses a state of the set-up. */
    setUp(name) { setup = name },
    refuseWith(sentence) { refuse = sentence },
    async close() {
      clearInterval(tick)
      await queue
      for (const c of sockets.clients) c.terminate()
      await new Promise((done) => broker.close(done))
      server.closeAllConnections()
      await new Promise((done) => server.close(done))
    },
  }
}
