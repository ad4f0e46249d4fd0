// SPDX-License-Identifier: Apache-2.0
// Judges messages by the contract: stdin is {dir, messages: [{topic, payload, qos, retained}], documents: [{schema, text}]},
// stdout {diagnostics, channels, seen, faults}. The AsyncAPI document is read by @asyncapi/parser, the OpenAPI document
// by @seriousme/openapi-schema-validator, payloads are judged by ajv with JSON Schema 2020-12. A reader ignores what it does not know; here an unknown field is a fault, so that nothing
// is said that the contract does not name.
import { readFileSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import Ajv from 'ajv/dist/2020.js';
import formats from 'ajv-formats';
import { Parser, fromFile } from '@asyncapi/parser';
import { Validator } from '@seriousme/openapi-schema-validator';

const ask = JSON.parse(readFileSync(0, 'utf8'));
const faults = [];
const ajv = new Ajv({ allErrors: true, strict: true, strictRequired: false, allowUnionTypes: true });
formats(ajv);

// close makes every object with named fields refuse others, but for the head that others build on.
function close(node) {
  if (Array.isArray(node)) return node.map(close);
  if (node === null || typeof node !== 'object') return node;
  const out = {};
  for (const [k, v] of Object.entries(node)) out[k] = k === 'enum' || k === 'const' || k === 'oneOf' ? v : close(v);
  if (node.properties && node.type) out.unevaluatedProperties = false;
  return out;
}
const folder = join(ask.dir, 'schemas');
const names = readdirSync(folder).sort();
for (const name of names) {
  const schema = JSON.parse(readFileSync(join(folder, name), 'utf8'));
  if (!ajv.validateSchema(schema)) faults.push(`${name} is no JSON Schema 2020-12: ${ajv.errorsText()}`);
  ajv.addSchema(name === 'stamp.json' ? schema : close(schema), `box:/schemas/${name}`);
}
for (const name of names) ajv.getSchema(`box:/schemas/${name}`); // each compiles, its references lead somewhere

const { document, diagnostics } = await fromFile(new Parser(), join(ask.dir, 'asyncapi.json')).parse();
const said = diagnostics.filter((d) => d.severity < 2 || d.code !== 'asyncapi-latest-version').map((d) => `${d.code} ${d.path.join('.')}: ${d.message}`);
// The validator knows references inside one file only: those to the schemas are looked up here and stood in for.
const openapi = JSON.parse(readFileSync(join(ask.dir, 'openapi.json'), 'utf8'), (key, v) => {
  if (typeof v?.$ref !== 'string' || v.$ref.startsWith('#')) return v;
  if (!names.includes(v.$ref.replace('./schemas/', ''))) faults.push(`openapi.json: there is no ${v.$ref}`);
  return {};
});
const http = await new Validator().validate(openapi);
if (!http.valid) said.push(`openapi.json is no OpenAPI 3.1: ${JSON.stringify(http.errors)}`);
const raw = JSON.parse(readFileSync(join(ask.dir, 'asyncapi.json'), 'utf8'));
const channels = [];
for (const channel of document?.channels().all() ?? []) {
  const address = channel.address();
  const op = channel.operations().all()[0];
  const mqtt = op?.json().bindings?.mqtt ?? {};
  const [message] = Object.keys(raw.channels[channel.id()].messages);
  channels.push({
    address, action: op?.action(), qos: mqtt.qos, retain: mqtt.retain,
    pattern: new RegExp('^' + address.replace(/\{[a-z]+\}/g, '[a-z0-9_-]+') + '$'),
    schema: raw.components.messages[message].payload.$ref.replace('./schemas/', 'box:/schemas/'),
  });
}

const judge = (schema, text, where) => {
  let value;
  try {
    value = JSON.parse(text);
  } catch (err) {
    faults.push(`${where}: no JSON: ${err.message}`);
    return;
  }
  const valid = ajv.getSchema(schema);
  if (!valid) faults.push(`${where}: there is no schema ${schema}`);
  else if (!valid(value)) faults.push(`${where}: ${ajv.errorsText(valid.errors)} in ${text.slice(0, 400)}`);
};
const seen = {};
for (const m of ask.messages ?? []) {
  const fits = channels.filter((c) => c.pattern.test(m.topic));
  if (fits.length !== 1) {
    faults.push(`${m.topic}: ${fits.length} channels of the contract have it`);
    continue;
  }
  const [c] = fits;
  seen[c.address] = (seen[c.address] ?? 0) + 1;
  if (m.qos !== c.qos) faults.push(`${m.topic}: QoS ${m.qos}; the contract says ${c.qos}`);
  if (m.retained && !c.retain) faults.push(`${m.topic} is retained; the contract says it is not`);
  if (m.late && !m.retained) faults.push(`${m.topic}: said live to the late reader, which looks for what is retained`);
  if (m.payload === '') {
    if (!c.address.endsWith('/test/{run}')) faults.push(`${m.topic}: an empty payload`);
    continue;
  }
  judge(c.schema, m.payload, m.topic);
}
for (const d of ask.documents ?? []) judge(`box:/schemas/${d.schema}`, d.text, d.schema);
process.stdout.write(JSON.stringify({
  diagnostics: said, faults,
  seen, channels: channels.map(({ address, action, qos, retain }) => ({ address, action, qos, retain })),
}));
