// Whether the resources of a case agree with each other, and with what is published
// about our codes. No library sees any of this: every element may be right and the
// whole be of two patients. The same rules stand in Go, in fhirmap/fhirtest.
import { createHash } from 'node:crypto';

// The checks of this file, and what each says.
export const agreement = {
  'one-subject': 'a resource of another patient than the others',
  'own-identifier': 'no identifier, one twice, one of another case or of nothing in it, or an id that is not made of it',
  history: 'another history number than the bundle',
  'metric-unit': 'a value in another unit than its quantity is published with',
  'plausible-range': 'a value beyond what is published as plausible',
  'code-pair': 'a public code beside one of ours that the concept map does not know, or knows under another display',
  'foreign-code': 'a code of a system that neither a standard nor the concept map has',
  'no-value': 'neither a value nor a reason for none, or a prediction that is a number',
  'kept-in-error': 'an error that still says something',
  'repeated-reference': 'a reference twice in a list, to the resource itself, or to what was entered in error',
  'lost-member': 'a value that stands in no panel, or in two',
  'no-source': 'a resource that no Provenance names, or a Provenance of nothing that is named',
  origin: 'a computed value without its software, a measured one with it, or one that does not say which it is',
  'no-device': 'an annuloplasty without a device, a device of two steps, or one that is in nobody',
  step: 'a step that is part of no operation, or answers what is no planned step',
  report: 'a report of what is no panel of its occasion, or that its operation does not name',
  plan: 'a goal that does not go with its plan',
  'used-status': 'a status that the mapping does not use',
  times: 'a part outside of the time of its whole, done before it was planned, or recorded before it was seen',
  'narrative-value': 'a narrative that does not say the value',
  'narrative-words': 'no narrative, or one that does not say code, place, reason or status',
};

const ours = 'https://example.org/fhir/trigone';
const metrics = `${ours}/CodeSystem/metric`;
const kept = new Set(['resourceType', 'id', 'meta', 'extension', 'identifier', 'status', 'lifecycleStatus', 'intent', 'subject', 'patient', 'code', 'type', 'description', 'codeCodeableConcept']);

// The statuses that are used; of a Provenance there is none.
const requests = ['draft', 'active', 'completed', 'revoked', 'unknown'];
const used = {
  Observation: ['final', 'amended'],
  DiagnosticReport: ['final', 'amended'],
  DetectedIssue: ['final'],
  Procedure: ['completed', 'stopped', 'in-progress', 'not-done'],
  Device: ['active', 'inactive', 'unknown'],
  ServiceRequest: requests,
  DeviceRequest: requests,
  Goal: ['proposed', 'accepted', 'active', 'completed', 'cancelled'],
  Provenance: [undefined],
};
// Systems of HL7, of units, of DICOM and ours.
const standard = /^(http:\/\/(terminology\.)?hl7\.org\/|http:\/\/unitsofmeasure\.org|https:\/\/example\.org\/fhir\/trigone\/)/;

const historyOf = (o) => list(o?.extension).find((x) => x?.url === `${ours}/StructureDefinition/history-number`)?.valueDecimal;
const list = (x) => (x === undefined || x === null ? [] : Array.isArray(x) ? x : [x]);
const isObject = (x) => typeof x === 'object' && x !== null;
const codings = (concept) => list(concept?.coding).filter(isObject);
const codeOf = (concept, system) => codings(concept).find((c) => c.system === system)?.code;
const references = (x) => list(x).filter(isObject).map((r) => r.reference).filter((r) => typeof r === 'string');
const isError = (r) => (r.resourceType === 'Goal' ? r.lifecycleStatus : r.status) === 'entered-in-error';
const roleOf = (r) => list(r.category).map((c) => codeOf(c, `${ours}/CodeSystem/role`)).find(Boolean);
const isSoftware = (r) => r?.resourceType === 'Device' && codings(r.type).some((c) => c.code === 'software');

