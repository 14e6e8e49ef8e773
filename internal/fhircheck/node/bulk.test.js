// A client of Bulk Data written from the published guide alone (HL7 FHIR Bulk Data
// Access, version 2: kick-off, status, manifest, files, delete) reads all that the
// REST face (TRIGONE_FHIR_BASE) hands over. It must be what the export of the
// program wrote of the same store (TRIGONE_EXPORT), type by type.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as pause } from 'node:timers/promises';

import { exportIn, parse } from './inputs.js';

const { TRIGONE_FHIR_BASE: base, TRIGONE_EXPORT: folder, TRIGONE_REQUIRE } = process.env;
const skip = base && folder ? false : 'TRIGONE_FHIR_BASE and TRIGONE_EXPORT name no face and no export of the same store';
if (skip && TRIGONE_REQUIRE) throw new Error(skip);

// Kick-off, then the status until it is done, as long as the server says to wait.
async function exported(query = '') {
  const headers = { Accept: 'application/fhir+json', Prefer: 'respond-async' };
  const kickOff = await fetch(`${base}/$export${query}`, { headers });
  assert.equal(kickOff.status, 202, await kickOff.text());
  const status = kickOff.headers.get('content-location');
  assert.match(status, /^https?:\/\//, 'the status has an absolute address');
  for (let tries = 0; tries < 600; tries++) {
    const answer = await fetch(status, { headers: { Accept: 'application/json' } });
    if (answer.status === 202) {
      await answer.arrayBuffer();
      await pause(Math.min(Number(answer.headers.get('retry-after') ?? 1), 1) * 1000);
      continue;
    }
    assert.equal(answer.status, 200, await answer.clone().text());
    assert.match(answer.headers.get('content-type'), /^application\/json/);
    return { status, manifest: await answer.json() };
  }
  throw new Error('the export does not end');
}

// The lines of every file of a manifest, by type.
async function fetched(manifest) {
  const types = new Map();
  for (const { type, url, count } of manifest.output) {
    const answer = await fetch(url, { headers: { Accept: 'application/fhir+ndjson' } });
    assert.equal(answer.status, 200);
    assert.match(answer.headers.get('content-type'), /^application\/fhir\+ndjson/);
    const lines = (await answer.text()).split('\n').filter((line) => line !== '').map((line) => JSON.parse(line));
    if (count !== undefined) assert.equal(lines.length, count, `${type}: the manifest counts otherwise`);
    for (const resource of lines) assert.equal(resource.resourceType, type, url);
    types.set(type, [...(types.get(type) ?? []), ...lines]);
  }
  return types;
}

const remove = async ({ status }) => (await fetch(status, { method: 'DELETE' })).status;
const counts = (types) => Object.fromEntries([...types].map(([type, list]) => [type, list.length]).sort());
const byName = (list) => new Map(list.map((r) => [`${r.resourceType}/${r.id}`, JSON.stringify(r)]));

test('what the face hands over is what the program exports', { skip }, async () => {
  const { parsed } = parse(exportIn(folder));
  const want = new Map();
  for (const { resource } of parsed) want.set(resource.resourceType, [...(want.get(resource.resourceType) ?? []), resource]);
  assert.ok(want.size > 0, 'the export is empty');

  const whole = await exported();
  const { manifest } = whole;
  for (const element of ['transactionTime', 'request', 'requiresAccessToken', 'output', 'error']) assert.ok(element in manifest, element);
  assert.ok(!Number.isNaN(Date.parse(manifest.transactionTime)));
  assert.deepEqual(manifest.error, []);
  const got = await fetched(manifest);
  assert.deepEqual(counts(got), counts(want));
  for (const [type, list] of want) {
    const have = byName(got.get(type));
    assert.deepEqual([...byName(list)].filter(([name, text]) => have.get(name) !== text).map(([name]) => name).slice(0, 5), [], `${type}: another resource`);
  }
  assert.equal(await remove(whole), 202);
  assert.equal((await fetch(whole.status)).status, 404, 'what was removed is gone');
  assert.equal((await fetch(manifest.output[0].url)).status, 404, 'a file goes with its export');
});

test('types that are asked for, and nothing of what is still to come', { skip }, async () => {
  const some = await exported('?_type=Procedure,DiagnosticReport');
  const got = await fetched(some.manifest);
  assert.deepEqual([...got.keys()].sort(), ['DiagnosticReport', 'Procedure']);
  await remove(some);
  const later = await exported('?_since=2100-01-01T00:00:00Z'); // the demo's cases lie ahead of the clock
  assert.deepEqual(later.manifest.output, []);
  await remove(later);
});

test('what the guide wants refused', { skip }, async () => {
  const kick = (query, headers) => fetch(`${base}/$export${query}`, { headers });
  const asks = { Accept: 'application/fhir+json', Prefer: 'respond-async' };
  for (const [what, answer] of [
    ['a format that is not served', await kick('?_outputFormat=text/csv', asks)],
    ['a type that is not served', await kick('?_type=Claim', asks)],
    ['an export for which somebody waits', await kick('', { Accept: 'application/fhir+json' })],
  ]) {
    assert.ok(answer.status >= 400 && answer.status < 500, `${what}: ${answer.status}`);
    assert.equal((await answer.json()).resourceType, 'OperationOutcome', what);
  }
});
