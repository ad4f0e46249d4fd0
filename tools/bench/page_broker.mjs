// SPDX-License-Identifier: Apache-2.0

// Listens as the page does, with mqtt.js over WebSocket, at the addresses in BROKERS (name=url, separated by blanks), and
// prints for each block of messages how long each was on its way: from the stamp in its "mono", ns of CLOCK_MONOTONIC, to
// the library's message event. A block ends with a message on .../done.

import { createRequire } from 'node:module'

const mqtt = createRequire(new URL('../../firmware/tablet/page/package.json', import.meta.url))('mqtt')

const clients = []
for (const [name, url] of (process.env.BROKERS ?? '').split(' ').map((b) => b.split('='))) {
  let took = []
  const c = mqtt.connect(url, { protocolVersion: 4, clean: true, clientId: `bench-${name}`, reconnectPeriod: 0 })
  c.on('message', (topic, payload) => {
    const at = process.hrtime.bigint()
    if (topic.endsWith('/done')) {
      console.log(JSON.stringify({ broker: name, block: payload.toString(), ns: took }))
      took = []
      return
    }
    took.push(Number(at - BigInt(/"mono":(\d+)/.exec(payload.toString('latin1'))[1])))
  })
  c.on('error', (e) => { throw e })
  await new Promise((done) => c.on('connect', done))
  await c.subscribeAsync('airhold/v1/bench/#', { qos: 1 })
  clients.push(c)
}
console.log(JSON.stringify({ broker: 'all', block: 'ready', ns: [] }))
process.on('SIGTERM', () => { for (const c of clients) c.end(true) })