// What is published of our codes: unit and plausible range of each quantity, and the
// pairs of the concept map.
export function publishedIn(resources) {
  const quantities = new Map();
  const pairs = new Map(); // to the display of the public code
  for (const r of resources) {
    if (r?.resourceType === 'CodeSystem' && r.url === metrics) {
      for (const { code, property } of r.concept ?? []) {
        const of = Object.fromEntries((property ?? []).map((p) => [p.code, p.valueString ?? p.valueDecimal]));
        if (of.unit) quantities.set(code, { unit: of.unit, low: of['plausible-low'], high: of['plausible-high'] });
      }
    }
    if (r?.resourceType === 'ConceptMap') {
      for (const group of r.group ?? []) {
        for (const element of group.element ?? []) {
          for (const target of element.target ?? []) if (target.code) pairs.set(`${group.source}|${element.code} ${group.target}|${target.code}`, target.display);
        }
      }
    }
  }
  return { quantities, pairs };
}

// Gives fault(index of the resource, check, message) of all resources of the bundle of
// one case. published: undefined where no terminology is given.
export function agree(bundle, entries, published, fault) {
  const number = historyOf(bundle.meta);
  const at = new Map();
  entries.forEach(({ fullUrl, resource: r }, i) => {
    if (fullUrl) at.set(fullUrl, i);
    if (r.id) at.set(`${r.resourceType}/${r.id}`, i);
  });
  const to = (reference) => entries[at.get(reference)]?.resource;

  let subject;
  let uid;
  const identifiers = new Set();
  const memberOf = new Map();
  const sourced = new Set();
  const count = (map, reference) => map.set(at.get(reference), (map.get(at.get(reference)) ?? 0) + 1);
  entries.forEach(({ resource: r }, i) => {
    const s = r.subject ?? r.patient;
    if (!s?.identifier && r.resourceType !== 'Provenance' && !isSoftware(r)) fault(i, 'one-subject', 'is of no patient');
    if (historyOf(r) !== number) fault(i, 'history', `history number ${historyOf(r)}, the bundle's is ${number}`);
    if (s) {
      const said = JSON.stringify(s);
      subject ??= said;
      if (said !== subject) fault(i, 'one-subject', 'is of another patient than the first resource');
    }
    for (const { system, value } of list(r.identifier)) {
      if (system !== `${ours}/identifier` || typeof value !== 'string') {
        fault(i, 'own-identifier', `an identifier of system ${system}`);
        continue;
      }
      const [of, key] = value.split('/');
      if (!key) fault(i, 'own-identifier', `${value} names nothing in the case`);
      uid ??= of;
      if (of !== uid) fault(i, 'own-identifier', `${value} is of another case`);
      const name = `${r.resourceType} ${value}`;
      if (identifiers.has(name)) fault(i, 'own-identifier', `${value} stands twice`);
      identifiers.add(name);
    }
    if (isError(r)) {
      for (const name of Object.keys(r)) if (!kept.has(name)) fault(i, 'kept-in-error', `keeps ${name}`);
      return;
    }
    for (const [name, value] of Object.entries(r)) {
      const seen = new Set();
      for (const reference of references(value)) {
        if (seen.has(reference)) fault(i, 'repeated-reference', `${name} names ${reference} twice`);
        if (at.get(reference) === i) fault(i, 'repeated-reference', `${name} names the resource itself`);
        if (r.resourceType !== 'Provenance' && isError(to(reference) ?? {})) fault(i, 'repeated-reference', `${name} names what was entered in error`);
        seen.add(reference);
      }
    }
    if (r.resourceType === 'Observation' && !roleOf(r)) references(r.hasMember).forEach((m) => count(memberOf, m));
    if (r.resourceType === 'Provenance') {
      references(r.target).forEach((t) => sourced.add(at.get(t)));
      const recorded = references(r.target).map(to).filter((t) => t && !isError(t) && t.resourceType !== 'DetectedIssue' && !t.device);
      if (!r.entity && recorded.length > 0) fault(i, 'no-source', 'names no section of the record');
      if (list(r.agent).flatMap((a) => references(a?.who)).map(to).some((d) => d && !isSoftware(d))) fault(i, 'no-source', 'is by a device that is no software');
    }
    if (published) inTables(r, i, published, fault);
    told(r, i, fault);
    words(r, i, fault);
    if (!used[r.resourceType]?.includes(r.resourceType === 'Goal' ? r.lifecycleStatus : r.status)) fault(i, 'used-status', `is ${r.status ?? r.lifecycleStatus}`);
    if (r.resourceType === 'Observation') valued(r, i, fault);
    if (r.resourceType === 'Observation') origin(r, i, to, fault);
    if (r.resourceType === 'Procedure') steps(r, i, to, fault);
    if (r.resourceType === 'DiagnosticReport') reported(r, i, to, fault);
    if (r.resourceType === 'Goal') planned(r, i, to, fault);
    times(r, i, to, Date.parse(bundle.timestamp), fault);
  });
  ids(entries, uid, fault);
  const stepsOf = new Map();
  for (const { resource: r } of entries) {
    if (!isError(r)) new Set(list(r.focalDevice).flatMap((d) => references(d?.manipulated)).map((x) => at.get(x))).forEach((d) => stepsOf.set(d, (stepsOf.get(d) ?? 0) + 1));
  }
  for (const [i, n] of stepsOf) if (n > 1) fault(i, 'no-device', `is of ${n} steps`);
  const provenances = entries.some(({ resource: r }) => r.resourceType === 'Provenance');
  entries.forEach(({ resource: r }, i) => {
    if (isError(r) || r.resourceType === 'Provenance' || isSoftware(r)) return;
    const role = roleOf(r);
    if (role && role !== 'plan-versus-outcome' && (memberOf.get(i) ?? 0) !== 1) fault(i, 'lost-member', `stands in ${memberOf.get(i) ?? 0} panels`);
    if (provenances && !sourced.has(i)) fault(i, 'no-source', 'no Provenance says where it comes from');
  });
}

