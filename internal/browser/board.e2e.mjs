// Drives the board in headless Chromium against the real binary. Started by
// TestBrowser (browser_test.go), which gives: BASE (the service), BIN, DATA and
// TOKEN (to mint tokens of several roles), CHROMIUM, SHOTS (optional folder).

import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';
import { after, before, describe, test } from 'node:test';
import { chromium } from 'playwright-core';

const { BASE, BIN, DATA, TOKEN, CHROMIUM, SHOTS } = process.env;
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const BOARD = `${BASE}/board/`, FHIR = `${BASE}/fhir`;
const PHONE = { width: 360, height: 740 }, DESK = { width: 1280, height: 800 }, WALL = { width: 1920, height: 1080 };

let browser;
before(async () => {
  browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
});
after(() => browser?.close());

const mint = (role, { subject = 'Practitioner/nurse-01-1', ttl = '1h' } = {}) =>
  execFileSync(BIN, ['token', '--data', DATA, '--role', role, '--subject', subject, '--ttl', ttl], { encoding: 'utf8' }).trim();

async function api(path, { method = 'GET', body, token = TOKEN, headers = {}, text = false } = {}) {
  const res = await fetch(`${FHIR}/${path}`, { method, body: body && JSON.stringify(body), headers: { Authorization: `Bearer ${token}`, ...(body ? { 'Content-Type': 'application/fhir+json' } : {}), ...headers } });
  const answer = await res.text();
  if (!res.ok) throw new Error(`${method} ${path}: ${res.status} ${answer}`);
  return text ? answer : JSON.parse(answer);
}
const entries = (b) => (b.entry ?? []).map((e) => e.resource);

/** visit opens a page of its own browser profile, which tolerates no error and no stranger's host. */
async function visit(t, { viewport = DESK, token = TOKEN, hash = '', dark = false, workers = 'block', tolerate = [], zone, clock = false } = {}) {
  const context = await browser.newContext({ viewport, serviceWorkers: workers, colorScheme: dark ? 'dark' : 'light', hasTouch: viewport === PHONE, timezoneId: zone });
  context.setDefaultTimeout(60000); // a busy machine is no fault of the page
  if (clock) await context.clock.install(); // runs as any, and can be put forward
  const page = await context.newPage();
  const wrong = [];
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()); });
  page.on('pageerror', (e) => wrong.push(e.stack ?? e.message));
  page.on('request', (r) => { if (!r.url().startsWith(BASE) && !r.url().startsWith('blob:')) wrong.push(`asked ${r.url()}`); });
  t.after(async () => {
    await context.close();
    assert.deepEqual(wrong.filter((w) => !tolerate.some((x) => w.includes(x))), []);
  });
  await page.goto(token ? `${BOARD}#token=${token}${hash ? `&${hash.slice(1)}` : ''}` : BOARD + hash);
  // A step to another address before the page has taken the token would lose it.
  await page.waitForFunction(() => !location.hash.includes('token='));
  return { page, context };
}

async function shot(page, name) {
  if (SHOTS) await page.screenshot({ path: `${SHOTS}/${name}-${page.viewportSize().width}.png` });
}

const minutesAgo = (m) => new Date(Date.now() - m * 60000).toISOString();

async function drains() {
  const due = entries(await api('Location/ward-01/$emptying-due'));
  const levels = new Map(entries(await api('Location/ward-01/$escalation-status')).filter((o) => o.resourceType === 'Observation' && o.device && o.code.coding[0].code === 'escalation-status')
    .map((o) => [o.device.reference.slice(7), o.valueCodeableConcept.coding[0].code]));
  return due.map((d) => ({ id: d.focus.reference.slice(7), label: d.focus.display, patient: d.for.reference.slice(8), level: levels.get(d.focus.reference.slice(7)) }));
}

/** quiet gives a drain without a finding, each time another one. */
const used = new Set();
async function quiet(alone = false) {
  const all = await drains();
  const d = all.find((x) => x.level === 'none' && !used.has(x.patient) && (all.filter((y) => y.patient === x.patient).length === 1) === alone);
  assert.ok(d, 'the demonstration has a drain without a finding');
  used.add(d.patient);
  return d;
}

const charted = async (drain, since) => entries(await api(`Observation?device=Device/${drain}&_lastUpdated=ge${since}&_count=50`)).filter((o) => o.resourceType === 'Observation');

/** toForm opens the charting form and confirms the drain. */
async function toForm(page, drain) {
  if (page.url().includes('#/chart/')) { // the same address again would be no step
    await page.goto(`${BOARD}#/places`);
    await page.getByRole('heading', { name: 'Which ward?' }).waitFor();
  }
  await page.goto(`${BOARD}#/chart/${drain}`);
  await page.locator(`[data-drain="${drain}"]`).waitFor({ state: 'attached' }).catch(async (err) => { throw new Error(`${err.message}\nThe page at ${page.url()} shows: ${await page.locator('body').innerText()}`); });
  await page.waitForTimeout(700); // a double tap must not choose
  await page.locator('[data-sure]').click();
  await page.locator('form.chart').waitFor();
}
const pick = (page, group, word) => page.locator(`.${group} label`, { hasText: word }).first().click();
async function fill(page, amount, { vessel = 'Syringe', look = 'serous', suction = 'charged' } = {}) {
  await page.getByLabel('Amount', { exact: true }).fill(amount);
  if (await page.locator('.vessel').isHidden()) await page.locator('.plainly').click();
  await pick(page, 'vessel', vessel);
  await pick(page, 'appearance', new RegExp(`^${look}$`));
  await pick(page, 'suction', suction);
}

/** send sends the form; what it asks about, for a drain that usually gives little, is right. */
async function send(page) {
  await page.locator('.send').click();
  const yes = page.getByRole('button', { name: 'Yes, it is right' });
  // The question, or what comes after the form: which, a busy machine says late.
  await page.waitForFunction(() => [...document.querySelectorAll('button')].some((b) => b.textContent.trim() === 'Yes, it is right' && b.offsetParent) || !document.querySelector('form.chart'), null, { timeout: 10000 }).catch(() => {});
  if (await yes.isVisible()) await yes.click();
}

describe('sign-in', () => {
  test('a token is pasted, kept for the tab, and taken from the fragment without staying there', async (t) => {
    const { page } = await visit(t, { token: '' });
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    // A browser lets the second Escape through, whatever the page says.
    await page.keyboard.press('Escape');
    await page.keyboard.press('Escape');
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    await page.getByLabel('Paste your bearer token').fill('not a token');
    await page.getByRole('button', { name: 'Sign in' }).click();
    await page.getByText('This is not a token').waitFor();
    await page.getByLabel('Paste your bearer token').fill(`export TOKEN=${TOKEN.slice(0, 40)}\n${TOKEN.slice(40)}\n`);
    await page.getByRole('button', { name: 'Sign in' }).click();
    await page.locator('.card').first().waitFor();
    assert.equal(await page.evaluate(() => sessionStorage.getItem('tidemark.token')), TOKEN);
    assert.equal(await page.evaluate(() => localStorage.getItem('tidemark.token')), null);
    await page.reload();
    await page.locator('.card').first().waitFor();
    await page.getByRole('button', { name: 'Sign out' }).click();
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    assert.equal(await page.locator('.card').count(), 0);
    // Nothing stays of the one who left: no name, no ward in the title, no alert.
    assert.equal(await page.title(), 'Tidemark');
    assert.equal(await page.locator('#who').textContent(), '');
    assert.equal(await page.locator('#alerts .alert').count(), 0);
    const second = await visit(t);
    await second.page.locator('.card').first().waitFor();
    assert.ok(!second.page.url().includes('token'), second.page.url());
  });

  test('a token that the service refuses asks again, in the service\'s words', async (t) => {
    const { page } = await visit(t, { token: `${TOKEN.slice(0, -8)}AAAAAAAA`, tolerate: ['401'] });
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    assert.notEqual(await page.locator('#sign-in-why').textContent(), '');
  });
});

