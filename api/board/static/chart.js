// Charting at the bedside: the drain is confirmed first, then amount, appearance
// and suction; the vessel is remembered. What looks like a slip is asked about
// once. The entry goes through the outbox. Correcting one uses the same form.

import { person } from './concern.js';
import { h, put, unique } from './dom.js';
import { bedOf } from './drain.js';
import { sign, swatch } from './draw.js';
import { call, batch, entries, events, now, rawNumber, Refused, session, Unreachable, uuid } from './fhir.js';
import { IDENTIFIER, outbox } from './outbox.js';
import { settings } from './settings.js';
import { ago, cares, code, component, figure, idOf, LOCAL, localOutput, LOINC, looks, ml, outputs, reading, says, span, suctions, UCUM, vessels } from './words.js';
import { drainOf, placementOf, siteWords } from './ward.js';
import { clock, instants, near, stamp, time, zoned } from './zone.js';

const local = (c) => ({ coding: [{ system: LOCAL, code: c }] });
const quantity = (value, unit) => ({ value, unit, system: UCUM, code: unit });
const category = [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'exam' }] }];

/** siblings are all drains in place of the patient whose drain this is. */
export async function siblings(id) {
  const [first] = await batch([`Device?_id=${id}&_include=Device:patient&_revinclude=DeviceUseStatement:device`]);
  if (first instanceof Refused) throw first;
  let all = entries(first);
  const device = all.find((x) => x.resourceType === 'Device');
  if (!device) throw new Refused(404, { issue: [{ diagnostics: `No drain ${id} is known, or this token may not see it.` }] });
  if (device.patient) {
    all = [...all, ...entries((await call(`Device?patient=${device.patient.reference}&_revinclude=DeviceUseStatement:device&_count=50`)).resource)];
  }
  const stay = placementOf(all, id), whose = idOf(stay?.subject ?? device.patient), patient = all.find((x) => x.resourceType === 'Patient' && x.id === whose);
  const bed = await bedOf(whose).catch(() => undefined);
  const seen = new Map(all.filter((x) => x.resourceType === 'Device').map((d) => [d.id, d]));
  return [...seen.values()].map((d) => drainOf(d, placementOf(all, d.id), patient, bed?.name))
    .filter((d) => d.id === id || (!d.removed && d.patient === whose)).sort((a, b) => a.label.localeCompare(b.label));
}

const place = (d) => [d.side, d.site].filter(Boolean).join(' ') || 'site not stated';

/** person who the entry is about, as the name band has it. */
const band = (d) => [d.bed && [h('span', { class: 'bed' }, d.bed), ' '], h('bdi', {}, h('strong', {}, d.name)), d.born && `, born ${d.born}`];

// A second tap of the one that opened this page must not choose a drain.
const SETTLE = 600;

/** confirm asks which drain is in the hand, before anything can be charted. */
export function confirm(root, drains, opened, go) {
  const d = drains.find((x) => x.id === opened), shown = Date.now();
  let picked = d;
  const said = h('p', { class: 'problem', role: 'status' });
  const sure = h('button', { type: 'button', class: 'main send', 'data-sure': '', onclick: () => { if (Date.now() - shown >= SETTLE) go(picked); } });
  const draw = () => {
    put(sure, 'In my hand: ', picked.label);
    put(said, picked !== d && [sign('moderate'), ` You opened ${d.label}. This is ${picked.label}.`]);
  };
  const list = h('fieldset', { class: 'which' }, h('legend', {}, drains.length > 1 ? 'Drains of this patient' : 'Drain'), drains.map((x) => {
    const id = unique('which');
    return h('span', {}, h('input', { type: 'radio', name: 'which', id, value: x.id, 'data-drain': x.id, checked: x === d, onchange: () => { picked = x; draw(); } }),
      h('label', { for: id }, h('span', { class: 'label' }, x.label), h('span', { class: 'place' }, place(x)), drains.length > 1 && x === d && h('span', { class: 'quiet' }, 'the one you opened')));
  }));
  draw();
  put(root,
    h('h1', { tabindex: '-1' }, drains.length > 1 ? 'Which drain is in your hand?' : 'Is this the drain in your hand?'),
    h('p', { class: 'patient' }, band(d)), h('p', {}, 'Compare name band, label, site and side at the bedside.'),
    list, said, h('p', { class: 'act' }, sure), h('p', {}, h('a', { href: '#/' }, 'None of these: back to the ward')));
}

