// Measures how soon the ward page can be used on a phone, from the browser's own
// trace. Started by BenchmarkWard (browser_test.go), which gives BASE, TOKEN and
// CHROMIUM. The phone is a processor four times as slow as this one, behind a
// network of 9 Mbit/s and 60 ms a round trip (fast 4G as the browser's own
// developer tools had it; the Wi-Fi of a ward is of that order). The page can be used when the first drain can be
// chosen and no task of more than 50 ms follows.

import { chromium } from 'playwright-core';

const { BASE, TOKEN, CHROMIUM } = process.env;
const browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking'] });

async function visit(context) {
  const page = await context.newPage(), cdp = await context.newCDPSession(page), events = [];
  await cdp.send('Network.enable');
  await cdp.send('Network.emulateNetworkConditions', { offline: false, latency: 60, downloadThroughput: 9e6 / 8, uploadThroughput: 1.5e6 / 8 });
  await cdp.send('Emulation.setCPUThrottlingRate', { rate: 4 });
  await page.addInitScript(() => {
    new MutationObserver((_, o) => {
      if (!document.querySelector('.card')) return;
      o.disconnect();
      requestAnimationFrame(() => requestAnimationFrame(() => performance.mark('ward')));
    }).observe(document, { childList: true, subtree: true });
  });
  cdp.on('Tracing.dataCollected', ({ value }) => events.push(...value));
  await cdp.send('Tracing.start', { transferMode: 'ReportEvents', traceConfig: { includedCategories: ['blink.user_timing', 'toplevel', 'devtools.timeline', 'navigation'] } });
  await page.goto(`${BASE}/board/#token=${TOKEN}&/ward/ward-01`, { waitUntil: 'commit' });
  await page.waitForFunction(() => performance.getEntriesByName('ward').length > 0, null, { timeout: 60000 });
  await page.waitForTimeout(3000);
  const done = new Promise((ok) => cdp.once('Tracing.tracingComplete', ok));
  await cdp.send('Tracing.end');
  await done;
  const start = Math.max(...events.filter((e) => e.name === 'navigationStart' && /\/board\//.test(e.args?.data?.documentLoaderURL ?? '')).map((e) => e.ts));
  const mark = events.find((e) => e.name === 'ward' && e.cat.includes('blink.user_timing'));
  // Tasks of the page's main thread that run on from the mark without a pause of a second.
  let end = mark.ts;
  for (const e of events.filter((e) => e.name === 'RunTask' && e.pid === mark.pid && e.tid === mark.tid && e.dur > 50000).sort((a, b) => a.ts - b.ts)) {
    if (e.ts + e.dur > end && e.ts < end + 1e6) end = e.ts + e.dur;
  }
  const drains = await page.locator('.card').count();
  await page.close();
  return { shown: Math.round((mark.ts - start) / 1000), used: Math.round((end - start) / 1000), drains };
}

// The demonstration's ward has fewer drains than 60: the rest are placed first.
async function fill(want) {
  const ask = async (path, body) => {
    const res = await fetch(`${BASE}/fhir${path}`, { method: body ? 'POST' : 'GET', body: body && JSON.stringify(body), headers: { Authorization: `Bearer ${TOKEN}`, 'Content-Type': 'application/fhir+json' } });
    if (!res.ok) throw new Error(`${path}: ${res.status} ${await res.text()}`);
    return res.json();
  };
  const n = want - (await ask('/Location/ward-01/$emptying-due')).entry.length, hours = (h) => new Date(Date.now() - h * 3600000).toISOString(), entry = [];
  const add = (resource) => {
    entry.push({ fullUrl: `urn:uuid:${crypto.randomUUID()}`, resource, request: { method: 'POST', url: resource.resourceType } });
    return { reference: entry.at(-1).fullUrl };
  };
  for (let i = 0; i < n; i++) {
    const patient = add({ resourceType: 'Patient', name: [{ family: 'Beispiel', given: [`Nummer ${i}`] }] });
    const device = add({ resourceType: 'Device', status: 'active', patient, location: { reference: 'Location/ward-01' }, deviceName: [{ name: 'Drain 1', type: 'user-friendly-name' }], type: { coding: [{ system: 'http://tidemark.example.org/fhir/CodeSystem/drain', code: 'bulb' }] } });
    add({ resourceType: 'DeviceUseStatement', status: 'active', subject: patient, device, timingPeriod: { start: hours(26) } });
    for (let h = 24; h >= 2; h -= 4) {
      add({ resourceType: 'Observation', status: 'final', code: { coding: [{ system: 'http://loinc.org', code: '9203-1' }] }, subject: patient, device, effectiveDateTime: hours(h), valueQuantity: { value: 20 + (i % 9), unit: 'mL', system: 'http://unitsofmeasure.org', code: 'mL' } });
    }
  }
  if (n > 0) await ask('', { resourceType: 'Bundle', type: 'transaction', entry });
}

await fill(60);
const median = (list) => list.sort((a, b) => a - b)[Math.floor(list.length / 2)];
const first = [], again = [];
let drains;
for (let i = 0; i < 5; i++) {
  const context = await browser.newContext({ viewport: { width: 360, height: 740 }, hasTouch: true, isMobile: true });
  const a = await visit(context), b = await visit(context);
  first.push(a.used);
  again.push(b.used);
  drains = a.drains;
  await context.close();
}
await browser.close();
console.log(JSON.stringify({ drains, first: median(first), again: median(again) }));
