// The ward: what needs a look now, then its drains by the time they are due. One
// batch asks for what may have changed, and is drawn at once: who, where, when,
// what is wrong. The entries of a drain are asked for where they are shown, on a
// phone for the rows that are open, and its figures when its entries changed.

import { acknowledge, answered, calls, concern, learn, waits, worstFirst } from './concern.js';
import { courseLine, levelOf, reservoir, severity, sign, swatch } from './draw.js';
import { h, patch } from './dom.js';
import { batch, call, entries, now, pages, Refused, session } from './fhir.js';
import { settings } from './settings.js';
import { ago, code, component, figure, fold, idOf, LOCAL, looks, ml, personName, reading, says, severities, span, suctions } from './words.js';
import { near, time } from './zone.js';

const HOUR = 3600000, ANEW = 10 * 60000, OVERLAP = 15000, CHUNK = 50;

/** places lists the wards that the token may see. */
export async function places() {
  const list = await pages((await call('Location?_count=200')).resource);
  const wards = list.filter((l) => code(l.physicalType) === 'wa');
  return (wards.length ? wards : list.filter((l) => code(l.physicalType) !== 'bd'))
    .map((l) => ({ id: l.id, name: l.name ?? l.id, parts: list.filter((p) => idOf(p.partOf) === l.id) }));
}

/** placementOf is the stay of a drain that counts now: the open one, else the last. */
export function placementOf(all, device) {
  const start = (u) => Date.parse(u.timingPeriod?.start ?? '') || 0;
  return all.filter((x) => x.resourceType === 'DeviceUseStatement' && idOf(x.device) === device && x.status !== 'entered-in-error')
    .sort((a, b) => Boolean(a.timingPeriod?.end) - Boolean(b.timingPeriod?.end) || start(b) - start(a))[0];
}

/** drainOf puts together what a Device and its placement say of a drain. */
export function drainOf(device, placement, patient, bed) {
  const property = (name) => device.property?.find((p) => code(p.type, LOCAL) === name);
  const side = placement?.extension?.find((e) => e.url.endsWith('/body-side'))?.valueCodeableConcept;
  return {
    id: device.id, placement: placement?.id, label: device.deviceName?.[0]?.name ?? `Drain ${device.id}`,
    site: placement?.bodySite?.text ?? placement?.bodySite?.coding?.[0]?.display ?? '', side: side?.text ?? side?.coding?.[0]?.display ?? '',
    placed: Date.parse(placement?.timingPeriod?.start ?? ''), removed: placement?.timingPeriod?.end, status: device.status,
    patient: idOf(placement?.subject ?? device.patient), name: personName(patient), born: patient?.birthDate, bed,
    capacity: property('reservoir-capacity')?.valueQuantity?.[0], compartment: code(property('compartment')?.valueCode?.[0], LOCAL),
  };
}

export const statusOf = (o) => {
  const c = code(o.valueCodeableConcept, LOCAL);
  return c === 'unknown-stale' ? 'unknown' : c;
};

const questions = (id) => [`Location/${id}/$emptying-due`, `Location/${id}/$escalation-status`];

/** early asks what a ward is drawn from first, before anything else is known of it. */
export function early(id) {
  const answer = batch(questions(id));
  answer.catch(() => {}); // told to whoever awaits it
  return { began: Date.now(), answer };
}

const narrow = () => innerWidth < 640;

/** Ward holds what is known of one ward; asked is what early gave. */
export class Ward {
  constructor(place, asked) {
    this.place = place;
    this.early = asked;
    this.beds = new Map(place.parts.filter((p) => code(p.physicalType) === 'bd').map((p) => [p.id, p.name]));
    this.open = new Set(); // rows, on a phone
    this.rows = new Map();
    this.limited = '';
    this.seen = 0; // entries stored up to here, on the service's clock, are known
    this.full = 0;
    this.find = ''; // what is looked for, by bed or name
    this.told = undefined; // what was announced before, by concern
  }

  row(id) {
    if (!this.rows.has(id)) this.rows.set(id, { id, readings: new Map(), concerns: [], totals: {} });
    return this.rows.get(id);
  }

