// Drives the board in headless Chromium against the real binary. Started by
// TestBrowser (e2e_test.go), which gives: BASE (the service), BIN, DATA and
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
async function visit(t, { viewport = DESK, token = TOKEN, hash = '', dark = false, workers = 'block', tolerate = [] } = {}) {
  const context = await browser.newContext({ viewport, serviceWorkers: workers, colorScheme: dark ? 'dark' : 'light', hasTouch: viewport === PHONE });
  const page = await context.newPage();
  const wrong = [];
  page.on('console', (m) => { if (m.type() === 'error') wrong.push(m.text()); });
  page.on('pageerror', (e) => wrong.push(e.message));
  page.on('request', (r) => { if (!r.url().startsWith(BASE) && !r.url().startsWith('blob:')) wrong.push(`asked ${r.url()}`); });
  t.after(async () => {
    await context.close();
    assert.deepEqual(wrong.filter((w) => !tolerate.some((x) => w.includes(x))), []);
  });
  await page.goto(token ? `${BOARD}#token=${token}${hash ? `&${hash.slice(1)}` : ''}` : BOARD + hash);
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
  await page.goto(`${BOARD}#/chart/${drain}`);
  await page.locator(`[data-drain="${drain}"]`).click();
  await page.locator('form.chart').waitFor();
}
const pick = (page, group, word) => page.locator(`.${group} label`, { hasText: word }).first().click();
async function fill(page, amount, { vessel = 'Syringe', look = 'serous', suction = 'charged' } = {}) {
  await page.getByLabel('Amount emptied').fill(amount);
  await pick(page, 'vessel', vessel);
  await pick(page, 'appearance', new RegExp(`^${look}$`));
  await pick(page, 'suction', suction);
}

