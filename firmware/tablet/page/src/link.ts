// SPDX-License-Identifier: Apache-2.0

// The wire to the box's broker: MQTT 3.1.1 over WebSocket, listening only. It is a chunk of its own, so that the page
// can say that it is asking before the library has arrived.

import mqtt, { type MqttClient } from 'mqtt'
import type { Event } from './inbox'
import { moment } from './moment'

/** State topics first: once they are granted, what is retained has come, and only then the snapshots are asked for. */
const kept = ['online', 'about', 'alarms', 'alarm/#', 'alert/#', 'test/#'].map((t) => `airhold/v1/+/${t}`)
const live = 'airhold/v1/+/now'

const retryEvery = 700 // ms
const silence = 5000 // ms without any message: the socket may be dead without knowing it

/** listen connects to url and reports for ever; it reconnects by itself. */
export function listen(url: string, report: (e: Event) => void): void {
  let heard = moment().steady
  let client = open()

  function open(): MqttClient {
    const c = mqtt.connect(url, {
      protocolVersion: 4, clean: true, resubscribe: false, keepalive: 10, reconnectPeriod: retryEvery, connectTimeout: 3000,
      clientId: `page-${tag()}`, timerVariant: 'native', queueQoSZero: false,
    })
    c.on('connect', () => {
      heard = moment().steady
      report({ kind: 'linked', at: moment() })
      c.subscribe(kept, { qos: 1 }, (err) => {
        // A refused subscription shows as err only. Without the retained topics nothing would be whole: begin again.
        if (err) restart()
        else c.subscribe(live, { qos: 0 }, (e) => { if (e) restart() })
      })
    })
    c.on('message', (topic, payload, packet) => {
      heard = moment().steady
      report({ kind: 'message', topic, retained: packet.retain, text: new TextDecoder().decode(payload), at: moment() })
    })
    c.on('close', () => report({ kind: 'unlinked', at: moment() }))
    c.on('error', () => undefined) // mqtt.js tries again by itself; the page already counts the silence
    return c
  }

  function restart(): void {
    heard = moment().steady
    client.removeAllListeners('close')
    client.end(true)
    report({ kind: 'unlinked', at: moment() })
    client = open()
  }

  setInterval(() => { if (moment().steady - heard > silence) restart() }, 1000)
}

function tag(): string {
  return Array.from(crypto.getRandomValues(new Uint8Array(6)), (b) => b.toString(16).padStart(2, '0')).join('')
}
