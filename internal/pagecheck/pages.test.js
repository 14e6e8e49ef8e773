// Every page of the service in a browser that others wrote, over the store of the demo:
// at the width of a desk and of a telephone, in print, by the keyboard, and by the rules
// of accessibility that axe-core knows. With TRIGONE_SCREENSHOTS a picture of each is kept.
import assert from 'node:assert/strict';
import { execFileSync, spawn } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { after, before, test } from 'node:test';

import { accessible, byKeyboard, keeps, launch, missing, open, shoot } from './browser.js';

const why = missing();
if (why && process.env.TRIGONE_REQUIRE) throw new Error(`the pages are not looked at: ${why}`);
if (why) console.error(`\n*** SKIPPED: the pages are not looked at: ${why} ***\n`);

const base = process.env.TRIGONE_PAGES;
const desk = { width: 1280, height: 900 };
const telephone = { width: 390, height: 844 };
const a4 = { width: 718, height: 1000 }; // between margins of 10 mm, at 96 dots an inch

let browser;
before(async () => { if (!why) browser = await launch(); });
after(async () => { await browser?.close(); });

const run = (name, body) => test(name, { skip: why || false, timeout: 300_000 }, body);

// The pages there are: those of the navigation, and of cases the newest, one that is
// retracted, and the one of which most is said.
async function addresses() {
  const { context, page } = await open(browser);
  await page.goto(base);
  const list = await page.$$eval('nav[aria-label=Pages] a', (links) => links.map((a) => a.getAttribute('href')));
  assert.ok(list.includes('/cases') && list.length >= 3, `the navigation has ${list}`);
  await page.goto(`${base}/cases`);
  const cases = await page.$$eval('.rows tbody tr', (rows) => rows.map((r) => ({ href: r.querySelector('a').getAttribute('href'), said: r.innerText.length })));
  list.push(cases[0].href, cases.toSorted((a, b) => b.said - a.said)[0].href);
  // What numbers of the department lead to, and figures given once more.
  list.push('/gaps', '/comparisons?kind=aim', '/counted?only=operated', '/agreement?by=technique', '/differences?from=1990-01-01&to=1990-12-31');
  await page.goto(`${base}/cases?only=retracted`);
  list.push('/cases?only=retracted', await page.$eval('.rows tbody a', (a) => a.getAttribute('href')));
  await context.close();
  return [...new Set(list)];
}

const nameOf = (address, i) => `${i}-${address.replace(/^\//, '').replace(/\/[0-9a-f-]{36}.*/, '-one').replace(/\W+/g, '-')}`;

run('every page, wide and narrow, light and dark, by eye and by keyboard', async () => {
  const list = await addresses();
  for (const [width, viewport, colorScheme] of [['wide', desk, 'light'], ['narrow', telephone, 'dark']]) {
    const { context, page, faults } = await open(browser, { viewport, colorScheme });
    for (const [i, address] of list.entries()) {
      const where = `${address}, ${width}`;
      const answer = await page.goto(base + address);
      assert.equal(answer.status(), 200, where);
      assert.equal(answer.headers()['cache-control'], 'no-store', where);
      assert.doesNotMatch(await answer.text(), /<script|<style|\sstyle=|\son[a-z]+=/i, `${where}: scripts, handlers or styles inside`);
      await keeps(page, faults, where);
      await shoot(page, `${nameOf(address, i)}-${width}`);
      if (width === 'wide') await byKeyboard(page, where);
      for (const closed of await page.$$('details:not([open])')) await closed.evaluate((e) => { e.open = true; });
      await keeps(page, faults, `${where}, opened`);
      await accessible(page, where);
    }
    await context.close();
  }
});