  /** refresh asks; it answers the high concerns that were announced since. */
  async refresh() {
    const anew = now() - this.full > ANEW;
    const known = [...this.rows.values()].filter((r) => r.loaded).map((r) => r.id);
    const asks = questions(this.place.id);
    // Deletions do not come with _lastUpdated; all is asked anew now and then.
    const since = !anew && this.seen && new Date(this.seen - OVERLAP).toISOString();
    if (since) for (const part of chunks(known)) asks.push(`Observation?device=${part.map((id) => `Device/${id}`).join(',')}&_lastUpdated=ge${since}&_count=500`);
    const { began, answer } = this.early ?? { began: Date.now(), answer: batch(asks) };
    this.early = undefined;
    const [due, status, ...changed] = await answer;
    const asked = now() - (Date.now() - began); // the answer has told the service's clock
    this.limited = '';
    if (due instanceof Refused || status instanceof Refused) {
      const no = due instanceof Refused ? due : status;
      if (no.status !== 403 && no.status !== 404) throw no;
      this.limited = no.message;
      await this.listOnly(anew);
    } else {
      this.take(due, status);
      this.drawn?.();
    }
    for (const b of changed) if (!(b instanceof Refused)) this.enter(await pages(b));
    const rows = [...this.rows.values()], shown = (r) => this.all || !narrow() || this.open.has(r.id);
    if (anew) for (const r of rows) r.loaded &&= shown(r);
    await Promise.all([this.describe(anew), this.load(rows.filter((r) => shown(r) && (anew || !r.loaded)).map((r) => r.id))]);
    if (anew) this.full = now();
    this.seen = asked;
    if (!this.limited) await this.compare();
    await learn(this.concerns.flatMap((c) => c.answers.map((a) => a.by)));
    return this.news();
  }

  get concerns() { return [...this.rows.values()].flatMap((r) => r.concerns); }

  /** news are the high concerns that were announced since it was asked before, and that nobody has answered. */
  news() {
    const said = new Map(this.concerns.map((c) => [c.id, c.announced ?? c.since]));
    const fresh = !this.told ? [] : this.concerns.filter((c) => c.severity === 'high' && waits(c) && this.told.get(c.id) !== said.get(c.id));
    this.told = said;
    return fresh.map((c) => ({ ...c, row: this.rows.get(c.drain) }));
  }

  /** many tells whether the patient has other drains here. */
  many(r) { return [...this.rows.values()].some((x) => x !== r && x.drain?.patient && x.drain.patient === r.drain.patient); }

  acknowledge(r) {
    acknowledge({ concerns: r.concerns.filter(waits), who: who(r.drain), drain: r.id, back: `ack-${r.id}`, again: async () => {
      await this.again?.();
      return this.rows.get(r.id)?.concerns;
    } });
  }

  take(due, status) {
    const now = new Set();
    for (const [place, t] of entries(due).entries()) {
      const r = this.row(idOf(t.focus));
      now.add(r.id);
      r.due = { place, at: Date.parse(t.restriction?.period?.end ?? ''), state: code(t.businessStatus), label: t.focus?.display, words: t.description?.replace(/^[^:]*: /, '') };
      // Until describe tells more.
      if (t.for?.display) r.drain ??= { id: r.id, label: t.focus?.display ?? `Drain ${r.id}`, name: t.for.display, patient: idOf(t.for), bed: this.beds.get(idOf(t.location)), site: '', side: '', brief: true };
    }
    const issues = new Map();
    for (const o of entries(status)) {
      if (o.resourceType === 'DetectedIssue') issues.set(o.id, concern(o));
      if (o.resourceType !== 'Observation' || code(o.code) !== 'escalation-status' || !o.device) continue;
      const r = this.row(idOf(o.device));
      r.level = statusOf(o);
      if (!now.has(r.id)) r.due = undefined;
      now.add(r.id);
      r.last = component(o, 'last-entry')?.valueDateTime && Date.parse(component(o, 'last-entry').valueDateTime);
      r.concerns = [];
    }
    for (const c of issues.values()) if (!c.until) this.rows.get(c.drain)?.concerns.push(c);
    for (const r of this.rows.values()) r.concerns.sort(worstFirst);
    for (const id of this.rows.keys()) if (!now.has(id)) this.rows.delete(id);
  }