// Units, plausible ranges and pairs of codes.
function inTables(r, i, { quantities, pairs }, fault) {
  const judge = (concept, part) => {
    const row = quantities.get(codeOf(concept, metrics));
    if (!row) return;
    const stated = [part.valueQuantity, part.detailQuantity, part.valueRange?.low, part.valueRange?.high, part.detailRange?.low, part.detailRange?.high];
    const limits = list(part.referenceRange).flatMap((x) => [x?.low, x?.high]);
    for (const q of [...stated, ...limits]) if (q?.code && q.code !== row.unit) fault(i, 'metric-unit', `is in ${q.code}, the quantity in ${row.unit}`);
    for (const q of stated) {
      if (row.high !== undefined && typeof q?.value === 'number' && (q.value < row.low || q.value > row.high)) fault(i, 'plausible-range', `${q.value} ${row.unit} is not within ${row.low} to ${row.high}`);
    }
  };
  judge(r.code, r);
  for (const part of [...list(r.component), ...list(r.parameter)]) judge(part?.code, part);
  for (const part of list(r.target)) judge(part?.measure, part);
  if (pairs.size === 0) return; // no map is given
  const targets = new Set([...pairs.keys()].map((pair) => pair.split(' ').at(-1).split('|')[0]));
  (function walk(node) {
    if (Array.isArray(node)) node.forEach(walk);
    if (!isObject(node) || Array.isArray(node)) return;
    const all = codings(node);
    for (const { system } of all) if (!standard.test(system) && !targets.has(system)) fault(i, 'foreign-code', `a code of ${system}`);
    for (const own of all.filter((c) => String(c.system).startsWith(ours))) {
      for (const other of all.filter((c) => !String(c.system).startsWith(ours))) {
        const pair = `${own.system}|${own.code} ${other.system}|${other.code}`;
        if (!pairs.has(pair)) fault(i, 'code-pair', `${pair} is no row of the concept map`);
        else if (pairs.get(pair) !== other.display) fault(i, 'code-pair', `${pair} is displayed as ${pairs.get(pair)}, not ${other.display}`);
      }
    }
    Object.values(node).forEach(walk);
  })(r);
}