/** choice is a group of radio buttons that look like buttons. */
function choice(name, legend, options, value, onchange) {
  const group = unique(name);
  return h('fieldset', { class: `choice ${name}` }, h('legend', {}, legend), h('div', { class: 'options' }, Object.entries(options).map(([key, o]) => {
    const id = unique(name);
    return h('span', {}, h('input', { type: 'radio', name: group, id, value: key, checked: value === key, onchange: () => onchange?.() }), h('label', { for: id }, o.mark, h('span', {}, o.word), o.small && h('small', {}, o.small)));
  })));
}

const chosen = (fieldset) => fieldset.querySelector('input:checked')?.value;

/**
 * advice says what a vessel does to an amount: expanded uncertainty (k = 2)
 * from half a graduation either way, GUM JCGM 100:2008 4.3.7. That a reading is
 * coarse from 15 % on is ours.
 */
export function advice(amount, name) {
  const all = vessels(), v = all[name];
  if (!v || !Number.isFinite(amount)) return undefined;
  const u = (g) => g / Math.sqrt(3);
  if (amount > 0 && amount <= v.capacity && u(v.graduation) > 0.15 * amount) {
    const better = Object.entries(all).filter(([k, w]) => k !== 'scale' && amount <= w.capacity && w.graduation < v.graduation)
      .sort((a, b) => (u(a[1].graduation) <= 0.15 * amount ? -a[1].graduation : a[1].graduation) - (u(b[1].graduation) <= 0.15 * amount ? -b[1].graduation : b[1].graduation))[0]?.[1];
    return { warn: true, words: `Too coarse for ${figure(amount)} mL: marks every ${v.graduation} mL give ± ${figure(u(v.graduation))} mL.${better ? ` A ${better.word.toLowerCase()} suits better.` : ''}` };
  }
  return { warn: false, words: `± ${figure(u(v.graduation))} mL (k = 2)` };
}

/**
 * doubts are what is asked about once before an amount is sent: it is seldom
 * wrong, but a slip of the finger looks like this. Two hours back and ten times
 * the usual are ours.
 */
export function doubts({ amount, vessel, estimated, at, now: t, drain, before = [] }) {
  const out = [], ask = (key, words) => out.push({ key: `${key}/${amount ?? ''}/${vessel ?? ''}/${at}`, words });
  const v = vessels()[vessel], capacity = drain.capacity ? ml(drain.capacity) : settings.capacity;
  if (amount !== undefined) {
    if (v && amount > v.capacity) ask('vessel', `${figure(amount)} mL is more than the ${v.word.toLowerCase()} holds (${v.capacity} mL).`);
    if (amount > capacity) ask('reservoir', `${figure(amount)} mL is more than the reservoir holds (${figure(capacity)} mL).`);
    const half = v && amount / (v.graduation / 2);
    if (v && !estimated && Math.abs(half - Math.round(half)) > 1e-9) ask('fine', `The ${v.word.toLowerCase()} has a mark every ${v.graduation} mL; ${amount} mL is finer than can be read.`);
    const usual = before.filter((r) => r.kind === 'emptying' && r.counts && r.ml !== undefined && r.at < at).sort((a, b) => b.at - a.at).slice(0, 6).map((r) => r.ml).sort((a, b) => a - b);
    const middle = usual[Math.floor(usual.length / 2)];
    if (usual.length >= 3 && middle > 0 && amount >= 10 * middle) ask('usual', `${figure(amount)} mL is ten times the usual of this drain (about ${figure(middle)} mL).`);
    const same = before.find((r) => r.kind === 'emptying' && r.counts && r.ml === amount && amount > 0 && Math.abs(r.at - at) < 15 * 60000);
    if (same) ask('double', `${figure(amount)} mL was charted ${ago(Math.max(0, t - same.at))} by ${person(same.performer)}. Is this another cup?`);
  }
  if (t - at > 2 * 3600000) ask('late', `The time is ${span(t - at)} back: ${clock(at, t)}.`);
  return out;
}

const signs = { redness: 'Redness', swelling: 'Swelling', warmth: 'Warmth', tenderness: 'Tenderness', leakage: 'Leakage', pus: 'Pus', suture: 'Suture loose' };

