// A check that cannot fail says nothing. Each row breaks one thing in a good
// bundle, or in a small document of a type that the bundle lacks, and names the
// check that must see it, where it was broken. Invariants are those of HL7 FHIR
// R4 4.0.1; each row's words say what is wrong with it.
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { mkdtempSync, mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { after, test } from 'node:test';
import { fileURLToPath } from 'node:url';

import { Checker, own } from './checker.js';
import { loadDefinitions } from './definitions.js';
import { bundlesIn, exportIn, golden, known, parse } from './inputs.js';

const definitions = loadDefinitions();
const goldens = parse(bundlesIn(golden)).parsed;
const text = readFileSync(path.join(golden, 'complete.json'), 'utf8');

// Code systems as they would be if the golden bundles were all there is.
const codeSystems = new Map();
(function collect(node) {
  if (typeof node !== 'object' || node === null) return;
  if (typeof node.code === 'string' && node.system?.startsWith('https://example.org/fhir/trigone/CodeSystem/')) {
    if (!codeSystems.has(node.system)) codeSystems.set(node.system, new Map());
    codeSystems.get(node.system).set(node.code, node.display);
  }
  Object.values(node).forEach(collect);
})([...goldens, ...parse(exportIn(golden)).parsed].map((d) => d.resource));

// And what is published of them: units and pairs as they are sent, and one range.
const published = { quantities: new Map(), pairs: new Map() };
(function collect(node) {
  if (typeof node !== 'object' || node === null) return;
  const all = Array.isArray(node.coding) ? node.coding : [];
  for (const own of all) for (const other of all) published.pairs.set(`${own.system}|${own.code} ${other.system}|${other.code}`, other.display);
  const unit = node.valueQuantity?.code ?? node.valueRange?.low?.code ?? node.detailQuantity?.code ?? node.detailRange?.low?.code;
  for (const { system, code } of (node.code ?? node.measure)?.coding ?? []) {
    if (unit && system?.endsWith('/CodeSystem/metric')) published.quantities.set(code, { unit });
  }
  Object.values(node).forEach(collect);
})(goldens.map((d) => d.resource));
const radius = published.quantities.get('proximal-isovelocity-radius');
Object.assign(radius, { low: 1, high: 20 });

const checker = new Checker(definitions, codeSystems, published);

// A bundle under the knife: resource(type, has) gives the first that has what is
// asked, and remembers where it is.
class Specimen {
  constructor(bundle) {
    this.bundle = bundle;
    this.at = 'Bundle';
  }
  resource(type, has = () => true) {
    const i = this.bundle.entry.findIndex(({ resource: r }) => r.resourceType === type && has(r));
    assert.notEqual(i, -1, `the golden bundle has no ${type} with ${has}`);
    this.at = `Bundle.entry[${i}]`;
    this.entry = this.bundle.entry[i];
    return this.entry.resource;
  }
  radius() {
    return this.resource('Observation', (r) => r.valueQuantity && r.code.coding.some((c) => c.code === 'proximal-isovelocity-radius'));
  }
  derived() {
    return this.resource('Observation', (r) => r.valueQuantity && r.device && r.category.some((c) => c.coding.some((x) => x.code === 'derived')));
  }
  measured() {
    return this.resource('Observation', (r) => r.valueQuantity);
  }
  heartRate() {
    return this.resource('Observation', (r) => r.valueQuantity && r.code.coding.some((c) => c.code === '8867-4'));
  }
  part() {
    return this.resource('Procedure', (r) => r.partOf);
  }
  operation() {
    return this.resource('Procedure', (r) => !r.partOf && r.performedPeriod);
  }
}

const stranger = 'urn:uuid:00000000-0000-4000-8000-000000000000';
const localSystem = 'https://example.org/fhir/trigone/CodeSystem/metric';
const absent = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'unknown' }] };

