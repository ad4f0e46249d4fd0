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
import { about, scenes } from './scenes.mjs'
import { tests } from './tests.mjs'

const dist = join(fileURLToPath(new URL('.', import.meta.url)), '../../dist')
const types = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript', '.css': 'text/css', '.woff2': 'font/woff2', '.txt': 'text/plain' }
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; connect-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'"
const prefix = 'airhold/v1/kettle-ridge-16'

/** openBox starts a stand-in on a free port of the loopback. */
export async function openBox() {
  const broker = await Aedes.createBroker()
  const commands = []
  let refuse = ''
  let talk = true
  let scene = scenes.healthy
  let started = Date.now()
  let seq = 0
  let boot = 'b1'
  const acked = new Set()
  const cared = new Set()
  let deaf = false
  const snapshot = () => ({ ...stamp(), ...scene.now, ...(scene.now.care ? { care: scene.now.care.filter((c) => !cared.has(c.item)) } : {}) })

  const stamp = () => ({ v: 1, t: new Date(Date.parse(`2026-04-28T${scene.t}Z`) + Date.now() - started).toISOString(), clk: 'good', boot, mono: Math.round(performance.now()), seq: seq++ })
  // One after the other: the broker takes a packet that overtakes another for a repeated one.
  let queue = Promise.resolve()
  const say = (topic, what, retain) => {
    const packet = { cmd: 'publish', topic: `${prefix}/${topic}`, payload: what === undefined ? '' : JSON.stringify(what), dup: false, qos: retain ? 1 : 0, retain }
    queue = queue.then(() => new Promise((done, fail) => broker.publish(packet, (err) => (err ? fail(err) : done()))))
  }
  const topicOf = (a) => `alarm/${a.key}${a.where ? `/${a.where.replaceAll(' ', '-')}` : ''}`
  const stateOf = (a) => (acked.has(topicOf(a)) ? a.state.replace('active_unacked', 'active_acked') : a.state)
  let shown = []
  const sayAlarms = () => {
    for (const a of shown) if (!scene.alarms.includes(a)) say(topicOf(a), { ...stamp(), ...a, state: 'normal' }, true)
    shown = scene.alarms
    for (const a of shown) say(topicOf(a), { ...stamp(), ...a, state: stateOf(a) }, true)
    say('alarms', { ...stamp(), unacked: shown.filter((a) => stateOf(a).endsWith('unacked')).length, active: shown.length, shelved: 0, out_of_service: 0, highest: 'none', flood: false }, true)
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
  const tick = setInterval(() => { if (talk) say('now', snapshot(), false) }, 500)

  const server = createServer(async (q, w) => {
    if (q.method === 'POST') {
      let text = ''
      for await (const c of q) text += c
      const body = JSON.parse(text)
      commands.push({ verb: q.url.split('/').pop(), body })
      w.writeHead(refuse ? 403 : 200, { 'Content-Type': 'application/json' })
      w.end(JSON.stringify(refuse ? { id: body.id, ok: false, error: refuse } : { id: body.id, ok: true }))
      if (refuse) return
      if (commands.at(-1).verb === 'care-done') cared.add(body.where)
      else if (body.args) obey(q.url.split('/').pop(), body.args)
      else {
        acked.add(topicOf(body))
        sayAlarms()
      }
      return
    }
    const said = q.url === '/api/care' ? careList(cared) : q.url === '/api/learned' ? learned : q.url === '/api/bus' ? bus : undefined
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
    const stream = createWebSocketStream(socket)
    stream.on('error', () => undefined)
    broker.handle(stream, request)
  })
  await new Promise((done) => server.listen(0, '127.0.0.1', done))
  say('online', { online: true, t: stamp().t, boot }, true)
  say('about', { ...stamp(), ...about }, true)

  return {
    url: `http://127.0.0.1:${server.address().port}/`,
    commands,
    show(name) {
      scene = scenes[name]
      if (scene === undefined) throw new Error(`no scene ${name}; there are: ${Object.keys(scenes).join(', ')}`)
      started = Date.now()
      acked.clear()
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
    /** deafen lets the lists go unanswered. */
    deafen(now) { deaf = now },
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