describe('the address', () => {
  test('a link with another\'s token asks before it replaces who is signed in', async (t) => {
    const { page } = await visit(t);
    await page.locator('.card').first().waitFor();
    const asked = [];
    let yes = false;
    page.on('dialog', (d) => { asked.push(d.message()); return yes ? d.accept() : d.dismiss(); });
    const other = mint('nurse', { subject: 'Practitioner/nurse-01-2' });
    await page.evaluate((x) => { location.hash = `token=${x}`; }, other);
    await page.waitForFunction(() => !location.hash.includes('token'));
    assert.equal(await page.evaluate(() => sessionStorage.getItem('tidemark.token')), TOKEN);
    assert.match(asked[0], /You are signed in as .*demo.* Sign in as .* instead\?/);
    yes = true;
    await page.evaluate((x) => { location.hash = `token=${x}`; }, other);
    await page.locator('#who', { hasText: 'Nurse Bracken' }).waitFor();
  });

  test('a page that the service does not give at once is there soon after', async (t) => {
    const { page } = await visit(t, { tolerate: ['503'] });
    await page.getByText('Last updated').waitFor(); // nothing of the ward is still being asked for
    const d = await page.locator('.card').first().getAttribute('data-key');
    let asked = 0;
    await page.route('**/fhir', (route) => (asked++ ? route.continue() : route.fulfill({ status: 503 })));
    await page.goto(`${BOARD}#/chart/${d}`);
    await page.getByText('This cannot be shown').waitFor();
    await page.locator('[data-sure]').waitFor({ timeout: 10000 });
  });

  test('a name that every object has is no page', async (t) => {
    const { page } = await visit(t, { hash: '#/constructor/x' });
    await page.locator('.card').first().waitFor();
  });
});

describe('the ward', () => {
  test('shows what needs a look first, then by due time, with its figures', async (t) => {
    const { page } = await visit(t);
    await page.locator('.card').first().waitFor();
    const all = await drains(), place = new Map(all.map((d, i) => [d.id, i])), level = new Map(all.map((d) => [d.id, d.level]));
    const got = await page.locator('.card').evaluateAll((l) => l.map((e) => ({ id: e.dataset.key, look: e.classList.contains('look') })));
    assert.deepEqual(got.map((g) => g.id).sort(), all.map((d) => d.id).sort());
    const look = got.filter((g) => g.look).length;
    assert.ok(look > 0 && look < got.length && got.slice(0, look).every((g) => g.look), 'what needs a look stands first');
    const rank = { high: 3, moderate: 2, 'unknown-stale': 1 };
    assert.deepEqual(got.slice(0, look).map((g) => rank[level.get(g.id)]), got.slice(0, look).map((g) => rank[level.get(g.id)]).sort((a, b) => b - a));
    assert.deepEqual(got.slice(look).map((g) => place.get(g.id)), got.slice(look).map((g) => place.get(g.id)).sort((a, b) => a - b));
    const want = [got[0].id];
    await page.getByText(/(up|down) from/).first().waitFor();
    const first = page.locator('.card').first();
    assert.match(await first.locator('h3').textContent(), /^Bed \d+ /);
    for (const words of ['Last emptying', '24 h to then, against the 24 h before', 'Appearance', 'Suction']) await first.getByText(words, { exact: true }).waitFor();
    assert.match(await first.locator('.due').textContent(), /^(Overdue by|Empty)/);
    await page.getByRole('button', { name: /high.*go to the next/ }).click();
    assert.ok(await page.evaluate(() => document.activeElement.closest('.card.high') !== null));
    assert.match(await first.locator('svg.course').getAttribute('aria-label'), /^Course over 48 hours/);
    await page.getByText(/^Last updated .*just now/).waitFor();
    await page.locator('footer', { hasText: 'This page informs, it does not diagnose.' }).waitFor();
    // What the service says of 24 h against the 24 h before is what stands on the card.
    const d = want[0], last = entries(await api(`Observation?device=Device/${d}&_sort=-date&_count=20`)).find((o) => o.valueQuantity);
    const end = Date.parse(last.effectiveDateTime);
    const total = entries(await api(`Device/${d}/$drain-output?period=total&attribution=spread&start=${new Date(end - 864e5).toISOString()}&end=${new Date(end).toISOString()}`))[0].valueQuantity.value;
    assert.match(await first.locator('.facts > div').nth(1).textContent(), new RegExp(`before${total >= 10 ? total.toFixed(0) : total.toFixed(1).replace(/\.0$/, '')} mL`));
    await shot(page, 'ward');
    // Found by bed, and by a part of the name.
    const bed = (await first.locator('.bed').textContent()).trim(), name = (await first.locator('.name').textContent()).split(',')[0];
    await page.getByLabel('Bed or name').fill(`${bed.toUpperCase()} ${name.slice(0, 3)}`);
    assert.ok((await page.locator('.card .bed').allTextContents()).every((b) => b.startsWith(bed)));
    await page.getByLabel('Bed or name').fill('nobody of that name');
    await page.getByText('No bed or name here matches').waitFor();
    await page.getByLabel('Bed or name').fill('');
    // The counts stand on paper too.
    await page.emulateMedia({ media: 'print' });
    assert.ok(await page.locator('.sum .level.high').isVisible());
  });

  test('on a phone a drain is one line, which opens', async (t) => {
    const { page } = await visit(t, { viewport: PHONE });
    await page.locator('.row').first().waitFor();
    const plain = page.locator('.card:not(.look):not(.first)').first();
    assert.ok((await plain.boundingBox()).height < 56, 'one line');
    assert.equal(await plain.locator('.body').count(), 0);
    await plain.locator('.row').click();
    await plain.locator('.facts').waitFor();
    await shot(page, 'phone');
    await plain.locator('.row').click();
    assert.equal(await plain.locator('.body').count(), 0);
  });

  test('stale data stand out, and are not called well', async (t) => {
    const stale = (await drains()).find((d) => d.level === 'unknown-stale');
    assert.ok(stale, 'the demonstration has a drain with stale data');
    const { page } = await visit(t);
    const card = page.locator(`.card[data-key="${stale.id}"]`);
    await card.waitFor();
    assert.match(await card.textContent(), /Stale: nothing charted for .* Go and look/);
    assert.ok(!(await card.textContent()).includes('No open concern'));
    assert.ok((await card.getAttribute('class')).includes('look'));
  });

  test('a new high concern appears within seconds of a post, and is said', async (t) => {
    const d = await quiet();
    const { page } = await visit(t, { viewport: WALL });
    const card = page.locator(`.card[data-key="${d.id}"]`);
    await card.waitFor();
    assert.equal(await page.locator('#alerts .alert').count(), 0);
    await api('Observation', { method: 'POST', body: {
      resourceType: 'Observation', status: 'final', code: { coding: [{ system: 'http://loinc.org', code: '9203-1' }] }, subject: { reference: `Patient/${d.patient}` }, device: { reference: `Device/${d.id}` },
      effectiveDateTime: minutesAgo(0), valueQuantity: { value: 240, unit: 'mL', system: 'http://unitsofmeasure.org', code: 'mL' },
    } });
    await page.locator('#alerts .alert', { hasText: d.label }).first().waitFor({ timeout: 20000 });
    assert.match(await page.locator('#alerts').textContent(), /^!?Bed \d+, /);
    assert.equal(await page.locator('#alerts').getAttribute('role'), 'alert');
    assert.match(await page.title(), /^\(\d+ new\)/);
    assert.ok((await card.getAttribute('class')).includes('high look'));
    await card.locator('.severity.high').first().waitFor();
    await shot(page, 'alert');
    await page.locator('#alerts button').first().click();
  });

  test('a silent service is said loudly, and the page comes back by itself', async (t) => {
    const { page, context } = await visit(t, { tolerate: ['ERR_INTERNET_DISCONNECTED', 'ERR_FAILED'] });
    await page.locator('.card').first().waitFor();
    await page.getByText(/^Last updated/).waitFor();
    await context.setOffline(true);
    await page.locator('#silent').waitFor();
    assert.match(await page.locator('#silent').textContent(), /not reachable.*old.*A silent service is not a safe patient/);
    await shot(page, 'silent');
    await context.setOffline(false);
    await page.locator('#silent').waitFor({ state: 'hidden' });
  });

  test('an assistant sees what is due and wrong, and charts all but the site', async (t) => {
    const { page } = await visit(t, { token: mint('nursing-assistant', { subject: 'Practitioner/assistant-01-1' }), viewport: PHONE });
    const d = await quiet();
    await page.locator(`.card[data-key="${d.id}"]`).waitFor();
    await page.locator('.card.high').first().waitFor();
    assert.equal(await page.getByText('Concerns, due times and totals are not shown').count(), 0);
    assert.equal(await page.getByRole('button', { name: /^Acknowledge/ }).count(), 0);
    await toForm(page, d.id);
    assert.equal(await page.locator('.site').count(), 0);
    await fill(page, '22');
    await send(page);
    await page.getByText('The service has stored it.').waitFor();
  });
});