run('every page in print', async () => {
  const { context, page, faults } = await open(browser, { viewport: a4 });
  await page.emulateMedia({ media: 'print' });
  for (const [i, address] of (await addresses()).entries()) {
    await page.goto(base + address);
    await keeps(page, faults, `${address}, printed`);
    const hidden = await page.evaluate(() => [...document.querySelectorAll('.skip, .top nav, .screen, main button')].filter((e) => e.checkVisibility()).map((e) => e.outerHTML.slice(0, 80)));
    assert.deepEqual(hidden, [], `${address}: on paper nothing can be clicked`);
    const closed = await page.evaluate(() => [...document.querySelectorAll('details')].filter((d) => d.children[1]?.getBoundingClientRect().height === 0).length);
    assert.equal(closed, 0, `${address}: what is closed on the screen is read on paper`);
    await shoot(page, `${nameOf(address, i)}-print`);
  }
  const paper = await page.pdf({ format: 'A4' });
  assert.equal(paper.subarray(0, 5).toString(), '%PDF-');
  await context.close();
});

run('the papers of a case open, and one finds a case by its number', async () => {
  const { context, page, faults } = await open(browser, { viewport: desk });
  await page.goto(`${base}/cases`);
  const number = await page.innerText('.rows tbody a');
  await page.fill('#number', number);
  await page.click('.find button');
  assert.match(page.url(), /\/cases\/[0-9a-f-]{36}$/);
  assert.ok((await page.innerText('.facts')).includes(number));
  const links = await page.$$eval('.papers a', (all) => all.map((a) => a.getAttribute('href')));
  assert.equal(links.length, 3);
  const answer = await page.goto(base + links[0]);
  assert.equal(answer.status(), 200);
  assert.deepEqual(faults.splice(0), [], 'the note breaks its policy, or complains');
  assert.notEqual(await page.evaluate(() => getComputedStyle(document.querySelector('h1')).fontSize), '32px', 'the note is without its style');
  for (const [i, media] of [[1, 'application/pdf'], [2, 'application/fhir+json']]) {
    const got = await context.request.get(base + links[i]);
    assert.ok(got.headers()['content-type'].startsWith(media), got.headers()['content-type']);
    assert.match(got.headers()['content-disposition'], /^attachment; filename="[a-z-]+\.\w+"$/);
  }
  await page.goto(`${base}/cases`);
  await page.fill('#number', 'nothing-has-this');
  await page.click('.find button');
  assert.ok((await page.innerText('.missed')).includes('No case'));
  assert.doesNotMatch(page.url(), /nothing-has-this/);
  await context.close();
});

// A colleague who is sent an address sees what was seen, and every picture says in words
// what it shows.
run('the department is narrowed by a form without script, and its pictures have words', async () => {
  const { context, page, faults } = await open(browser, { viewport: desk, javaScriptEnabled: true });
  await page.goto(`${base}/agreement`);
  await page.fill('#from', '2020-01-01');
  await page.selectOption('#choose-technique', 'annuloplasty');
  await page.selectOption('#choose-by', 'leaflet');
  await page.click('.selection button');
  const asked = new URL(page.url()).searchParams;
  assert.deepEqual(['from', 'technique', 'by'].map((name) => asked.get(name)), ['2020-01-01', 'annuloplasty', 'leaflet']);
  assert.match(await page.innerText('.selected'), /since 1 January 2020; technique: annuloplasty/);
  assert.equal(await page.inputValue('#choose-technique'), 'annuloplasty');
  await keeps(page, faults, 'narrowed');
  await page.click('.selection a');
  assert.equal(new URL(page.url()).searchParams.get('by'), 'leaflet', 'what is compared stays');
  let pictures = 0;
  for (const address of ['/agreement', '/monitoring', '/prediction', '/freedom', '/outcomes']) {
    await page.goto(base + address);
    for (const words of await page.$$eval('.plot svg', (all) => all.map((s) => [s.getAttribute('role'), s.querySelector('title')?.textContent ?? '']))) {
      assert.equal(words[0], 'img', address);
      assert.ok(words[1].length > 10, `${address}: a picture without words`);
      pictures++;
    }
  }
  assert.ok(pictures > 5, `only ${pictures} pictures`);
  await context.close();
});

