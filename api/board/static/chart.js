// Charting at the bedside: the drain is confirmed first, then amount, vessel,
// appearance and suction; the entry goes through the outbox. Correcting one's
// own entry uses the same form.

import { h, put, unique } from './dom.js';
import { sign, swatch } from './draw.js';
import { call, batch, entries, events, now, rawNumber, Refused, session, Unreachable, uuid } from './fhir.js';
import { IDENTIFIER, outbox } from './outbox.js';
import { clock, code, component, figure, LOCAL, localOutput, LOINC, looks, outputs, reading, says, suctions, UCUM, vessels } from './words.js';
import { drainOf, siteWords } from './ward.js';

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
  const patient = all.find((x) => x.resourceType === 'Patient');
  const seen = new Map(all.filter((x) => x.resourceType === 'Device').map((d) => [d.id, d]));
  return [...seen.values()].map((d) => drainOf(d, all.find((x) => x.resourceType === 'DeviceUseStatement' && x.device?.reference === `Device/${d.id}` && x.status !== 'entered-in-error'), patient))
    .filter((d) => d.id === id || (!d.removed && d.status === 'active')).sort((a, b) => a.label.localeCompare(b.label));
}

const place = (d) => [d.side, d.site].filter(Boolean).join(' ') || 'site not stated';

/** confirm asks which drain is in the hand, before anything can be charted. */
export function confirm(root, drains, opened, go) {
  const d = drains.find((x) => x.id === opened);
  const said = h('p', { class: 'problem', role: 'alert' });
  let warned;
  put(root,
    h('h1', { tabindex: '-1' }, drains.length > 1 ? 'Which drain is in your hand?' : 'Is this the drain in your hand?'),
    h('p', { class: 'patient' }, h('strong', {}, d.name), d.born && `, born ${d.born}`),
    h('p', {}, 'Compare name band, label, site and side at the bedside, then choose.'),
    h('ul', { class: 'choose' }, drains.map((x) => h('li', {}, h('button', { type: 'button', 'data-drain': x.id, onclick: () => {
      if (x.id === opened || warned === x.id) return go(x);
      warned = x.id;
      put(said, sign('moderate'), ` You opened ${d.label}. This is ${x.label}. Press it once more if this is the drain in your hand.`);
      return undefined;
    } }, h('span', { class: 'label' }, x.label), h('span', { class: 'place' }, place(x)), drains.length > 1 && x.id === opened && h('span', { class: 'quiet' }, 'the one you opened'))))),
    said, h('p', {}, h('a', { href: '#/' }, 'None of these: back to the ward')));
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
  const v = vessels[name];
  if (!v || !Number.isFinite(amount)) return undefined;
  const u = (g) => g / Math.sqrt(3);
  const better = Object.entries(vessels).filter(([k, w]) => k !== 'scale' && amount <= w.capacity && w.graduation < v.graduation && u(w.graduation) <= 0.15 * amount)
    .sort((a, b) => b[1].graduation - a[1].graduation)[0]?.[1] ?? (v.graduation > vessels.syringe.graduation && amount <= vessels.syringe.capacity ? vessels.syringe : undefined);
  if (amount > v.capacity) return { warn: true, words: `More than the ${v.word.toLowerCase()} holds (${v.capacity} mL). Is the amount right, and the vessel?` };
  const steps = amount / v.graduation;
  const coarse = amount > 0 && u(v.graduation) > 0.15 * amount;
  if (coarse) return { warn: true, words: `Too coarse for ${figure(amount)} mL: its marks every ${v.graduation} mL give ± ${figure(u(v.graduation))} mL.${better ? ` A ${better.word.toLowerCase()} suits this amount better.` : ''}` };
  if (Math.abs(steps - Math.round(steps)) > 1e-9) return { warn: true, words: `The ${v.word.toLowerCase()} has a mark every ${v.graduation} mL; ${amount} mL is finer than that. It will be flagged as a reading in doubt.` };
  return { warn: false, words: `Expected uncertainty ± ${figure(u(v.graduation))} mL (k = 2).` };
}

const signs = { redness: 'Redness', swelling: 'Swelling', warmth: 'Warmth', tenderness: 'Tenderness', leakage: 'Leakage', suture: 'Suture' };

/** parse reads an amount as it is typed; a comma is a decimal point. */
export function parseAmount(text) {
  const t = text.trim().replace(',', '.');
  return /^\d{1,5}(\.\d{1,6})?$/.test(t) ? t.replace(/^0+(?=\d)/, '') : undefined;
}

