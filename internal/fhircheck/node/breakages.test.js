// The bundles that internal/fhircheck breaks, one thing in each, are held against the
// checks of this folder too: what they see, and what they do not see and why. The list
// with the bundles is written by `go test` (TRIGONE_BROKEN), of bundles of the demo.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { test } from 'node:test';

import { agree, publishedIn } from './agree.js';
import { Checker } from './checker.js';
import { loadDefinitions } from './definitions.js';
import { codeSystemsOf, parse, terminologyIn } from './inputs.js';

// What only the checks in Go see.
const onlyInGo = {
  'received after the bundle was made': 'golden histories have clocks of their own, which the checks in Go leave out by a switch',
};

const { TRIGONE_BUNDLES, TRIGONE_BROKEN, TRIGONE_TERMINOLOGY, TRIGONE_REQUIRE } = process.env;
const given = TRIGONE_BUNDLES && TRIGONE_BROKEN && TRIGONE_TERMINOLOGY;
const skip = given || TRIGONE_REQUIRE ? false : 'NO BROKEN BUNDLE IS JUDGED: TRIGONE_BUNDLES, TRIGONE_BROKEN and TRIGONE_TERMINOLOGY name no folders';

test('broken bundles are seen', { skip }, (t) => {
  assert.ok(given, 'TRIGONE_BUNDLES, TRIGONE_BROKEN and TRIGONE_TERMINOLOGY name no folders');
  const read = (...parts) => JSON.parse(readFileSync(path.join(...parts), 'utf8'));
  const terminology = parse(terminologyIn(TRIGONE_TERMINOLOGY)).parsed;
  const published = publishedIn(terminology.map((x) => x.resource));
  const key = (check, where, message) => `${check} ${String(where).replace(/\[\d+\]/g, '[]')} ${message}`;
  const agreeing = (bundle) => {
    const faults = [];
    agree(bundle, bundle.entry, published, (i, check, message) => faults.push(key(check, bundle.entry[i].resource.resourceType, message)));
    return faults;
  };
  let checker; // slow, and needed for few
  const whole = (bundle) => {
    checker ??= new Checker(loadDefinitions(), codeSystemsOf(terminology), published);
    return checker.check(bundle).map((f) => key(f.check, f.path, f.message));
  };
  const counted = (list) => list.reduce((m, x) => m.set(x, (m.get(x) ?? 0) + 1), new Map());
  const before = new Map();
  const sees = (faults, of, bundle) => {
    if (!before.has(`${faults.name} ${of}`)) before.set(`${faults.name} ${of}`, counted(faults(read(TRIGONE_BUNDLES, of))));
    const had = before.get(`${faults.name} ${of}`);
    return [...counted(faults(bundle))].some(([fault, n]) => n > (had.get(fault) ?? 0));
  };

  const list = read(TRIGONE_BROKEN, 'list.json');
  const count = { seen: 0, unseen: 0 };
  for (const { name, unseen, of, file } of list) {
    const bundle = read(TRIGONE_BROKEN, file);
    const reason = unseen ?? onlyInGo[name];
    if (sees(agreeing, of, bundle) || (!reason && sees(whole, of, bundle))) {
      count.seen++;
      assert.equal(reason, undefined, `${name} is seen, and said not to be`);
      continue;
    }
    count.unseen++;
    assert.ok(reason, `${name} is not seen in ${of}`);
  }
  assert.ok(list.length > 100, `${list.length} broken bundles`);
  assert.deepEqual(Object.keys(onlyInGo).filter((name) => !list.some((x) => x.name === name)), []);
  t.diagnostic(`${list.length} breakages: the checks in Node see ${count.seen}, of ${count.unseen} a reason is given`);
});
