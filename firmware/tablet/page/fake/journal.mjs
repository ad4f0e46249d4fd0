// SPDX-License-Identifier: Apache-2.0

// The journal of the stand-in box, and the routes that read it as the contract says: GET /api/alerts, POST
// /api/alerts/got. Its records are invented.

const most = 256

/** openJournal begins a journal. */
export function openJournal(line) {
  const records = []
  const got = new Map()
  const alerts = () => records.filter((r) => r.kind === 'alarm')
  const alertOf = (r) => {
    const all = alerts()
    return {
      v: 1, line, seq: r.seq, prev: all[all.indexOf(r) - 1]?.seq ?? 0, id: r.sha256.slice(0, 16), ...(r.utc ? { t: r.utc } : {}), clk: r.clk, boot: r.boot_id, mono: r.mono_ms,
      key: r.alarm, ...(r.where ? { where: r.where } : {}), title: r.title, kind: r.row ?? 'announced', from: r.from, to: r.to,
      ...(r.value ? { value: r.value } : {}), ...(r.limit ? { limit: r.limit } : {}), ...(r.actor ? { by: r.actor, via: r.via ?? 'page' } : {}), ...(r.reason ? { why: r.reason } : {}),
      ...(r.to === 'active_unacked' && r.do ? { do: r.do } : {}),
    }
  }
  return {
    line, records, got,
    /** add numbers a record. */
    add(r) {
      const seq = records.length + 1
      const sha256 = `${line}${seq.toString(16).padStart(48, '0')}`
      const one = { ...r, seq, prev_sha256: records.at(-1)?.sha256 ?? '', sha256 }
      records.push(one)
      return one
    },
    alertOf,
    last: () => ({ v: 1, line: alerts().length > 0 ? line : '', seq: alerts().at(-1)?.seq ?? 0 }),
    /** since answers GET /api/alerts. */
    since(query) {
      const text = query.get('since')
      const tablet = query.get('tablet') ?? ''
      if (text !== null && !/^\d+$/.test(text)) return { status: 400, text: 'since is the number of the last alert the tablet has shown, from 0 up.' }
      const asked = query.get('line') ?? ''
      const from = text === null ? got.get(tablet) ?? 0 : asked !== '' && asked !== line ? 0 : Number(text)
      const rest = alerts().filter((r) => r.seq > from)
      const page = rest.slice(0, most)
      return { status: 200, what: { line: alerts().length > 0 ? line : '', last: alerts().at(-1)?.seq ?? 0, more: rest.length > page.length, alerts: page.map(alertOf) } }
    },
    /** page answers GET /api/journal. */
    page(query) {
      const bad = ['before', 'limit', 'days'].find((k) => query.get(k) !== null && !/^[1-9]\d*$/.test(query.get(k)))
      if (bad) return { status: 400, text: `${bad} is a number, from 1 up.` }
      const alarm = query.get('alarm')
      const all = records.filter((r) => r.seq < Number(query.get('before') ?? Infinity) && (!alarm || r.alarm === alarm)).reverse()
      const page = all.slice(0, Number(query.get('limit') ?? 50))
      const more = all.length > page.length
      return { status: 200, what: { records: page.map((r) => ({ ...r, words: wordsOf(r) })), more, next: more ? page.at(-1).seq : 0, chain: { records: records.length, checked: records.length, holds: true, head: records.at(-1)?.sha256 ?? '' } } }
    },
    /** take answers POST /api/alerts/got. */
    take({ tablet, line: of, seq }) {
      if (typeof tablet !== 'string' || typeof of !== 'string' || !(seq >= 1)) return { status: 400, sentence: 'The tablet names itself, the line and the number of the last alert it has shown.' }
      if (of !== line || seq > (alerts().at(-1)?.seq ?? 0)) return { status: 409, sentence: 'The box never said that alert.' }
      got.set(tablet, Math.max(got.get(tablet) ?? 0, seq))
      return { status: 204 }
    },
  }
}

/** wordsOf says what happened, as the box does. */
function wordsOf(r) {
  const change = r.from === r.to ? 'note' : {
    active_unacked: r.from === 'shelved' ? 'shown again, and it still stands' : 'rang', active_acked: 'acknowledged', returned_unacked: 'returned, nobody had acknowledged it', shelved: 'put off',
    suppressed: 'held back', out_of_service: 'out of service', normal: r.actor ? 'acknowledged after it had returned' : 'returned',
  }[r.to]
  return r.kind !== 'alarm' ? r.reason : r.reason ? `${change}: ${r.reason}` : change
}