const ofTheBundle = [
  ['too-few', 'an Observation without status', (b) => delete b.measured().status],
  ['medplum', 'an Observation without status, seen by the second validator', (b) => delete b.measured().status],
  ['too-few', 'an Observation without code', (b) => delete b.measured().code],
  ['too-few', 'a Procedure without subject', (b) => delete b.operation().subject],
  ['required-binding', 'a Procedure that is "done"', (b) => (b.operation().status = 'done')],
  ['required-binding', 'a status that a careless encoder writes', (b) => (b.measured().status = '<unknown>')],
  ['required-binding', 'a request method that is no verb', (b) => (b.measured(), (b.entry.request.method = 'UPSERT'))],
  ['required-binding', 'a comparator that is no sign of the standard', (b) => (b.measured().valueQuantity.comparator = '=')],
  ['value-syntax', 'the thirteenth month', (b) => (b.measured().effectiveDateTime = '2026-13-45')],
  ['value-syntax', 'the thirtieth of February', (b) => (b.measured().effectiveDateTime = '2026-02-30')],
  ['value-syntax', 'a time without a zone', (b) => (b.measured().effectiveDateTime = '2026-03-03T12:40:00')],
  ['value-syntax', 'an instant without a zone', (b) => (b.bundle.timestamp = '2026-03-04T00:00:00')],
  ['value-syntax', 'an id with a blank', (b) => (b.measured().id = 'a b')],
  ['value-syntax', 'a code with outer blanks', (b) => (b.measured().code.coding[0].code = ' 80059-9 ')],
  ['json-type', 'a number as text', (b) => (b.measured().valueQuantity.value = '3.2')],
  ['json-type', 'a boolean as text', (b) => (b.measured().code.coding[0].userSelected = 'true')],
  ['json-type', 'a text where an object is due', (b) => (b.measured().code = '80059-9')],
  ['too-many', 'a list where one is allowed', (b) => ((r) => (r.subject = [r.subject]))(b.measured())],
  ['too-many', 'one where a list is due', (b) => ((r) => (r.category = r.category[0]))(b.measured())],
  ['too-many', 'two values', (b) => (b.measured().valueInteger = 1)],
  ['unknown-element', 'a misspelt element', (b) => (b.measured().statuz = 'final')],
  ['unknown-type', 'a resource that R4 does not have', (b) => (b.measured().resourceType = 'Measurement')],
  ['empty', 'an empty list', (b) => (b.measured().note = [])],
  ['empty', 'an empty object', (b) => (b.measured().method = {})],
  ['empty', 'an empty text', (b) => (b.measured().code.text = '')],
  ['empty', 'null', (b) => (b.measured().issued = null)],
  ['empty', 'null in a list', (b) => b.measured().category.push(null)],
  ['control-character', 'NUL in a text', (b) => (b.measured().code.text = 'a\u0000b')],
  ['control-character', 'what was no text', (b) => (b.measured().code.text = 'a\ufffdb')],
  ['quantity-unit', 'a bare number', (b) => ((q) => (delete q.unit, delete q.system, delete q.code))(b.measured().valueQuantity)],
  ['quantity-unit', 'a unit for readers only', (b) => ((q) => (delete q.system, delete q.code))(b.measured().valueQuantity)],
  ['ucum-unit', 'a unit that people write', (b) => (b.measured().valueQuantity.code = 'mmHg')],
  ['ucum-unit', 'a raised two', (b) => (b.measured().valueQuantity.code = 'cm^2')],
  ['ucum-unit', 'a unit of a component', (b) => ((r) => (r.component = [{ code: { text: 'x' }, valueQuantity: { ...r.valueQuantity, code: 'beats/min' } }]))(b.measured())],
  ['coding-system', 'a code without system', (b) => delete b.measured().code.coding[0].system],
  ['coding-system', 'a system without code', (b) => delete b.measured().code.coding[0].code],
  ['own-code', 'a code that our system does not have', (b) => b.measured().code.coding.push({ system: localSystem, code: 'no-such-metric' })],
  ['own-code', 'a system of ours that is not there', (b) => b.measured().code.coding.push({ system: `${localSystem}x`, code: 'x' })],
  ['own-display', 'another display', (b) => ((c) => (c.display += '!'))(b.operation().code.coding[0])],
  ['dangling', 'a urn:uuid that no entry has', (b) => (b.part().partOf[0].reference = stranger)],
  ['dangling', 'a literal reference to what no entry is', (b) => (b.part().partOf[0].reference = 'Procedure/elsewhere')],
  ['dangling', 'a conditional reference that no entry answers', (b) => (b.part().partOf[0].reference = 'Procedure?identifier=urn:x|1')],
  ['target-type', 'part of a Patient', (b) => (b.part().partOf[0].reference = 'Patient/1')],
  ['target-type', 'part of a Device of the bundle', (b) => {
    b.resource('Device');
    const { fullUrl } = b.entry;
    b.part().partOf[0].reference = fullUrl;
  }],
  ['target-type', 'a reference that says another type', (b) => (b.part().partOf[0].type = 'Observation')],
  ['duplicate-full-url', 'a fullUrl twice', (b) => {
    const { fullUrl } = b.bundle.entry[0];
    b.measured();
    b.entry.fullUrl = fullUrl;
  }],
  ['full-url-id', 'a fullUrl that is not the id', (b) => (b.measured(), (b.entry.fullUrl = stranger))],
  ['full-url-id', 'a request for another id', (b) => (b.measured(), (b.entry.request.url = 'Observation/other'))],
  ['vital-sign', 'a heart rate that says not when', (b) => delete b.heartRate().effectiveDateTime],
  ['vital-sign', 'a heart rate in another category', (b) => (b.heartRate().category = [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'imaging' }] }])],
  ['vital-sign', 'a heart rate in another unit', (b) => (b.heartRate().valueQuantity.code = '/s')],
  ['one-subject', 'a value of another patient', (b) => (b.measured().subject.identifier.value = 'P-9999')],
  ['own-identifier', 'an identifier of another case', (b) => (b.measured().identifier[0].value = '99999999-0000-4000-8000-000000000000/value')],
  ['own-identifier', 'an identifier twice', (b) => ((value) => (b.heartRate().identifier[0].value = value))(b.measured().identifier[0].value)],
  ['metric-unit', 'a value in another unit', (b) => ((q) => (q.code = q.unit = 'kg'))(b.measured().valueQuantity)],
  ['plausible-range', 'a radius typed in another unit', (b) => (b.radius().valueQuantity.value = 80)],
  ['code-pair', 'the public code of something else', (b) => (b.radius().code.coding[0].code = '80061-5')],
  ['kept-in-error', 'an error with its value', (b) => (b.measured().status = 'entered-in-error')],
  ['repeated-reference', 'a member twice', (b) => ((r) => r.hasMember.push(r.hasMember[0]))(b.resource('Observation', (r) => r.hasMember))],
  ['repeated-reference', 'a value derived from itself', (b) => ((r) => (r.derivedFrom = [{ reference: b.entry.fullUrl }]))(b.derived())],
  ['lost-member', 'a value that its panel has lost', (b) => {
    b.measured();
    for (const { resource: r } of b.bundle.entry) if (r.hasMember) r.hasMember = r.hasMember.filter((m) => m.reference !== b.entry.fullUrl);
  }],
  ['no-source', 'a value that no Provenance names', (b) => {
    b.measured();
    for (const { resource: r } of b.bundle.entry) if (r.target) r.target = r.target.filter((t) => t.reference !== b.entry.fullUrl);
  }],
  ['no-source', 'a Provenance of no section', (b) => delete b.resource('Provenance', (r) => r.entity).entity],
  ['origin', 'a computed value without its software', (b) => delete b.derived().device],
  ['origin', 'a measured value that was derived', (b) => ((r) => (r.derivedFrom = [{ reference: b.bundle.entry[0].fullUrl }]))(b.measured())],
  ['origin', 'a value that does not say where it comes from', (b) => ((r) => (r.category = r.category.slice(0, 1)))(b.measured())],
  ['no-device', 'an annuloplasty without a ring', (b) => delete b.resource('Procedure', (r) => r.focalDevice && r.code.coding.some((c) => c.code === 'annuloplasty')).focalDevice],
  ['times', 'a step after its operation', (b) => (b.resource('Procedure', (r) => r.partOf && r.performedPeriod).performedPeriod = { start: '2030-01-01T00:00:00Z' , end: '2030-01-01T00:00:00Z' })],
  ['history', 'an older history number', (b) => (b.measured().extension[0].valueDecimal -= 1)],
  ['own-identifier', 'no identifier', (b) => delete b.measured().identifier],
  ['own-identifier', 'an id that is not made of its identifier', (b) => (b.measured().id = '00000000-0000-8000-8000-000000000000')],
  ['foreign-code', 'a system that nobody publishes', (b) => (b.measured().code.coding[0].system = 'https://example.org/elsewhere')],
  ['code-pair', 'another display of a public code', (b) => (b.radius().code.coding[0].display += '!')],
  ['no-value', 'a value that is not there', (b) => delete b.measured().valueQuantity],
  ['no-value', 'the middle of a prediction', (b) => ((r) => ((r.valueQuantity = r.valueRange.low), delete r.valueRange))(b.resource('Observation', (r) => r.valueRange))],
  ['metric-unit', 'a unit for readers that is not the coded one', (b) => (b.measured().valueQuantity.unit = 'kg')],
  ['step', 'a step of no operation', (b) => delete b.part().partOf],
  ['step', 'a step of a step', (b) => ((url) => (b.part().partOf[0].reference = url))((b.part(), b.bundle.entry.findLast((e) => e.resource.resourceType === 'Procedure' && e.resource.partOf).fullUrl))],
  ['report', 'a report of nothing', (b) => delete b.resource('DiagnosticReport').result],
  ['plan', 'a goal that was given up', (b) => (b.resource('Goal', (r) => r.lifecycleStatus === 'completed').lifecycleStatus = 'cancelled')],
  ['used-status', 'a preliminary value', (b) => (b.measured().status = 'preliminary')],
  ['times', 'a bundle made before its operation', (b) => (b.bundle.timestamp = '2020-01-01T00:00:00Z')],
  ['narrative-words', 'no narrative', (b) => delete b.measured().text],
  ['narrative-words', 'a step that was done and is said not to be', (b) => (b.resource('Procedure', (r) => r.partOf && r.status === 'completed').status = 'stopped')],
  ['narrative-value', 'a value that its narrative does not say', (b) => (b.measured().valueQuantity.value += 1)],
  ['narrative-fetches', 'a picture from elsewhere', (b) => (b.measured().text = narrative('<img src="https://example.org/p.png" alt="p"/>'))],

  ['bdl-1', 'a total of a transaction', (b) => (b.bundle.total = 3)],
  ['bdl-2', 'a search mode in a transaction', (b) => (b.measured(), (b.entry.search = { mode: 'match' }), (b.at = 'Bundle'))],
  ['bdl-3', 'an entry without request', (b) => (b.measured(), delete b.entry.request, (b.at = 'Bundle'))],
  ['bdl-4', 'a response in a request', (b) => (b.measured(), (b.entry.response = { status: '200' }), (b.at = 'Bundle'))],
  ['bdl-5', 'an entry with nothing in it', (b) => (b.measured(), delete b.entry.request, delete b.entry.resource)],
  ['bdl-7', 'a fullUrl twice', (b) => (b.bundle.entry[1].fullUrl = b.bundle.entry[0].fullUrl)],
  ['bdl-8', 'a version in a fullUrl', (b) => (b.measured(), (b.entry.fullUrl = 'https://example.org/Observation/1/_history/2'))],
  ['bdl-9', 'a document without identifier', (b) => (b.bundle.type = 'document')],
  ['bdl-10', 'a document without time', (b) => ((b.bundle.type = 'document'), delete b.bundle.timestamp)],
  ['bdl-11', 'a document that begins with no Composition', (b) => (b.bundle.type = 'document')],
  ['bdl-12', 'a message without a header', (b) => (b.bundle.type = 'message')],
  ['obs-3', 'a reference range that says nothing', (b) => (b.measured().referenceRange = [{ appliesTo: [absent] }])],
  ['obs-6', 'a value and the reason why there is none', (b) => (b.measured().dataAbsentReason = absent)],
  ['obs-7', 'a component with the code of the whole', (b) => ((r) => (r.component = [{ code: r.code, valueQuantity: r.valueQuantity }]))(b.measured())],
  ['per-1', 'an operation that ends before it begins', (b) => ((p) => ([p.start, p.end] = [p.end, p.start]))(b.operation().performedPeriod)],
  ['qty-3', 'a unit code without system', (b) => delete b.measured().valueQuantity.system],
  ['rng-2', 'a range with its ends changed', (b) => ((r) => {
    const of = (value) => ({ value, unit: 'mm', system: 'http://unitsofmeasure.org', code: 'mm' });
    delete r.valueQuantity;
    r.valueRange = { low: of(3), high: of(2) };
  })(b.measured())],
  ['sqty-1', 'a comparator at the end of a range', (b) => (b.measured().referenceRange = [{ low: { value: 1, comparator: '<', unit: 'mm', system: 'http://unitsofmeasure.org', code: 'mm' } }])],
  ['rat-1', 'half of a ratio', (b) => ((r) => {
    r.valueRatio = { numerator: r.valueQuantity };
    delete r.valueQuantity;
  })(b.measured())],
  ['ref-1', 'a reference to what is not contained', (b) => b.measured().derivedFrom = [{ reference: '#nothing' }]],
  ['dom-3', 'contained and not referred to', (b) => (b.measured().contained = [{ resourceType: 'Device', id: 'lonely' }])],
  ['dom-2', 'contained in contained', (b) => (b.measured().contained = [{ resourceType: 'Device', id: 'a', contained: [{ resourceType: 'Device', id: 'b' }] }])],
  ['dom-4', 'a version of what is contained', (b) => (b.measured().contained = [{ resourceType: 'Device', id: 'a', meta: { versionId: '1' } }])],
  ['dom-5', 'a security label of what is contained', (b) => (b.measured().contained = [{ resourceType: 'Device', id: 'a', meta: { security: [{ system: 'urn:x', code: 'y' }] } }])],
  ['ele-1', 'an element with an id and nothing else', (b) => (b.measured().method = { id: 'a' })],
  ['ext-1', 'an extension that says nothing', (b) => (b.measured().extension = [{ url: 'https://example.org/x' }])],
  ['att-1', 'data of no content type', (b) => (b.measured().extension = [{ url: 'https://example.org/x', valueAttachment: { data: 'YQ==' } }])],
  ['drt-1', 'a duration in no UCUM unit', (b) => (b.measured().extension = [{ url: 'https://example.org/x', valueDuration: { value: 1, unit: 'd', system: 'urn:x', code: 'd' } }])],
  ['age-1', 'an age below zero', (b) => (b.measured().extension = [{ url: 'https://example.org/x', valueAge: { value: -1, unit: 'a', system: 'http://unitsofmeasure.org', code: 'a' } }])],
  ['cnt-3', 'half a thing', (b) => (b.measured().extension = [{ url: 'https://example.org/x', valueCount: { value: 1.5, unit: '1', system: 'http://unitsofmeasure.org', code: '1' } }])],
  ['txt-1', 'a script in a narrative', (b) => (b.measured().text = narrative('<script>alert(1)</script>'))],
  ['txt-1', 'an open tag in a narrative', (b) => (b.measured().text = narrative('<p>open'))],
  ['txt-1', 'an event handler in a narrative', (b) => (b.measured().text = narrative('<p onclick="x()">a</p>'))],
  ['txt-2', 'a narrative that says nothing', (b) => (b.measured().text = narrative(' '))],
];

