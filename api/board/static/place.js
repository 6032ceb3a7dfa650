// Placing a drain, and what becomes of one in place: removed, replaced, moved,
// or taken home. What belongs together is written in one step or not at all.

import { h, put, unique } from './dom.js';
import { sign } from './draw.js';
import { batch, call, entries, now, rawNumber, Refused, session, Unreachable, uuid } from './fhir.js';
import { settings } from './settings.js';
import { code, idOf, LOCAL, personName, span, UCUM } from './words.js';
import { clock, instants, stamp, zoned } from './zone.js';

const local = (c) => ({ coding: [{ system: LOCAL, code: c }] });
const URN = 'urn:ietf:rfc:3986', SIDE = 'http://tidemark.example.org/fhir/StructureDefinition/body-side';
const kinds = { bulb: 'Bulb', 'spring-reservoir': 'Spring reservoir', 'vacuum-bottle': 'Vacuum bottle', 'passive-closed': 'Closed, without suction', open: 'Open' };
const compartments = { wound: 'Wound', peritoneal: 'Abdominal cavity', biliary: 'Bile duct', pleural: 'Pleural space', pericardial: 'Pericardium' };
// SNOMED CT, Global Patient Set.
const sides = { left: '7771000', right: '24028007' };

/** patients of a ward, with their beds. */
export async function patients(ward) {
  const [stays] = await batch([`Encounter?location=Location/${ward.id}&status=in-progress&_include=Encounter:patient&_count=500`]);
  if (stays instanceof Refused) throw stays;
  const all = entries(stays), beds = new Map(ward.parts.filter((p) => code(p.physicalType) === 'bd').map((p) => [p.id, p.name]));
  return all.filter((e) => e.resourceType === 'Encounter').map((e) => {
    const p = all.find((x) => x.resourceType === 'Patient' && x.id === idOf(e.subject));
    const bed = (e.location ?? []).filter((l) => l.status !== 'completed').map((l) => beds.get(idOf(l.location))).find(Boolean);
    return { id: idOf(e.subject), name: personName(p), born: p?.birthDate, bed, ward: ward.id };
  }).sort((a, b) => (a.bed ?? '').localeCompare(b.bed ?? '', undefined, { numeric: true }));
}

/** choose lists the ward's patients, to place a drain for one. */
export function choose(root, list) {
  put(root, h('h1', { tabindex: '-1' }, 'Place a drain: for whom?'), h('ul', { class: 'choose' }, list.map((p) => h('li', {}, h('a', { class: 'button', href: `#/place/${p.ward}/${p.id}` }, h('span', { class: 'bed' }, p.bed ?? 'No bed'), ' ', h('bdi', {}, p.name), p.born && h('span', { class: 'quiet' }, `born ${p.born}`))))),
    !list.length && h('p', {}, 'No patient of this ward is known.'), h('p', {}, h('a', { href: '#/' }, 'Back to the ward')));
}

const field = (label, input, hint) => h('p', { class: 'field' }, h('label', { for: input.id }, label), ' ', input, hint && h('span', { class: 'quiet' }, ` ${hint}`));
const text = (value = '', more = {}) => h('input', { id: unique('f'), autocomplete: 'off', maxlength: 80, value, ...more });
const select = (options, value) => h('select', { id: unique('f') }, Object.entries(options).map(([k, w]) => h('option', { value: k, selected: k === value }, w)));

/** site are the fields of where a drain lies. */
function site(d = {}) {
  const where = text(d.site, { required: true }), side = select({ '': 'not stated', left: 'left', right: 'right' }, d.side);
  return { where, side, lines: [field('Site', where, 'such as breast, hip, upper abdomen'), field('Side', side)] };
}

function placement({ patient, device, at, site, label }) {
  return {
    resourceType: 'DeviceUseStatement', status: 'active', subject: { reference: `Patient/${patient}` }, device: { reference: device }, timingPeriod: { start: zoned(at) }, bodySite: { text: site.where.value.trim() },
    identifier: [{ system: URN, value: `urn:uuid:${label}` }],
    ...(site.side.value ? { extension: [{ url: SIDE, valueCodeableConcept: { coding: [{ system: 'http://snomed.info/sct', code: sides[site.side.value] }], text: site.side.value } }] } : {}),
  };
}

