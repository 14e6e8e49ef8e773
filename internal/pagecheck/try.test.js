// A plan is tried in a browser that others wrote, as a surgeon would who has never seen
// the contract: wide and narrow, by the keyboard alone, faulted, refused, printed, taken
// away as a file. With TRIGONE_SCREENSHOTS a picture of each is kept.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { after, before, test } from 'node:test';

import { accessible, byKeyboard, keeps, launch, missing, open, shoot } from './browser.js';

const why = missing();
if (why && process.env.TRIGONE_REQUIRE) throw new Error(`the page of trials is not looked at: ${why}`);
if (why) console.error(`\n*** SKIPPED: the page of trials is not looked at: ${why} ***\n`);

const base = process.env.TRIGONE_PAGES;
const widths = { wide: { width: 1280, height: 900 }, narrow: { width: 390, height: 844 }, paper: { width: 718, height: 1000 } };

let browser;
before(async () => { if (!why) browser = await launch(); });
after(async () => { await browser?.close(); });

const run = (name, body) => test(name, { skip: why || false, timeout: 180_000 }, body);

// Invented numbers: the six of a first answer, and what is added to them.
const six = { a2: '25', p2: '20', heights_read: 'echo_3d', p2_aimed: '15,5', ring_ap: '27', contact_low: '6', contact_high: '10' };
const whole = {
  ...six, disease: 'billowing', annulus_ap: '36', annulus_ic: '41', p1: '15', p3: '16', depth_expected: '4', work: 'height', strip: '4.5', device: 'complete_ring',
  ring_transverse: '33', gradient_most: '4', line_least: '60', height_cm: '172', weight_kg: '70', rate: '70', stroke_volume: '68', septum: '16', closure_to_septum: '24', angle: '118', end_diastolic: '52',
};

async function fill(page, entries) {
  for (const [name, value] of Object.entries(entries)) {
    const field = page.locator(`#${name}`);
    if (await field.evaluate((e) => e.tagName) === 'SELECT') await field.selectOption(value);
    else await field.fill(value);
  }
}

const answer = (page) => page.click('button[value=answer]');

const looked = async (page, faults, where) => {
  await keeps(page, faults, where);
  for (const closed of await page.$$('details:not([open])')) await closed.evaluate((e) => { e.open = true; });
  await keeps(page, faults, `${where}, opened`);
  await accessible(page, where);
  await shoot(page, `try-${where.replace(/\W+/g, '-')}`);
};

run('six entries, then all of them, wide and narrow, light and dark', async () => {
  for (const [width, colorScheme] of [['wide', 'light'], ['narrow', 'dark'], ['narrow', 'light']]) {
    const { context, page, faults } = await open(browser, { viewport: widths[width], colorScheme });
    await page.goto(`${base}/try`);
    assert.match(await page.innerText('main'), /^Try a plan\s+This page repeats simple geometry/);
    assert.deepEqual(await page.$$eval('main input[type=text], main select, main input:checked', (all) => all.filter((e) => e.value || e.checked).map((e) => e.name)), [], 'something is filled in beforehand');
    await looked(page, faults, `empty ${width} ${colorScheme}`);
    await fill(page, six);
    await answer(page);
    assert.equal(page.url(), `${base}/try`);
    const first = await page.innerText('.answer');
    assert.match(first, /\d to \d+\.\d mm in the middle about \d/);
    assert.match(first, /towards the outflow tract[^]*other harm: narrowing[^]*No gradient is shown/);
    assert.ok(await page.locator('.answer svg').count() >= 2, 'drawings');
    assert.equal(await page.inputValue('#p2_aimed'), '15,5', 'what was typed stands as it was typed');
    await looked(page, faults, `six ${width} ${colorScheme}`);
    await fill(page, whole);
    await page.check('[name=segments][value=p2]');
    await answer(page);
    assert.match(await page.innerText('.answer'), /mmHg in the middle about/);
    await looked(page, faults, `whole ${width} ${colorScheme}`);
    await context.close();
  }
});

run('by the keyboard alone', async () => {
  const { context, page, faults } = await open(browser, { viewport: widths.wide });
  await page.goto(`${base}/try`);
  await byKeyboard(page, 'the empty form');
  await page.focus('#a2');
  await page.keyboard.type('25');
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'p2');
  await page.keyboard.type('20');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer');
  await keeps(page, faults, 'by Enter');
  await context.close();
});