describe('the wall', () => {
  test('a row a drain, large enough for four metres, without names, buttons or dialogs', async (t) => {
    const { page } = await visit(t, { viewport: WALL, token: mint('wall', { subject: 'Location/ward-01', ttl: '744h' }), hash: '#/wall/ward-01', clock: true });
    await page.locator('.rows li').first().waitFor();
    assert.equal(await page.locator('main :is(button, a, input)').count(), 0);
    assert.match(await page.locator('.counts').textContent(), /^\d+ look now · \d+ overdue · \d+ drains$/);
    assert.match(await page.locator('.clock').textContent(), /\d\d:\d\d:\d\d$/);
    await page.locator('.life', { hasText: /^Updated / }).waitFor();
    const names = entries(await api('Patient?_count=100')).map((p) => p.name[0].family);
    const shown = await page.locator('main').textContent();
    assert.deepEqual(names.filter((n) => new RegExp(`\\b${n}\\b`).test(shown)), []);
    // 16 minutes of arc at 4 m are 18.6 mm; capitals are 0.72 of the font size (ISO 9241-303).
    const mm = (55 * 25.4) / Math.hypot(...(await page.evaluate(() => [screen.width, screen.height])));
    for (const [what, minutes] of [['.bed', 22], ['.name', 16], ['.drain-name', 16], ['.when', 16], ['.share', 16]]) {
      const px = await page.locator(`.rows ${what}`).first().evaluate((e) => parseFloat(getComputedStyle(e).fontSize));
      assert.ok(px * 0.72 * mm >= 4000 * Math.tan((minutes / 60) * (Math.PI / 180)) - 0.1, `${what}: ${px} px`);
    }
    const all = await page.locator('.counts').textContent();
    const rows = new Set();
    for (let i = 0; i < 3; i++) {
      for (const k of await page.locator('.rows li').allTextContents()) rows.add(k);
      assert.ok(await page.evaluate(() => document.querySelector('.rows').getBoundingClientRect().bottom <= innerHeight), 'nothing is cut off');
      await page.clock.runFor(12000);
    }
    assert.ok(rows.size > 8, `rows take turns (${all})`);
    await shot(page, 'wall');
  });

  test('silence is said in the rows\' own place, and a dead token too', async (t) => {
    const { page, context } = await visit(t, { viewport: WALL, hash: '#/wall/ward-01', clock: true, tolerate: ['ERR_INTERNET_DISCONNECTED', 'ERR_FAILED', '401'] });
    await page.locator('.rows li').first().waitFor();
    await context.setOffline(true);
    // What fails says so in the browser's own time, between two steps of the page's.
    for (let i = 0; i < 30 && !(await page.locator('.life.stale').isVisible()); i++) {
      await page.clock.runFor(10000);
      await page.waitForTimeout(200);
    }
    await page.locator('.life.stale').waitFor();
    assert.match(await page.locator('.life').textContent(), /No answer for .*Look at the patients, not at this screen/);
    await context.setOffline(false);
    await page.evaluate(() => sessionStorage.clear());
    await page.reload();
    await page.getByText('This screen is not signed in').waitFor();
    assert.equal(await page.locator('dialog[open]').count(), 0);
  });
});

