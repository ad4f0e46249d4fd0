// Reads on standard input a list of {parquet: FILE} or {geojson: FILE} and answers what programs that are not airhold find
// in them: hyparquet and DuckDB in the tables, @placemarkio/check-geojson (RFC 7946) in the tracks.
import { readFileSync } from 'node:fs'
import { asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects } from 'hyparquet'
import { compressors } from 'hyparquet-compressors'
import { DuckDBInstance } from '@duckdb/node-api'
import { getIssues } from '@placemarkio/check-geojson'

// A 64-bit number as text, so that none of its digits is lost.
const plain = (v) => (typeof v === 'bigint' ? v.toString() : (v ?? null))
const listed = (rows, names) => rows.map((r) => names.map((n) => plain(r[n])))

async function byHyparquet (path) {
  const file = await asyncBufferFromFile(path)
  const metadata = await parquetMetadataAsync(file)
  const rows = await parquetReadObjects({ file, compressors, parsers: { timestampFromNanoseconds: (v) => v } })
  const names = metadata.schema.slice(1).map((c) => c.name)
  return {
    columns: names,
    types: metadata.schema.slice(1).map((c) => (c.logical_type ? `${c.logical_type.type} ${c.logical_type.unit ?? ''} ${c.logical_type.isAdjustedToUTC ?? ''}`.trim() : c.type)),
    codecs: [...new Set(metadata.row_groups.flatMap((g) => g.columns.map((c) => c.meta_data.codec)))],
    groups: metadata.row_groups.map((g) => Number(g.num_rows)),
    notes: Object.fromEntries(metadata.key_value_metadata.map((kv) => [kv.key, kv.value])),
    rows: listed(rows, names)
  }
}

async function byDuckDB (connection, path) {
  const from = `read_parquet('${path.replaceAll("'", "''")}')`
  const has = (await connection.runAndReadAll(`describe select * from ${from}`)).getRows().map((r) => r[0])
  const columns = has.map((n) => (n === 'utc' ? 'epoch_ns(utc) as utc' : `"${n}"`)).join(', ')
  const rows = (await connection.runAndReadAll(`select ${columns} from ${from}`)).getRows()
  const notes = (await connection.runAndReadAll(`select decode(key), decode(value) from parquet_kv_metadata('${path.replaceAll("'", "''")}')`)).getRows()
  return { columns: has, notes: Object.fromEntries(notes), rows: rows.map((r) => r.map(plain)) }
}

const connection = await (await DuckDBInstance.create(':memory:')).connect()
const answers = []
for (const ask of JSON.parse(readFileSync(0, 'utf8'))) {
  if (ask.parquet) answers.push({ hyparquet: await byHyparquet(ask.parquet), duckdb: await byDuckDB(connection, ask.parquet) })
  else answers.push({ issues: getIssues(readFileSync(ask.geojson, 'utf8')).map((i) => i.message) })
}
process.stdout.write(JSON.stringify(answers))
