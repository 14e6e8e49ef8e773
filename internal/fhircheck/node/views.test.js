// The ViewDefinitions of the terminology folder, run over the demo's export by a
// runner that others wrote, and their rows against what the service's own lists say
// of the same cases: CSV of trigone facts and trigone discrepancies. Folders:
// TRIGONE_TERMINOLOGY, TRIGONE_EXPORT, TRIGONE_LISTS.
import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import path from 'node:path';
import { test } from 'node:test';

import { evalSqlOnFhir } from '@medplum/core';
import initSqlJs from 'sql.js';

import { csv, exportIn } from './inputs.js';

const { TRIGONE_TERMINOLOGY, TRIGONE_EXPORT, TRIGONE_LISTS, TRIGONE_REQUIRE } = process.env;
const missing = !TRIGONE_TERMINOLOGY || !TRIGONE_EXPORT || !TRIGONE_LISTS;
if (missing && TRIGONE_REQUIRE) throw new Error('TRIGONE_TERMINOLOGY, TRIGONE_EXPORT and TRIGONE_LISTS name the folders that views are tested on');
const skip = missing && 'NO VIEW IS RUN: TRIGONE_TERMINOLOGY, TRIGONE_EXPORT and TRIGONE_LISTS name no folders';

// What the guide asks of every runner (SQL on FHIR, version 2: FHIRPath subset and
// required functions), and the boolean words.
const functions = ['where', 'exists', 'empty', 'extension', 'ofType', 'first', 'not', 'getResourceKey', 'getReferenceKey'];
// Columns that no invented case fills, with the reason.
const unfilled = {};

const identifiers = 'https://example.org/fhir/trigone/identifier';
const views = {};
const resources = {};
const caseOf = new Map(); // by id
if (!skip) {
  const folder = path.join(TRIGONE_TERMINOLOGY, 'views');
  for (const file of readdirSync(folder)) {
    const view = JSON.parse(readFileSync(path.join(folder, file), 'utf8'));
    views[view.id] = view;
  }
  for (const { text } of exportIn(TRIGONE_EXPORT)) {
    const r = JSON.parse(text);
    (resources[r.resourceType] ??= []).push(r);
    const own = r.identifier?.find((i) => i.system === identifiers);
    if (own) caseOf.set(r.id, own.value.split('/')[0]);
  }
}

const ran = {};
const run = (id) => (ran[id] ??= evalSqlOnFhir(views[id], resources[views[id].resource] ?? []).map((row) => ({ ...row, case: caseOf.get(row.id) })));
const list = (name) => csv(readFileSync(path.join(TRIGONE_LISTS, `${name}.csv`), 'utf8'));
const uid = (name) => name.split('/').at(-1);
const code = (word) => word.replaceAll('_', '-').replaceAll('/', '-');
const number = (text) => (text === '' ? null : Number(text));
const sorted = (rows) => rows.map((r) => r.join(' ')).sort();