describe('one drain', () => {
  test('shows concerns with what is behind them, course, totals, criteria and entries; a concern is acknowledged', async (t) => {
    const d = (await drains()).find((x) => x.level === 'high');
    const { page } = await visit(t, { hash: `#/drain/${d.id}` });
    await page.getByRole('heading', { level: 1, name: /^Bed \d+ / }).waitFor();
    await page.locator('.drain-head', { hasText: d.label }).waitFor();
    assert.match(await page.locator('.drain-head .reservoir svg').getAttribute('aria-label'), /^(Reservoir .*% full|Fill of the reservoir)/);
    const status = entries(await api(`Device/${d.id}/$escalation-status`)), issues = status.filter((o) => o.resourceType === 'DetectedIssue');
    assert.equal(await page.locator('.concern').count(), issues.length);
    for (const name of ['Concerns', 'Course', 'Criteria for a removal review', 'Entries']) await page.getByRole('heading', { level: 2, name }).waitFor();
    const days = entries(await api(`Device/${d.id}/$drain-output?period=day`)).filter((o) => o.code.coding[0].code.startsWith('drain-output-total'));
    assert.equal(await page.locator('tbody tr').count(), days.length);
    const review = entries(await api(`Device/${d.id}/$removal-review`))[0].component.filter((c) => c.code.coding[0].code === 'criterion');
    assert.equal(await page.locator('.criteria li').count(), review.length);
    const issue = issues.find((i) => i.severity === 'high');
    const finding = page.locator(`#concern-${issue.id}`);
    await finding.locator('summary').click();
    assert.equal(await finding.locator('.why li li').count(), issue.evidence.flatMap((e) => e.detail).length);
    assert.ok((await finding.locator('h3').textContent()).length < 160, 'a headline');
    await page.getByText('The whole course as one picture').click();
    await page.waitForFunction(() => document.querySelector('.sheet img')?.naturalWidth > 0);
    const [file] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'Save as PNG' }).click()]);
    assert.match(file.suggestedFilename(), /\.png$/);
    await finding.getByRole('button', { name: /^Acknowledge/ }).click();
    const form = page.getByRole('dialog', { name: /^Acknowledge/ });
    await form.getByRole('button', { name: 'Assessed at the bedside' }).click();
    await form.getByLabel(/Who was informed/).fill('Dr Example; charge nurse');
    await form.getByLabel('Note').fill('second look at six');
    await shot(page, 'acknowledge');
    await form.getByRole('button', { name: 'Acknowledge' }).click();
    await finding.locator('.answer').waitFor();
    assert.match(await finding.locator('.answer').textContent(), /by .*: Assessed at the bedside.*second look at six.*Dr Example/);
    assert.ok(!(await page.locator('main').textContent()).includes('Practitioner/'), 'people are named');
    assert.equal((await api(`DetectedIssue/${issue.id}`)).mitigation.length, 1);
    await shot(page, 'drain');
  });
});

describe('an address of a drain that is not there', () => {
  for (const kind of ['drain', 'call']) {
    test(`${kind}: says so, with a way on`, async (t) => {
      const { page } = await visit(t, { hash: `#/${kind}/no-such-drain` });
      await page.getByRole('heading', { name: 'This cannot be shown' }).waitFor();
      await page.getByText('No drain no-such-drain is known').waitFor();
      await page.getByRole('link', { name: 'Choose a ward' }).waitFor();
    });
  }
});

describe('the handover', () => {
  test('is not drawn before its first answer', async (t) => {
    const { page } = await visit(t);
    await page.locator('.card').first().waitFor();
    await page.locator('#connection').getByText('Last updated').waitFor();
    let release;
    const held = new Promise((r) => { release = r; });
    await page.route((url) => url.pathname.endsWith('$handover'), async (route) => { await held; await route.continue(); });
    await page.goto(`${BOARD}#/handover/ward-01`);
    await page.locator('.handed').getByText('Asking the service…').waitFor();
    await page.setViewportSize({ width: 900, height: 900 }); // draws again what is shown
    await page.waitForTimeout(300);
    release();
    await page.locator('.handover tbody').first().waitFor();
  });

  test('a drain a row by bed, with corrections and who made them, on one A4 sheet for thirty beds', async (t) => {
    const d = await quiet();
    const { id } = await api('Observation', { method: 'POST', body: {
      resourceType: 'Observation', status: 'final', code: { coding: [{ system: 'http://loinc.org', code: '9203-1' }] }, subject: { reference: `Patient/${d.patient}` }, device: { reference: `Device/${d.id}` }, performer: [{ reference: 'Practitioner/nurse-01-1' }],
      effectiveDateTime: minutesAgo(1), valueQuantity: { value: 60, unit: 'mL', system: 'http://unitsofmeasure.org', code: 'mL' },
    } });
    const o = await api(`Observation/${id}`), nurse = mint('nurse', { subject: 'Practitioner/nurse-01-2' });
    await api(`Observation/${id}`, { method: 'PUT', token: nurse, body: { ...o, status: 'corrected', valueQuantity: { ...o.valueQuantity, value: 6 }, note: [{ text: 'a nought too many' }] } });
    const { page } = await visit(t, { token: nurse, hash: '#/handover/ward-01?shift=current' });
    await page.locator('.handover tbody').first().waitFor();
    const all = await drains();
    assert.equal(await page.locator('.handover tbody:not(.removed)').count(), all.length);
    const beds = (await page.locator('.handover .bed').allTextContents()).map((b) => Number(b.replace(/\D/g, '')));
    assert.deepEqual(beds, [...beds].sort((a, b) => a - b));
    assert.ok(new Set(beds).size >= 30, `${new Set(beds).size} beds`);
    const row = page.locator('.handover tbody', { has: page.locator(`a[href="#/drain/${d.id}"]`) });
    const answer = entries(await api('Location/ward-01/$handover?shift=current')).find((x) => x.device?.reference === `Device/${d.id}` && x.code.text === 'Drain output, this shift');
    const v = answer.valueQuantity.value;
    assert.match(await row.locator('td[data-name^="This shift"]').textContent(), new RegExp(`^${v >= 10 ? v.toFixed(0) : v.toFixed(1).replace(/\.0$/, '')}\\b`));
    await row.getByText(/60 mL is now 6 mL, .*from version 1, by Nurse Bracken: a nought too many/).waitFor();
    await shot(page, 'handover');
    const sheet = await page.locator('.sheet-a4').textContent();
    assert.match(sheet, /Handover, Surgical Ward 1: (Day|Night) shift of .*Printed \w+ \d+ \w+ \d{4}, \d\d:\d\d/);
    assert.match(sheet, /Informs, does not diagnose/);
    const pdf = (await page.pdf({ format: 'A4', preferCSSPageSize: true, path: SHOTS && `${SHOTS}/handover.pdf` })).toString('latin1');
    assert.equal(pdf.match(/\/Type\s*\/Page\b(?!s)/g).length, 1, 'one sheet');
    const size = await page.locator('.sheet-a4').evaluate((e) => parseFloat(getComputedStyle(e).fontSize) * 0.75);
    assert.ok(size > 5.49, `${size} pt`);
    await page.getByRole('link', { name: 'The shift before' }).click();
    await page.waitForURL(/previous/);
    await page.locator('.handover tbody').first().waitFor();
    assert.ok(!(await page.locator('main').textContent()).includes('(not over)'));
    const second = await visit(t, { viewport: PHONE, token: mint('nursing-assistant', { subject: 'Practitioner/assistant-01-1' }), hash: '#/handover/ward-01' });
    await second.page.locator('.handover tbody').first().waitFor();
    assert.ok(await second.page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), 'no sideways scroll');
  });
});