  /** listOnly: a token for some kinds of entries sees the drains, not what is derived. */
  async listOnly(anew) {
    if (this.rows.size && !anew) return;
    const at = [this.place.id, ...this.place.parts.map((p) => p.id)].map((id) => `Location/${id}`).join(',');
    for (const d of await pages((await call(`Device?location=${at}&status=active&_count=200`)).resource)) this.row(d.id);
  }

  async describe(anew) {
    const ids = [...this.rows.values()].filter((r) => anew || !r.drain || r.drain.brief).map((r) => r.id);
    if (!ids.length) return;
    const [stays, ...found] = await batch([`Encounter?location=Location/${this.place.id}&status=in-progress&_count=500`,
      ...chunks(ids).map((part) => `Device?_id=${part.join(',')}&_include=Device:patient&_revinclude=DeviceUseStatement:device&_count=200`)]);
    const names = this.beds, bed = new Map(stays instanceof Refused ? [] : entries(stays).flatMap((e) => (e.location ?? [])
      .filter((l) => names.has(idOf(l.location)) && l.status !== 'completed').map((l) => [idOf(e.subject), names.get(idOf(l.location))])));
    for (const b of found) {
      if (b instanceof Refused) throw b;
      const all = entries(b), patients = new Map(all.filter((x) => x.resourceType === 'Patient').map((p) => [p.id, p]));
      for (const d of all.filter((x) => x.resourceType === 'Device')) {
        const placement = placementOf(all, d.id), patient = idOf(placement?.subject ?? d.patient);
        if (this.rows.has(d.id)) this.rows.get(d.id).drain = drainOf(d, placement, patients.get(patient), bed.get(patient));
      }
    }
    // A drain that the token may not describe is still one to be emptied.
    for (const r of this.rows.values()) r.drain ??= { id: r.id, label: r.due?.label ?? `Drain ${r.id}`, name: 'patient not readable', site: '', side: '' };
  }

  async load(ids) {
    const from = new Date(now() - 50 * HOUR).toISOString(), list = [];
    for (const part of chunks(ids)) {
      list.push(...await pages((await call(`Observation?device=${part.map((id) => `Device/${id}`).join(',')}&date=ge${from}&_count=1000`)).resource));
    }
    for (const r of ids.map((id) => this.rows.get(id)).filter(Boolean)) {
      r.readings = new Map();
      r.loaded = true;
    }
    this.enter(list);
  }

  enter(list) {
    for (const o of list) {
      if (o.resourceType !== 'Observation') continue;
      this.rows.get(idOf(o.device))?.readings.set(o.id, reading(o));
    }
  }

  /**
   * compare asks for the 24 h up to the last emptying and the 24 h before it:
   * both are then covered by known intervals, and stay so until a new entry.
   */
  async compare() {
    const todo = [];
    for (const r of [...this.rows.values()].filter((x) => x.loaded)) {
      r.list = [...r.readings.values()].filter((x) => x.counts).sort((a, b) => b.at - a.at);
      const last = r.list.find((x) => x.kind === 'emptying');
      const key = last ? r.list.map((x) => `${x.id}/${x.version}`).join() : '';
      if (r.totals.key === key) continue;
      if (last) todo.push({ r, key, end: last.at });
      else r.totals = { key };
    }
    for (const part of chunks(todo)) {
      const ask = ({ r, end }, k) => `Device/${r.id}/$drain-output?period=total&attribution=spread&start=${iso(end - (k + 1) * 24 * HOUR)}&end=${iso(end - k * 24 * HOUR)}`;
      const answers = await batch(part.flatMap((t) => [ask(t, 0), ask(t, 1)]));
      part.forEach(({ r, key }, i) => {
        r.totals = { key };
        const [a, b] = [answers[2 * i], answers[2 * i + 1]];
        if (!(a instanceof Refused)) {
          r.totals.last = total(a);
          const trend = entries(a).find((o) => code(o.code) === 'drain-output-trend');
          r.totals.trend = trend && `; trend of ${hoursOf(trend)} h: ${trend.valueCodeableConcept?.text}`;
          r.totals.fluid = entries(a).find((o) => code(o.code) === 'appearance-course')?.valueCodeableConcept?.text;
        }
        if (!(b instanceof Refused)) r.totals.before = total(b);
      });
    }
  }
}

