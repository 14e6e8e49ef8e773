// A receiver that others wrote takes what we send: a FHIR router with a store in
// memory. Seven revisions of a case (TRIGONE_REVISIONS, made by revisions.js) in
// four orders, each ending with the newest, must leave it with the same resources,
// in every form that writes.
//
// The receiver's own limits hold where it runs a transaction as one: 50 updates, 8
// entries with conditional updates. A larger transaction it takes only with
// transactions switched off, entry by entry, as many servers are set up.
import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import path from 'node:path';
import { test } from 'node:test';

import { dangling, differences, prepare, Receiver } from './receiver.js';

const { TRIGONE_REVISIONS: folder, TRIGONE_REQUIRE } = process.env;
const skip = folder ? false : 'TRIGONE_REVISIONS names no folder of revisions';
if (!folder && TRIGONE_REQUIRE) throw new Error(skip);

if (folder) prepare();

const read = (...parts) => JSON.parse(readFileSync(path.join(folder, ...parts), 'utf8'));
const bundle = (revision, form) => read(`${revision}`, `${form}.json`);
const newest = folder ? Math.max(...readdirSync(folder).map(Number)) : 0;

// Orders in which revisions may arrive; each ends with the newest.
const orders = {
  'one after the other': [1, 2, 3, 4, 5, 6, 7],
  'the newest alone': [7],
  'from the newest back': [6, 5, 4, 3, 2, 1, 7],
  'late and again': [3, 1, 6, 6, 2, 5, 4, 7, 7],
};

// Sends the revisions in an order; how a revision is sent is the form's matter.
async function after(order, send) {
  const receiver = new Receiver();
  for (const revision of order) assert.deepEqual(await send(receiver, revision), [], `revision ${revision}`);
  return receiver.holds(bundle(newest, 'transaction'));
}

// As one wherever the receiver's limit allows.
const updates = 50;
function asOne(receiver, revision) {
  const sent = bundle(revision, 'transaction');
  return receiver.takes(sent, sent.entry.length <= updates);
}

// Each part is within the limit, and taken as one.
async function inParts(receiver, revision) {
  const lines = readFileSync(path.join(folder, `${revision}`, 'parts.ndjson'), 'utf8').split('\n').filter((line) => line !== '');
  const against = [];
  for (const line of lines) against.push(...(await receiver.takes(JSON.parse(line), true)));
  return against;
}

const forms = {
  transaction: asOne,
  parts: inParts,
  'conditional transaction': (receiver, revision) => receiver.takes(bundle(revision, 'conditional-transaction'), false),
};

for (const [form, send] of Object.entries(forms)) {
  test(`${form}: any order that ends with the newest ends equal`, { skip }, async () => {
    assert.equal(newest, 7);
    let want;
    for (const [name, order] of Object.entries(orders)) {
      const held = await after(order, send);
      assert.deepEqual(dangling(held), [], name);
      want ??= held;
      assert.ok(held.size > 40, `${held.size} resources`);
      // What came and went before the newest is told by it, so that nothing else is left.
      assert.deepEqual(differences(held, want), [], name);
    }
    assert.ok([...want.values()].some((r) => r.status === 'entered-in-error'), 'nothing was taken back: the revisions show too little');
    assert.ok([...want.values()].some((r) => r.status === 'amended'), 'nothing was amended: the revisions show too little');
  });

  test(`${form}: sent twice, nothing is there twice`, { skip }, async () => {
    const once = await after([newest], send);
    const twice = await after([newest, newest], send);
    assert.equal(twice.size, once.size);
    assert.deepEqual(differences(twice, once), []);
  });
}

test('what the newest bundle says is what the receiver holds', { skip }, async () => {
  const sent = bundle(newest, 'transaction');
  const held = await after([newest], forms.transaction);
  assert.equal(held.size, sent.entry.length);
  for (const { resource } of sent.entry) {
    const got = held.get(`${resource.resourceType} ${resource.identifier?.[0].value ?? resource.id}`);
    assert.equal(got.status, resource.status);
    assert.deepEqual(got.valueQuantity, resource.valueQuantity);
  }
});

test('parts leave what the whole leaves', { skip }, async () => {
  assert.deepEqual(differences(await after([newest], inParts), await after([newest], asOne)), []);
});

test('a transaction above the receiver\'s limit is refused whole', { skip }, async () => {
  const receiver = new Receiver();
  const sent = bundle(newest, 'transaction');
  assert.ok(sent.entry.length > updates);
  assert.match((await receiver.takes(sent, true)).join(), /more update operations than allowed/);
  assert.equal((await receiver.holds(sent)).size, 0);
});