/** form draws the charting form for a confirmed drain; before is an entry to correct. */
export function form(root, drain, { before, again, done } = {}) {
  const r = before && reading(before.resource);
  const id = again?.id ?? uuid(); // of the entry; it stays the same however often it is sent
  const siteId = uuid();
  const ids = { amount: unique('amount'), said: unique('said'), when: unique('when'), fill: unique('fill'), instilled: unique('instilled') };
  const start = again ? reading(again.resource) : r;
  const amount = h('input', { id: ids.amount, class: 'amount', inputmode: 'decimal', autocomplete: 'off', enterkeyhint: 'done', 'aria-describedby': ids.said,
    value: start?.quantity ? String(start.quantity.value) : '', oninput: hint });
  const unmeasured = h('input', { type: 'checkbox', id: unique('c'), onchange: hint, checked: start?.absent });
  const looked = h('input', { type: 'checkbox', id: unique('c'), onchange: hint, checked: start?.kind === 'check', disabled: Boolean(before) });
  const estimated = h('input', { type: 'checkbox', id: unique('c'), onchange: hint, checked: code((again ?? before)?.resource.method) === 'estimated' });
  const vessel = choice('vessel', 'Measured in', Object.fromEntries(Object.entries(vessels).map(([k, v]) => [k, { word: v.word, small: `up to ${v.capacity} mL, every ${v.graduation}` }])), start?.vessel, hint);
  const look = choice('appearance', 'Appearance', Object.fromEntries(Object.entries(looks).map(([k, v]) => [k, { word: v.word, mark: swatch(k) }])), start?.look);
  const suction = choice('suction', 'Suction, after closing', Object.fromEntries(Object.entries(suctions).map(([k, v]) => [k, { word: v.word, small: { charged: 'reservoir stays flat', lost: 'it fills with air again', off: 'by order' }[k] }])), start?.suction, hint);
  const fill = choice('fill', 'Reservoir before emptying, % full (if seen)', { 10: { word: '10' }, 25: { word: '25' }, 50: { word: '50' }, 75: { word: '75' }, 100: { word: '100' } }, start?.fill !== undefined ? String(start.fill) : undefined);
  const instilled = h('input', { id: ids.instilled, inputmode: 'decimal', autocomplete: 'off', value: start?.instilled ? String(start.instilled) : '' });
  const when = h('input', { id: ids.when, type: 'datetime-local', max: stamp(now()), value: start ? stamp(start.at) : '' });
  const site = !before && !again && session.may('c', 'Observation', 'drain-site-assessment') && h('details', { class: 'site' }, h('summary', {}, 'Look at the site too'),
    Object.entries(signs).map(([k, word]) => choice(`site-${k}`, word, k === 'suture' ? { true: { word: 'intact' }, false: { word: 'loose' } } : { false: { word: 'no' }, true: { word: 'yes' } })));
  const said = h('p', { id: ids.said, class: 'hint', 'aria-live': 'polite' });
  const problem = h('p', { class: 'problem', role: 'alert' });
  const send = h('button', { type: 'submit', class: 'main send' });
  const check = (input, words) => h('span', { class: 'tick' }, input, h('label', { for: input.id }, words));
  const measure = h('div', { class: 'measure' }, h('div', { class: 'amount-row' }, h('label', { for: ids.amount }, 'Amount emptied'), amount, h('span', { class: 'unit' }, 'mL')), vessel, said);

  function value() { return parseAmount(amount.value); }
  function hint() {
    amount.disabled = unmeasured.checked || looked.checked;
    measure.hidden = looked.checked;
    const v = value();
    const a = v !== undefined && !amount.disabled && !estimated.checked ? advice(Number(v), chosen(vessel)) : undefined;
    put(said, ...(amount.value && v === undefined && !amount.disabled ? [sign('moderate'), ' Digits only, such as 45 or 12.5'] : a ? [a.warn ? sign('moderate') : '', ` ${a.words}`] : []));
    said.classList.toggle('warn', Boolean(a?.warn));
    send.textContent = before ? 'Send the correction' : looked.checked ? `Chart the check of ${drain.label}` : unmeasured.checked ? `Chart “not measured” for ${drain.label}` : v !== undefined ? `Chart ${v} mL for ${drain.label}` : `Chart for ${drain.label}`;
    if (chosen(suction) === 'lost') send.classList.add('lost'); else send.classList.remove('lost');
  }

  /** build writes the Observation; a correction changes only what the form shows. */
  function build(base) {
    const o = base ?? {
      resourceType: 'Observation', identifier: [{ system: IDENTIFIER, value: `urn:uuid:${id}` }], status: 'final', category,
      code: { coding: [looked.checked ? { system: LOCAL, code: 'reservoir-check' } : outputs[drain.compartment] ?? localOutput] },
      subject: { reference: `Patient/${drain.patient}` }, device: { reference: `Device/${drain.id}` },
      effectiveDateTime: at(), performer: performer(),
    };
    const checkOnly = base ? r.kind === 'check' : looked.checked;
    if (!checkOnly) {
      delete o.valueQuantity;
      delete o.dataAbsentReason;
      if (unmeasured.checked) {
        o.dataAbsentReason = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'not-performed', display: 'Not Performed' }] };
      } else {
        const text = value();
        const same = base && r.quantity && String(r.quantity.value) === amount.value.trim();
        o.valueQuantity = same ? before.exact.valueQuantity : quantity(text, 'mL');
      }
      if (estimated.checked) o.method = local('estimated');
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
    if (!checkOnly) set('measuring-vessel', named('measuring-vessel'), !unmeasured.checked && chosen(vessel) && { valueCodeableConcept: local(chosen(vessel)) });
    const put = parseAmount(instilled.value);
    if (!checkOnly && (put !== undefined || !instilled.value.trim()) && Number(put ?? 0) !== (start?.instilled ?? 0)) set('instilled-volume', named('instilled-volume'), put !== undefined && Number(put) > 0 && { valueQuantity: quantity(put, 'mL') });
    if (!o.component?.length) delete o.component;
    return o;
  }

  const at = () => zoned(when.value ? new Date(when.value).getTime() : now());

  function assessment() {
    const list = site ? Object.keys(signs).map((k) => [k, chosen(site.querySelector(`.site-${k}`))]).filter(([, v]) => v) : [];
    return list.length && {
      resourceType: 'Observation', identifier: [{ system: IDENTIFIER, value: `urn:uuid:${siteId}` }], status: 'final', category, code: local('drain-site-assessment'),
      subject: { reference: `Patient/${drain.patient}` }, device: { reference: `Device/${drain.id}` }, effectiveDateTime: at(), performer: performer(),
      component: list.map(([k, v]) => ({ code: local(k), valueBoolean: v === 'true' })),
    };
  }

  function missing() {
    if (looked.checked) return chosen(suction) || chosen(fill) ? undefined : [suction, 'Say what you saw: suction, fill, or both.'];
    if (!unmeasured.checked && value() === undefined) return [amount, 'The amount is missing. A drain that gave nothing is 0.'];
    if (!unmeasured.checked && !chosen(vessel) && !estimated.checked && Number(value()) > 0) return [vessel, 'Say what you measured in: it tells how exact the amount is.'];
    if (!chosen(look) && !unmeasured.checked && Number(value()) > 0) return [look, 'Say what the fluid looked like.'];
    if (!chosen(suction)) return [suction, 'Say whether the suction holds after closing.'];
    if (instilled.value.trim() && parseAmount(instilled.value) === undefined) return [instilled, 'The irrigant is digits only, such as 20.'];
    return undefined;
  }

  let sent = false;
  async function submit(e) {
    e.preventDefault();
    if (sent) return;
    const lack = missing();
    problem.textContent = lack?.[1] ?? '';
    if (lack) {
      lack[0].closest('details')?.setAttribute('open', '');
      (lack[0].querySelector?.('input') ?? lack[0]).focus();
      return;
    }
    sent = true;
    if (before) return correct(build(structuredExact(before.exact)));
    const what = { drain: drain.id, label: `${drain.label}, ${drain.name}` };
    outbox.add({ id, ...what, resource: build(), words: '' });
    const seen = assessment();
    if (seen) outbox.add({ id: siteId, ...what, resource: seen, words: '' });
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
      problem.textContent = err instanceof Unreachable ? 'Not corrected: the service does not answer. Your changes stay here; send them again.'
        : err.status === 412 ? 'This entry was changed by someone else meanwhile. Go back to the drain, look at it, and correct it from there.'
          : `Not corrected: ${err.message}`;
    } finally {
      sent = false;
      send.disabled = false;
    }
  }

  put(root,
    h('h1', { tabindex: '-1' }, before ? 'Correct an entry' : 'Chart an emptying'),
    h('p', { class: 'confirmed' }, h('strong', {}, drain.label), siteWords(drain) && ` (${siteWords(drain)})`, h('br'), drain.name, drain.born && `, born ${drain.born}`),
    before && h('p', {}, `Charted ${clock(r.at, now())}: ${says(r)}. The entry before stays in the history.`),
    h('form', { class: 'chart', novalidate: true, onsubmit: submit, oninput: () => { problem.textContent = ''; } }, measure, look, suction,
      h('details', { class: 'more', open: unmeasured.checked || looked.checked || estimated.checked || Boolean(start?.fill !== undefined) }, h('summary', {}, before ? 'More' : 'More: fill, time, irrigant, not measured'), fill,
        h('div', { class: 'ticks' }, check(unmeasured, 'Emptied, but not measured'), !before && check(looked, 'Only looked, not emptied'), check(estimated, 'The amount is an estimate')),
        !before && h('p', {}, h('label', { for: ids.when }, 'When (now, if left empty) '), when),
        h('p', {}, h('label', { for: ids.instilled }, 'Irrigant put in since the last emptying, mL '), instilled)),
      site, problem, h('p', { class: 'act' }, send, ' ', h('a', { href: `#/drain/${drain.id}` }, 'Leave without charting')),
      before && r.status !== 'entered-in-error' && withdraw()));
  hint();

  function withdraw() {
    const sure = h('button', { type: 'button', class: 'danger', hidden: true, onclick: () => correct(structuredExact(before.exact), 'entered-in-error') }, 'Yes, withdraw this entry');
    return h('p', { class: 'withdraw' }, h('button', { type: 'button', onclick: () => { sure.hidden = false; sure.focus(); } }, 'It belongs to another drain: withdraw it'), ' ', sure);
  }
}

