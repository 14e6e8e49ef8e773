// The browser of this machine, and what is held against every page it shows.
import assert from 'node:assert/strict';
import { existsSync, mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';

const own = createRequire(import.meta.url);

// Why no page can be looked at; empty: it can.
export function missing() {
  if (!process.env.TRIGONE_PAGES) return 'TRIGONE_PAGES names no service that serves the pages of the demo';
  if (!executable()) return 'there is no Chromium on this machine';
  return '';
}

// Debian's Chromium and its like; playwright-core brings none of its own.
export function executable() {
  const named = ['chromium', 'chromium-browser', 'google-chrome'];
  const folders = (process.env.PATH ?? '').split(path.delimiter);
  return folders.flatMap((folder) => named.map((name) => path.join(folder, name))).find((file) => existsSync(file));
}

export async function launch() {
  const { chromium } = own('playwright-core');
  // Its sandbox asks for more than a container gives to root.
  return chromium.launch({ executablePath: executable(), args: ['--no-sandbox', '--disable-dev-shm-usage'] });
}

const axe = () => readFileSync(own.resolve('axe-core/axe.min.js'), 'utf8');

// A tab that notes whatever a page says or asks for that it should not.
export async function open(browser, options) {
  const context = await browser.newContext({ reducedMotion: 'reduce', ...options });
  // A policy that is broken is told to the page only.
  await context.addInitScript(() => {
    window.broken = [];
    document.addEventListener('securitypolicyviolation', (e) => window.broken.push(`${e.violatedDirective} ${e.blockedURI}`));
  });
  const page = await context.newPage();
  const faults = [];
  page.on('console', (m) => { if (['error', 'warning'].includes(m.type())) faults.push(`console: ${m.text()}`); });
  page.on('pageerror', (e) => faults.push(`fault: ${e.message}`));
  page.on('requestfailed', (r) => { if (!r.failure()?.errorText.includes('ERR_ABORTED')) faults.push(`request failed: ${r.url()} ${r.failure()?.errorText}`); });
  page.on('request', (r) => { if (new URL(r.url()).origin !== new URL(page.base ?? r.url()).origin) faults.push(`asked elsewhere: ${r.url()}`); });
  return { context, page, faults };
}

// What every page must keep to, at whichever width.
export async function keeps(page, faults, where) {
  assert.deepEqual(faults.splice(0), [], `${where}: the browser complains`);
  const seen = await page.evaluate(() => ({
    broken: window.broken,
    wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    title: document.title,
    headings: document.querySelectorAll('h1').length,
    caution: document.body.innerText.includes('not a medical device'),
  }));
  assert.deepEqual(seen.broken, [], `${where}: its policy is broken`);
  assert.ok(seen.wide <= 0, `${where}: scrolls sideways by ${seen.wide} px`);
  assert.equal(seen.headings, 1, `${where}: one first heading`);
  assert.ok(seen.caution, `${where}: the caution is missing`);
  assert.doesNotMatch(seen.title + page.url(), /MV-|P-\d|urn:/, `${where}: a number in the title or the address`);
}

export async function accessible(page, where) {
  await page.evaluate(axe());
  const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
  assert.deepEqual(violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')}`), [], where);
}

// By the tab key one comes to everything, in the order in which it is read, and sees
// where one is.
export async function byKeyboard(page, where) {
  await page.evaluate(() => { document.activeElement?.blur(); window.scrollTo(0, 0); });
  const count = await page.evaluate(() => {
    const focusable = 'a[href], button, input:not([type=hidden]), select, textarea, summary';
    window.stops = [...document.querySelectorAll(focusable)].filter((e) => e.checkVisibility({ contentVisibilityAuto: true }) && !e.disabled);
    return window.stops.length;
  });
  for (let i = 0; i < Math.min(count, 30); i++) {
    await page.keyboard.press('Tab');
    // A date has several stops of its own.
    for (let part = 0; part < 4 && i > 0 && await page.evaluate((last) => document.activeElement.type === 'date' && window.stops.indexOf(document.activeElement) === last, i - 1); part++) {
      await page.keyboard.press('Tab');
    }
    const at = await page.evaluate(() => {
      const e = document.activeElement;
      const box = e.getBoundingClientRect();
      return { index: window.stops.indexOf(e), shown: getComputedStyle(e).outlineStyle !== 'none' && box.width > 0 && box.bottom > 0 && box.right > 0, html: e.outerHTML.slice(0, 120) };
    });
    assert.equal(at.index, i, `${where}: stop ${i} of the tab key is ${at.html}`);
    assert.ok(at.shown, `${where}: one does not see that one is at ${at.html}`);
  }
}

export async function shoot(page, name) {
  const folder = process.env.TRIGONE_SCREENSHOTS;
  if (!folder) return;
  mkdirSync(folder, { recursive: true });
  await page.screenshot({ path: path.join(folder, `${name}.png`), fullPage: true });
}