/**
 * parseAmount reads an amount as it is typed; a comma is a decimal point. With
 * three digits behind a single comma or point it may be thousands: then both
 * readings are given, to be asked about.
 */
export function parseAmount(text) {
  const t = text.trim();
  const both = /^(\d{1,3})[.,](\d{3})$/.exec(t);
  if (both && Number(both[1]) > 0) return { either: [`${both[1]}.${both[2]}`.replace(/\.?0+$/, ''), both[1] + both[2]] };
  const n = t.replace(',', '.');
  return /^\d{1,5}(\.\d{1,6})?$/.test(n) ? { value: n.replace(/^0+(?=\d)/, '') } : {};
}

const VESSEL = 'tidemark.vessel', DRAFT = 'tidemark.draft.';
const stored = (where, key) => { try { return where.getItem(key) ?? undefined; } catch { return undefined; } };
const store = (where, key, value) => { try { if (value === undefined) where.removeItem(key); else where.setItem(key, value); } catch { /* it is asked for again */ } };

/**
 * form draws the charting form for a confirmed drain; before is an entry to
 * correct, again one that was refused, cup one whose emptying gave another cup.
 */
export function form(root, drain, { before, again, cup, done } = {}) {
  const r = before && reading(before.resource);
  const id = again?.id ?? uuid(); // of the entry; it stays the same however often it is sent
  const siteId = uuid(), from = again?.resource ?? before?.resource ?? cup;
  const start = from && reading(from), other = before && r.performer !== session.subject;
  const ids = Object.fromEntries(['amount', 'said', 'when', 'instilled', 'reason'].map((k) => [k, unique(k)]));
  const amount = h('input', { id: ids.amount, class: 'amount', inputmode: 'decimal', autocomplete: 'off', enterkeyhint: 'done', 'aria-describedby': ids.said,
    value: start?.quantity && !cup ? String(start.quantity.value) : '', oninput: hint });
  const box = (words, checked, more = {}) => {
    const input = h('input', { type: 'checkbox', id: unique('c'), onchange: hint, checked, ...more });
    return { input, line: h('span', { class: 'tick' }, input, h('label', { for: input.id }, words)) };
  };
  const unmeasured = box('Emptied, but not measured', start?.absent), looked = box('Only looked, not emptied', start?.kind === 'check', { disabled: Boolean(before) });
  const estimated = box('The amount is an estimate', code(from?.method) === 'estimated');
  const out = !before && !cup && box('The drain is out (it fell or was pulled out)', component(from ?? {}, 'dislodged')?.valueBoolean);
  const occluded = choice('patency', 'Tubing', { patent: { word: 'open' }, sluggish: { word: 'sluggish' }, occluded: { word: 'blocked' } }, start?.patency, hint);
  const done_ = Object.fromEntries(Object.entries(cares).map(([k, w]) => [k, box(w[0].toUpperCase() + w.slice(1), start?.care.includes(k) && !cup)]));
  const last = stored(localStorage, VESSEL), all = vessels();
  const vessel = choice('vessel', 'Measured in', Object.fromEntries(Object.entries(all).map(([k, v]) => [k, { word: v.word, small: `to ${v.capacity} mL, every ${v.graduation}` }])), start?.vessel ?? (!before && all[last] ? last : undefined), hint);
  const look = choice('appearance', 'Appearance', Object.fromEntries(Object.entries(looks).map(([k, v]) => [k, { word: v.word, mark: swatch(k) }])), start?.look);
  const suction = choice('suction', 'Suction, after closing', Object.fromEntries(Object.entries(suctions).map(([k, v]) => [k, { word: v.word, small: { charged: 'reservoir stays flat', lost: 'it fills with air again', off: 'by order' }[k] }])), start?.suction, hint);
  const fill = choice('fill', 'Reservoir before emptying, % full (if seen)', Object.fromEntries([10, 25, 50, 75, 100].map((n) => [n, { word: String(n) }])), start?.fill !== undefined && !cup ? String(start.fill) : undefined);
  const instilled = h('input', { id: ids.instilled, inputmode: 'decimal', autocomplete: 'off', value: start?.instilled && !cup ? String(start.instilled) : '', oninput: hint });
  const when = h('input', { id: ids.when, type: 'datetime-local', max: stamp(now()), value: start && !cup ? stamp(start.at) : '', onchange: hint, oninput: hint });
  const twice = h('div', { class: 'twice' });
  const reason = before && h('input', { id: ids.reason, maxlength: 200, autocomplete: 'off', required: other });
  const ago_ = (min) => h('button', { type: 'button', onclick: () => { when.value = stamp(now() - min * 60000); hint(); } }, `${min} min ago`);
  const siteBoxes = Object.fromEntries(Object.entries(signs).map(([k, w]) => [k, box(w)]));
  const clean = box('No signs'); // all of them looked for, none seen
  for (const b of Object.values(siteBoxes)) b.input.addEventListener('change', () => { if (b.input.checked) clean.input.checked = false; });
  clean.input.addEventListener('change', () => { if (clean.input.checked) for (const b of Object.values(siteBoxes)) b.input.checked = false; });
  const site = !before && !again && !cup && session.may('c', 'Observation', 'drain-site-assessment') && h('fieldset', { class: 'site' }, h('legend', {}, 'Site (if you looked)'),
    h('div', { class: 'ticks' }, clean.line, Object.values(siteBoxes).map((b) => b.line)), h('p', { class: 'quiet' }, 'Tick what you see; what is not ticked is charted as not there.'));
  const said = h('p', { id: ids.said, class: 'hint', 'aria-live': 'polite' });
  const send = h('button', { type: 'submit', class: 'main send' });
  const question = h('div', { class: 'ask', role: 'alert' });
  let folded = Boolean(chosen(vessel)), sent = false;
  const asked = new Set();
  const change = h('button', { type: 'button', class: 'plainly', onclick: () => { folded = false; hint(); vessel.querySelector('input:checked, input')?.focus(); } });
  const measure = h('div', { class: 'measure' }, h('div', { class: 'amount-row' }, h('label', { for: ids.amount }, cup ? 'Amount in this cup' : 'Amount'), amount, h('span', { class: 'unit' }, 'mL'), change), said, vessel);

  const typed = () => parseAmount(amount.value).value;
  const without = () => unmeasured.input.checked || looked.input.checked;

  function hint() {
    amount.disabled = without();
    measure.hidden = looked.input.checked;
    const { value, either } = parseAmount(amount.value), name = chosen(vessel);
    vessel.hidden = folded && Boolean(name);
    put(change, name && `${all[name]?.word ?? name}: change`);
    change.hidden = !vessel.hidden || amount.disabled;
    const a = value !== undefined && !amount.disabled && !estimated.input.checked ? advice(Number(value), name) : undefined;
    put(said, ...(amount.value && value === undefined && !either && !amount.disabled ? [sign('moderate'), ' Digits only, such as 45 or 12.5'] : a ? [a.warn ? sign('moderate') : '', ` ${a.words}`] : []));
    said.classList.toggle('warn', Boolean(a?.warn));
    const what = before ? 'Send the correction' : out && out.input.checked ? 'Chart: the drain is out' : looked.input.checked ? 'Chart the check' : unmeasured.input.checked ? 'Chart “not measured”' : value !== undefined ? `Chart ${value} mL` : 'Chart';
    put(send, what, h('span', { class: 'unseen' }, ` for ${drain.label}`));
    const times = when.value ? instants(when.value) : [], had = chosen(twice);
    put(twice, times.length > 1 && choice('which-time', `The clock shows ${when.value.slice(11)} twice that night`, Object.fromEntries(times.map((t, i) => [t, { word: i ? 'the second time' : 'the first time', small: zoned(t).slice(-6) }])), had));
    put(question);
    keep();
  }

  const at = () => (when.value ? Number(chosen(twice) ?? instants(when.value)[0]) : now());

  /* What stands in the form outlasts the page and the session. */
  const draft = !before && !again && !cup && DRAFT + drain.id;
  const fields = () => [...root.querySelectorAll('form.chart :is(input, textarea)')].filter((i) => i.name !== 'which');
  function keep() {
    if (draft && root.querySelector('form.chart')) store(sessionStorage, draft, JSON.stringify(fields().map((i) => (i.type === 'radio' || i.type === 'checkbox' ? i.checked : i.value))));
  }
  function restore() {
    const had = draft && JSON.parse(stored(sessionStorage, draft) ?? '[]');
    const list = fields();
    if (!had || had.length !== list.length) return;
    list.forEach((i, n) => { if (i.type === 'radio' || i.type === 'checkbox') i.checked = had[n]; else i.value = had[n]; });
  }

  /** build writes the Observation; a correction changes only what the form shows. */
  function build(base) {
    const gone = out && out.input.checked, checkOnly = base ? r.kind === 'check' : looked.input.checked || (gone && typed() === undefined && !unmeasured.input.checked);
    const o = base ?? {
      resourceType: 'Observation', identifier: [{ system: IDENTIFIER, value: `urn:uuid:${id}` }], status: 'final', category,
      code: { coding: [checkOnly ? { system: LOCAL, code: 'reservoir-check' } : outputs[drain.compartment] ?? localOutput] },
      subject: { reference: `Patient/${drain.patient}` }, device: { reference: `Device/${drain.id}` }, performer: performer(),
    };
    if (!base || (when.value && when.value !== stamp(r.at)) || chosen(twice)) o.effectiveDateTime = zoned(at());
    if (!checkOnly) {
      delete o.valueQuantity;
      delete o.dataAbsentReason;
      if (unmeasured.input.checked) {
        o.dataAbsentReason = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'not-performed', display: 'Not Performed' }] };
      } else {
        const same = base && r.quantity && String(r.quantity.value) === amount.value.trim();
        o.valueQuantity = same ? before.exact.valueQuantity : quantity(typed(), 'mL');
      }
      if (estimated.input.checked) o.method = local('estimated');
      else if (code(o.method) === 'estimated') delete o.method;
    }
    const set = (name, coding, what) => {
      const kept = (o.component ?? []).filter((c) => c !== component(o, name));
      o.component = what ? [...kept, component(o, name) ? { code: component(o, name).code, ...what } : { code: { coding: [coding] }, ...what }] : kept;
    };
    const named = (c) => ({ system: LOCAL, code: c });
    if (chosen(look) !== start?.look || !base) set('72290-0', { system: LOINC, code: '72290-0', display: 'Appearance of Exudate from wound' }, chosen(look) && { valueCodeableConcept: local(chosen(look)) });
    set('suction-state', named('suction-state'), chosen(suction) && { valueCodeableConcept: local(chosen(suction)) });
    if (chosen(fill)) set('reservoir-fill', named('reservoir-fill'), { valueQuantity: quantity(chosen(fill), '%') });
    if (chosen(occluded)) set('patency', named('patency'), { valueCodeableConcept: local(chosen(occluded)) });
    if (gone) set('dislodged', named('dislodged'), { valueBoolean: true });
    if (!checkOnly) set('measuring-vessel', named('measuring-vessel'), !unmeasured.input.checked && chosen(vessel) && { valueCodeableConcept: local(chosen(vessel)) });
    const given = parseAmount(instilled.value).value;
    if (!checkOnly && (given !== undefined || !instilled.value.trim()) && Number(given ?? 0) !== (cup ? 0 : start?.instilled ?? 0)) set('instilled-volume', named('instilled-volume'), given !== undefined && Number(given) > 0 && { valueQuantity: quantity(given, 'mL') });
    const care = Object.entries(done_).filter(([, b]) => b.input.checked).map(([k]) => ({ code: local('drain-care'), valueCodeableConcept: local(k) }));
    o.component = [...(o.component ?? []).filter((c) => !c.code?.coding?.some((x) => x.code === 'drain-care')), ...care];
    if (!o.component.length) delete o.component;
    const why = reason?.value.trim();
    if (why) o.note = [...(o.note ?? []), note(why)];
    return o;
  }

  function assessment() {
    const seen = Object.entries(siteBoxes).filter(([, b]) => b.input.checked).map(([k]) => k);
    return site && (clean.input.checked || seen.length > 0) && {
      resourceType: 'Observation', identifier: [{ system: IDENTIFIER, value: `urn:uuid:${siteId}` }], status: 'final', category, code: local('drain-site-assessment'),
      subject: { reference: `Patient/${drain.patient}` }, device: { reference: `Device/${drain.id}` }, effectiveDateTime: zoned(at()), performer: performer(),
      component: Object.keys(signs).map((k) => ({ code: local(k), valueBoolean: (k === 'suture') !== seen.includes(k) })),
    };
  }

  /** missing is what has to be put right, with the field under which it is said. */
  function missing() {
    const { value, either } = parseAmount(amount.value);
    if (when.value && !instants(when.value).length) return [when, `The ward's clock skipped ${when.value.slice(11)} that night: the hour did not exist.`];
    if (when.value && instants(when.value).length > 1 && !chosen(twice)) return [twice, 'Say which of the two it was.'];
    if (when.value && at() > now() + 60000) return [when, `This lies ahead: it is ${time(now())} now.`];
    if (reason?.required && !reason.value.trim()) return [reason, `Say why: ${person(r.performer)} charted this and will see it.`];
    if (out && out.input.checked) return undefined;
    if (looked.input.checked) return chosen(suction) || chosen(fill) || chosen(occluded) ? undefined : [suction, 'Say what you saw: suction, fill, or both.'];
    if (!without() && either) return [amount, '', either];
    if (!without() && value === undefined) return [amount, 'The amount is missing. A drain that gave nothing is 0.'];
    if (!without() && !chosen(vessel) && !estimated.input.checked && Number(value) > 0) return [vessel, 'Say what you measured in: it tells how exact the amount is.'];
    if (!chosen(look) && !without() && Number(value) > 0) return [look, 'Say what the fluid looked like.'];
    if (!chosen(suction)) return [suction, 'Say whether the suction holds after closing.'];
    if (instilled.value.trim() && parseAmount(instilled.value).value === undefined) return [instilled, 'The irrigant is digits only, such as 20.'];
    return undefined;
  }

  /** complain says under a field what is wrong with it. */
  function complain([field, words]) {
    const where = field.closest('.amount-row') ?? field.closest('p') ?? field, line = h('p', { class: 'problem lack', role: 'alert', id: unique('lack') }, words);
    field.closest('details')?.setAttribute('open', '');
    if (field === vessel) { folded = false; hint(); }
    const input = field.matches('input') ? field : field.querySelector('input');
    where.after(line);
    input?.setAttribute('aria-invalid', 'true');
    input?.setAttribute('aria-describedby', line.id);
    input?.focus();
  }

  function calm() {
    for (const p of root.querySelectorAll('.lack')) p.remove();
    for (const i of root.querySelectorAll('[aria-invalid]')) {
      i.removeAttribute('aria-invalid');
      if (i === amount) i.setAttribute('aria-describedby', ids.said); else i.removeAttribute('aria-describedby');
    }
  }

  function ask(words, buttons) {
    put(question, words.map((w) => h('p', {}, sign('moderate'), ` ${w}`)), h('p', { class: 'act' }, buttons));
    question.querySelector('button')?.focus();
  }

  async function submit(e) {
    e?.preventDefault();
    if (sent) return undefined;
    calm();
    put(question);
    const lack = missing();
    if (lack?.[2]) {
      return ask([`Is “${amount.value.trim()}” ${lack[2][0]} mL or ${lack[2][1]} mL?`], lack[2].map((v) => h('button', { type: 'button', onclick: () => { amount.value = v; hint(); submit(); } }, `${v} mL`)));
    }
    if (lack) return complain(lack);
    const fresh = doubts({ amount: without() || typed() === undefined ? undefined : Number(typed()), vessel: chosen(vessel), estimated: estimated.input.checked, at: before && !when.value ? r.at : Math.floor(at() / 60000) * 60000, now: now(), drain,
      before: earlier.filter((x) => x.id !== before?.resource.id) }).filter((q) => !asked.has(q.key) && !(before && q.key.startsWith('late')) && !(cup && q.key.startsWith('double')));
    if (fresh.length) {
      return ask(fresh.map((q) => q.words), [h('button', { type: 'button', class: 'main', onclick: () => { for (const q of fresh) asked.add(q.key); submit(); } }, 'Yes, it is right'), ' ',
        h('button', { type: 'button', onclick: () => { put(question); (amount.disabled ? when : amount).focus(); } }, 'Change it')]);
    }
    sent = true;
    if (!before && chosen(vessel) && !without()) store(localStorage, VESSEL, chosen(vessel));
    if (before) return correct(build({ ...before.exact }));
    const what = { drain: drain.id, label: [drain.bed, drain.name, drain.label].filter(Boolean).join(', ') };
    outbox.add({ id, ...what, resource: build(), words: '' });
    const seen = assessment();
    if (seen) outbox.add({ id: siteId, ...what, resource: seen, words: '' });
    if (draft) store(sessionStorage, draft, undefined);
    done(seen ? [id, siteId] : [id]);
    return undefined;
  }

  async function correct(o, status = 'corrected') {
    o.status = status;
    for (const q of [o.valueQuantity, ...(o.component ?? []).map((c) => c.valueQuantity)]) if (q && typeof q.value === 'string') q.value = rawNumber(q.value);
    send.disabled = true;
    try {
      await call(`Observation/${before.resource.id}`, { method: 'PUT', body: o, headers: { 'If-Match': before.etag } });
      done([]);
    } catch (err) {
      put(question, h('p', { class: 'problem' }, err instanceof Unreachable ? 'Not corrected: the service does not answer. Your changes stay here; send them again.'
        : err.status === 412 ? 'This entry was changed by someone else meanwhile. Go back to the drain, look at it, and correct it from there.'
          : `Not corrected: ${err.message}`));
    } finally {
      sent = false;
      send.disabled = false;
    }
  }

  put(root,
    h('h1', { tabindex: '-1' }, before ? 'Correct an entry' : cup ? 'Another cup of the same emptying' : 'Chart'),
    h('p', { class: 'confirmed' }, band(drain), h('br'), h('strong', {}, drain.label), siteWords(drain) && ` (${siteWords(drain)})`),
    before && h('p', {}, `Charted ${clock(r.at, now())} by ${person(r.performer)}: ${says(r)}. The entry before stays in the history.`),
    h('form', { class: 'chart', novalidate: true, onsubmit: submit, oninput: () => { calm(); keep(); } }, measure, look, suction, site,
      h('details', { class: 'more', open: without() || estimated.input.checked || Boolean(start?.fill !== undefined && !cup) || Boolean(before) }, h('summary', {}, 'More: time, fill, tubing, irrigant, care, not measured, drain out'),
        h('p', { class: 'at' }, h('label', { for: ids.when }, `When, on the ward's clock${before ? '' : ' (now, if left empty)'}`), ' ', when, ' ', !before && [15, 30, 60].map(ago_)), twice,
        h('div', { class: 'ticks' }, unmeasured.line, !before && !cup && looked.line, estimated.line, out && out.line), fill, occluded,
        h('p', {}, h('label', { for: ids.instilled }, 'Irrigant put in since the last emptying, mL'), ' ', instilled),
        h('fieldset', { class: 'care' }, h('legend', {}, 'Drain care done'), h('div', { class: 'ticks' }, Object.values(done_).map((b) => b.line)))),
      reason && h('p', { class: 'reason' }, h('label', { for: ids.reason }, other ? 'Why (needed: it is a colleague\'s entry)' : 'Why'), ' ', reason),
      question, h('div', { class: 'reach' }, send), h('p', {}, h('a', { href: `#/drain/${drain.id}`, onclick: () => draft && store(sessionStorage, draft, undefined) }, 'Leave without charting')),
      before && r.status !== 'entered-in-error' && withdraw()));
  restore();
  folded = Boolean(chosen(vessel));
  hint();
  let earlier = [];
  batch([`Observation?device=Device/${drain.id}&_sort=-date&_count=20`]).then(([b]) => { if (!(b instanceof Refused)) earlier = entries(b).filter((o) => o.resourceType === 'Observation').map(reading); }).catch(() => { /* then less can be asked about */ });
  if (!before && !again) amount.focus();

  function withdraw() {
    const go = () => {
      if (!reason.value.trim()) return complain([reason, 'Say why it is withdrawn, such as: another drain.']);
      const o = { ...before.exact };
      o.note = [...(o.note ?? []), note(reason.value.trim())];
      return correct(o, 'entered-in-error');
    };
    const sure = h('button', { type: 'button', class: 'danger', hidden: true, onclick: go }, 'Yes, withdraw this entry');
    return h('p', { class: 'withdraw' }, h('button', { type: 'button', onclick: () => { sure.hidden = false; sure.focus(); } }, 'It is wrong altogether: withdraw it'), ' ', sure);
  }
}