run('what is not there is told, and the first stop of the tab key leads past the navigation', async () => {
  const { context, page } = await open(browser, { viewport: telephone });
  for (const address of ['/nothing', '/cases/00000000-0000-4000-8000-000000000000', '/cases/x', '/cases?only=nonsense']) {
    const answer = await page.goto(base + address);
    assert.ok([400, 404].includes(answer.status()), address);
    await accessible(page, address);
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), address);
  }
  await page.goto(`${base}/cases`);
  await page.keyboard.press('Tab');
  await page.keyboard.press('Enter');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'content');
  await context.close();
});

// A deployment with its own authority, as the program writes it for trying.
async function deployed() {
  const folder = mkdtempSync(path.join(tmpdir(), 'pagecheck-'));
  const ports = await Promise.all([0, 1].map(() => new Promise((resolve) => {
    const s = createServer().listen(0, '127.0.0.1', () => { const { port } = s.address(); s.close(() => resolve(port)); });
  })));
  const out = path.join(folder, 'trial');
  execFileSync(process.env.TRIGONE_TRIGONED, ['init-deployment', '--out', out, '--grpc', `127.0.0.1:${ports[0]}`, '--http', `127.0.0.1:${ports[1]}`]);
  const server = spawn(process.env.TRIGONE_TRIGONED, ['--deployment', path.join(out, 'deployment.yaml')], { stdio: ['ignore', 'ignore', 'pipe'] });
  await new Promise((resolve, reject) => {
    let said = '';
    server.stderr.on('data', (text) => { said += text; if (said.includes('"msg":"serving"')) resolve(); });
    server.on('exit', () => reject(new Error(said)));
  });
  return { base: `https://127.0.0.1:${ports[1]}`, token: readFileSync(path.join(out, 'auditor.token'), 'utf8').trim(), stop: () => { server.kill(); rmSync(folder, { recursive: true }); } };
}

run('one signs in by a token, once, and out again', async () => {
  const at = await deployed();
  try {
    const { context, page, faults } = await open(browser, { viewport: telephone, ignoreHTTPSErrors: true });
    const first = await page.goto(`${at.base}/cases?only=incision`);
    assert.equal(first.status(), 401);
    faults.splice(0); // the browser tells of a 401
    await keeps(page, faults, 'sign in');
    await byKeyboard(page, 'sign in');
    await accessible(page, 'sign in');
    await shoot(page, 'sign-in-narrow');
    await page.fill('#token', 'no token');
    await page.click('main button');
    assert.ok((await page.innerText('main')).includes('Nobody is signed in'));
    await page.fill('#token', at.token);
    await page.click('main button');
    assert.equal(page.url(), `${at.base}/cases?only=incision`);
    assert.equal(await page.innerText('h1'), 'Cases');
    assert.match(await page.innerText('.who'), /auditor/);
    const [cookie, ...others] = await context.cookies();
    assert.deepEqual(others, []);
    assert.deepEqual([cookie.httpOnly, cookie.secure, cookie.sameSite, cookie.path], [true, true, 'Strict', '/']);
    assert.ok(!cookie.value.includes(at.token.slice(0, 20)) && cookie.expires < Date.now() / 1000 + 1201);
    assert.equal((await page.reload()).status(), 200);
    // A page of another origin sends the form of signing out: nothing happens.
    const elsewhere = await context.newPage();
    await elsewhere.setContent(`<form method="post" action="${at.base}/sign-out"></form>`);
    await elsewhere.evaluate(() => document.forms[0].submit());
    await elsewhere.waitForURL(`${at.base}/**`);
    assert.match(await elsewhere.innerText('main'), /another site/);
    assert.equal((await page.reload()).status(), 200);
    await page.click('.who button');
    assert.match(await page.innerText('main'), /signed out/i);
    assert.deepEqual(await context.cookies(), []);
    assert.equal((await page.goto(`${at.base}/cases`)).status(), 401);
    await context.close();
  } finally {
    at.stop();
  }
});
