// Two clients from the npm registry and a FHIRPath engine drive the service,
// as an integration engineer would: arguments are the base URL and a token.
import assert from 'node:assert/strict';
import { Client } from 'fhir-kit-client';
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4/index.js';
import FHIR from 'fhirclient';

const [base, token] = process.argv.slice(2);
const kit = new Client({ baseUrl: base, bearerToken: token });
const drain = 'http://tidemark.example.org/fhir/CodeSystem/drain';
const now = new Date(Date.now() - 60_000).toISOString().replace(/\.\d+Z$/, 'Z');
const step = async (name, run) => { await run(); console.log('ok', name); };
const status = async (promise) => { try { await promise; return 200; } catch (e) { return e.response?.status ?? Promise.reject(e); } };

await step('capability statement', async () => {
  const c = await kit.capabilityStatement();
  assert.equal(c.fhirVersion, '4.0.1');
  assert.ok(fhirpath.evaluate(c, "rest.resource.where(type='Observation').interaction.code", {}, r4).includes('patch'));
});

await step('transaction', async () => {
  const b = await kit.transaction({ body: { resourceType: 'Bundle', type: 'transaction', entry: [
    { fullUrl: 'urn:uuid:7b5c1a52-6b4e-4c8f-9f0a-0c5f6a2b1d11', resource: { resourceType: 'Patient', name: [{ family: 'Invented' }] }, request: { method: 'POST', url: 'Patient' } },
    { resource: { resourceType: 'Device', id: 'node-drain', status: 'active', deviceName: [{ name: 'Drain 1', type: 'user-friendly-name' }], patient: { reference: 'urn:uuid:7b5c1a52-6b4e-4c8f-9f0a-0c5f6a2b1d11' } }, request: { method: 'PUT', url: 'Device/node-drain' } },
  ] } });
  assert.equal(b.type, 'transaction-response');
  assert.deepEqual(b.entry.map((e) => e.response.status.slice(0, 3)), ['201', '201']);
});

const device = await kit.read({ resourceType: 'Device', id: 'node-drain' });
const patient = device.patient.reference.split('/')[1];
const emptying = (n) => ({
  resourceType: 'Observation', identifier: [{ system: 'urn:example:node', value: `e${n}` }], status: 'final',
  code: { coding: [{ system: 'http://loinc.org', code: '9203-1' }] }, subject: { reference: `Patient/${patient}` }, device: { reference: 'Device/node-drain' },
  effectiveDateTime: now, valueQuantity: { value: 10 + n, unit: 'mL', system: 'http://unitsofmeasure.org', code: 'mL' },
  component: [{ code: { coding: [{ system: drain, code: 'suction-state' }] }, valueCodeableConcept: { coding: [{ system: drain, code: 'charged' }] } }],
});
const ids = [];

await step('create, conditional create', async () => {
  for (let n = 0; n < 7; n++) ids.push((await kit.create({ resourceType: 'Observation', body: emptying(n) })).id);
  const again = await kit.create({ resourceType: 'Observation', body: emptying(3), options: { headers: { 'If-None-Exist': 'identifier=urn:example:node|e3' } } });
  assert.equal(again.id, ids[3]);
  assert.equal(await status(kit.create({ resourceType: 'Observation', body: emptying(3) })), 409);
});

await step('search and follow every page', async () => {
  const seen = [];
  let page = await kit.search({ resourceType: 'Observation', searchParams: { patient, _count: 3, _sort: 'date' } });
  for (; page; page = await kit.nextPage({ bundle: page })) seen.push(...fhirpath.evaluate(page, "entry.where(search.mode='match').resource.id", {}, r4));
  assert.deepEqual([...seen].sort(), [...ids].sort());
  const posted = await kit.search({ resourceType: 'Observation', searchParams: { 'value-quantity': 'gt15|http://unitsofmeasure.org|mL', patient }, options: { postSearch: true } });
  assert.equal(posted.total, 1);
});

await step('update, patch, history, delete', async () => {
  const o = await kit.read({ resourceType: 'Observation', id: ids[0] });
  o.status = 'corrected';
  o.valueQuantity.value = 12;
  const u = await kit.update({ resourceType: 'Observation', id: o.id, body: o, options: { headers: { 'If-Match': 'W/"1"' } } });
  assert.equal(u.meta.versionId, '2');
  assert.equal(await status(kit.update({ resourceType: 'Observation', id: o.id, body: o, options: { headers: { 'If-Match': 'W/"1"' } } })), 412);
  const p = await kit.patch({ resourceType: 'Observation', id: o.id, jsonPatch: [{ op: 'replace', path: '/status', value: 'amended' }] });
  assert.equal(p.status, 'amended');
  const h = await kit.history({ resourceType: 'Observation', id: o.id });
  assert.deepEqual(fhirpath.evaluate(h, 'entry.resource.meta.versionId', {}, r4), ['3', '2', '1']);
  assert.equal((await kit.vread({ resourceType: 'Observation', id: o.id, version: '1' })).status, 'final');
  await kit.delete({ resourceType: 'Observation', id: ids[6] });
  assert.equal(await status(kit.read({ resourceType: 'Observation', id: ids[6] })), 410);
});

await step('batch', async () => {
  const b = await kit.batch({ body: { resourceType: 'Bundle', type: 'batch', entry: [
    { request: { method: 'GET', url: `Patient/${patient}` } }, { request: { method: 'GET', url: 'Patient/nobody' } }] } });
  assert.deepEqual(b.entry.map((e) => e.response.status.slice(0, 3)), ['200', '404']);
});

await step('operations', async () => {
  const out = await kit.operation({ name: '$drain-output', resourceType: 'Device', id: 'node-drain', method: 'GET', input: { period: 'total' } });
  const total = fhirpath.evaluate(out, `entry.resource.where(code.coding.code.startsWith('drain-output-total')).value.value`, {}, r4);
  assert.deepEqual(total, [12 + 11 + 12 + 13 + 14 + 15]);
  const st = await kit.operation({ name: '$escalation-status', resourceType: 'Device', id: 'node-drain', method: 'GET' });
  assert.equal(st.entry[0].resource.device.reference, 'Device/node-drain');
});

await step('a second client walks pages and references', async () => {
  const storage = { data: {}, async get(k) { return this.data[k]; }, async set(k, v) { this.data[k] = v; return v; }, async unset(k) { delete this.data[k]; return true; } };
  const req = { headers: {}, url: '/', method: 'GET', connection: {}, socket: {} };
  const client = FHIR(req, {}, storage).client({ serverUrl: base, tokenResponse: { access_token: token } });
  const all = await client.request(`Observation?patient=${patient}&_count=2`, { pageLimit: 0, flat: true, resolveReferences: ['subject'] });
  assert.equal(all.length, 6);
  assert.equal(all[0].subject.resourceType ?? 'Patient', 'Patient');
});