run('what is wrong is told beside its field and in a list that leads there', async () => {
  for (const width of ['wide', 'narrow']) {
    const { context, page, faults } = await open(browser, { viewport: widths[width] });
    await page.goto(`${base}/try`);
    await fill(page, { ...six, a2: '2,5', p2: 'about 20', contact_low: '12', strip: '<b>4</b>' });
    await answer(page);
    assert.equal(await page.locator('.answer').count(), 0);
    assert.match(await page.innerText('.alert'), /4 things to mend first[^]*2\.5 mm looks like cm; if so, write 25/);
    assert.equal(await page.inputValue('#strip'), '<b>4</b>');
    await looked(page, faults, `faults ${width}`);
    for (const link of await page.$$('.alert a')) {
      const id = (await link.getAttribute('href')).slice(1);
      assert.equal(await page.getAttribute(`#${id}`, 'aria-invalid'), 'true', id);
      const told = (await page.getAttribute(`#${id}`, 'aria-describedby')).split(' ');
      assert.ok(told.includes(`fault-${id}`) && await page.locator(`#fault-${id}`).isVisible(), id);
    }
    await page.click('.alert a');
    assert.equal(await page.evaluate(() => location.hash), '#a2');
    await fill(page, six);
    await fill(page, { strip: '' });
    await page.check('[name=segments][value=medial_commissure]');
    await page.check('[name=not_for_this][value=cleft]');
    await answer(page);
    assert.match(await page.innerText('.alert'), /No answer for this valve here[^]*cleft[^]*commissure/);
    await looked(page, faults, `refused ${width}`);
    await context.close();
  }
});

run('printed, taken away as a file, begun from a template', async () => {
  const { context, page, faults } = await open(browser, { viewport: widths.wide, acceptDownloads: true });
  await page.goto(`${base}/try`);
  await fill(page, whole);
  await answer(page);
  const [file] = await Promise.all([page.waitForEvent('download'), page.click('button[value=download]')]);
  assert.equal(file.suggestedFilename(), 'plan-to-try.yaml');
  const text = readFileSync(await file.path(), 'utf8');
  assert.match(text, /^# A plan to try[^]*Trial, not part of a record[^]*planned_heights:/);
  assert.doesNotMatch(text, /^\s*(signer|signed_time|patient_identifier|operation):/m);
  faults.splice(0); // a download ends the asking for a page
  await page.emulateMedia({ media: 'print' });
  await page.setViewportSize(widths.paper);
  await keeps(page, faults, 'printed');
  const paper = await page.innerText('main');
  for (const said of ['Trial, not part of a record.', 'catalogue', 'policy', 'What was entered', 'Anterior height, A2', '25 mm']) assert.ok(paper.includes(said), `on paper: ${said}`);
  assert.equal(await page.locator('form.try').isVisible(), false, 'a form on paper');
  await shoot(page, 'try-print');
  await page.emulateMedia({ media: 'screen' });
  await page.setViewportSize(widths.wide);
  await page.goto(`${base}/try`);
  await page.click('button[value="template:chords_p2"]');
  assert.equal(await page.inputValue('#work'), 'chords');
  assert.equal(await page.inputValue('#a2'), '');
  await looked(page, faults, 'template');
  await context.close();
});

run('from a case, with how and when each value was read', async () => {
  const { context, page, faults } = await open(browser, { viewport: widths.narrow });
  await page.goto(`${base}/cases`);
  await page.fill('#number', 'MV-2026-001');
  await page.click('.find button');
  await page.click('text=Try a plan on its assessments');
  assert.equal(page.url(), `${base}/try`);
  assert.match(await page.innerText('#from-p2'), /^Copied from the case: .*20\d\d\.$/);
  assert.doesNotMatch(await page.innerText('main'), /P-\d{4}|MV-/, 'who it is');
  await looked(page, faults, 'from a case');
  await fill(page, { p2_aimed: '14', ring_ap: '27', contact_low: '6', contact_high: '10', p2: '22.5' });
  await answer(page);
  assert.match(await page.innerText('#from-p2'), /^Not as in the case, which says /);
  await looked(page, faults, 'from a case, answered');
  await context.close();
});