describe('placing', () => {
  const drainsOf = async (patient) => entries(await api(`DeviceUseStatement?patient=Patient/${patient}&_include=DeviceUseStatement:device&_count=50`));

  test('a drain is placed, moved, replaced and removed from the board, each in one step', async (t) => {
    const d = await quiet(true);
    const { page } = await visit(t, { viewport: PHONE, token: mint('nurse'), hash: '#/place/ward-01', tolerate: ['422'] });
    await page.locator(`a[href="#/place/ward-01/${d.patient}"]`).click();
    await page.getByRole('button', { name: 'Place', exact: true }).click();
    await page.getByText('This is missing: Name on the label').waitFor();
    await page.getByLabel('Name on the label').fill('Drain 9, left axilla');
    await page.getByLabel('Site').fill('axilla');
    await page.getByLabel('Side').selectOption('left');
    await shot(page, 'place');
    await page.getByRole('button', { name: 'Place', exact: true }).click();
    await page.locator('.card').first().waitFor();
    const made = (await drainsOf(d.patient)).find((x) => x.resourceType === 'Device' && x.deviceName[0].name === 'Drain 9, left axilla');
    assert.equal(made.patient.reference, `Patient/${d.patient}`);
    const stays = async (id) => (await drainsOf(d.patient)).filter((x) => x.resourceType === 'DeviceUseStatement' && x.device.reference === `Device/${id}`);
    const open = async (kind, id) => {
      await page.goto(`${BOARD}#/change/${kind}/${id}`);
      await page.locator('[data-sure]').waitFor();
      await page.waitForTimeout(700);
      await page.locator('[data-sure]').click();
    };
    await open('move', made.id);
    await page.getByRole('button', { name: 'Move it' }).click();
    await page.getByText('The site is the same as before.').waitFor();
    await page.getByLabel('Site').fill('breast');
    await page.getByRole('button', { name: 'Move it' }).click();
    await page.locator('.drain-head').waitFor();
    assert.deepEqual((await stays(made.id)).map((u) => [u.status, u.bodySite.text]).sort(), [['active', 'breast'], ['completed', 'axilla']]);
    await open('replace', made.id);
    await page.getByLabel('Name on the label').fill('Drain 10, left breast');
    await page.getByRole('button', { name: 'End this one' }).click();
    await page.getByText('Look at the tip and tick it.').waitFor();
    await page.getByLabel(/its tip was seen/).check();
    await page.getByRole('button', { name: 'End this one' }).click();
    await page.locator('.card').first().waitFor();
    const next = (await drainsOf(d.patient)).find((x) => x.resourceType === 'Device' && x.deviceName[0].name === 'Drain 10, left breast');
    assert.deepEqual((await stays(next.id)).map((u) => [u.status, u.bodySite.text]), [['active', 'breast']]);
    await open('remove', next.id);
    await page.getByLabel(/its tip was seen/).check();
    await page.getByRole('button', { name: 'Removed' }).click();
    await page.locator('.card').first().waitFor();
    assert.deepEqual((await stays(next.id)).map((u) => [u.status, u.note[0].text]), [['completed', 'Removed whole, tip seen']]);
    assert.equal((await api(`Device/${next.id}`)).status, 'inactive');
    // What is out may be used again.
    await page.goto(`${BOARD}#/place/ward-01/${d.patient}`);
    await page.getByLabel('Drain', { exact: true }).selectOption(next.id);
    await page.getByLabel('Site').fill('hip');
    await page.getByRole('button', { name: 'Place it again' }).click();
    await page.locator('.card').first().waitFor();
    assert.deepEqual((await stays(next.id)).map((u) => u.status).sort(), ['active', 'completed']);
  });

  test('a planned walk makes the drain due before it', async (t) => {
    const d = await quiet();
    const { page } = await visit(t, { viewport: PHONE, token: mint('nurse'), hash: `#/drain/${d.id}` });
    await page.getByText('Walk or journey planned').click();
    await page.getByRole('button', { name: 'in 30', exact: false }).click();
    await page.locator('.drain-head', { hasText: /to be emptied (in (\d\d|\d).min|since)/ }).waitFor({ timeout: 15000 });
    const due = entries(await api('Location/ward-01/$emptying-due')).find((x) => x.focus.reference === `Device/${d.id}`);
    assert.ok(Date.parse(due.restriction.period.end) <= Date.now() + 31 * 60000, JSON.stringify(due.restriction));
  });

  test('the call sheet says who, which drain, what changed, the figures and what was done', async (t) => {
    const d = (await drains()).find((x) => x.level === 'high');
    const { page } = await visit(t, { viewport: PHONE, hash: `#/call/${d.id}` });
    await page.getByRole('heading', { name: 'What was done' }).waitFor();
    assert.deepEqual(await page.locator('main h2').allTextContents(), ['Who', 'What changed', 'Figures', 'What was done']);
    assert.match(await page.locator('main').textContent(), /Bed \d+ .*Last emptying: .*Last 24 h: /);
    await shot(page, 'call');
  });
});

