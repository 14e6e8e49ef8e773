// What is installed is what was written down, with a reason.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';

const read = (name) => readFileSync(new URL(name, import.meta.url), 'utf8');
const folders = ['./', '../../pagecheck/'].map((folder) => ({
  dependencies: JSON.parse(read(`${folder}package.json`)).dependencies, lock: JSON.parse(read(`${folder}package-lock.json`)),
}));

test('every package has an exact version and its reason in DEVELOPERS.md', () => {
  const developers = read('../../../DEVELOPERS.md');
  for (const [name, version, lock] of folders.flatMap((f) => Object.entries(f.dependencies).map((d) => [...d, f.lock]))) {
    assert.match(version, /^\d+\.\d+\.\d+$/, name);
    assert.equal(lock.packages[`node_modules/${name}`].version, version);
    assert.match(developers, new RegExp(`^\\| ${name} \\| \\S.* \\|$`, 'm'), `${name} has no row in DEVELOPERS.md`);
  }
});

test('the lock file names what each package must be, and no host to get it from', () => {
  for (const [name, { resolved, integrity, link }] of folders.flatMap((f) => Object.entries(f.lock.packages))) {
    if (name === '') continue;
    assert.equal(link, undefined, name);
    assert.equal(resolved, undefined, `${name}: run npm with the settings in .npmrc`);
    assert.match(integrity, /^sha512-/, name);
  }
});
