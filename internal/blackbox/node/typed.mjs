// Drives the service with the FHIR client of @medplum/core, as its users do: caching off,
// everything else as it comes.
import assert from 'node:assert/strict';
import { MedplumClient, createReference } from '@medplum/core';

const { BASE, TOKEN, PATIENT, DRAIN } = process.env;
const base = new URL(BASE);
const c = new MedplumClient({ baseUrl: base.origin + '/', fhirUrlPath: base.pathname.replace(/^\//, ''), accessToken: TOKEN, cacheTime: 0, fetch });
const fails = async (status, f) => {
  const e = await f().then(() => assert.fail(`no ${status}`), (e) => e);
  assert.equal(e.outcome?.resourceType, 'OperationOutcome', e.message);
  return e;
};
const sys = 'http://example.org/typed';
const person = (v) => ({ resourceType: 'Patient', identifier: [{ system: sys, value: v }], name: [{ family: 'Typed' }] });

const made = await c.createResource(person('a'));
assert.equal(made.meta.versionId, '1');
assert.equal((await c.createResourceIfNoneExist(person('a'), `identifier=${sys}|a`)).id, made.id);
assert.equal((await c.upsertResource({ ...person('a'), active: true }, { identifier: `${sys}|a` })).id, made.id);
assert.equal((await c.readResource('Patient', made.id)).active, true);
const patched = await c.patchResource('Patient', made.id, [{ op: 'replace', path: '/active', value: false }]);
assert.equal(patched.active, false);
const updated = await c.updateResource({ ...patched, name: [{ family: 'Retyped' }] });
assert.equal(updated.meta.versionId, '4');
assert.equal((await c.readVersion('Patient', made.id, '1')).name[0].family, 'Typed');
assert.equal((await c.readHistory('Patient', made.id)).entry.length, 4);
await fails(404, () => c.readResource('Patient', 'nobody'));
await fails(400, () => c.search('Observation', { date: 'yesterday' }));

// search: a Bundle, resources, one, a reference, all pages
assert.equal((await c.search('Observation', { patient: PATIENT, code: '9203-1', _count: '3', _sort: '-date' })).entry.length, 3);
assert.equal((await c.searchResources('Observation', `patient=${PATIENT}&code=http://loinc.org|9203-1`)).length, 7);
assert.equal((await c.searchOne('Device', { _id: DRAIN })).id, DRAIN);
assert.equal((await c.readReference({ reference: `Patient/${PATIENT}` })).id, PATIENT);
const seen = new Set();
for await (const page of c.searchResourcePages('Observation', { patient: PATIENT, _count: '3' })) page.forEach((o) => seen.add(o.id));
assert.equal(seen.size, 7);
assert.ok((await c.readPatientEverything(PATIENT)).entry.length >= 8);

// a charted entry, and what the service makes of it
const entry = await c.createResource({
  resourceType: 'Observation', status: 'final', subject: createReference(await c.readResource('Patient', PATIENT)), device: { reference: `Device/${DRAIN}` },
  code: { coding: [{ system: 'http://loinc.org', code: '9203-1' }] }, effectiveDateTime: new Date(Date.now() - 60_000).toISOString(),
  valueQuantity: { value: 12.5, unit: 'mL', system: 'http://unitsofmeasure.org', code: 'mL' },
});
const total = await c.get(c.fhirUrl('Device', DRAIN, '$drain-output').toString());
assert.equal(total.resourceType, 'Bundle');
const status = await c.get(c.fhirUrl('Device', DRAIN, '$escalation-status').toString());
assert.ok(status.entry.length > 0);
const validated = await c.validateResource({ ...entry, id: undefined, meta: undefined });
assert.ok(!validated.issue.some((i) => i.severity === 'error'));

// a batch, and one that goes wrong in one entry only
const batch = await c.executeBatch({ resourceType: 'Bundle', type: 'batch', entry: [
  { request: { method: 'GET', url: `Patient/${PATIENT}` } }, { request: { method: 'GET', url: 'Patient/nobody' } },
  { request: { method: 'POST', url: 'Patient' }, resource: person('b') }] });
assert.deepEqual(batch.entry.map((e) => e.response.status.slice(0, 3)), ['200', '404', '201']);
await c.deleteResource('Patient', made.id);
await fails(410, () => c.readResource('Patient', made.id));
console.log('all done');