describe('charting', () => {
  test('on a phone: the drain is confirmed, the vessel is judged, a double tap is one entry, digits are kept', async (t) => {
    const d = await quiet(), since = minutesAgo(0), all = await drains();
    const other = all.find((x) => x.patient === d.patient && x.id !== d.id);
    const { page } = await visit(t, { viewport: PHONE, hash: `#/chart/${d.id}` });
    // The second tap of a double tap lands here: it must choose nothing.
    await page.waitForFunction(() => { const sure = document.querySelector('[data-sure]'); sure?.click(); return sure; }, undefined, { polling: 'raf' });
    assert.equal(await page.locator('form.chart').count(), 0);
    await page.locator(`[data-drain="${other.id}"]`).check({ force: true });
    assert.match(await page.locator('main .problem').textContent(), new RegExp(`You opened ${d.label}. This is ${other.label}`));
    await shot(page, 'confirm');
    await page.locator(`[data-drain="${d.id}"]`).check({ force: true });
    await page.waitForTimeout(700);
    await page.locator('[data-sure]').click();
    assert.ok(await page.evaluate(() => document.activeElement.matches('.amount')), 'the amount is in focus');
    const amount = page.getByLabel('Amount', { exact: true });
    assert.equal(await amount.getAttribute('inputmode'), 'decimal');
    await page.locator('.send').click();
    await page.getByText('The amount is missing').waitFor();
    assert.ok(await page.evaluate(() => document.querySelector('.amount-row').nextElementSibling.matches('.lack')), 'said under its field');
    await amount.fill('12,50');
    await pick(page, 'vessel', 'Graduated cylinder');
    assert.match(await page.locator('.hint').textContent(), /Too coarse for 1[23](\.5)? mL.*± 29 mL.*suits better/);
    await pick(page, 'vessel', 'Medicine cup');
    assert.match(await page.locator('.hint').textContent(), /± 1.4 mL/);
    await pick(page, 'appearance', /^serous$/);
    await pick(page, 'suction', 'charged');
    await shot(page, 'chart');
    assert.match(await page.locator('.send').textContent(), new RegExp(`Chart 12.50 mL for ${d.label}`));
    await page.evaluate(() => { const b = document.querySelector('.send'); b.click(); b.click(); b.form.requestSubmit(); });
    await page.getByText('The service has stored it.').waitFor();
    const made = await charted(d.id, since);
    assert.equal(made.length, 1);
    assert.match(await api(`Observation/${made[0].id}`, { text: true }), /"value":12\.50/);
    assert.match(await page.locator('.outcome').textContent(), /Charted: 12.50 mL, serous, suction charged, \d\d:\d\d/);
    await page.getByText(/; next by \d\d:\d\d/).waitFor();
    assert.match(made[0].identifier[0].value, /^urn:uuid:/);
    assert.deepEqual(made[0].component.map((c) => c.valueCodeableConcept?.coding[0].code), ['serous', 'charged', 'medicine-cup']);
    assert.equal(made[0].performer[0].reference, 'Practitioner/demo');
    // Another cup of the same emptying: the vessel is remembered, look and suction stand.
    await page.getByRole('button', { name: 'Add another cup' }).click();
    await page.getByLabel('Amount in this cup').fill('5');
    assert.ok(await page.locator('.vessel').isHidden());
    await page.locator('.send').click();
    await page.getByText('Charted: 5 mL').waitFor();
    assert.equal((await charted(d.id, since)).filter((o) => o.valueQuantity).length, 2);
    // And undone.
    await page.getByRole('button', { name: 'Undo' }).click();
    await page.getByText('Undone:').waitFor();
    const undone = (await charted(d.id, since)).filter((o) => o.status === 'entered-in-error');
    assert.deepEqual(undone.map((o) => [o.valueQuantity.value, o.note[0].text]), [[5, 'Undone at once']]);
  });

  test('in four taps and a number, once the vessel is known', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { viewport: PHONE });
    await page.locator('.card').first().waitFor();
    await page.evaluate(() => localStorage.setItem('tidemark.vessel', 'syringe'));
    await page.goto(`${BOARD}#/chart/${d.id}`);
    await page.locator('[data-sure]').waitFor();
    await page.waitForTimeout(700);
    let taps = 0;
    const tap = async (l) => { taps++; await l.tap(); };
    await tap(page.locator('[data-sure]'));
    await page.locator('form.chart').waitFor();
    await page.keyboard.type('19'); // the amount has the focus
    await tap(page.locator('.appearance label', { hasText: /^serous$/ }));
    await tap(page.locator('.suction label', { hasText: 'charged' }));
    assert.ok(await page.locator('.send').evaluate((b) => { const r = b.getBoundingClientRect(); return r.top >= 0 && r.bottom <= innerHeight; }), 'send is in reach');
    await tap(page.locator('.send'));
    await page.getByText('Charted: 19 mL').waitFor();
    assert.equal(taps, 4);
    assert.equal((await charted(d.id, since)).length, 1);
  });

  test('what looks like a slip is asked about once', async (t) => {
    const d = await quiet();
    for (let i = 6; i > 0; i--) { // so that the usual of this drain is known
      await api('Observation', { method: 'POST', body: {
        resourceType: 'Observation', status: 'final', code: { coding: [{ system: 'http://loinc.org', code: '9203-1' }] }, subject: { reference: `Patient/${d.patient}` }, device: { reference: `Device/${d.id}` },
        effectiveDateTime: minutesAgo(20 * i), valueQuantity: { value: 5, unit: 'mL', system: 'http://unitsofmeasure.org', code: 'mL' },
      } });
    }
    const since = new Date().toISOString(), { page } = await visit(t, { viewport: PHONE });
    await toForm(page, d.id);
    await fill(page, '1,000', { vessel: 'Graduated cylinder' });
    await page.locator('.send').click();
    await page.getByRole('button', { name: '1 mL', exact: true }).waitFor();
    await page.getByRole('button', { name: '1000 mL', exact: true }).click();
    await page.locator('.ask', { hasText: /1000 mL is more than the reservoir holds/ }).waitFor();
    assert.match(await page.locator('.ask').textContent(), /ten times the usual of this drain/);
    await page.getByRole('button', { name: 'Change it' }).click();
    await page.getByLabel('Amount', { exact: true }).fill('31.3');
    await pick(page, 'vessel', 'Medicine cup');
    await page.locator('.send').click();
    await page.locator('.ask', { hasText: /more than the medicine cup holds \(30 mL\).*finer than can be read/ }).waitFor();
    await shot(page, 'asked');
    await page.getByRole('button', { name: 'Change it' }).click();
    await page.getByLabel('Amount', { exact: true }).fill('30');
    await page.getByText('More: time').click();
    const back = new Date(Date.now() - 3 * 3600e3).toISOString().slice(0, 16);
    await page.locator('input[type=datetime-local]').fill(back);
    await page.locator('.send').click();
    await page.locator('.ask', { hasText: /The time is 3.h.* back/ }).waitFor();
    await page.getByRole('button', { name: 'Yes, it is right' }).click();
    await page.getByText('The service has stored it.').waitFor();
    const made = await charted(d.id, since);
    assert.deepEqual(made.map((o) => [o.valueQuantity.value, o.effectiveDateTime.slice(0, 16)]), [[30, back]]);
  });

  test('no signs is one tap, pus is a sign, and a drain that is out is charted', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { viewport: PHONE, token: mint('nurse') });
    await toForm(page, d.id);
    await fill(page, '9');
    await page.getByLabel('No signs').check();
    await send(page);
    await page.getByText('The service has stored it.').waitFor();
    const clean = (await charted(d.id, since)).find((o) => o.code.coding[0].code === 'drain-site-assessment');
    assert.deepEqual(Object.fromEntries(clean.component.map((c) => [c.code.coding[0].code, c.valueBoolean])),
      { redness: false, swelling: false, warmth: false, tenderness: false, leakage: false, pus: false, suture: true });
    await toForm(page, d.id);
    await page.getByText('More: time').click();
    await page.getByLabel(/The drain is out/).check();
    await page.getByLabel('Pus').check();
    await page.locator('.send').click();
    await page.getByText('The service has stored it.').waitFor();
    const made = await charted(d.id, since);
    assert.ok(made.some((o) => o.component?.some((c) => c.code.coding[0].code === 'dislodged' && c.valueBoolean)));
    assert.ok(made.some((o) => o.component?.some((c) => c.code.coding[0].code === 'pus' && c.valueBoolean)));
  });

  test('who may only read is offered no chart', async (t) => {
    const { page } = await visit(t, { token: mint('analytics') });
    await page.locator('.card').first().waitFor();
    assert.equal(await page.locator('a[href^="#/chart/"]').count(), 0);
  });

  test('what stands in a form outlasts a reload', async (t) => {
    const d = await quiet();
    const { page } = await visit(t);
    await toForm(page, d.id);
    await fill(page, '23', { look: 'serosanguineous' });
    await page.reload();
    await page.locator('[data-sure]').waitFor();
    await page.waitForTimeout(700);
    await page.locator('[data-sure]').click();
    assert.equal(await page.getByLabel('Amount', { exact: true }).inputValue(), '23');
    assert.equal(await page.locator('.appearance input:checked').getAttribute('value'), 'serosanguineous');
  });

  test('with keys alone', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { hash: `#/chart/${d.id}` });
    await page.locator('[data-sure]').waitFor();
    await page.waitForTimeout(700);
    const to = async (test) => {
      for (let i = 0; i < 60; i++) {
        if (await page.evaluate(test)) return;
        await page.keyboard.press('Tab');
      }
      assert.fail(`the Tab key does not reach ${test}`);
    };
    await to(`document.activeElement.dataset.drain === ${JSON.stringify(d.id)}`);
    await to('document.activeElement.matches("[data-sure]")');
    await page.keyboard.press('Enter');
    await to('document.activeElement.matches(".amount")');
    await page.keyboard.type('8');
    await to('document.activeElement.closest(".vessel") !== null');
    await page.keyboard.press('Space');
    await page.keyboard.press('ArrowRight');
    await to('document.activeElement.closest(".appearance") !== null');
    await page.keyboard.press('Space');
    await to('document.activeElement.closest(".suction") !== null');
    await page.keyboard.press('Space');
    await to('document.activeElement.matches(".send")');
    await page.keyboard.press('Enter');
    await page.getByText('The service has stored it.').waitFor();
    assert.equal((await charted(d.id, since)).length, 1);
  });

  test('without a network an entry is kept, shown as not sent, survives a reload, and is sent once', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page, context } = await visit(t, { viewport: PHONE, workers: 'allow', tolerate: ['ERR_INTERNET_DISCONNECTED', 'ERR_FAILED', 'Failed to fetch'] });
    await page.locator('.card').first().waitFor();
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.reload();
    await page.locator('.card').first().waitFor();
    await toForm(page, d.id);
    await fill(page, '31');
    await context.setOffline(true);
    await send(page);
    await page.getByText('It is kept on this device').waitFor();
    assert.equal(await page.locator('#unsent-title').textContent(), '1 not sent yet');
    await shot(page, 'unsent');
    await page.reload();
    await page.locator('#unsent-title', { hasText: '1 not sent yet' }).waitFor();
    assert.equal((await charted(d.id, since)).length, 0);
    await context.setOffline(false);
    await page.locator('#unsent').waitFor({ state: 'hidden', timeout: 20000 });
    assert.equal((await charted(d.id, since)).length, 1);
  });

  test('a lost answer is asked for again and makes no second entry', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { tolerate: ['ERR_FAILED', 'Failed to fetch'] });
    await toForm(page, d.id);
    let lost = 0;
    await page.route('**/fhir/Observation', async (route) => {
      if (route.request().method() !== 'POST' || lost) return route.continue();
      lost++;
      await route.fetch(); // the service stores it, and the answer gets lost
      return route.abort();
    });
    await fill(page, '17');
    await send(page);
    await page.getByText('The service has stored it.').waitFor({ timeout: 20000 });
    assert.equal(lost, 1);
    assert.equal((await charted(d.id, since)).length, 1);
  });

  test('a wrong drain is refused in the service\'s words, and what was typed is kept', async (t) => {
    const d = await quiet(true), since = minutesAgo(0);
    const { page } = await visit(t, { viewport: PHONE, tolerate: ['422'] });
    await toForm(page, d.id);
    await fill(page, '14');
    // Meanwhile the drain is taken out.
    const placement = entries(await api(`DeviceUseStatement?device=Device/${d.id}`))[0];
    placement.status = 'completed';
    placement.timingPeriod.end = minutesAgo(30);
    await api(`DeviceUseStatement/${placement.id}`, { method: 'PUT', body: placement });
    await send(page);
    await page.getByText('Refused: this is not charted.').waitFor();
    await shot(page, 'refused');
    assert.match(await page.locator('.outcome').textContent(), /removed/i);
    assert.equal(await page.locator('#unsent-title').textContent(), '1 refused');
    assert.equal((await charted(d.id, since)).length, 0);
    await page.getByRole('link', { name: 'Change and send again' }).click();
    assert.equal(await page.getByLabel('Amount', { exact: true }).inputValue(), '14');
    await page.locator('#unsent summary').click();
    await page.getByRole('button', { name: 'Throw away' }).click();
    await page.locator('#unsent').waitFor({ state: 'hidden' });
  });

  test('an expired token asks again and keeps the unsent entry and the form', async (t) => {
    const d = await quiet(), since = minutesAgo(0), subject = 'Practitioner/nurse-01-2';
    const { page } = await visit(t, { token: mint('nurse', { subject, ttl: '10m' }), clock: true, tolerate: ['401', 'ERR_FAILED'] });
    await toForm(page, d.id);
    await fill(page, '26');
    await page.route('**/fhir/Observation', (route) => (route.request().method() === 'POST' ? route.abort() : route.continue()));
    await send(page);
    await page.locator('.outcome', { hasText: 'Not sent yet.' }).waitFor();
    await page.clock.fastForward('11:00');
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    await page.unroute('**/fhir/Observation');
    // Somebody else signs in: the entry must not go out under that name.
    const sign = async (token) => {
      await page.getByLabel('Paste your bearer token').fill(token);
      await page.getByRole('button', { name: 'Sign in' }).click();
    };
    assert.match(await page.locator('#sign-in-kept').textContent(), /One entry is not sent yet/);
    await sign(mint('nurse', { subject: 'Practitioner/nurse-01-3' }));
    await page.locator('#unsent-list', { hasText: 'It is sent when Nurse Bracken signs in here' }).waitFor({ state: 'attached' });
    assert.equal((await charted(d.id, since)).length, 0);
    await page.getByRole('button', { name: 'Sign out' }).click();
    await sign(mint('nurse', { subject }));
    await page.locator('#unsent').waitFor({ state: 'hidden', timeout: 20000 });
    const made = await charted(d.id, since);
    assert.deepEqual(made.map((o) => o.performer[0].reference), [subject]);
  });

  test('one\'s own last entry is corrected, and withdrawn', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { token: mint('nurse', { subject: 'Practitioner/nurse-01-9' }) });
    await toForm(page, d.id);
    await fill(page, '40');
    await send(page);
    await page.getByText('The service has stored it.').waitFor();
    await page.getByRole('link', { name: 'See this drain' }).click();
    await page.getByRole('link', { name: /^Correct my last entry \(40 mL/ }).click();
    await page.getByLabel('Amount', { exact: true }).fill('4.0');
    await page.getByLabel('Why').fill('typed a nought too many');
    await page.getByRole('button', { name: 'Send the correction' }).click();
    await page.getByRole('link', { name: /^Correct my last entry \(4 mL/ }).waitFor();
    const [o] = await charted(d.id, since);
    assert.equal(o.status, 'corrected');
    assert.equal(o.meta.versionId, '2');
    const raw = await api(`Observation/${o.id}`, { text: true });
    assert.match(raw, /"value":4\.0[,}]/);
    // A colleague who corrects it has to say why, and both see it.
    await page.getByText('Reason: ').or(page.locator('.note', { hasText: 'typed a nought too many' })).first().waitFor();
    await page.goto(BOARD);
    const second = await visit(t, { token: mint('nurse', { subject: 'Practitioner/nurse-01-8' }), hash: `#/correct/${o.id}` });
    await second.page.getByLabel('Amount', { exact: true }).fill('5');
    await second.page.getByRole('button', { name: 'Send the correction' }).click();
    await second.page.locator('.lack', { hasText: 'Say why' }).waitFor();
    await second.page.getByLabel(/^Why/).fill('read it again together');
    await second.page.getByRole('button', { name: 'Send the correction' }).click();
    await second.page.locator('.note', { hasText: /read it again together \(/ }).waitFor();
    await second.page.locator('.change', { hasText: /^Corrected .* by Nurse Hawthorn, from version 2$/ }).waitFor();
    await page.goto(`${BOARD}#/drain/${d.id}`);
    await page.locator('.note', { hasText: /read it again together \(Nurse Hawthorn/ }).waitFor();
    await page.getByRole('link', { name: /^Correct my last entry/ }).click();
    await page.getByRole('button', { name: /withdraw it/ }).click();
    await page.getByLabel('Why').fill('another drain');
    await page.getByRole('button', { name: 'Yes, withdraw this entry' }).click();
    await page.locator('.entries .withdrawn', { hasText: 'WITHDRAWN: 5 mL' }).waitFor();
    assert.equal((await api(`Observation/${o.id}`)).status, 'entered-in-error');
  });
});