/** hoursOf is how long the span is that an answer is about. */
export const hoursOf = (o) => Math.round((Date.parse(o.effectivePeriod.end) - Date.parse(o.effectivePeriod.start)) / HOUR);

function total(bundle) {
  const o = entries(bundle).find((x) => code(x.code)?.startsWith('drain-output-total'));
  if (!o?.valueQuantity) return undefined;
  return { ml: o.valueQuantity.value, u: component(o, 'expanded-uncertainty')?.valueQuantity?.value, complete: o.status === 'final' };
}

const iso = (t) => new Date(t).toISOString();
const chunks = (list) => Array.from({ length: Math.ceil(list.length / CHUNK) }, (_, i) => list.slice(i * CHUNK, (i + 1) * CHUNK));

/** dueWords says in words when to empty. */
export function dueWords(due, t) {
  if (!due || !Number.isFinite(due.at)) return { state: 'none', words: 'No emptying due', short: '' };
  if (due.at <= t && due.state !== 'overdue') return { state: 'overdue', words: 'Empty now', short: 'now' };
  if (due.state === 'overdue') return { state: 'overdue', words: `Overdue by ${span(t - due.at)}`, short: `${brief(t - due.at)} over` };
  return { state: due.at - t < HOUR ? 'soon' : 'later', words: `Empty in ${span(due.at - t)}`, short: time(due.at) };
}

const brief = (ms) => (ms < HOUR ? `${Math.floor(ms / 60000)} min` : ms < 48 * HOUR ? `${Math.floor(ms / HOUR)} h` : `${Math.floor(ms / 24 / HOUR)} d`);

const groups = [['look', 'Look now'], ['overdue', 'Overdue'], ['soon', 'Within the hour'], ['later', 'Later'], ['none', 'No due time']];

/** groupOf says where in the order of the ward a drain stands. */
function groupOf(r, t, limited) {
  if (!limited && (r.concerns.some(calls) || r.level === 'unknown')) return 'look';
  return dueWords(r.due, t).state;
}

// Within "look now": what waits for an answer, the worst first, then what is stale.
const urgency = (r) => Math.max(0, ...r.concerns.filter(calls).map((c) => severities[c.severity].rank * 10)) || (r.level === 'unknown' ? 1 : 0);

/** ordered gives the drains in the order in which they are shown, each with its group. */
export function ordered(ward, t) {
  const rank = Object.fromEntries(groups.map(([g], i) => [g, i]));
  return [...ward.rows.values()].filter((r) => r.drain).map((row) => ({ row, group: groupOf(row, t, ward.limited) }))
    .sort((a, b) => rank[a.group] - rank[b.group] || (a.group === 'look' ? urgency(b.row) - urgency(a.row) : 0)
      || (a.row.due?.place ?? Infinity) - (b.row.due?.place ?? Infinity) || a.row.drain.label.localeCompare(b.row.drain.label));
}

/** who names a drain as it is said: bed, name, drain. */
export const who = (d) => [d.bed, d.name, d.label].filter(Boolean).join(', ');
const placed = (d) => d.bed || 'No bed';

/** show draws the ward into the page; called after each refresh and each quarter of a minute. */
export function show(root, ward) {
  const t = now(), all = ordered(ward, t), phone = narrow();
  const want = fold(ward.find ?? '').split(/\s+/).filter(Boolean);
  const list = all.filter(({ row }) => want.every((w) => fold(who(row.drain)).includes(w)));
  const counts = {}, waiting = all.filter((x) => x.group === 'look').length, late = all.filter((x) => dueWords(x.row.due, t).state === 'overdue').length;
  for (const { row } of all) counts[row.level ?? 'unknown'] = (counts[row.level ?? 'unknown'] ?? 0) + 1;
  const items = [{ key: 'sum', print: JSON.stringify([all.length, counts, waiting, late, ward.limited]), build: () => h('div', { class: 'sum' },
    h('p', {}, h('strong', {}, all.length), all.length === 1 ? ' drain' : ' drains'),
    !ward.limited && [h('p', {}, h('strong', {}, waiting), ' to look at now'), h('p', {}, h('strong', {}, late), ' overdue'),
      ['high', 'unknown', 'moderate', 'low', 'none'].filter((l) => counts[l]).map((l) => tally(l, counts[l]))],
    ward.limited && h('p', { class: 'limited', role: 'note' }, 'Concerns, due times and totals are not shown: ', ward.limited)) }];
  if (!all.length) items.push({ key: 'empty', print: '', build: () => h('p', { class: 'quiet' }, 'No drain is charted as in place here. That does not mean that there is none.') });
  else if (!list.length) items.push({ key: 'empty', print: 'find', build: () => h('p', { class: 'quiet' }, `No bed or name here matches “${ward.find}”.`) });
  items.push({ key: 'drains', print: '', build: () => h('ol', { class: 'drains' }) });
  patch(root, items);
  patch(root.querySelector('ol.drains'), list.map(({ row, group }, i) => {
    const first = i === 0 || list[i - 1].group !== group;
    const heading = first && `${ward.limited ? 'Drains' : groups.find(([g]) => g === group)[1]} ${list.filter((x) => x.group === group).length}`;
    return card(row, t, { ward, group, heading, phone });
  }));
}