function narrative(inside) {
  return { status: 'generated', div: `<div xmlns="http://www.w3.org/1999/xhtml">${inside}</div>` };
}

// Small good documents of types that a bundle of a case may lack.
const subject = { identifier: { system: 'urn:oid:2.999.1', value: 'P-0001' } };
const concept = (code) => ({ coding: [{ system: 'urn:x', code }] });
const good = {
  capability: () => ({
    resourceType: 'CapabilityStatement', status: 'active', date: '2026-03-04', kind: 'instance', fhirVersion: '4.0.1', format: ['json'],
    implementation: { description: 'invented' },
    rest: [{ mode: 'server', resource: [{ type: 'Observation', interaction: [{ code: 'read' }], searchParam: [{ name: 'code', type: 'token' }] }] }],
  }),
  codeSystem: () => ({
    resourceType: 'CodeSystem', url: localSystem, status: 'active', content: 'complete', caseSensitive: true, count: 2,
    concept: [{ code: 'a', display: 'A', concept: [{ code: 'b', display: 'B' }] }],
  }),
  conceptMap: () => ({
    resourceType: 'ConceptMap', status: 'active',
    group: [{ source: 'urn:x', target: 'http://loinc.org', element: [{ code: 'a', target: [{ code: '8867-4', equivalence: 'equal' }] }] }],
  }),
  document: () => ({
    resourceType: 'Bundle', type: 'document', identifier: { system: 'urn:x', value: '1' }, timestamp: '2026-03-04T00:00:00Z',
    entry: [{
      fullUrl: 'urn:uuid:11111111-1111-4111-8111-111111111111',
      resource: {
        resourceType: 'Composition', id: '11111111-1111-4111-8111-111111111111', status: 'preliminary', type: concept('note'), subject, date: '2026-03-04',
        author: [{ display: 'invented' }], title: 'Operative note', text: narrative('<p>a</p>'), section: [{ title: 'Findings', text: narrative('<p>b</p>') }],
      },
    }],
  }),
  request: () => ({
    resourceType: 'ServiceRequest', status: 'active', intent: 'plan', code: concept('repair'), subject,
    occurrenceTiming: { repeat: { frequency: 1, period: 1, periodUnit: 'd' } },
  }),
  device: () => ({ resourceType: 'DeviceRequest', status: 'active', intent: 'plan', codeCodeableConcept: concept('ring'), subject }),
  structure: () => ({
    resourceType: 'StructureDefinition', url: 'https://example.org/x', name: 'X', status: 'draft', kind: 'resource', abstract: false, type: 'Observation',
    baseDefinition: 'http://hl7.org/fhir/StructureDefinition/Observation', derivation: 'constraint',
    differential: { element: [{ id: 'Observation', path: 'Observation' }, { id: 'Observation.value[x]:a', path: 'Observation.value[x]', sliceName: 'a@b' }] },
  }),
  goal: () => ({
    resourceType: 'Goal', lifecycleStatus: 'active', description: concept('contact'), subject,
    target: [{ measure: concept('contact'), detailRange: { low: { value: 8, unit: 'mm', system: 'http://unitsofmeasure.org', code: 'mm' } } }],
  }),
  carePlan: () => ({ resourceType: 'CarePlan', status: 'active', intent: 'plan', subject, activity: [{ detail: { status: 'not-started' } }] }),
  naming: () => ({ resourceType: 'NamingSystem', name: 'X', status: 'active', kind: 'identifier', date: '2026-03-04', uniqueId: [{ type: 'uri', value: 'urn:x', preferred: true }] }),
  valueSet: () => ({ resourceType: 'ValueSet', status: 'active', compose: { include: [{ system: 'urn:x', concept: [{ code: 'a' }] }] } }),
  parameter: () => ({ resourceType: 'SearchParameter', url: 'urn:x', name: 'x', status: 'active', description: 'x', code: 'x', base: ['Observation'], type: 'token', expression: 'Observation.code' }),
  page: () => ({
    resourceType: 'Bundle', type: 'searchset', total: 1, link: [{ relation: 'self', url: 'http://127.0.0.1/Procedure' }],
    entry: [{ fullUrl: 'http://127.0.0.1/Procedure/1', resource: { resourceType: 'Procedure', id: '1', status: 'completed', subject, partOf: [{ reference: 'Procedure/2' }] }, search: { mode: 'match' } }],
  }),
  patient: () => ({ resourceType: 'Patient', contact: [{ name: { text: 'invented' } }] }),
  condition: () => ({ resourceType: 'Condition', subject, clinicalStatus: { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/condition-clinical', code: 'active' }] } }),
  list: () => ({ resourceType: 'List', status: 'current', mode: 'snapshot', entry: [{ item: subject }] }),
  risk: () => ({ resourceType: 'RiskAssessment', status: 'final', subject, prediction: [{ probabilityDecimal: 3.2 }] }),
  organization: () => ({ resourceType: 'Organization', name: 'Invented harbour hospital' }),
};

const ofDocuments = [
  ['capability', 'cpb-1', 'a statement of nothing', (r) => delete r.rest],
  ['capability', 'cpb-2', 'a statement about nobody', (r) => delete r.implementation],
  ['capability', 'cpb-3', 'an endpoint of no instance', (r) => ((r.kind = 'capability'), (r.messaging = [{ endpoint: [{ protocol: { system: 'urn:x', code: 'y' }, address: 'urn:x' }] }]))],
  ['capability', 'cpb-7', 'a document profile twice', (r) => (r.document = [1, 2].map(() => ({ mode: 'producer', profile: 'urn:x' })))],
  ['capability', 'cpb-9', 'a resource type twice', (r) => r.rest[0].resource.push(r.rest[0].resource[0])],
  ['capability', 'cpb-12', 'a search parameter twice', (r) => r.rest[0].resource[0].searchParam.push(r.rest[0].resource[0].searchParam[0])],
  ['capability', 'cpb-14', 'an instance without implementation', (r) => delete r.implementation],
  ['capability', 'cpb-15', 'a capability with an implementation', (r) => (r.kind = 'capability')],
  ['capability', 'cpb-16', 'requirements with an implementation', (r) => (r.kind = 'requirements')],
  ['capability', 'required-binding', 'a version that FHIR never had', (r) => (r.fhirVersion = '4.9.9')],
  ['capability', 'required-binding', 'a search of no type', (r) => (r.rest[0].resource[0].searchParam[0].type = 'text')],
  ['codeSystem', 'csd-1', 'a code twice, at two depths', (r) => (r.concept[0].concept[0].code = 'a')],
  ['codeSystem', 'code-system-count', 'a wrong count', (r) => (r.count = 3)],
  ['conceptMap', 'cmd-1', 'a narrower target without a word', (r) => (r.group[0].element[0].target[0].equivalence = 'narrower')],
  ['conceptMap', 'cmd-2', 'a fixed code that is not given', (r) => (r.group[0].unmapped = { mode: 'fixed' })],
  ['conceptMap', 'cmd-3', 'another map that is not given', (r) => (r.group[0].unmapped = { mode: 'other-map' })],
  ['conceptMap', 'concept-map-source', 'a code that our system does not have', (r) => (r.group[0].source = localSystem)],
  ['document', 'bdl-9', 'no identifier', (r) => delete r.identifier],
  ['document', 'bdl-10', 'no time', (r) => delete r.timestamp],
  ['document', 'cmp-1', 'a section with nothing in it', (r) => delete r.entry[0].resource.section[0].text],
  ['document', 'cmp-2', 'a section that is empty and is not', (r) => Object.assign(r.entry[0].resource.section[0], { emptyReason: concept('x'), entry: [{ display: 'x' }] })],
  ['document', 'dangling', 'a section about what is not there', (r) => (r.entry[0].resource.section[0].entry = [{ reference: stranger }])],
  ['document', 'txt-1', 'a form in a section', (r) => (r.entry[0].resource.section[0].text = narrative('<form>a</form>'))],
  ['document', 'narrative-fetches', 'a link to a script', (r) => (r.entry[0].resource.text = narrative('<a href="javascript:x()">a</a>'))],
  ['request', 'prr-1', 'details of no order', (r) => ((r.orderDetail = [r.code]), delete r.code)],
  ['request', 'required-binding', 'an intent that is none', (r) => (r.intent = 'wish')],
  ['request', 'tim-1', 'a duration without unit', (r) => (r.occurrenceTiming.repeat.duration = 1)],
  ['request', 'tim-2', 'a period without unit', (r) => delete r.occurrenceTiming.repeat.periodUnit],
  ['request', 'tim-4', 'a duration below zero', (r) => Object.assign(r.occurrenceTiming.repeat, { duration: -1, durationUnit: 'd' })],
  ['request', 'tim-5', 'a period below zero', (r) => (r.occurrenceTiming.repeat.period = -1)],
  ['request', 'tim-6', 'only the longest period', (r) => ((p) => ((p.periodMax = 1), delete p.period))(r.occurrenceTiming.repeat)],
  ['request', 'tim-7', 'only the longest duration', (r) => (r.occurrenceTiming.repeat.durationMax = 1)],
  ['request', 'tim-8', 'only the highest count', (r) => (r.occurrenceTiming.repeat.countMax = 1)],
  ['request', 'tim-9', 'an offset from nothing', (r) => (r.occurrenceTiming.repeat.offset = 1)],
  ['request', 'tim-10', 'an hour and a meal', (r) => Object.assign(r.occurrenceTiming.repeat, { timeOfDay: ['08:00:00'], when: ['AC'] })],
  ['device', 'too-few', 'a required choice of which nothing is there', (r) => delete r.codeCodeableConcept],
  ['structure', 'eld-16', 'a slice name with a blank', (r) => (r.differential.element[1].sliceName = 'a b')],
  ['structure', 'eld-19', 'a path that is a dot', (r) => (r.differential.element[1].path = '.')],
  ['goal', 'gol-1', 'a detail of no measure', (r) => delete r.target[0].measure],
  ['goal', 'rng-2', 'a target with its ends changed', (r) => (r.target[0].detailRange.high = { ...r.target[0].detailRange.low, value: 7 })],
  ['carePlan', 'cpl-3', 'an activity told twice', (r) => (r.activity[0].reference = { display: 'x' })],
  ['naming', 'nsd-1', 'a root that is a uuid', (r) => ((r.kind = 'root'), (r.uniqueId[0].type = 'uuid'))],
  ['naming', 'nsd-2', 'two that are preferred', (r) => r.uniqueId.push({ ...r.uniqueId[0], value: 'urn:y' })],
  ['valueSet', 'vsd-1', 'codes from nowhere', (r) => (r.compose.include = [{ version: '1' }])],
  ['valueSet', 'vsd-2', 'concepts of no system', (r) => delete r.compose.include[0].system],
  ['valueSet', 'vsd-3', 'concepts and a filter', (r) => (r.compose.include[0].filter = [{ property: 'a', op: '=', value: 'b' }])],
  ['valueSet', 'vsd-6', 'an expansion to nothing', (r) => (r.expansion = { timestamp: '2026-03-04', contains: [{ abstract: true, system: 'urn:x' }] })],
  ['valueSet', 'vsd-9', 'a display that is not abstract', (r) => (r.expansion = { timestamp: '2026-03-04', contains: [{ display: 'x' }] })],
  ['valueSet', 'vsd-10', 'a code of no system', (r) => (r.expansion = { timestamp: '2026-03-04', contains: [{ code: 'x' }] })],
  ['valueSet', 'value-set-code', 'a code that our system does not have', (r) => (r.compose.include[0].system = localSystem)],
  ['valueSet', 'value-set-code', 'a system of ours that is not there', (r) => (r.compose.include[0].system = `${localSystem}x`)],
  ['parameter', 'spd-1', 'a path of unknown use', (r) => (r.xpath = 'f:Observation')],
  ['parameter', 'spd-2', 'a chain from no reference', (r) => (r.chain = ['x'])],
  ['page', 'bdl-4', 'a response in a page', (r) => (r.entry[0].response = { status: '200' })],
  ['page', 'full-url-id', 'an address of another', (r) => (r.entry[0].fullUrl = 'http://127.0.0.1/Procedure/3')],
  ['page', 'target-type', 'part of a Device', (r) => (r.entry[0].resource.partOf[0].reference = 'Device/2')],
  ['patient', 'pat-1', 'a contact who is nobody', (r) => (r.contact = [{ gender: 'other' }])],
  ['condition', 'con-1', 'a stage that is none', (r) => (r.stage = [{ type: concept('x') }])],
  ['condition', 'con-2', 'evidence of nothing', (r) => (r.evidence = [{ id: 'a', extension: [{ url: 'urn:x', valueCode: 'y' }] }])],
  ['condition', 'con-4', 'over and active', (r) => (r.abatementString = 'x')],
  ['condition', 'con-5', 'an error that is active', (r) => (r.verificationStatus = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/condition-ver-status', code: 'entered-in-error' }] })],
  ['list', 'lst-1', 'empty and not', (r) => (r.emptyReason = concept('x'))],
  ['list', 'lst-2', 'deleted in a snapshot', (r) => (r.entry[0].deleted = true)],
  ['list', 'lst-3', 'a date in a snapshot', (r) => (r.entry[0].date = '2026-03-04')],
  ['risk', 'ras-2', 'more than certain', (r) => (r.prediction[0].probabilityDecimal = 101)],
  ['risk', 'ras-1', 'a probability in millimetres', (r) => (r.prediction = [{ probabilityRange: { low: { value: 1, unit: 'mm', system: 'http://unitsofmeasure.org', code: 'mm' } } }])],
  ['organization', 'org-1', 'nobody', (r) => ((r.active = true), delete r.name)],
];

const saw = (faults, check, at) =>
  assert.ok(
    faults.some((f) => f.check === check && (['medplum', 'vital-sign'].includes(check) || f.path.startsWith(at))),
    `${check} at ${at} was not seen; seen: ${faults.map((f) => `${f.check} ${f.path} ${f.message}`).join('; ') || 'nothing'}`,
  );

test('the golden bundles have no fault', () => {
  assert.ok(goldens.length > 0);
  for (const { file, resource } of goldens) assert.deepEqual(checker.check(resource), [], file);
});

for (const [name, make] of Object.entries(good)) {
  test(`the good ${name} has no fault`, () => {
    // The concepts of a code system here are not those of ours.
    assert.deepEqual(checker.check(make()), []);
  });
}

for (const [check, what, change] of ofTheBundle) {
  test(`${check}: ${what}`, () => {
    const b = new Specimen(JSON.parse(text));
    change(b);
    saw(checker.check(b.bundle), check, b.at);
  });
}

for (const [name, check, what, change] of ofDocuments) {
  test(`${check}: ${name}: ${what}`, () => {
    const resource = good[name]();
    change(resource);
    saw(checker.check(resource), check, resource.resourceType);
  });
}

test('a conditional update is known by its identifier', () => {
  const bundle = JSON.parse(text);
  const b = new Specimen(bundle);
  const part = b.part();
  b.operation();
  const { identifier } = b.entry.resource;
  const query = `Procedure?identifier=${encodeURIComponent(`${identifier[0].system}|${identifier[0].value}`)}`;
  part.partOf[0].reference = query;
  b.entry.request.url = query;
  assert.deepEqual(checker.check(bundle), []);
});

test('literal references are followed in an export', () => {
  const part = { resourceType: 'Procedure', id: 'b', status: 'completed', subject, partOf: [{ reference: 'Procedure/a' }] };
  assert.deepEqual(checker.check(part, new Set(['Procedure/a', 'Procedure/b'])), []);
  saw(checker.check(part, new Set(['Procedure/b'])), 'dangling', 'Procedure.partOf[0]');
});

test('a resource twice in an export', () => {
  const resource = { resourceType: 'Device', id: 'a' };
  assert.equal(known([{ resource }, { resource }]).faults[0].check, 'duplicate-id');
});

test('every check has a broken case', () => {
  const cases = new Set([...ofTheBundle.map((c) => c[0]), ...ofDocuments.map((c) => c[1]), 'duplicate-id']);
  assert.deepEqual(Object.keys(own).filter((c) => !cases.has(c)), []);
  // Invariants that have an element in what we write today: a new resource type
  // brings new ones, and each needs a row above.
  const today = new Checker(definitions);
  for (const { resource } of goldens) today.check(resource);
  assert.deepEqual([...today.evaluated.keys].map((k) => k.split(' ')[0]).filter((k) => !cases.has(k)), []);
});

const folder = mkdtempSync(path.join(tmpdir(), 'fhircheck-'));
after(() => rmSync(folder, { recursive: true }));

// Runs check.js on three folders, each with one file.
function run(name, bundle, ndjson, terminology) {
  const at = (kind, file, content) => {
    const dir = path.join(folder, name, kind);
    mkdirSync(dir, { recursive: true });
    if (content !== undefined) writeFileSync(path.join(dir, file), content);
    return dir;
  };
  const env = {
    ...process.env,
    TRIGONE_BUNDLES: at('bundles', 'case.json', bundle),
    TRIGONE_EXPORT: at('export', 'Device.ndjson', ndjson),
    TRIGONE_TERMINOLOGY: at('terminology', 'all.json', terminology),
  };
  return spawnSync(process.execPath, [fileURLToPath(new URL('check.js', import.meta.url))], { env, encoding: 'utf8' });
}

test('check.js exits 0 on what is good', () => {
  const entry = [...codeSystems].map(([url, codes], i) => ({
    fullUrl: `https://example.org/CodeSystem/${i}`,
    resource: { resourceType: 'CodeSystem', id: `${i}`, url, status: 'active', content: 'complete', concept: [...codes].map(([code, display]) => ({ code, display })) },
  }));
  const { status, stdout } = run('good', text, '{"resourceType":"Device","id":"a"}\n{"resourceType":"Device","id":"b"}\n', JSON.stringify({ resourceType: 'Bundle', type: 'collection', entry }));
  assert.match(stdout, /faults: 0\n/);
  assert.equal(status, 0);
});

test('check.js names file and fault and exits 1', () => {
  const b = new Specimen(JSON.parse(text));
  b.measured().status = 'done';
  const { status, stdout } = run('broken', JSON.stringify(b.bundle), '{"resourceType":"Device","id":"a"}\n\n{"resourceType":"Procedure","id":"b"}\n', undefined);
  assert.equal(status, 1);
  assert.match(stdout, /FAULT required-binding: case.json, Observation\//);
  assert.match(stdout, /FAULT json: Device.ndjson line 2/);
  assert.match(stdout, /FAULT one-type: Device.ndjson line 3/);
  assert.match(stdout, /FAULT too-few: Device.ndjson line 3, Procedure\/b, Procedure.status/);
  assert.match(stdout, /FAULT nothing: terminology/);
});

test('check.js wants bundles where a run requires everything', () => {
  const { TRIGONE_BUNDLES, ...env } = process.env;
  const { status, stderr } = spawnSync(process.execPath, [fileURLToPath(new URL('check.js', import.meta.url))], { env: { ...env, TRIGONE_REQUIRE: '1' }, encoding: 'utf8' });
  assert.equal(status, 1);
  assert.match(stderr, /TRIGONE_BUNDLES names no folder/);
});