describe('anywhere', () => {
  test('the clock is the ward\'s, wherever the browser is', async (t) => {
    const d = await quiet();
    const { page } = await visit(t, { hash: `#/drain/${d.id}`, zone: 'Pacific/Chatham' });
    await page.locator('.entries li').first().waitFor();
    const last = entries(await api(`Observation?device=Device/${d.id}&_sort=-date&_count=1`)).find((o) => o.resourceType === 'Observation');
    assert.match(await page.locator('.entries .when').first().textContent(), new RegExp(`${new Date(last.effectiveDateTime).toISOString().slice(11, 16)}$`));
  });

  test('the night of the clock change: which of the two, and the hour that is not', async (t) => {
    const { page } = await visit(t);
    const found = await page.evaluate(async () => {
      const { settings } = await import('./settings.js'), { clock, instants, zoned } = await import('./zone.js');
      settings.zone = 'Europe/Berlin';
      const at = (s) => instants(s).map((t) => new Date(t).toISOString());
      return { twice: at('2026-10-25T02:30'), never: at('2026-03-29T02:30'), once: at('2026-07-01T12:00'), offset: zoned(Date.parse('2026-10-25T01:30:00Z')), day: clock(Date.parse('2026-06-30T22:30:00Z'), Date.parse('2026-07-01T10:00:00Z')) };
    });
    assert.deepEqual(found, { twice: ['2026-10-25T00:30:00.000Z', '2026-10-25T01:30:00.000Z'], never: [], once: ['2026-07-01T10:00:00.000Z'], offset: '2026-10-25T02:30:00+01:00', day: '00:30' });
  });

  test('long, Arabic and Chinese names stay inside at 360 px', async (t) => {
    const names = ['Wolfeschlegelsteinhausenbergerdorffwelchevoralternwaren, Hubert Blaine', 'عبد الرحمن بن محمد الأنصاري الطويل الاسم', '歐陽司馬諸葛上官夏侯皇甫尉遲公羊澹臺公冶宗政濮陽'];
    const list = (await drains()).filter((d, i, all) => all.findIndex((x) => x.patient === d.patient) === i).slice(0, 3);
    for (const [i, d] of list.entries()) {
      const p = await api(`Patient/${d.patient}`);
      await api(`Patient/${d.patient}`, { method: 'PUT', body: { ...p, name: [{ text: names[i] }] } });
    }
    const { page } = await visit(t, { viewport: PHONE });
    for (const [i, d] of list.entries()) {
      const card = page.locator(`.card[data-key="${d.id}"]`);
      await card.waitFor();
      await card.locator('.row').click();
      await card.getByText(names[i]).waitFor();
      const inside = await card.evaluate((c) => [...c.querySelectorAll('.row, .row *, .body *')].every((e) => e.closest('svg') || e.classList.contains('unseen') || e.getBoundingClientRect().right <= c.getBoundingClientRect().right + 1));
      assert.ok(inside, names[i]);
    }
    await shot(page, 'names');
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), 'ward');
    await page.goto(`${BOARD}#/drain/${list[0].id}`);
    await page.locator('.drain-head').waitFor();
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), 'drain');
  });
});