// A shallow copy is enough: the form replaces elements, it does not change
// them; and structuredClone would lose numbers that keep their digits.
const structuredExact = (o) => ({ ...o });

function performer() {
  const by = session.subject;
  return [/^(Practitioner|PractitionerRole|Patient|RelatedPerson|Organization)\/[\w.-]+$/.test(by) ? { reference: by } : { display: by || 'not named' }];
}

const pad = (n) => String(n).padStart(2, '0');

/** stamp is the local time for an input, zoned the instant with its offset. */
function stamp(t) {
  const d = new Date(t);
  return `${d.getFullYear()}-${pad(d.getMonth() + 1)}-${pad(d.getDate())}T${pad(d.getHours())}:${pad(d.getMinutes())}`;
}

function zoned(t) {
  const off = -new Date(t).getTimezoneOffset(), a = Math.abs(off);
  return `${stamp(t)}:${pad(new Date(t).getSeconds())}${off < 0 ? '-' : '+'}${pad(Math.floor(a / 60))}:${pad(a % 60)}`;
}

/** after shows what became of the entries, and keeps showing it. */
export function after(root, drain, ids) {
  const state = h('div', { role: 'status', class: 'outcome' });
  const draw = () => {
    const left = ids.map((id) => outbox.find(id)).filter(Boolean);
    const refused = left.filter((e) => e.state === 'refused');
    state.className = `outcome ${refused.length ? 'refused' : left.length ? 'unsent' : 'stored'}`;
    put(state, ...(refused.length ? [h('p', {}, sign('high'), h('strong', {}, ' Refused: this is not charted.')), ...refused.map((e) => h('p', {}, `${says(reading(e.resource))}: ${e.words}`)),
      h('p', { class: 'act' }, refused.filter((e) => reading(e.resource).kind !== 'site').map((e) => h('a', { class: 'button main', href: `#/again/${e.id}` }, 'Change and send again')))]
      : left.length ? [h('p', {}, sign('unknown'), h('strong', {}, ' Not sent yet.'), ` It is ${outbox.kept ? 'kept on this device' : 'kept only while this page is open'} and sent as soon as the service answers.`)]
        : [h('p', {}, sign('none'), h('strong', {}, ' Charted.'), ' The service has stored it.')]));
  };
  put(root, h('h1', { tabindex: '-1' }, drain.label), h('p', {}, drain.name), state,
    h('p', { class: 'act' }, h('a', { class: 'button', href: `#/drain/${drain.id}` }, 'See this drain'), ' ', h('a', { class: 'button', href: `#/chart/${drain.id}` }, 'Another entry for this patient'), ' ', h('a', { class: 'button', href: '#/' }, 'Back to the ward')));
  draw();
  events.addEventListener('outbox', draw);
  return () => events.removeEventListener('outbox', draw);
}