test('every view is whole and asks of a runner what the guide does', { skip }, () => {
  assert.deepEqual(Object.keys(views).sort(), ['differences', 'findings', 'follow-up-events', 'goals', 'reinterventions', 'rings', 'steps', 'values']);
  for (const view of Object.values(views)) {
    assert.equal(view.resourceType, 'ViewDefinition');
    assert.match(view.name, /^[A-Za-z][A-Za-z0-9_]*$/);
    assert.deepEqual(view.fhirVersion, ['4.0.1']);
    assert.ok(view.url && view.title && view.description && view.status === 'active', view.id);
    const columns = view.select.flatMap((s) => s.column);
    const names = columns.map((c) => c.name);
    assert.equal(new Set(names).size, names.length, view.id);
    const paths = [...columns.map((c) => c.path), ...view.where.map((w) => w.path), ...view.select.map((s) => s.forEach ?? s.forEachOrNull ?? '')];
    for (const p of paths) {
      for (const [, name] of p.matchAll(/([A-Za-z]+)\(/g)) assert.ok(functions.includes(name), `${view.id}: ${name} in ${p}`);
      for (const [, name] of p.matchAll(/%([A-Za-z]+)/g)) assert.ok(view.constant.some((c) => c.name === name), `${view.id}: %${name} in ${p}`);
    }
    for (const c of columns) assert.ok(/^[A-Za-z][A-Za-z0-9_]*$/.test(c.name) && c.type, `${view.id}: ${c.name}`);
    const rows = run(view.id);
    for (const name of names) {
      assert.equal(rows.some((r) => r[name] !== null), !unfilled[view.id]?.includes(name), `${view.id}: ${name} is never filled, or listed and filled`);
    }
  }
});

test('values: gradients and grades are those of the echoes', { skip }, () => {
  const rows = run('values').filter((r) => r.role === 'measured');
  const echoes = list('echoes');
  const gradients = rows.filter((r) => r.metric === 'mean-gradient' && r.value !== null).map((r) => [r.case, r.value]);
  assert.deepEqual(sorted(gradients), sorted(echoes.filter((e) => e.mean_gradient_mmhg !== '').map((e) => [uid(e.case_name), number(e.mean_gradient_mmhg)])));
  assert.ok(gradients.length > 50);
  const grades = rows.filter((r) => r.metric === 'regurgitation-grade' && r.grade !== null).map((r) => [r.case, r.grade]);
  const said = echoes.filter((e) => e.grade_scheme !== '' && e.grade_rank !== '').map((e) => [uid(e.case_name), `${code(e.grade_scheme)}-${e.grade_rank}`]);
  assert.deepEqual(sorted(grades), sorted(said));
});

test('values: a prediction is a range, and what is disputed has no value', { skip }, () => {
  for (const r of run('values')) {
    if (r.role.startsWith('predicted')) assert.ok(r.value === null && r.low !== null && r.high !== null && r.low <= r.high && r.range_unit, r.id);
    else if (r.absent === null) assert.ok(r.value !== null && r.unit || r.grade !== null || r.grade_word !== null, r.id);
    else assert.equal(r.value, null, r.id);
  }
});

test('rings: kind, label and fate are those of the facts', { skip }, () => {
  const rows = run('rings').map((r) => [r.case, r.kind, r.label, r.status]);
  const facts = list('devices')
    .filter((d) => d.implanted_label !== '')
    .map((d) => [uid(d.case_name), d.prosthesis ? 'heart-valve-prosthesis' : code(d.kind), number(d.implanted_label), d.fate === 'taken_down' ? 'inactive' : 'active']);
  assert.deepEqual(sorted(rows), sorted(facts));
});

test('differences: class, verdict and number are those of the list', { skip }, () => {
  const rows = run('differences').map((r) => [r.case, r.class, r.verdict, r.difference, r.place]);
  const listed = list('discrepancies')
    .filter((d) => ['present', 'indeterminate'].includes(d.verdict))
    .map((d) => [uid(d.case), code(d.class), d.verdict, number(d.difference), /^$|:/.test(d.place) ? null : code(d.place)]); // a step is no place
  assert.deepEqual(sorted(rows), sorted(listed));
});

test('steps: what was left out is what the list calls omitted, and every case has its operation', { skip }, () => {
  const rows = run('steps');
  const omitted = rows.filter((r) => r.status === 'not-done' && !r.step.startsWith('concomitant-')).map((r) => [r.case]);
  assert.deepEqual(sorted(omitted), sorted(list('discrepancies').filter((d) => d.class === 'step_omitted' && d.verdict === 'present').map((d) => [uid(d.case)])));
  const operations = rows.filter((r) => r.operation === null);
  assert.equal(new Set(operations.map((r) => r.case)).size, operations.length);
  assert.deepEqual(sorted(operations.map((r) => [r.case])), sorted(list('cases').filter((c) => c.repair_techniques_done !== '').map((c) => [uid(c.case_name)])));
  const surgeons = list('cases').filter((c) => c.repair_techniques_done !== '').map((c) => [uid(c.case_name), c.team_first_operator]);
  assert.deepEqual(sorted(operations.map((r) => [r.case, r.surgeon])), sorted(surgeons));
  for (const r of rows.filter((x) => x.operation !== null)) assert.ok(operations.some((o) => o.key === r.operation), r.id);
});

test('goals: an aim that was missed is in the list', { skip }, () => {
  const missed = run('goals').filter((r) => r.kind === 'plan-target' && r.missed).map((r) => [r.case, r.metric]);
  const listed = list('discrepancies').filter((d) => d.class === 'target_missed' && d.verdict === 'present').map((d) => [uid(d.case), code(d.metric)]);
  assert.deepEqual(sorted(missed), sorted(listed));
  assert.ok(missed.length > 0);
});

test('follow-up events: complications, readmissions, death and who was lost are those of the facts', { skip }, () => {
  const rows = run('follow-up-events');
  const events = rows.filter((r) => ['complication', 'readmission'].includes(r.event)).map((r) => [r.case, r.event, r.what]);
  const facts = list('events')
    .filter((e) => ['complication', 'readmission'].includes(e.kind))
    .map((e) => [uid(e.case_name), e.kind, e.kind === 'complication' ? `complication-kind-${code(e.complication)}` : `readmission-cause-${code(e.readmission_cause)}`]);
  assert.deepEqual(sorted(events), sorted(facts));
  const statuses = list('statuses');
  const dead = rows.filter((r) => r.what === 'vital-status-dead').map((r) => [r.case]);
  assert.deepEqual(sorted(dead), sorted(statuses.filter((s) => s.vital_status === 'dead').map((s) => [uid(s.case_name)])));
  const lost = rows.filter((r) => r.what === 'contact-lost').map((r) => [r.case]);
  assert.deepEqual(sorted(lost), sorted(statuses.filter((s) => s.lost === 'yes').map((s) => [uid(s.case_name)])));
  assert.ok(dead.length > 0 && lost.length > 0);
});

test('reinterventions: what was done again is in the facts', { skip }, () => {
  const rows = run('reinterventions').map((r) => [r.case, r.what]);
  const facts = list('events')
    .filter((e) => ['reintervention', 'return_to_theatre'].includes(e.kind))
    .map((e) => [uid(e.case_name), e.kind === 'reintervention' ? `reintervention-${code(e.reintervention)}` : 'return-to-theatre']);
  assert.deepEqual(sorted(rows), sorted(facts));
  assert.ok(rows.length > 0);
});

test('findings: rule and kind are those of the facts', { skip }, () => {
  const rows = run('findings').map((r) => [r.case, r.rule, r.kind, r.confirmed]);
  const facts = list('findings')
    .filter((f) => ['contradiction', 'caution'].includes(f.severity))
    .map((f) => [uid(f.case_name), f.rule, f.severity, f.confirmation === 'standing']);
  assert.deepEqual(sorted(rows), sorted(facts));
});

test('the statements of the README give what stands beside them', { skip }, async () => {
  const readme = readFileSync(new URL('../../../README.md', import.meta.url), 'utf8');
  const questions = [...readme.matchAll(/^\| ([^|]+) \| `(SELECT [^`]+)` \| (\d+) ([^|]+) \|$/gm)];
  assert.equal(questions.length, 2);
  const SQL = await initSqlJs();
  const db = new SQL.Database();
  for (const view of Object.values(views)) {
    const names = view.select.flatMap((s) => s.column.map((c) => c.name));
    db.run(`CREATE TABLE ${view.name} (${names.join(', ')})`);
    const insert = db.prepare(`INSERT INTO ${view.name} VALUES (${names.map(() => '?').join(', ')})`);
    for (const row of run(view.id)) insert.run(names.map((n) => (typeof row[n] === 'boolean' ? Number(row[n]) : row[n])));
    insert.free();
  }
  for (const [, question, statement, count, answer] of questions) {
    const [{ values }] = db.exec(statement);
    assert.equal(values.length, Number(count), question);
    for (const [, word] of answer.matchAll(/`([^`]+)`/g)) assert.ok(values.flat().includes(word), `${question}: ${word}`);
  }
});
