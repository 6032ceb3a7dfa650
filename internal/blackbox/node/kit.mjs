// Drives the service with fhir-kit-client, as an integration engineer would.
import assert from 'node:assert/strict';
import { Client } from 'fhir-kit-client';

const { BASE, TOKEN, PATIENT, DRAIN } = process.env;
const c = new Client({ baseUrl: BASE, bearerToken: TOKEN });
const http = (r) => Client.httpFor(r).response;
const fails = async (status, f) => {
  const e = await f().then(() => assert.fail(`no ${status}`), (e) => e);
  assert.equal(e.response?.status, status, e.message);
  assert.equal(e.response.data.resourceType, 'OperationOutcome');
};
const sys = 'http://example.org/kit';
const person = (v) => ({ resourceType: 'Patient', identifier: [{ system: sys, value: v }], name: [{ family: 'Kit' }] });

const cap = await c.capabilityStatement();
assert.equal(cap.fhirVersion, '4.0.1');

// create, read, vread, update, patch, delete
const made = await c.create({ resourceType: 'Patient', body: person('a') });
assert.match(http(made).headers.get('location'), /\/Patient\/[^/]+\/_history\/1$/);
const id = made.id;
assert.equal((await c.read({ resourceType: 'Patient', id })).name[0].family, 'Kit');
const two = await c.update({ resourceType: 'Patient', id, body: { ...person('a'), id, active: true }, options: { headers: { 'If-Match': 'W/"1"' } } });
assert.equal(two.meta.versionId, '2');
await fails(412, () => c.update({ resourceType: 'Patient', id, body: { ...person('a'), id }, options: { headers: { 'If-Match': 'W/"1"' } } }));
const three = await c.patch({ resourceType: 'Patient', id, jsonPatch: [{ op: 'replace', path: '/active', value: false }] });
assert.equal(three.active, false);
assert.equal((await c.vread({ resourceType: 'Patient', id, version: '1' })).active, undefined);
const again = await c.create({ resourceType: 'Patient', body: person('a'), options: { headers: { 'If-None-Exist': `identifier=${sys}|a` } } });
assert.equal(again.id, id);
const byCriteria = await c.update({ resourceType: 'Patient', searchParams: { identifier: `${sys}|a` }, body: person('a') });
assert.equal(byCriteria.id, id);

// search: GET, POST, system, compartment, all pages
const sorted = { patient: PATIENT, code: 'http://loinc.org|9203-1', _sort: '-date', _count: '3' };
const byGet = await c.search({ resourceType: 'Observation', searchParams: sorted });
const byPost = await c.search({ resourceType: 'Observation', searchParams: sorted, options: { postSearch: true } });
assert.deepEqual(byGet.entry.map((e) => e.resource.id), byPost.entry.map((e) => e.resource.id));
const seen = new Set();
for (let page = byGet; page; page = await c.nextPage({ bundle: page })) {
  for (const e of page.entry ?? []) {
    assert.ok(!seen.has(e.resource.id));
    seen.add(e.resource.id);
  }
}
assert.equal(seen.size, 7);
for (const options of [{}, { postSearch: true }]) {
  const inside = await c.search({ resourceType: 'Observation', compartment: { resourceType: 'Patient', id: PATIENT }, searchParams: { code: '9203-1' }, options });
  assert.equal(inside.entry.length, 7);
}
const included = await c.search({ resourceType: 'Observation', searchParams: { patient: PATIENT, _count: '1', _include: ['Observation:subject', 'Observation:device'] } });
assert.deepEqual(included.entry.map((e) => e.search.mode).sort(), ['include', 'include', 'match']);
await fails(400, () => c.search({ resourceType: 'Observation', searchParams: { date: 'yesterday' } }));

// history
assert.equal((await c.history({ resourceType: 'Patient', id })).total, 4);
assert.equal((await c.history({ resourceType: 'Patient' })).type, 'history');
assert.equal((await c.history()).type, 'history');

// batch, transaction (both are posted to [base]/)
const batch = await c.batch({ body: { resourceType: 'Bundle', type: 'batch', entry: [{ request: { method: 'GET', url: `Patient/${id}` } }, { request: { method: 'GET', url: 'Patient/nobody' } }] } });
assert.deepEqual(batch.entry.map((e) => e.response.status.slice(0, 3)), ['200', '404']);
const urn = 'urn:uuid:0b3c1c2e-6f5d-4a52-9d0a-7a5ce9e3c001';
const tx = await c.transaction({ body: { resourceType: 'Bundle', type: 'transaction', entry: [
  { resource: { resourceType: 'Observation', status: 'final', code: { text: 'kit' }, subject: { reference: urn } }, request: { method: 'POST', url: 'Observation' } },
  { fullUrl: urn, resource: person('tx'), request: { method: 'POST', url: 'Patient' } }] } });
assert.equal(tx.entry[0].resource.subject.reference, `Patient/${tx.entry[1].resource.id}`);
assert.equal((await c.resolve({ reference: tx.entry[0].resource.subject.reference })).id, tx.entry[1].resource.id);

// operations
const out = await c.operation({ name: 'drain-output', resourceType: 'Device', id: DRAIN, method: 'GET', input: { period: 'total' } });
assert.ok(out.entry.some((e) => e.resource.valueQuantity?.code === 'mL' && e.resource.valueQuantity.value === 10.5));
const outcome = await c.operation({ name: 'validate', resourceType: 'Observation', input: { resourceType: 'Parameters', parameter: [{ name: 'resource', resource: { resourceType: 'Observation', code: { text: 'x' } } }] } });
assert.equal(outcome.issue[0].severity, 'error');

await c.delete({ resourceType: 'Patient', id });
await fails(410, () => c.read({ resourceType: 'Patient', id }));
await fails(401, () => new Client({ baseUrl: BASE }).read({ resourceType: 'Patient', id }));
console.log('all done');