describe('sign-in', () => {
  test('a token is pasted, kept for the tab, and taken from the fragment without staying there', async (t) => {
    const { page } = await visit(t, { token: '' });
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    await page.keyboard.press('Escape');
    await page.getByLabel('Paste your bearer token').fill('not a token');
    await page.getByRole('button', { name: 'Sign in' }).click();
    await page.getByText('This is not a token').waitFor();
    await page.getByLabel('Paste your bearer token').fill(`Bearer ${TOKEN}`);
    await page.getByRole('button', { name: 'Sign in' }).click();
    await page.locator('.card').first().waitFor();
    assert.equal(await page.evaluate(() => sessionStorage.getItem('tidemark.token')), TOKEN);
    assert.equal(await page.evaluate(() => localStorage.getItem('tidemark.token')), null);
    await page.reload();
    await page.locator('.card').first().waitFor();
    await page.getByRole('button', { name: 'Sign out' }).click();
    await page.getByRole('dialog', { name: 'Sign in to Tidemark' }).waitFor();
    assert.equal(await page.locator('.card').count(), 0);
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

describe('the ward', () => {
  test('shows each drain, soonest due first, with its figures', async (t) => {
    const { page } = await visit(t);
    await page.locator('.card').first().waitFor();
    const want = (await drains()).map((d) => d.id);
    const got = await page.locator('.card').evaluateAll((l) => l.map((e) => e.dataset.key));
    assert.deepEqual(got, want);
    await page.getByText(/(up|down) from/).first().waitFor();
    const first = page.locator('.card').first();
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
    assert.match(await first.locator('.facts .wide').nth(1).textContent(), new RegExp(`before${total >= 10 ? total.toFixed(0) : total.toFixed(1).replace(/\.0$/, '')} mL`));
    await shot(page, 'ward');
  });

  test('stale data stand out, and are not called well', async (t) => {
    const stale = (await drains()).find((d) => d.level === 'unknown-stale');
    assert.ok(stale, 'the demonstration has a drain with stale data');
    const { page } = await visit(t);
    const card = page.locator(`.card[data-key="${stale.id}"]`);
    await card.waitFor();
    assert.match(await card.textContent(), /Stale: nothing charted for .* Go and look/);
    assert.ok(!(await card.textContent()).includes('No open finding'));
  });

  test('a new high finding appears within seconds of a post, and is said', async (t) => {
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
    assert.match(await page.locator('#alerts').textContent(), /New high finding/);
    assert.equal(await page.locator('#alerts').getAttribute('role'), 'alert');
    assert.match(await page.title(), /^\(\d+ new\)/);
    assert.ok((await card.getAttribute('class')).includes('high'));
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

  test('an assistant, whose scope has no derived answers, sees the drains and may chart', async (t) => {
    const { page } = await visit(t, { token: mint('nursing-assistant', { subject: 'Practitioner/assistant-01-1' }), viewport: PHONE });
    await page.getByText('Findings, due times and totals are not shown').waitFor();
    const d = await quiet();
    await page.locator(`.card[data-key="${d.id}"]`).waitFor();
    await toForm(page, d.id);
    assert.equal(await page.getByText('Look at the site too').count(), 0);
    await fill(page, '22');
    await page.locator('.send').click();
    await page.getByText('The service has stored it.').waitFor();
  });
});

describe('one drain', () => {
  test('shows findings with their readings, course, totals, criteria and entries; a finding is acknowledged', async (t) => {
    const d = (await drains()).find((x) => x.level === 'high');
    const { page } = await visit(t, { hash: `#/drain/${d.id}` });
    await page.getByRole('heading', { level: 1, name: d.label }).waitFor();
    const status = entries(await api(`Device/${d.id}/$escalation-status`)), issues = status.filter((o) => o.resourceType === 'DetectedIssue');
    assert.equal(await page.locator('.finding').count(), issues.length);
    for (const name of ['Findings', 'Course', 'Criteria for a removal review', 'Entries']) await page.getByRole('heading', { level: 2, name }).waitFor();
    const days = entries(await api(`Device/${d.id}/$drain-output?period=day`)).filter((o) => o.code.coding[0].code.startsWith('drain-output-total'));
    assert.equal(await page.locator('tbody tr').count(), days.length);
    const review = entries(await api(`Device/${d.id}/$removal-review`))[0].component.filter((c) => c.code.coding[0].code === 'criterion');
    assert.equal(await page.locator('.criteria li').count(), review.length);
    const issue = issues.find((i) => i.severity === 'high');
    const finding = page.locator(`#finding-${issue.id}`);
    await finding.locator('summary').click();
    assert.equal(await finding.locator('details li').count(), issue.evidence[0].detail.length);
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
    assert.match(await finding.locator('.answer').textContent(), /Assessed at the bedside.*second look at six.*Dr Example/);
    assert.equal((await api(`DetectedIssue/${issue.id}`)).mitigation.length, 1);
    await shot(page, 'drain');
  });
});

describe('charting', () => {
  test('on a phone: the drain is confirmed, the vessel is judged, a double tap is one entry, digits are kept', async (t) => {
    const d = await quiet(), since = minutesAgo(0), all = await drains();
    const other = all.find((x) => x.patient === d.patient && x.id !== d.id);
    const { page } = await visit(t, { viewport: PHONE, hash: `#/chart/${d.id}` });
    await page.locator(`[data-drain="${other.id}"]`).click();
    assert.match(await page.locator('main .problem').textContent(), new RegExp(`You opened ${d.label}. This is ${other.label}`));
    await shot(page, 'confirm');
    await page.locator(`[data-drain="${d.id}"]`).click();
    const amount = page.getByLabel('Amount emptied');
    assert.equal(await amount.getAttribute('inputmode'), 'decimal');
    await page.locator('.send').click();
    await page.getByText('The amount is missing').waitFor();
    await amount.fill('12,50');
    await pick(page, 'vessel', 'Graduated cylinder');
    assert.match(await page.locator('.hint').textContent(), /Too coarse for 1[23](\.5)? mL.*± 29 mL.*suits this amount better/);
    await pick(page, 'vessel', 'Medicine cup');
    assert.match(await page.locator('.hint').textContent(), /Expected uncertainty ± 1.4 mL/);
    await pick(page, 'appearance', /^serous$/);
    await pick(page, 'suction', 'charged');
    await shot(page, 'chart');
    assert.match(await page.locator('.send').textContent(), new RegExp(`Chart 12.50 mL for ${d.label}`));
    await page.evaluate(() => { const b = document.querySelector('.send'); b.click(); b.click(); b.form.requestSubmit(); });
    await page.getByText('The service has stored it.').waitFor();
    const made = await charted(d.id, since);
    assert.equal(made.length, 1);
    assert.match(await api(`Observation/${made[0].id}`, { text: true }), /"value":12\.50/);
    assert.match(made[0].identifier[0].value, /^urn:uuid:/);
    assert.deepEqual(made[0].component.map((c) => c.valueCodeableConcept?.coding[0].code), ['serous', 'charged', 'medicine-cup']);
    assert.equal(made[0].performer[0].reference, 'Practitioner/demo');
  });

  test('with keys alone', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { hash: `#/chart/${d.id}` });
    await page.locator('.choose button').first().waitFor();
    const to = async (test) => {
      for (let i = 0; i < 60; i++) {
        if (await page.evaluate(test)) return;
        await page.keyboard.press('Tab');
      }
      assert.fail(`the Tab key does not reach ${test}`);
    };
    await to(`document.activeElement.dataset.drain === ${JSON.stringify(d.id)}`);
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

  test('a nurse adds the site; both entries are stored', async (t) => {
    const d = await quiet(), since = minutesAgo(0);
    const { page } = await visit(t, { viewport: PHONE, token: mint('nurse') });
    await toForm(page, d.id);
    await fill(page, '9');
    await page.getByText('Look at the site too').click();
    await pick(page, 'site-redness', 'yes');
    await pick(page, 'site-suture', 'intact');
    await page.locator('.send').click();
    await page.getByText('The service has stored it.').waitFor();
    const made = await charted(d.id, since);
    assert.equal(made.length, 2);
    const site = made.find((o) => o.code.coding[0].code === 'drain-site-assessment');
    assert.deepEqual(site.component.map((c) => [c.code.coding[0].code, c.valueBoolean]), [['redness', true], ['suture', true]]);
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
    await page.locator('.send').click();
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
    await page.locator('.send').click();
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
    await page.locator('.send').click();
    await page.getByText('Refused: this is not charted.').waitFor();
    await shot(page, 'refused');
    assert.match(await page.locator('.outcome').textContent(), /removed/i);
    assert.equal(await page.locator('#unsent-title').textContent(), '1 refused');
    assert.equal((await charted(d.id, since)).length, 0);
    await page.getByRole('link', { name: 'Change and send again' }).click();
    assert.equal(await page.getByLabel('Amount emptied').inputValue(), '14');
    await page.locator('#unsent summary').click();
    await page.getByRole('button', { name: 'Throw away' }).click();
    await page.locator('#unsent').waitFor({ state: 'hidden' });
  });

  test('an expired token asks again and keeps the unsent entry and the form', async (t) => {
    const d = await quiet(), since = minutesAgo(0), subject = 'Practitioner/nurse-01-2';
    const { page } = await visit(t, { token: mint('nurse', { subject, ttl: '8s' }), tolerate: ['401'] });
    await toForm(page, d.id);
    await fill(page, '26');
    const ends = await page.evaluate(() => JSON.parse(atob(sessionStorage.getItem('tidemark.token').split('.')[1].replace(/-/g, '+').replace(/_/g, '/'))).exp * 1000);
    await page.waitForFunction((t) => Date.now() > t + 500, ends, { timeout: 20000 });
    const dialog = page.getByRole('dialog', { name: 'Sign in to Tidemark' });
    if (!(await dialog.isVisible())) await page.locator('.send').click();
    await dialog.waitFor();
    // Somebody else signs in: the entry must not go out under that name.
    const sign = async (token) => {
      await page.getByLabel('Paste your bearer token').fill(token);
      await page.getByRole('button', { name: 'Sign in' }).click();
    };
    assert.match(await page.locator('#sign-in-kept').textContent(), /One entry is not sent yet/);
    await sign(mint('nurse', { subject: 'Practitioner/nurse-01-3' }));
    await page.locator('#unsent-list', { hasText: `It is sent when ${subject} signs in here` }).waitFor({ state: 'attached' });
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
    await page.locator('.send').click();
    await page.getByText('The service has stored it.').waitFor();
    await page.getByRole('link', { name: 'See this drain' }).click();
    await page.getByRole('link', { name: /^Correct my last entry \(40 mL/ }).click();
    await page.getByLabel('Amount emptied').fill('4.0');
    await page.getByRole('button', { name: 'Send the correction' }).click();
    await page.getByRole('link', { name: /^Correct my last entry \(4 mL/ }).waitFor();
    const [o] = await charted(d.id, since);
    assert.equal(o.status, 'corrected');
    assert.equal(o.meta.versionId, '2');
    const raw = await api(`Observation/${o.id}`, { text: true });
    assert.match(raw, /"value":4\.0[,}]/);
    await page.getByRole('link', { name: /^Correct my last entry/ }).click();
    await page.getByRole('button', { name: /withdraw it/ }).click();
    await page.getByRole('button', { name: 'Yes, withdraw this entry' }).click();
    await page.locator('.entries .void', { hasText: 'WITHDRAWN: 4 mL' }).waitFor();
    assert.equal((await api(`Observation/${o.id}`)).status, 'entered-in-error');
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
        await page.getByText(/(up|down) from/).first().waitFor();
        await check('ward');
        const d = (await drains()).find((x) => x.level === 'high');
        await page.goto(`${BOARD}#/drain/${d.id}`);
        await page.locator('.finding').first().waitFor();
        await page.locator('summary', { hasText: 'The whole course' }).waitFor();
        await page.evaluate(() => document.querySelectorAll('.drain details').forEach((d) => { d.open = true; }));
        await check('drain');
        await page.locator('.finding button[aria-haspopup]').first().click();
        await check('acknowledge');
        await page.keyboard.press('Escape');
        await page.goto(`${BOARD}#/chart/${d.id}`);
        await page.locator('.choose button').first().waitFor();
        await check('confirm');
        await page.locator(`[data-drain="${d.id}"]`).click();
        await fill(page, '7', { vessel: 'Graduated' });
        await page.getByText('More: fill').click();
        await page.getByText('Look at the site too').click();
        await check('chart');
        await page.goto(`${BOARD}#/places`);
        await page.getByRole('heading', { name: 'Which ward?' }).waitFor();
        await check('places');
      });
    }
  }

  test('zoomed to 200 % on a small screen nothing scrolls sideways', async (t) => {
    const { page } = await visit(t, { viewport: { width: 320, height: 400 } });
    await page.locator('.card').first().waitFor();
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth));
  });
});
