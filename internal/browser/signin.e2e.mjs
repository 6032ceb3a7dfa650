// Signs in at a real OpenID provider in headless Chromium, against the real
// binary. Started by TestSignIn (browser_test.go), which gives BIN, CHROMIUM and DIR.

import assert from 'node:assert/strict';
import { execFileSync, spawn } from 'node:child_process';
import { createServer } from 'node:net';
import { after, before, describe, test } from 'node:test';
import Provider from 'oidc-provider';
import { chromium } from 'playwright-core';

const { BIN, CHROMIUM, DIR } = process.env;
const free = () => new Promise((done) => { const s = createServer().listen(0, '127.0.0.1', () => { const { port } = s.address(); s.close(() => done(port)); }); });
const AUDIENCE = 'https://tidemark.example.org/fhir', SCOPE = 'user/*.rs user/Observation.cu user/DetectedIssue.u';

let browser, issuer, provider, server, service, BOARD, life = 3600;
before(async () => {
  const [at, port] = [await free(), await free()];
  issuer = `http://127.0.0.1:${at}`;
  const base = `http://127.0.0.1:${port}`;
  BOARD = `${base}/board/`;
  provider = new Provider(issuer, {
    clients: [{ client_id: 'ward-page', token_endpoint_auth_method: 'none', application_type: 'native', grant_types: ['authorization_code', 'refresh_token'], response_types: ['code'], redirect_uris: [BOARD], post_logout_redirect_uris: [BOARD] }],
    pkce: { required: () => true }, clientBasedCORS: () => true,
    scopes: ['openid', 'offline_access', 'fhirUser', ...SCOPE.split(' ')], claims: { openid: ['sub'], fhirUser: ['fhirUser'] },
    findAccount: (_, sub) => ({ accountId: sub, claims: () => ({ sub, fhirUser: `Practitioner/${sub}` }) }),
    conformIdTokenClaims: false, rotateRefreshToken: true, issueRefreshToken: () => true,
    ttl: { AccessToken: () => life, RefreshToken: 3600, Session: 3600, Interaction: 600, Grant: 3600, IdToken: 3600 },
    extraTokenClaims: (_, token) => ({ fhirUser: `Practitioner/${token.accountId}` }),
    features: {
      devInteractions: { enabled: true }, revocation: { enabled: true },
      resourceIndicators: { enabled: true, useGrantedResource: () => true, getResourceServerInfo: () => ({ scope: SCOPE, audience: AUDIENCE, accessTokenTTL: life, accessTokenFormat: 'jwt', jwt: { sign: { alg: 'RS256' } } }) },
    },
  });
  provider.on('server_error', (_, err) => console.error(err));
  server = provider.listen(at, '127.0.0.1');
  execFileSync(BIN, ['simulate', '--patients', '4', '--days', '2', '--out', `${DIR}/ward.ndjson`]);
  execFileSync(BIN, ['import', '--data', `${DIR}/data`, `${DIR}/ward.ndjson`], { stdio: 'ignore' });
  service = spawn(BIN, ['serve', '--listen', `127.0.0.1:${port}`, '--admin-listen=', '--data', `${DIR}/data`, '--issuer', issuer, '--audience', AUDIENCE, '--board-client', 'ward-page', '--board-scope', `openid fhirUser offline_access ${SCOPE}`], { stdio: ['ignore', 'ignore', 'inherit'] });
  for (let i = 0; i < 200; i++) {
    if (await fetch(`${base}/readyz`).then((r) => r.ok, () => false)) break;
    await new Promise((r) => setTimeout(r, 100));
  }
  browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox', '--disable-gpu', '--disable-background-networking'] });
});
after(async () => {
  await browser?.close();
  service?.kill('SIGTERM');
  server?.close();
  server?.closeAllConnections();
});

/** enter goes through the provider's own pages. */
async function enter(page, name) {
  await page.getByRole('button', { name: 'Sign in with your hospital account' }).click();
  await page.waitForURL((u) => u.href.startsWith(issuer));
  if (await page.locator('input[name=login]').count()) {
    await page.locator('input[name=login]').fill(name);
    await page.locator('input[name=password]').fill('any');
    await page.locator('button[type=submit]').click();
  }
  if (page.url().startsWith(issuer)) await page.locator('button[type=submit]').click().catch(() => {}); // consent
  await page.waitForURL((u) => u.href.startsWith(BOARD));
}

describe('sign-in at the issuer', () => {
  test('code with PKCE; nothing of it stays in the address; sign-out ends it in every tab', async (t) => {
    const context = await browser.newContext({ serviceWorkers: 'block' });
    t.after(() => context.close());
    const page = await context.newPage(), asked = [];
    page.on('request', (r) => { if (r.url().startsWith(`${issuer}/auth?`)) asked.push(new URL(r.url()).searchParams); });
    await page.goto(`${BOARD}#/places`);
    await page.getByRole('dialog').waitFor();
    assert.equal(await page.locator('#token').isVisible(), false);
    await enter(page, 'nurse-01-1');
    await page.locator('#who', { hasText: 'Nurse Alder' }).waitFor();
    assert.equal(new URL(page.url()).search, '');
    assert.match(page.url(), /#\/places$/, 'the page that was asked for');
    assert.equal(asked[0].get('code_challenge_method'), 'S256');
    assert.match(asked[0].get('aud'), /\/fhir$/);
    assert.equal(asked[0].get('response_type'), 'code');
    // A second tab signs in without a password, and leaves with the first.
    const second = await context.newPage();
    await second.goto(BOARD);
    await enter(second, 'nurse-01-1');
    await second.locator('#who', { hasText: 'Nurse Alder' }).waitFor();
    await page.getByRole('button', { name: 'Sign out' }).click();
    await second.getByRole('dialog').waitFor();
    assert.equal(await second.locator('.card').count(), 0);
    assert.equal(await second.evaluate(() => Object.keys(sessionStorage).filter((k) => /token|user:/.test(k)).length), 0);
  });

  test('a token that runs out is renewed; without renewal the form is there again after signing in', async (t) => {
    life = 20;
    const context = await browser.newContext({ serviceWorkers: 'block' });
    t.after(() => context.close());
    const page = await context.newPage();
    await page.goto(BOARD);
    await enter(page, 'nurse-01-2');
    await page.locator('.card').first().waitFor();
    const token = () => page.evaluate(() => sessionStorage.getItem('tidemark.token'));
    const first = await token();
    await page.waitForFunction((x) => sessionStorage.getItem('tidemark.token') !== x, first, { timeout: 60000 });
    assert.equal(await page.locator('dialog[open]').count(), 0);
    const drain = await page.locator('.card').first().getAttribute('data-key');
    await page.goto(`${BOARD}#/chart/${drain}`);
    await page.locator('[data-sure]').waitFor();
    await page.waitForTimeout(700);
    await page.locator('[data-sure]').click();
    await page.getByLabel('Amount', { exact: true }).fill('27');
    await page.route(`${issuer}/token`, (r) => r.abort());
    await page.getByRole('dialog').waitFor({ timeout: 60000 });
    await page.unroute(`${issuer}/token`);
    life = 3600;
    await enter(page, 'nurse-01-2');
    await page.locator('[data-sure]').waitFor();
    await page.waitForTimeout(700);
    await page.locator('[data-sure]').click();
    assert.equal(await page.getByLabel('Amount', { exact: true }).inputValue(), '27');
  });
});
