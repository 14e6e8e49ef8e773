// Seven revisions of one invented case, as a hospital would send them: identity and
// echo, the plan, the operation, its results, a follow-up, then corrections that
// take resources back. Each is submitted to a server that runs, and what the
// electronic record gets after it is kept in every form.
//
//   node revisions.js PROGRAM HOST:PORT FOLDER
import { execFileSync } from 'node:child_process';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import path from 'node:path';
import process from 'node:process';
import { fileURLToPath } from 'node:url';

const [program, server, folder] = process.argv.slice(2);
const file = fileURLToPath(new URL('../../../testdata/cases/core-only.json', import.meta.url));
const whole = JSON.parse(readFileSync(file, 'utf8'));
const { externalIdentifier, patientIdentifier } = whole;

// What each revision sends. A section replaces the section before it.
const revisions = [
  ({ identity, assessments }) => ({ identity, assessments }),
  ({ plan }) => ({ plan }),
  ({ operation }) => ({ operation }),
  ({ results }) => ({ results }),
  ({ followUps }) => ({ followUps }),
  // A step that was never done, and an echo read again: a number less, another one new.
  ({ operation, results: [first] }) => {
    operation.steps.pop();
    delete first.study.chambers;
    first.study.gradient.meanGradient.mmhg += 1;
    return { operation, results: [first] };
  },
  // The step after all; the echo stays as it is.
  ({ operation }) => ({ operation }),
];

const run = (...args) => execFileSync(program, [...args, '--server', server], { encoding: 'utf8', maxBuffer: 1 << 28 });
const name = `${externalIdentifier.system}|${externalIdentifier.value}`;
for (const [i, sections] of revisions.entries()) {
  const at = path.join(folder, `${i + 1}`);
  mkdirSync(at, { recursive: true });
  const sent = path.join(at, 'sent.case');
  writeFileSync(sent, JSON.stringify({ externalIdentifier, patientIdentifier, ...sections(structuredClone(whole)) }));
  run('submit', sent, '--source-time', `2026-05-20T10:0${i}:00Z`);
  for (const form of ['transaction', 'conditional-transaction']) {
    writeFileSync(path.join(at, `${form}.json`), run('bundle', name, '--form', form));
  }
  // Small parts of one state, a bundle a line.
  writeFileSync(path.join(at, 'parts.ndjson'), run('bundle', name, '--max-entries', '12'));
}
