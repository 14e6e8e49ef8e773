// What leaves for sites that chose how resources refer to the patient, or under which
// base all of ours is named, against the checks of this folder and a receiver that
// others wrote. `go test` of internal/fhircheck writes the bundles (TRIGONE_SITES).
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { test } from 'node:test';

import { agreement, publishedIn } from './agree.js';
import { Checker } from './checker.js';
import { loadDefinitions } from './definitions.js';
import { codeSystemsOf, parse, terminologyIn } from './inputs.js';
import { dangling, differences, prepare, Receiver } from './receiver.js';

const { TRIGONE_SITES: folder, TRIGONE_REQUIRE } = process.env;
const skip = folder ? false : 'TRIGONE_SITES names no folder of bundles of sites';
if (!folder && TRIGONE_REQUIRE) throw new Error(skip);

const builtIn = 'https://example.org/fhir/trigone';
const base = 'https://fhir.harbour-hospital.example/trigone';
const forms = ['transaction', 'conditional-transaction', 'collection'];
const patient = { resourceType: 'Patient', id: 'kis-P-0009', identifier: [{ system: 'urn:oid:2.999.1', value: 'P-0009' }] };

const textOf = (site, file) => readFileSync(path.join(folder, site, file), 'utf8');
const read = (site, form) => JSON.parse(textOf(site, `${form}.json`));
// With the names that are built in, which the checks know.
const unnamed = (text) => text.replaceAll(base, builtIn).replaceAll(encodeURIComponent(base), encodeURIComponent(builtIn));

let definitions;
function checkerOf(site) {
  definitions ??= loadDefinitions();
  const terminology = parse(terminologyIn(path.join(folder, site, 'terminology')).map((d) => ({ ...d, text: unnamed(d.text) }))).parsed;
  return new Checker(definitions, codeSystemsOf(terminology), publishedIn(terminology.map((t) => t.resource)));
}
const told = (faults) => faults.map((f) => `${f.check} ${f.path}: ${f.message}`).slice(0, 5);

for (const [site, known] of [
  ['literal', new Set(['Patient/kis-P-0009'])],
  ['conditional', new Set(['Patient?identifier=urn%3Aoid%3A2.999.1%7CP-0009'])],
]) {
  test(`${site}: the checks find nothing`, { skip }, () => {
    const checker = checkerOf(site);
    for (const form of forms) {
      const bundle = read(site, form);
      assert.deepEqual(told(checker.check(bundle, known)), [], form);
      const refers = JSON.stringify(bundle).includes('"reference":"Patient');
      assert.equal(refers, site === 'literal' || form !== 'collection', `${form}: a reference to the patient`);
      if (refers) assert.ok(checker.check(bundle).some((f) => f.check === 'dangling'), `${form}: nobody misses the patient`);
    }
  });
}

test('base: the checks find nothing, under its names and under those that are built in', { skip }, () => {
  const checker = checkerOf('base');
  // What the checks know of our names does not apply to others.
  const ours = new Set([...Object.keys(agreement), 'own-code', 'own-display']);
  for (const form of forms) {
    const text = textOf('base', `${form}.json`);
    assert.ok(!text.includes(builtIn) && !text.includes(encodeURIComponent(builtIn)) && text.includes(base), form);
    assert.deepEqual(told(checker.check(JSON.parse(text)).filter((f) => !ours.has(f.check))), [], form);
    assert.deepEqual(told(checker.check(JSON.parse(unnamed(text)))), [], form);
  }
  for (const { file, text } of terminologyIn(path.join(folder, 'base', 'terminology'))) {
    assert.ok(!text.includes(builtIn), file);
    assert.deepEqual(told(checker.check(JSON.parse(text))), [], file);
  }
});

// Sends in every form that writes, in parts as one each. The receiver knows the patient.
async function received(site, form, receiver) {
  if (!receiver) {
    prepare();
    receiver = new Receiver();
    await receiver.knows(patient);
  }
  const sent = form === 'parts' ? textOf(site, 'parts.ndjson').split('\n').map((line) => JSON.parse(line)) : [read(site, form)];
  for (const bundle of sent) assert.deepEqual(await receiver.takes(bundle, form === 'parts'), [], `${site}, ${form}`);
  return receiver;
}
const all = { entry: ['Patient', ...(folder ? new Set(read('built-in', 'transaction').entry.map((e) => e.resource.resourceType)) : [])].map((resourceType) => ({ resource: { resourceType } })) };

// What is held without the references to the patient, and which those were.
function withoutPatient(held) {
  const subjects = new Map();
  const rest = JSON.parse(JSON.stringify([...held]), (key, value) => {
    if ((key !== 'subject' && key !== 'patient') || !value?.identifier) return value;
    subjects.set(value.reference, (subjects.get(value.reference) ?? 0) + 1);
    return { ...value, reference: undefined };
  });
  return { rest: new Map(rest), subjects };
}

for (const form of ['transaction', 'conditional-transaction', 'parts']) {
  test(`${form}: a receiver holds the same of every site, but for what the site chose`, { skip }, async () => {
    const { rest: want, subjects } = withoutPatient(await (await received('built-in', form)).holds(all));
    assert.deepEqual([...subjects.keys()], [undefined]);
    for (const [site, who] of [
      ['literal', 'Patient P-0009'],
      // R4 has a receiver resolve the search; this one keeps it as it is.
      ['conditional', 'nothing is Patient?identifier=urn%3Aoid%3A2.999.1%7CP-0009'],
      ['base', undefined],
    ]) {
      const held = await (await received(site, form)).holds(all);
      const got = withoutPatient(new Map(JSON.parse(unnamed(JSON.stringify([...held])))));
      assert.deepEqual([...got.subjects], [[who, subjects.get(undefined)]], site);
      assert.deepEqual(differences(got.rest, want), [], site);
      assert.deepEqual(dangling(got.rest), [], site);
    }
  });
}

// What the README says of a site that changes its base.
test('a base that changes: by id nothing is there twice, by search what was stored is deleted first', { skip }, async () => {
  const want = await (await received('base', 'transaction')).holds(all);
  const byID = await (await received('base', 'transaction', await received('built-in', 'transaction'))).holds(all);
  assert.deepEqual(differences(byID, want), []);

  const bySearch = await received('built-in', 'conditional-transaction');
  await received('base', 'conditional-transaction', bySearch);
  await assert.rejects(bySearch.holds(all), /is there twice/);
  const again = await received('built-in', 'conditional-transaction');
  for (const { resource: { resourceType } } of all.entry) {
    await again.deletes(resourceType, (r) => r.identifier?.some((x) => x.system === `${builtIn}/identifier`));
  }
  await received('base', 'conditional-transaction', again);
  const once = await (await received('base', 'conditional-transaction')).holds(all);
  assert.deepEqual(differences(await again.holds(all), once), []);
});
