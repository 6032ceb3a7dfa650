// Drives the interface reference at /docs in headless Chromium against the real
// binary. Started by TestDocs (browser_test.go), which gives BASE, TOKEN and CHROMIUM.

import assert from 'node:assert/strict';
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { chromium } from 'playwright-core';

const { BASE, TOKEN, CHROMIUM, SHOTS } = process.env;
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

let browser;
before(async () => {
  browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking'] });
});
after(() => browser?.close());

async function docs(t, { viewport = { width: 1280, height: 800 }, hash = '' } = {}) {
  const context = await browser.newContext({ viewport });
  context.setDefaultTimeout(60000);
  const page = await context.newPage(), wrong = [];
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()); });
  page.on('pageerror', (e) => wrong.push(e.message));
  page.on('request', (r) => { if (!r.url().startsWith(BASE) && !r.url().startsWith('blob:') && !r.url().startsWith('data:')) wrong.push(`asked ${r.url()}`); });
  t.after(async () => {
    await context.close();
    assert.deepEqual(wrong, []);
  });
  await page.goto(`${BASE}/docs${hash}`);
  await page.locator('#list a').first().waitFor({ state: 'attached' });
  return page;
}

async function signedIn(t, options) {
  const page = await docs(t, options);
  await page.locator('#token').fill(`export TOKEN=${TOKEN}`); // as the demonstration prints it
  await page.locator('#token').blur();
  await page.getByText('Filled in below: what exists here.').waitFor();
  return page;
}

test('an entry is charted from the page, with one token for all of it', async (t) => {
  const page = await signedIn(t);
  await page.locator('#list summary', { hasText: 'Register' }).waitFor();
  await page.locator('#list a[href="#batch-or-transaction"]').first().click();
  await page.getByRole('heading', { name: 'Send a batch or a transaction' }).waitFor();
  await page.getByRole('button', { name: 'Send' }).click();
  await page.locator('.good').waitFor();
  await page.goto(`${BASE}/docs#Observation.create`);
  await page.getByText(/An emptying needs status/).first().waitFor();
  await page.getByRole('button', { name: 'Send' }).click();
  await page.locator('.good', { hasText: '201' }).waitFor();
});

test('what exists is filled in, an answer is shown, and a sample stands beside it', async (t) => {
  const page = await signedIn(t, { hash: '#Device.drain-output' });
  await page.getByRole('heading', { name: 'Answers' }).waitFor();
  assert.notEqual(await page.locator('#p0').inputValue(), '');
  await page.locator('.sample summary').click();
  assert.match(await page.locator('.sample pre').textContent(), /"resourceType": "Bundle"/);
  await page.getByRole('button', { name: 'Send' }).click();
  await page.locator('.good', { hasText: '200' }).waitFor();
  if (SHOTS) await page.screenshot({ path: `${SHOTS}/docs-1280.png` });
});

test('a request is written in three ways', async (t) => {
  const page = await docs(t, { hash: '#Observation.create' });
  const request = page.locator('pre[aria-label="the request, to copy"]');
  assert.match(await request.textContent(), /^curl -sS -X POST -H "Authorization: Bearer \$TOKEN"/);
  await page.locator('#language').selectOption('Python');
  assert.match(await request.textContent(), /urllib\.request/);
  await page.locator('#language').selectOption('JavaScript');
  assert.match(await request.textContent(), /await fetch\(/);
});

test('operations are found by words, and what every type has alike is folded', async (t) => {
  const page = await docs(t);
  assert.equal(await page.locator('details.rest').getAttribute('open'), null);
  await page.locator('#filter').fill('acknowledge');
  assert.match(await page.locator('#found').textContent(), /^\d of \d+ operations$/);
  await page.locator('#list a[href="#DetectedIssue.acknowledge"]').first().click();
  await page.getByRole('heading', { name: /Acknowledge/ }).waitFor();
});

test('a type is a table of elements, and what a receiver gets is shown', async (t) => {
  const page = await docs(t, { hash: '#schema:Observation' });
  await page.locator('th[scope=row]', { hasText: 'valueQuantity' }).first().waitFor();
  await page.goto(`${BASE}/docs`);
  await page.locator('pre[aria-label="a delivery"]').waitFor();
});

for (const width of [360, 1280]) {
  test(`the checker finds nothing at ${width} px`, async (t) => {
    const page = await docs(t, { viewport: { width, height: 800 }, hash: '#Device.drain-output' });
    await page.evaluate(axe);
    const found = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
    assert.deepEqual(found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(' | ')}`), []);
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth + 1), 'scrolls sideways');
  });
}