/** note is a reason, with who gave it and when. */
function note(text) {
  const [by] = performer();
  return { ...(by.reference ? { authorReference: by } : { authorString: by.display }), time: zoned(now()), text };
}

function performer() {
  const by = session.subject;
  return [/^(Practitioner|PractitionerRole|Patient|RelatedPerson|Organization)\/[\w.-]+$/.test(by) ? { reference: by } : { display: by || 'not named' }];
}

/** after shows what became of the entries, and keeps showing it. */
export function after(root, drain, ids, { cup } = {}) {
  const state = h('div', { role: 'status', class: 'outcome' }), more = h('p', { class: 'act' });
  const made = ids.map((id) => outbox.find(id)).filter(Boolean).map((e) => reading(e.resource)), words = (r) => `${says(r)}, ${clock(r.at, now())}`;
  let due, stored_ = [];
  const draw = () => {
    const left = ids.map((id) => outbox.find(id)).filter(Boolean);
    const refused = left.filter((e) => e.state === 'refused');
    state.className = `outcome ${refused.length ? 'refused' : left.length ? 'unsent' : 'stored'}`;
    put(state, ...(refused.length ? [h('p', {}, sign('high'), h('strong', {}, ' Refused: this is not charted.')), ...refused.map((e) => h('p', {}, `${says(reading(e.resource))}: ${e.words}`)),
      h('p', { class: 'act' }, refused.filter((e) => reading(e.resource).kind !== 'site').map((e) => h('a', { class: 'button main', href: `#/again/${e.id}` }, 'Change and send again')))]
      : left.length ? [h('p', {}, sign('unknown'), h('strong', {}, ' Not sent yet.'), ` It is ${outbox.kept ? 'kept on this device' : 'kept only while this page is open'} and sent as soon as the service answers.`)]
        : [h('p', {}, sign('none'), h('strong', {}, ' Charted: '), made.map(words).join('; '), due && `; next by ${near(due, now())}`, '.'), h('p', { class: 'quiet' }, 'The service has stored it.')]));
    const whole = !left.length && stored_.length === ids.length;
    put(more, whole && session.may('u', 'Observation') && h('button', { type: 'button', onclick: undo }, 'Undo'), ' ',
      whole && cup && made[0]?.kind === 'emptying' && h('button', { type: 'button', onclick: () => cup(stored_[0].resource) }, 'Add another cup of this emptying'));
  };
  async function undo(e) {
    e.target.disabled = true;
    try {
      for (const s of stored_) {
        const { resource, etag } = await call(`Observation/${s.id}`, { exact: true });
        await call(`Observation/${s.id}`, { method: 'PUT', headers: { 'If-Match': etag }, body: { ...resource, status: 'entered-in-error', note: [...(resource.note ?? []), note('Undone at once')] } });
      }
      put(state, h('p', {}, h('strong', {}, 'Undone: '), made.map(words).join('; '), '. It counts no more and stays in the history.'));
      put(more);
    } catch (err) {
      put(more, h('p', { class: 'problem' }, `Not undone: ${err.message}`));
    }
  }
  async function sent({ detail }) {
    if (!ids.includes(detail.id)) return;
    stored_.push({ id: detail.observation, resource: detail.resource });
    stored_.sort((a, b) => (a.resource.valueQuantity ? -1 : 0) - (b.resource.valueQuantity ? -1 : 0));
    draw();
    const [b] = await batch([`Device/${drain.id}/$escalation-status`]).catch(() => []);
    const o = b && !(b instanceof Refused) && entries(b).find((x) => code(x.code) === 'escalation-status');
    due = o && component(o, 'emptying-due')?.valueDateTime && Date.parse(component(o, 'emptying-due').valueDateTime);
    if (due) draw();
  }
  put(root, h('h1', { tabindex: '-1' }, drain.bed && [h('span', { class: 'bed' }, drain.bed), ' '], h('bdi', {}, drain.name)), h('p', {}, drain.label), state, more,
    h('p', { class: 'act' }, h('a', { class: 'button', href: '#/' }, 'Back to the ward'), ' ', h('a', { class: 'button', href: `#/drain/${drain.id}` }, 'See this drain'), ' ', h('a', { class: 'button', href: `#/chart/${drain.id}` }, 'Another entry for this patient')));
  draw();
  events.addEventListener('outbox', draw);
  events.addEventListener('sent', sent);
  return () => {
    events.removeEventListener('outbox', draw);
    events.removeEventListener('sent', sent);
  };
}
