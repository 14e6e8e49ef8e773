// The tables for statisticians, read by a reader of Parquet that others wrote, against the
// CSV beside them and the data dictionary. Folder: TRIGONE_TABLES, in it one folder for
// each profile.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { test } from 'node:test';

import { asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects } from 'hyparquet';

import { csv } from './inputs.js';

const { TRIGONE_TABLES, TRIGONE_REQUIRE } = process.env;
if (!TRIGONE_TABLES && TRIGONE_REQUIRE) throw new Error('TRIGONE_TABLES names the folder of the tables that are read');
const skip = !TRIGONE_TABLES && 'NO TABLE IS READ: TRIGONE_TABLES names no folder';

const tables = ['cases', 'runs', 'devices', 'echoes', 'statuses', 'events', 'findings', 'queries', 'comparisons'];

// A value as the CSV has it.
const text = (v) => {
  if (v === null || v === undefined) return '';
  if (v instanceof Date) return v.toISOString().slice(0, 19).replace('T', ' ');
  return String(v);
};
// Numbers are written in another form in another language; a text that would begin a
// formula has an apostrophe before it.
const same = (a, b) => a === b || a === `'${b}` || (a !== '' && b !== '' && Number(a) === Number(b));

for (const profile of ['department', 'external']) {
  test(`tables of profile ${profile}`, { skip }, async () => {
    const folder = path.join(TRIGONE_TABLES, profile);
    const dictionary = csv(readFileSync(path.join(folder, 'dictionary.csv'), 'utf8'));
    assert.match(dictionary[0].meaning, new RegExp(`^Profile ${profile}: `));
    for (const table of tables) {
      const file = await asyncBufferFromFile(path.join(folder, `${table}.parquet`));
      const metadata = await parquetMetadataAsync(file);
      assert.equal(metadata.key_value_metadata.find((p) => p.key === 'profile').value, profile);
      const columns = metadata.schema.slice(1).map((c) => c.name);
      assert.deepEqual(columns, dictionary.filter((d) => d.table === table && !d.column.startsWith('metric=')).map((d) => d.column), table);
      const rows = await parquetReadObjects({ file });
      const lines = csv(readFileSync(path.join(folder, `${table}.csv`), 'utf8'));
      assert.ok(rows.length > 0 && rows.length === lines.length, `${table}: ${rows.length} rows, ${lines.length} lines`);
      rows.forEach((row, i) => {
        for (const c of columns) assert.ok(same(lines[i][c], text(row[c])), `${table}, row ${i}, ${c}: ${lines[i][c]} and ${text(row[c])}`);
      });
    }
    // Rows of one case are joined by its number.
    const cases = new Set(csv(readFileSync(path.join(folder, 'cases.csv'), 'utf8')).map((r) => r.case));
    for (const { case: of } of csv(readFileSync(path.join(folder, 'echoes.csv'), 'utf8'))) assert.ok(cases.has(of), of);
  });
}
