// A client made of the folder proto by libraries that others wrote sends a case and
// reads it back, against a server that runs on a store of its own (TRIGONE_GRPC). What
// it expects is worked out here from what it sent.
import assert from 'node:assert/strict';
import { randomUUID } from 'node:crypto';
import { after, test } from 'node:test';

import { connect, status, text, time } from './grpc.js';

const { TRIGONE_GRPC: address, TRIGONE_REQUIRE } = process.env;
const skip = address ? false : 'TRIGONE_GRPC names no server with a store of its own';
if (skip && TRIGONE_REQUIRE) throw new Error(skip);

const { RecordService, AuditService, ElectronicRecordService, PlanningService, ReferenceService, close } = connect(address ?? 'localhost:0');
after(close);

// An invented case: nothing in it is a real person, hospital or product. The ring that
// was planned and the ring that was sewn in differ by two sizes, and the gradient on
// leaving theatre is above its aim.
const planned = { label: 32, gradient: 4 };
const found = { label: 28, gradient: 9 };
const incision = '2026-03-10T08:20:00.000Z';
const externalIdentifier = { system: 'urn:example:inlet-hospital:case', value: randomUUID() };
const patientIdentifier = { system: 'urn:example:inlet-hospital:patient', value: 'N-0001' };
const ring = (label) => ({ annuloplasty: { kind: 'ANNULOPLASTY_KIND_COMPLETE_RING', familyKey: 'inlet-ring', ...label } });
const caseFile = {
  externalIdentifier,
  patientIdentifier,
  identity: { sex: 'SEX_FEMALE', ageYears: 61 },
  plan: {
    signer: 'surgeon-7',
    signedTime: time('2026-03-08T16:00:00Z'),
    steps: [{ id: 'p-ring', technique: ring({ plannedLabelMin: planned.label, plannedLabelMax: planned.label }) }],
    targets: [{ id: 't-gradient', stage: 'STAGE_LEAVING_THEATRE', method: 'METHOD_DOPPLER', meanGradient: { maxMmhg: planned.gradient } }],
  },
  operation: {
    incisionTime: time(incision),
    runs: [{ number: 1 }],
    steps: [{ id: 's-ring', run: 1, technique: ring({ implantedLabel: found.label }), fate: 'STEP_FATE_IN_PLACE', plannedStepId: 'p-ring' }],
  },
  results: [{
    id: 'exit',
    run: 1,
    stage: 'STAGE_LEAVING_THEATRE',
    study: { gradient: { meanGradient: { mmhg: found.gradient }, gradientHeartRate: { perMin: 76 } } },
  }],
};
const requestId = randomUUID();
const refusal = (call) => call.then(() => assert.fail('nothing was refused'), (error) => error);
let stored;

test('a case is submitted and read back as it was sent', { skip }, async () => {
  stored = await RecordService.SubmitCase({ caseFile, requestId });
  assert.match(stored.caseName, /^sites\/[^/]+\/cases\/[0-9a-f-]{36}$/);
  assert.deepEqual(stored.sections.map((s) => [s.section, s.outcome]).sort(), [
    ['identity', 'SECTION_OUTCOME_CREATED'],
    ['operation', 'SECTION_OUTCOME_CREATED'],
    ['plan', 'SECTION_OUTCOME_CREATED'],
    ['result/exit', 'SECTION_OUTCOME_CREATED'],
  ]);

  const { case: read } = await RecordService.GetCase({ case: { externalIdentifier } });
  assert.equal(read.name, stored.caseName);
  assert.equal(read.caseVersion, stored.caseVersion);
  assert.deepEqual(read.caseFile.patientIdentifier, patientIdentifier);
  assert.deepEqual(read.caseFile.identity.sex, 'SEX_FEMALE');
  assert.equal(text(read.caseFile.operation.incisionTime), incision);
  assert.equal(read.caseFile.plan.steps[0].technique.annuloplasty.plannedLabelMax, planned.label);
  const [{ study }] = read.caseFile.results;
  assert.equal(study.gradient.meanGradient.mmhg, found.gradient);
  assert.ok(!('peakGradient' in study.gradient), 'what was not measured is absent, not 0');
});

