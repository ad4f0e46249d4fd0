// SPDX-License-Identifier: Apache-2.0

// An invented answer of GET /api/trend: the day of the scenes, with a hole of half an hour in every span.

const about = {
  tank: ['channel', 'kPa', 'gauge', 710, 45], front: ['channel', 'kPa', 'gauge', 318, 8], rear: ['channel', 'kPa', 'gauge', 352, 9],
  'need.front': ['derived', 'kPa', 'gauge', 310, 0], 'need.rear': ['derived', 'kPa', 'gauge', 345, 0],
  'compressor.duty': ['derived', '%', '', 34, 10], 'compressor.delivery': ['derived', '%', '', 98, 1], 'compressor.runs': ['derived', '/h', '', 12, 3],
  'tank.water': ['derived', 'L', '', 0.3, 0.05], humidity: ['channel', '%', '', 62, 6], moisture: ['channel', '1', '', 0.2, 0.02],
}

/** trend answers a query at a time of the invented day. */
export function trend(query, now) {
  const q = new URLSearchParams(query)
  const end = (text) => (text === 'now' ? now : text.startsWith('-') ? now - Number(text.slice(1, -1)) * 60_000 : Date.parse(text))
  const [from, to] = [end(q.get('from')), end(q.get('to'))]
  const ids = q.get('channels').split(',')
  const fine = to - from <= 65 * 60_000
  const series = ids.map((id) => {
    const [kind, unit, reference, middle, swing] = about[id] ?? ['channel', 'N', '', 800, 60]
    const step = Math.max(fine && kind === 'channel' ? 5000 : 60_000, Math.ceil((to - from) / Number(q.get('points')) / 60_000) * (fine && kind === 'channel' ? 5000 : 60_000))
    const first = Math.floor(from / step) * step
    const n = Math.ceil((to - first) / step)
    const mean = Array.from({ length: n }, (_, i) => (i > n * 0.3 && i < n * 0.63 ? null : middle + swing * Math.sin(i / n * 40)))
    const by = (f) => mean.map((v) => (v === null ? null : v + f * swing / 3))
    return {
      id, kind, unit, ...(reference ? { reference } : {}), source: fine && kind === 'channel' ? 'readings' : 'minutes', first: new Date(first).toISOString(), step: { value: step / 1000, unit: 's' },
      min: by(-1), mean, max: by(1), count: mean.map((v) => (v === null ? 0 : 60)), bad: mean.map(() => 0),
    }
  })
  return { from: new Date(from).toISOString(), to: new Date(to).toISOString(), clock: 'good', series, boots: [{ boot: 'b1', from: new Date(from).toISOString(), to: new Date(to).toISOString(), clock: 'good' }], unset: [], jumps: [], notes: [] }
}