/** tally counts the drains of a level; pressed, it goes from one such drain to the next. */
function tally(l, n) {
  const words = [sign(l), ' ', h('strong', {}, n), ` ${{ unknown: 'stale', none: 'without a concern' }[l] ?? l}`];
  if (l === 'none') return h('p', { class: `level ${l}` }, words);
  let at = -1;
  return h('button', { type: 'button', class: `level ${l}`, 'data-focus': `to-${l}`, onclick: () => {
    const found = document.querySelectorAll(`.card.${l} h3 :is(a, button)`);
    at = (at + 1) % found.length;
    found[at]?.focus();
  } }, words, h('span', { class: 'unseen' }, ': go to the next'));
}

function card(r, t, { ward, group, heading, phone }) {
  const d = r.drain, due = dueWords(r.due, t), { limited } = ward;
  const list = [...r.readings.values()].filter((x) => x.counts).sort((a, b) => b.at - a.at);
  const last = list.find((x) => x.kind === 'emptying'), look = list.find((x) => x.look), suction = list.find((x) => x.suction);
  const level = limited ? undefined : r.level ?? 'unknown', lastAt = last?.at ?? r.last, open = !phone || ward.open.has(r.id);
  const fill = levelOf(list, d.capacity ? ml(d.capacity) : settings.capacity, t);
  const call = r.concerns.filter(waits)[0] ?? r.concerns[0], several = ward.many(r);
  const print = JSON.stringify(open ? [d, due, level, group, heading, phone, r.due?.at, r.concerns, r.totals, r.loaded, last?.id, last?.version, lastAt && ago(t - lastAt), look?.id, suction?.id, fill && Math.round(fill.share), Math.floor(t / HOUR), limited]
    : [placed(d), d.name, several && d.label, due.state, due.short, level, group, heading, call?.headline, limited]);
  const toggle = () => {
    if (!ward.open.delete(r.id)) {
      ward.open.add(r.id);
      if (!r.loaded) ward.again();
    }
    show(document.querySelector('.ward'), ward);
  };
  const row = () => h('h3', {}, h('button', { type: 'button', class: 'row', 'aria-expanded': String(open), 'data-focus': `open-${r.id}`, onclick: toggle },
    sign(level ?? 'low'), h('span', { class: 'unseen' }, `${severities[level]?.word ?? ''} `), h('span', { class: 'bed' }, placed(d)), ' ', h('bdi', { class: 'name' }, d.name),
    ' ', h('span', { class: 'one' }, several ? d.label.split(',')[0] : ''), ' ', !limited && h('span', { class: `when ${due.state}` }, due.short), group === 'look' && h('span', { class: 'call' }, r.level === 'unknown' && !call ? 'Nothing charted for a long time' : call?.headline)));
  const head = () => h('h3', {}, h('a', { href: `#/drain/${r.id}`, 'data-focus': `open-${r.id}` }, h('span', { class: 'bed' }, placed(d)), ' ', h('bdi', { class: 'name' }, d.name)));
  const body = () => [
    h('div', { class: 'glance' },
      h('div', { class: 'words' }, h('p', { class: 'drain-name' }, phone ? h('a', { href: `#/drain/${r.id}` }, d.label) : d.label, siteWords(d) && ` · ${siteWords(d)}`),
        !limited && h('p', { class: `due ${due.state}` }, due.words, r.due && Number.isFinite(r.due.at) && h('span', { class: 'at' }, ` ${due.state === 'overdue' ? 'since' : 'at'} ${near(r.due.at, t)}`)),
        level === 'unknown' && h('p', { class: 'stale' }, sign('unknown'), ' Stale: ', lastAt ? `nothing charted for ${span(t - lastAt)}` : 'nothing charted', '. Go and look.')),
      r.loaded && reservoir(fill, settings.fill)),
    !limited && (r.concerns.length ? h('ul', { class: 'concerns', 'aria-label': `Open concerns of ${who(d)}` }, r.concerns.map((c) => h('li', { class: waits(c) ? '' : 'answered' }, severity(c.severity), ' ', h('span', {}, c.headline), answered(c, t) && h('span', { class: 'quiet' }, ` ${answered(c, t)}.`))))
      : level !== 'unknown' && h('p', { class: 'nothing' }, sign('none'), ' No open concern')),
    !r.loaded && h('p', { class: 'quiet' }, 'Asking for its entries…'),
    r.loaded && h('dl', { class: 'facts' },
      h('div', {}, h('dt', {}, 'Last emptying'), h('dd', {}, last ? [h('strong', {}, last.quantity ? says({ kind: 'emptying', quantity: last.quantity, care: [] }) : 'not measured'), ` ${ago(t - last.at)}`] : 'none in two days')),
      !limited && h('div', {}, h('dt', {}, '24 h to then, against the 24 h before'), h('dd', {}, against(r.totals))),
      h('div', {}, h('dt', {}, 'Appearance'), h('dd', { class: 'look' }, swatch(look?.look), ' ', ...appearance(look && looks[look.look].word, r.totals.fluid))),
      h('div', {}, h('dt', {}, 'Suction'), h('dd', { class: suction?.suction === 'lost' ? 'lost' : '' }, suction ? suctions[suction.suction]?.word ?? suction.suction : 'not charted'))),
    r.loaded && h('div', { class: 'trace' }, courseLine(list, t), h('p', { class: 'quiet' }, '48 h, mL/h', r.totals.trend)),
    h('p', { class: 'act' }, session.may('c', 'Observation') && h('a', { class: 'button main', href: `#/chart/${r.id}`, 'data-focus': `chart-${r.id}`, 'aria-label': `Chart for ${who(d)}` }, 'Chart'), ' ',
      r.concerns.some(waits) && session.may('u', 'DetectedIssue') && h('button', { type: 'button', 'data-focus': `ack-${r.id}`, 'aria-haspopup': 'dialog', 'aria-label': `Acknowledge for ${who(d)}`, onclick: () => ward.acknowledge(r) }, 'Acknowledge')),
  ];
  return { key: r.id, print, build: () => h('li', { class: `card ${level ?? ''} ${group} ${heading ? 'first' : ''} ${phone ? 'narrow' : ''}` },
    heading && h('h2', { class: 'order' }, heading), phone ? row() : head(), open && h('div', { class: 'body' }, body())) };
}

/** siteWords is site and side where the label does not say them already. */
export function siteWords(d) {
  const words = [d.side, d.site].filter(Boolean).join(' ');
  return d.label.toLowerCase().includes(words.toLowerCase()) ? '' : words;
}

function against({ last, before }) {
  if (!last) return 'not known yet';
  const a = h('strong', {}, `${figure(last.ml)} mL`);
  if (!last.complete || !before?.complete) return [a, last.complete ? '; the day before is not complete' : ', not a complete day'];
  const diff = last.ml - before.ml;
  const arrow = Math.abs(diff) < 1 ? 'as before,' : diff > 0 ? '▲ up from' : '▼ down from';
  return [a, ` ${arrow} `, `${figure(before.ml)} mL`];
}

// appearance words a look and its course: "serous, lightening". The course of a
// look without a rank begins with the look itself: "feculent, was serous".
function appearance(look, course) {
  if (!look) return ['not charted'];
  if (!course || ['unchanged', 'not known'].includes(course)) return [look];
  return [course.startsWith(look) ? course : `${look}, ${course}`];
}