test('what differs from the plan is listed', { skip }, async () => {
  const { discrepancies, counts } = await AuditService.ListDiscrepancies({ case: { name: stored.caseName }, includeCounts: true });
  const of = (kind) => discrepancies.filter((d) => d.discrepancy.class === kind && d.discrepancy.verdict === 'DISCREPANCY_VERDICT_PRESENT');
  assert.equal(of('ring_size').length, 1, JSON.stringify(discrepancies.map((d) => [d.discrepancy.class, d.discrepancy.verdict])));
  const [{ discrepancy, incisionTime }] = of('ring_size');
  assert.equal(discrepancy.difference, found.label - planned.label);
  assert.equal(text(incisionTime), incision);
  assert.ok(discrepancies.some(({ discrepancy: d }) => d.metric === 'mean_gradient' && d.verdict === 'DISCREPANCY_VERDICT_PRESENT'), 'the gradient is above its aim');
  assert.equal(counts.differingCaseCount, 1);
});

test('a request that is sent twice is answered as it was the first time, and stored once', { skip }, async () => {
  assert.deepEqual(await RecordService.SubmitCase({ caseFile, requestId }), stored);
  const { revisions } = await RecordService.ListRevisions({ case: { name: stored.caseName }, section: 'plan' });
  assert.equal(revisions.length, 1);
  const other = structuredClone(caseFile);
  other.results[0].study.gradient.meanGradient.mmhg += 1;
  const error = await refusal(RecordService.SubmitCase({ caseFile: other, requestId }));
  assert.equal(error.code, status.ALREADY_EXISTS);
});

test('a refusal says why in a word, and what is wrong with each field', { skip }, async () => {
  const wrong = structuredClone(caseFile);
  wrong.externalIdentifier.value = randomUUID();
  wrong.identity.ageYears = -1;
  wrong.results[0].study.gradient.meanGradient.mmhg = -3;
  const error = await refusal(RecordService.SubmitCase({ caseFile: wrong }));
  assert.equal(error.code, status.INVALID_ARGUMENT);
  assert.equal(error.reason, 'FIELD_VIOLATIONS');
  assert.deepEqual(error.violations.map((v) => v.field).sort(), [
    'case_file.identity.age_years',
    'case_file.results[0].study.gradient.mean_gradient.mmhg',
  ]);
  for (const v of error.violations) assert.ok(v.description.length > 10, v.field);

  const changed = structuredClone(caseFile);
  changed.results[0].study.gradient.meanGradient.mmhg += 1;
  const blind = await refusal(RecordService.SubmitCase({ caseFile: changed }));
  assert.equal(blind.code, status.FAILED_PRECONDITION);
  const { etag } = stored.sections.find((s) => s.section === 'result/exit');
  const after = await RecordService.SubmitCase({ caseFile: changed, conditions: [{ section: 'result/exit', etag }] });
  assert.deepEqual(after.sections.find((s) => s.section === 'result/exit').outcome, 'SECTION_OUTCOME_REPLACED');
  const stale = await refusal(RecordService.SubmitCase({ caseFile, conditions: [{ section: 'result/exit', etag }] }));
  assert.equal(stale.code, status.ABORTED);
});

test('a stream gives the resources of all cases, and is refused as a call is', { skip }, async () => {
  const types = new Map();
  let end;
  for await (const { content, ...message } of ElectronicRecordService.ExportResources({})) {
    if (content === 'chunk') {
      const lines = message.chunk.ndjson.split('\n').filter((line) => line !== '').map((line) => JSON.parse(line));
      assert.equal(lines.length, message.chunk.count);
      for (const { resourceType } of lines) assert.equal(resourceType, message.chunk.resourceType);
      types.set(message.chunk.resourceType, (types.get(message.chunk.resourceType) ?? 0) + lines.length);
    }
    assert.equal(end, undefined, 'nothing comes behind the end');
    if (content === 'end') ({ end } = message);
  }
  assert.ok(types.get('Procedure') >= 2, 'the operation and its ring');
  assert.deepEqual(Object.fromEntries(end.counts.map((c) => [c.resourceType, Number(c.count)])), Object.fromEntries(types));
  assert.ok(end.nextSince);

  const nothing = PlanningService.ExplorePlans({ caseFile: {}, axes: [] });
  const error = await new Promise((resolve) => nothing.on('error', resolve).on('data', () => {}).on('end', () => resolve()));
  assert.equal(error?.code, status.INVALID_ARGUMENT);
});

test('what a number means is asked of the service', { skip }, async () => {
  const { metrics } = await ReferenceService.ListMetrics({ includeLeaves: true });
  const { name, unit, leaf } = metrics.find((m) => m.id === 'mean_gradient');
  assert.deepEqual({ unit, leaf }, { unit: 'mm[Hg]', leaf: true });
  assert.match(name, /gradient/i);
});