/** hardware are the fields of the drain itself. */
function hardware(d = {}, spare = []) {
  const name = text(d.label, { required: true }), kind = select(kinds, d.kind ?? 'bulb'), compartment = select(compartments, d.compartment ?? 'wound');
  const capacity = text(d.capacity ? String(d.capacity.value) : String(settings.capacity), { inputmode: 'decimal', maxlength: 6 });
  const reuse = spare.length > 0 && select({ '': 'a new drain', ...Object.fromEntries(spare.map((s) => [s.id, `again: ${s.label}`])) }, '');
  const own = h('div', { class: 'lines' }, field('Name on the label', name, 'such as Drain 2, left axilla'), field('Kind', kind), field('It drains', compartment), field('Reservoir, mL', capacity));
  if (reuse) reuse.addEventListener('change', () => { own.hidden = Boolean(reuse.value); });
  return { name, kind, compartment, capacity, reuse, lines: [reuse && field('Drain', reuse), own] };
}

const device = (patient, w) => ({
  resourceType: 'Device', status: 'active', deviceName: [{ name: w.name.value.trim(), type: 'user-friendly-name' }], type: local(w.kind.value), patient: { reference: `Patient/${patient}` },
  property: [{ type: local('reservoir-capacity'), valueQuantity: [{ value: rawNumber(w.capacity.value.replace(',', '.')), unit: 'mL', system: UCUM, code: 'mL' }] }, { type: local('compartment'), valueCode: [local(w.compartment.value)] }],
});

/** steps are the entries that put a drain in place: a new one, or one used again. */
async function steps(patient, w, where, at) {
  const key = uuid();
  if (w.reuse?.value) {
    const { resource, etag } = await call(`Device/${w.reuse.value}`, { exact: true });
    return [{ request: { method: 'PUT', url: `Device/${resource.id}`, ifMatch: etag }, resource: { ...resource, status: 'active', patient: { reference: `Patient/${patient}` } } },
      { request: { method: 'POST', url: 'DeviceUseStatement' }, resource: placement({ patient, device: `Device/${resource.id}`, at, site: where, label: key }) }];
  }
  const full = `urn:uuid:${uuid()}`;
  return [{ fullUrl: full, request: { method: 'POST', url: 'Device' }, resource: device(patient, w) },
    { request: { method: 'POST', url: 'DeviceUseStatement' }, resource: placement({ patient, device: full, at, site: where, label: key }) }];
}

/** sheet is a form with a time, which is sent as one transaction. */
function sheet(root, { title, who, lines, words, check, write, done, extra }) {
  const when = h('input', { id: unique('when'), type: 'datetime-local', max: stamp(now()) });
  const problem = h('p', { class: 'problem', role: 'alert' }), send = h('button', { type: 'submit', class: 'main send' });
  let sure, busy = false;
  const draw = () => put(send, words());
  const form = h('form', { class: 'chart', novalidate: true, oninput: () => { put(problem); draw(); sure = undefined; }, onsubmit: async (e) => {
    e.preventDefault();
    if (busy) return;
    const times = when.value ? instants(when.value) : [now()], empty = [...form.querySelectorAll('input[required]')].find((i) => i.offsetParent && !i.value.trim());
    if (empty) { put(problem, 'This is missing: ', form.querySelector(`label[for="${empty.id}"]`).textContent); empty.focus(); return; }
    if (!times.length) { put(problem, `The ward's clock skipped ${when.value.slice(11)} that night.`); return; }
    const wrong = check?.();
    if (wrong) { put(problem, wrong); return; }
    // A place and a time are asked about once, as an amount is.
    const late = now() - times[0] > 2 * 3600000;
    if (late && sure !== when.value) {
      sure = when.value;
      put(problem, sign('moderate'), ` The time is ${span(now() - times[0])} back: ${clock(times[0], now())}. Press once more if it is right.`);
      return;
    }
    busy = send.disabled = true;
    try {
      done((await call('', { method: 'POST', body: { resourceType: 'Bundle', type: 'transaction', entry: await write(times[0]) } })).resource);
    } catch (err) {
      put(problem, err instanceof Unreachable ? 'Not done: the service does not answer. What you filled in stays here.' : `Not done: ${err.message}`);
    } finally {
      busy = send.disabled = false;
    }
  } }, lines, field("When, on the ward's clock (now, if left empty)", when), problem, h('div', { class: 'reach' }, send));
  put(root, h('h1', { tabindex: '-1' }, title), h('p', { class: 'confirmed' }, who), form, extra, h('p', {}, h('a', { href: '#/' }, 'Leave without changing anything')));
  draw();
}