// Whoever reads the narrative alone reads every number of a value with its unit.
function told(r, i, fault) {
  const div = r.text?.div;
  if (typeof div !== 'string') return;
  // Zeros behind the point may have been dropped on either side.
  const plain = (text) => text.replace(/\d+\.\d+/g, (n) => String(Number(n)));
  const unescaped = { amp: '&', lt: '<', gt: '>', quot: '"', '#34': '"', '#39': "'" };
  const sentence = ` ${plain(div.replace(/<[^>]*>/g, ' ').replace(/&(amp|lt|gt|quot|#34|#39);/g, (_, name) => unescaped[name]))}`;
  for (const part of [r, ...list(r.component), ...(r.resourceType === 'Goal' ? list(r.target) : []), ...list(r.parameter)]) {
    for (const q of [part?.valueQuantity, part?.detailQuantity, part?.valueRange?.low, part?.valueRange?.high, part?.detailRange?.low, part?.detailRange?.high]) {
      if (typeof q?.value !== 'number') continue;
      const words = ['1', 'label'].includes(q.unit) ? `${q.value}` : `${q.value} ${q.unit}`;
      if (!sentence.includes(` ${words}`)) fault(i, 'narrative-value', `does not say ${words}`);
    }
  }
}

// Ends and zeros apart, what is told of a resource is told in the words of its codes.
function words(r, i, fault) {
  if (r.resourceType === 'Provenance') return;
  const plain = (text) => text.toLowerCase().replace(/\d+\.\d+/g, (n) => String(Number(n)));
  const unescaped = { amp: '&', lt: '<', gt: '>', quot: '"', '#34': '"', '#39': "'" };
  if (typeof r.text?.div !== 'string') return fault(i, 'narrative-words', 'no narrative');
  const sentence = plain(r.text.div.replace(/<[^>]*>/g, '').replace(/&(amp|lt|gt|quot|#34|#39);/g, (_, name) => unescaped[name]));
  const said = (concept) => concept?.text ?? codings(concept).map((c) => c.display).filter(Boolean).at(-1) ?? '';
  const want = (what, text) => {
    if (text && !sentence.includes(plain(text))) fault(i, 'narrative-words', `does not say the ${what} ${JSON.stringify(text)}`);
  };
  const all = (name) => list(r[name]).forEach((concept) => want(name, said(concept)));
  ['bodySite', 'conclusionCode', 'achievementStatus', 'codeCodeableConcept', 'description'].forEach(all);
  if (r.resourceType === 'DetectedIssue') want('detail', r.detail);
  else all('code');
  const values = (part, before) => {
    const concept = part?.valueCodeableConcept ?? part?.detailCodeableConcept;
    if (said(concept)) want('value', before + said(concept));
    want('reason', said(part?.dataAbsentReason));
  };
  const quantified = (part) => Object.keys(part ?? {}).some((k) => /^(value(Quantity|Range|CodeableConcept)|dataAbsentReason|detail)/.test(k));
  const parts = (of, what) => list(of).forEach((part) => {
    if (quantified(part)) want(what, said(part[what]).split(';')[0]);
    values(part, ' ');
  });
  if (r.resourceType === 'Observation') {
    values(r, ': ');
    parts(r.component, 'code');
  }
  if (r.resourceType === 'Goal') parts(r.target, 'measure');
  if (r.resourceType === 'Device') all('type');
  const status = String(r.status).replaceAll('-', ' ');
  if (['Device', 'DeviceRequest'].includes(r.resourceType)) want('status', `: ${status}`);
  if (['Procedure', 'ServiceRequest'].includes(r.resourceType)) {
    const end = [status, said(r.statusReason), ...list(r.orderDetail).map(said)].filter(Boolean).join(', ');
    if (!sentence.endsWith(plain(`: ${end}`))) fault(i, 'narrative-words', `does not end with ${JSON.stringify(end)}`);
  }
}

function valued(r, i, fault) {
  const has = (o) => Object.keys(o).some((k) => k.startsWith('value')) || o.dataAbsentReason;
  if (!has(r) && !r.component && !r.hasMember) fault(i, 'no-value', 'neither value nor reason');
  if (String(roleOf(r)).startsWith('predicted') && r.valueQuantity) fault(i, 'no-value', 'a prediction is a range');
  for (const q of [r.valueQuantity, r.valueRange?.low, r.valueRange?.high]) {
    const spoken = q?.code === 'deg' ? '°' : q?.code?.replaceAll(/[[\]{}]/g, '').replaceAll('2', '²').replaceAll('3', '³');
    if (q?.unit && spoken && ![q.code, spoken].includes(q.unit)) fault(i, 'metric-unit', `${q.code} is written as ${q.unit}`);
  }
  // Its identifier names metric, occasion, role, then method and place where there are any.
  const [kind, , , , ...rest] = keyOf(r).split('|');
  if (kind !== 'value') return;
  const method = codeOf(r.method, `${ours}/CodeSystem/method`);
  if (method ? rest.shift() !== method : rest.length > 1) fault(i, 'own-identifier', `is by ${method}, the identifier names another method`);
  // What is at a step, a lesion or a test stands before the place, behind its kind.
  const where = rest[0]?.replace(/^[^/]*:[^/]*\/?/, '').replace(/[_/]/g, '-');
  const place = codeOf(r.bodySite, `${ours}/CodeSystem/place`);
  if (where !== '' && where !== place) fault(i, 'own-identifier', `is at ${place}, the identifier names ${where}`);
}

// Every step is part of the one operation, and answers what is a planned step.
function steps(r, i, to, fault) {
  const codes = codings(r.code).map((c) => String(c.code));
  const isStep = r.partOf !== undefined;
  if (!isStep && !codes.some((c) => c === 'mitral-valve-repair' || c.startsWith('reintervention') || c.startsWith('return-to-theatre'))) fault(i, 'step', 'is part of no operation');
  if (references(r.partOf).map(to).some((whole) => whole?.partOf)) fault(i, 'step', 'is part of a step');
  if (references(r.basedOn).map(to).some((asked) => asked && (asked.basedOn !== undefined) !== isStep)) fault(i, 'step', 'answers what is no planned step, or the operation one');
  const devices = list(r.focalDevice).flatMap((d) => references(d?.manipulated)).map(to);
  if (devices.some((d) => d && (isSoftware(d) || !d.patient))) fault(i, 'no-device', 'acts on what is in no patient');
  const done = r.status === 'completed' || r.status === 'stopped';
  if (done && !r.focalDevice && codes.includes('annuloplasty')) fault(i, 'no-device', 'names no device');
}

// A report is of a panel of its time and occasion; the operation names those that were
// made in theatre.
function reported(r, i, to, fault) {
  if (references(r.result).length === 0) fault(i, 'report', 'is of nothing');
  const time = (o) => JSON.stringify([o.effectiveDateTime, o.effectivePeriod]);
  for (const panel of references(r.result).map(to).filter(Boolean)) {
    if (!panel.hasMember || time(panel) !== time(r) || keyOf(panel).replace(/^panel/, '') !== keyOf(r).replace(/^report/, '')) fault(i, 'report', 'is of what is no panel of its occasion');
    for (const operation of references(panel.partOf).map(to).filter(Boolean)) {
      const named = list(operation.report).map((x) => `${x?.identifier?.system}|${x?.identifier?.value}`);
      if (!named.includes(`${r.identifier?.[0]?.system}|${r.identifier?.[0]?.value}`)) fault(i, 'report', 'is not named by its operation');
    }
  }
}

function planned(r, i, to, fault) {
  const goes = { draft: 'proposed', active: 'active', completed: 'completed', revoked: 'cancelled', unknown: 'accepted' };
  if (references(r.addresses).length === 0) fault(i, 'plan', 'a goal of no plan');
  for (const plan of references(r.addresses).map(to)) if (plan && goes[plan.status] !== r.lifecycleStatus) fault(i, 'plan', `is ${r.lifecycleStatus}, its plan ${plan.status}`);
}

// What an identifier names in its case, without the signs that stand for others.
const written = { '~': '|', '%7E': '~', '%2C': ',', '%24': '$', '%5C': '\\', '%25': '%' };
function keyOf(r) {
  const value = String(list(r.identifier)[0]?.value ?? '');
  return value.slice(value.indexOf('/') + 1).replace(/~|%7E|%2C|%24|%5C|%25/g, (sign) => written[sign]);
}

// Ids are made of the case and the key (RFC 9562, section 5.8).
function ids(entries, uid, fault) {
  const hash = (...parts) => createHash('sha256').update(parts.join('\0')).digest();
  const ofCase = hash('case', uid).subarray(0, 6);
  entries.forEach(({ resource: r }, i) => {
    for (const name of ['requisition', 'groupIdentifier']) if (r[name] && !String(r[name].value).startsWith(`${uid}/`)) fault(i, 'own-identifier', `${name} is of another case`);
    for (const { what } of list(r.entity)) if (!String(what?.identifier?.value).startsWith(`${uid}/section/`)) fault(i, 'no-source', 'names no section of the case');
    if (r.resourceType === 'Provenance') return;
    if (list(r.identifier).length === 0) return fault(i, 'own-identifier', 'has none');
    if (isError(r) || !r.id) return; // it may be of a mapping that made ids otherwise
    const id = Buffer.concat([ofCase, hash('resource', uid, r.resourceType, keyOf(r)).subarray(0, 10)]);
    id[6] = (id[6] & 0x0f) | 0x80;
    id[8] = (id[8] & 0x3f) | 0x80;
    if (id.toString('hex') !== r.id.replaceAll('-', '')) fault(i, 'own-identifier', `id ${r.id} is not made of ${keyOf(r)}`);
  });
}

function origin(r, i, to, fault) {
  const role = roleOf(r);
  const computed = role && role !== 'measured';
  if (codeOf(r.code, metrics) && !role) fault(i, 'origin', 'does not say where it comes from');
  if (computed ? !isSoftware(to(r.device?.reference)) : r.device || r.derivedFrom) fault(i, 'origin', computed ? 'names no software' : 'was not computed and names what it was computed from');
}

// When a resource was; days are left out, which have no time.
function span(r) {
  const period = r?.effectivePeriod ?? r?.performedPeriod;
  const [start, end] = period ? [period.start, period.end] : [r?.effectiveDateTime ?? r?.performedDateTime, r?.effectiveDateTime ?? r?.performedDateTime];
  const time = (s) => (typeof s === 'string' && s.length > 10 ? Date.parse(s) : NaN);
  return [time(start), time(end)];
}

function times(r, i, to, made, fault) {
  const [start, end] = span(r);
  const day = 24 * 3600 * 1000; // as far as a clock may be ahead
  if (start > made + day) fault(i, 'times', 'begins after the bundle was made');
  if (r.resourceType === 'Provenance') {
    const recorded = Date.parse(r.recorded);
    for (const seen of references(r.target).map(to)) if (Math.max(span(seen)[0] || 0, Date.parse(seen?.authoredOn) || 0) > recorded + day) fault(i, 'times', 'was recorded before it was seen');
  }
  if (r.hasMember && !roleOf(r)) {
    const stay = r.effectiveDateTime ? day / 2 : 0; // a test has a time of its own, beside its set's
    for (const [from, until] of references(r.hasMember).map((x) => span(to(x)))) if (from + stay < start || until - stay > end) fault(i, 'times', 'a member lies outside of it');
  }
  const role = roleOf(r);
  if (r.resourceType === 'Procedure' || role === 'measured' || role === 'derived') {
    for (const [from, until] of references(r.partOf).map((x) => span(to(x)))) {
      if (start < from || end > until) fault(i, 'times', 'lies outside of what it is part of');
    }
  }
  if (r.resourceType === 'Procedure') {
    for (const asked of references(r.basedOn).map(to)) if (Date.parse(asked?.authoredOn) > start) fault(i, 'times', 'was done before it was planned');
  }
}
