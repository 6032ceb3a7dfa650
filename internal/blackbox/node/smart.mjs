// Drives the service with fhirclient: other headers, its own paging and
// resolving of references.
import assert from 'node:assert/strict';
import { createRequire } from 'node:module';

const FHIR = createRequire(import.meta.url)('fhirclient');
const { BASE, TOKEN, PATIENT, DRAIN } = process.env;
const store = new Map();
const storage = { get: async (k) => store.get(k), set: async (k, v) => (store.set(k, v), v), unset: async (k) => store.delete(k) };
const c = FHIR({ headers: {}, url: '/', socket: {} }, {}, storage).client({ serverUrl: BASE, tokenResponse: { access_token: TOKEN, patient: PATIENT } });

assert.equal(await c.getFhirVersion(), '4.0.1');
const made = await c.create({ resourceType: 'Patient', name: [{ family: 'Smart' }] });
assert.ok(made.id);
made.active = true;
assert.equal((await c.update(made)).meta.versionId, '2');
assert.equal((await c.patch(`Patient/${made.id}`, [{ op: 'replace', path: '/active', value: false }])).active, false);
const all = await c.request(`Observation?patient=${PATIENT}&code=9203-1&_count=2`, { pageLimit: 0, flat: true });
assert.equal(all.length, 7);
assert.equal(new Set(all.map((o) => o.id)).size, 7);
const one = await c.request(`Observation/${all[0].id}`, { resolveReferences: ['subject', 'device'] });
assert.equal(one.subject.resourceType, 'Patient');
assert.equal(one.device.id, DRAIN);
const mine = await c.patient.request('Observation?_count=100');
assert.equal(mine.entry.filter((e) => e.search.mode === 'match').length, 7);
await c.delete(`Patient/${made.id}`);
await assert.rejects(c.request(`Patient/${made.id}`), /410|Gone/i);
console.log('all done');