const band = (p) => [p.bed && [h('span', { class: 'bed' }, p.bed), ' '], h('bdi', {}, h('strong', {}, p.name)), p.born && `, born ${p.born}`];

/** spares are drains of the patient that are in no place now: they may be used again. */
async function spares(patient) {
  const [found] = await batch([`Device?patient=Patient/${patient}&_revinclude=DeviceUseStatement:device&_count=50`]);
  const all = found instanceof Refused ? [] : entries(found);
  return all.filter((d) => d.resourceType === 'Device' && all.some((u) => u.resourceType === 'DeviceUseStatement' && idOf(u.device) === d.id)
    && !all.some((u) => u.resourceType === 'DeviceUseStatement' && idOf(u.device) === d.id && u.status !== 'entered-in-error' && !u.timingPeriod?.end))
    .map((d) => ({ id: d.id, label: d.deviceName?.[0]?.name ?? d.id }));
}

/** place draws the form for a patient. */
export async function place(root, patient, done) {
  const spare = await spares(patient.id);
  return () => {
    const w = hardware({}, spare), where = site();
    sheet(root, { title: 'Place a drain', who: [band(patient), h('br'), 'Compare the name band.'], lines: [w.lines, where.lines], words: () => `Place${w.reuse?.value ? ' it again' : ''}`, write: (at) => steps(patient.id, w, where, at), done });
  };
}

/** change draws what may become of a drain in place. */
export function change(root, drain, kind, done, stay) {
  const tip = h('input', { type: 'checkbox', id: unique('tip') }), where = site(drain), next = kind === 'replace' && hardware(drain);
  const patient = { id: drain.patient, name: drain.name, born: drain.born, bed: drain.bed }, who = [band(patient), h('br'), h('strong', {}, drain.label)];
  if (kind === 'home') {
    return sheet(root, { title: 'Home with the drain', who, lines: h('p', {}, 'The stay ends; the drain stays in place and leaves the ward\'s lists. At home it is to be emptied every 12 h unless the policy says otherwise.'), words: () => 'End the stay', done,
      write: async (at) => {
        const { resource, etag } = await call(`Encounter/${stay.id}`, { exact: true });
        return [{ request: { method: 'PUT', url: `Encounter/${stay.id}`, ifMatch: etag }, resource: { ...resource, status: 'finished', period: { ...resource.period, end: zoned(at) } } }];
      } });
  }
  const words = { remove: 'Removed', replace: 'End this one and place the new one', move: 'Move it' }[kind];
  return sheet(root, {
    title: { remove: 'Remove the drain', replace: 'Replace the drain', move: 'Move the drain to another site' }[kind], who, words: () => words, done,
    lines: [kind !== 'move' && h('p', { class: 'tick' }, tip, h('label', { for: tip.id }, 'The whole drain is out: its tip was seen')), kind === 'replace' && next.lines, kind === 'move' && where.lines],
    check: () => (kind !== 'move' && !tip.checked ? 'Look at the tip and tick it. If it is not whole, leave the drain as it is here and call the surgical team.' : kind === 'move' && where.where.value.trim() === drain.site && where.side.value === (drain.side ?? '') ? 'The site is the same as before.' : undefined),
    write: async (at) => {
      const { resource: u, etag } = await call(`DeviceUseStatement/${drain.placement}`, { exact: true });
      const by = session.subject, said = { ...(/\//.test(by) ? { authorReference: { reference: by } } : { authorString: by || 'not named' }), time: zoned(now()) };
      const list = [{ request: { method: 'PUT', url: `DeviceUseStatement/${u.id}`, ifMatch: etag }, resource: { ...u, status: 'completed', timingPeriod: { ...u.timingPeriod, end: zoned(at) }, note: [...(u.note ?? []), { ...said, text: kind === 'move' ? 'Moved to another site' : 'Removed whole, tip seen' }] } }];
      if (kind === 'move') list.push({ request: { method: 'POST', url: 'DeviceUseStatement' }, resource: placement({ patient: drain.patient, device: `Device/${drain.id}`, at, site: where, label: uuid() }) });
      if (kind !== 'move') {
        const { resource: d, etag: tag } = await call(`Device/${drain.id}`, { exact: true });
        list.push({ request: { method: 'PUT', url: `Device/${d.id}`, ifMatch: tag }, resource: { ...d, status: 'inactive' } });
      }
      if (kind === 'replace') list.push(...await steps(drain.patient, next, where, at));
      return list;
    },
  });
}
