// Whether the resources of a case agree with each other, and with what is published
// about our codes. No library sees any of this: every element may be right and the
// whole be of two patients. The same rules stand in Go, in fhirmap/fhirtest.

// The checks of this file, and what each says.
export const agreement = {
  'one-subject': 'a resource of another patient than the others',
  'own-identifier': 'an identifier twice, or of another case',
  'metric-unit': 'a value in another unit than its quantity is published with',
  'plausible-range': 'a value beyond what is published as plausible',
  'code-pair': 'a public code beside one of ours that the concept map does not know',
  'kept-in-error': 'an error that still says something',
  'repeated-reference': 'a reference twice in a list, or to the resource itself',
  'lost-member': 'a value that stands in no panel, or in two',
  'no-source': 'a resource that no Provenance names, or a Provenance of nothing that is named',
  origin: 'a computed value without its software, a measured one with it, or one that does not say which it is',
  'no-device': 'an annuloplasty without a device',
  times: 'a part outside of the time of its whole, or done before it was planned',
  'narrative-value': 'a narrative that does not say the value',
};

const ours = 'https://example.org/fhir/trigone';
const metrics = `${ours}/CodeSystem/metric`;
const kept = new Set(['resourceType', 'id', 'meta', 'extension', 'identifier', 'status', 'lifecycleStatus', 'intent', 'subject', 'patient', 'code', 'type', 'description', 'codeCodeableConcept']);

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
  const pairs = new Set();
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
          for (const target of element.target ?? []) if (target.code) pairs.add(`${group.source}|${element.code} ${group.target}|${target.code}`);
        }
      }
    }
  }
  return { quantities, pairs };
}

// Gives fault(index of the resource, check, message) of all resources of one case.
// published: undefined where no terminology is given.
export function agree(entries, published, fault) {
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
    if (s) {
      const said = JSON.stringify(s);
      subject ??= said;
      if (said !== subject) fault(i, 'one-subject', 'is of another patient than the first resource');
    }
    for (const { system, value } of list(r.identifier)) {
      if (system !== `${ours}/identifier` || typeof value !== 'string') continue;
      const [of] = value.split('/');
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
        seen.add(reference);
      }
    }
    if (r.resourceType === 'Observation' && !roleOf(r)) references(r.hasMember).forEach((m) => count(memberOf, m));
    if (r.resourceType === 'Provenance') {
      references(r.target).forEach((t) => sourced.add(at.get(t)));
      const recorded = references(r.target).map(to).filter((t) => t && !isError(t) && t.resourceType !== 'DetectedIssue' && !t.device);
      if (!r.entity && recorded.length > 0) fault(i, 'no-source', 'names no section of the record');
    }
    if (published) inTables(r, i, published, fault);
    told(r, i, fault);
    if (r.resourceType === 'Observation') origin(r, i, to, fault);
    if (r.resourceType === 'Procedure') {
      const done = r.status === 'completed' || r.status === 'stopped';
      if (done && !r.focalDevice && codings(r.code).some((c) => c.code === 'annuloplasty')) fault(i, 'no-device', 'names no device');
    }
    times(r, i, to, fault);
  });
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
  (function walk(node) {
    if (Array.isArray(node)) node.forEach(walk);
    if (!isObject(node) || Array.isArray(node)) return;
    const all = codings(node);
    for (const own of all.filter((c) => String(c.system).startsWith(ours))) {
      for (const other of all.filter((c) => !String(c.system).startsWith(ours))) {
        const pair = `${own.system}|${own.code} ${other.system}|${other.code}`;
        if (!pairs.has(pair)) fault(i, 'code-pair', `${pair} is no row of the concept map`);
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

function times(r, i, to, fault) {
  const [start, end] = span(r);
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