describe('accessible', () => {
  for (const viewport of [PHONE, WALL]) {
    for (const dark of [false, true]) {
      test(`the checker finds nothing at ${viewport.width} px, ${dark ? 'dark' : 'light'}`, async (t) => {
        const { page } = await visit(t, { viewport, dark, token: '' });
        const check = async (what) => {
          await page.evaluate(axe);
          const found = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
          assert.ok(found.passes.length > 10, 'the checker did its work');
          assert.deepEqual(found.violations.map((v) => `${what}: ${v.id}: ${v.nodes.slice(0, 3).map((n) => n.target.join(' ')).join(' | ')}`), []);
          assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `${what} scrolls sideways`);
        };
        await page.getByRole('dialog').waitFor();
        await check('sign-in');
        await page.getByLabel('Paste your bearer token').fill(TOKEN);
        await page.getByRole('button', { name: 'Sign in' }).click();
        await page.locator('.card').first().waitFor();
        if (viewport === PHONE) for (const n of [0, 1, 2]) await page.locator('.row').nth(n).click();
        await page.locator('.facts').first().waitFor();
        await check('ward');
        const d = (await drains()).find((x) => x.level === 'high');
        await page.goto(`${BOARD}#/drain/${d.id}`);
        await page.locator('.concern').first().waitFor();
        await page.locator('summary', { hasText: 'The whole course' }).waitFor();
        await page.evaluate(() => document.querySelectorAll('.drain details').forEach((d) => { d.open = true; }));
        await check('drain');
        await page.locator('.concern button[aria-haspopup]').first().click();
        await check('acknowledge');
        await page.keyboard.press('Escape');
        await page.goto(`${BOARD}#/chart/${d.id}`);
        await page.locator('[data-sure]').waitFor();
        await check('confirm');
        await page.waitForTimeout(700);
        await page.locator('[data-sure]').click();
        await fill(page, '7', { vessel: 'Graduated' });
        await page.getByText('More: time').click();
        await check('chart');
        await page.locator('.send').click();
        await page.locator('.ask p').first().waitFor();
        await check('asked');
        await page.goto(`${BOARD}#/wall/ward-01`);
        await page.locator('.rows li').first().waitFor();
        await check('wall');
        await page.goto(`${BOARD}#/places`);
        await page.getByRole('heading', { name: 'Which ward?' }).waitFor();
        await check('places');
        await page.goto(`${BOARD}#/call/${d.id}`);
        await page.getByRole('heading', { name: 'What was done' }).waitFor();
        await check('call sheet');
        await page.goto(`${BOARD}#/handover/ward-01`);
        await page.locator('.handover tbody').first().waitFor();
        await check('handover');
        await page.goto(`${BOARD}#/place/ward-01`);
        await page.locator('.choose a').first().waitFor();
        await check('for whom to place');
        await page.goto(`${BOARD}#/place/ward-01/${d.patient}`);
        await page.getByLabel('Name on the label').waitFor();
        await check('place');
        await page.goto(`${BOARD}#/change/home/${d.id}`);
        await page.locator('[data-sure]').waitFor();
        await page.waitForTimeout(700);
        await page.locator('[data-sure]').click();
        await page.getByRole('button', { name: 'End the stay' }).waitFor();
        await check('home');
      });
    }
  }

  test('zoomed to 200 % on a small screen nothing scrolls sideways', async (t) => {
    const { page } = await visit(t, { viewport: { width: 320, height: 400 } });
    await page.locator('.card').first().waitFor();
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth));
  });
});
