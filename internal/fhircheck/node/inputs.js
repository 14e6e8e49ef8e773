// Where what is checked comes from: golden bundles of the repository, and what a
// run of the demo wrote to the folders that the environment names.
import { readdirSync, readFileSync } from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

import { conceptsOf, nameOf } from './checker.js';

export const golden = fileURLToPath(new URL('../../../fhirmap/testdata/', import.meta.url));

// Files below a folder by the ending of their names, in order.
function files(folder, ending, recursive) {
  return readdirSync(folder, { recursive, withFileTypes: true })
    .filter((f) => f.isFile() && f.name.endsWith(ending))
    .map((f) => path.join(f.parentPath ?? f.path, f.name))
    .sort();
}

// Each document: file, line (of NDJSON), text.
export const bundlesIn = (folder) => files(folder, '.json', false).map((file) => ({ file, text: readFileSync(file, 'utf8') }));

// What makes the folder a package is no resource, and views are none of R4.
const ofPackage = ['package.json', '.index.json'];
const views = `${path.sep}views${path.sep}`;

export const terminologyIn = (folder) =>
  files(folder, '.json', true)
    .filter((file) => !ofPackage.includes(path.basename(file)) && !file.includes(views))
    .map((file) => ({ file, text: readFileSync(file, 'utf8') }));

export const exportIn = (folder) =>
  files(folder, '.ndjson', true).flatMap((file) => {
    const lines = readFileSync(file, 'utf8').split('\n');
    if (lines.at(-1) === '') lines.pop(); // after the last line's end
    return lines.map((text, i) => ({ file, line: i + 1, text }));
  });

// Rows of a CSV file, by the names of its first line (RFC 4180).
export function csv(text) {
  const table = [[]];
  for (const [, quoted, plain, end] of text.matchAll(/(?:"((?:[^"]|"")*)"|([^",\r\n]*))(,|\r?\n|$)/g)) {
    table.at(-1).push(quoted?.replaceAll('""', '"') ?? plain);
    if (end !== ',') table.push([]);
  }
  const [names, ...rows] = table.filter((r) => r.length > 1);
  return rows.map((r) => Object.fromEntries(names.map((name, i) => [name, r[i]])));
}

// Parses and says what cannot be: a fault as the checker's.
export function parse(documents) {
  const faults = [];
  const parsed = [];
  for (const d of documents) {
    try {
      parsed.push({ ...d, resource: JSON.parse(d.text) });
    } catch (e) {
      faults.push({ file: d.file, line: d.line, path: '', check: 'json', message: e.message, resource: 'text' });
    }
  }
  return { parsed, faults };
}

const resourcesOf = (resource) =>
  resource?.resourceType === 'Bundle' ? (resource.entry ?? []).map((e) => e.resource).filter(Boolean) : [resource];

// url -> Map of code to display, of every code system.
export function codeSystemsOf(parsed) {
  const systems = new Map();
  for (const r of parsed.flatMap((d) => resourcesOf(d.resource))) {
    if (r?.resourceType === 'CodeSystem') systems.set(r.url, conceptsOf(r));
  }
  return systems;
}

// What literal references may point to, and what is there twice.
export function known(parsed) {
  const names = new Set();
  const faults = [];
  for (const d of parsed) {
    for (const r of resourcesOf(d.resource)) {
      const name = nameOf(r);
      if (r?.id && names.has(name)) faults.push({ file: d.file, line: d.line, path: `${r.resourceType}.id`, check: 'duplicate-id', message: 'stands before', resource: name });
      names.add(name);
    }
  }
  return { names, faults };
}
