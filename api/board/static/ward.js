// The ward: its drains, soonest due first. One batch asks for what may have
// changed; the figures of a drain are asked again only when its entries changed.

import { courseLine, severity, sign, swatch } from './draw.js';
import { h, patch } from './dom.js';
import { batch, call, entries, now, pages, Refused } from './fhir.js';
import { ago, clock, code, component, figure, idOf, LOCAL, looks, personName, reading, says, severities, span, suctions } from './words.js';

const HOUR = 3600000, ANEW = 10 * 60000, OVERLAP = 15000, CHUNK = 50;

/** places lists the wards that the token may see. */
export async function places() {
  const list = await pages((await call('Location?_count=200')).resource);
  const wards = list.filter((l) => code(l.physicalType) === 'wa');
  return (wards.length ? wards : list.filter((l) => code(l.physicalType) !== 'bd'))
    .map((l) => ({ id: l.id, name: l.name ?? l.id, parts: list.filter((p) => idOf(p.partOf) === l.id) }));
}

/** drainOf puts together what a Device and its placement say of a drain. */
export function drainOf(device, placement, patient, bed) {
  const property = (name) => device.property?.find((p) => code(p.type, LOCAL) === name);
  const side = placement?.extension?.find((e) => e.url.endsWith('/body-side'))?.valueCodeableConcept;
  return {
    id: device.id, label: device.deviceName?.[0]?.name ?? `Drain ${device.id}`,
    site: placement?.bodySite?.text ?? placement?.bodySite?.coding?.[0]?.display ?? '', side: side?.text ?? side?.coding?.[0]?.display ?? '',
    placed: Date.parse(placement?.timingPeriod?.start ?? ''), removed: placement?.timingPeriod?.end, status: device.status,
    patient: idOf(device.patient ?? placement?.subject), name: personName(patient), born: patient?.birthDate, bed,
    capacity: property('reservoir-capacity')?.valueQuantity?.[0], compartment: code(property('compartment')?.valueCode?.[0], LOCAL),
  };
}

/** finding is what the board needs of a DetectedIssue. */
export function finding(d) {
  return {
    id: d.id, version: d.meta?.versionId, rule: code(d.code), name: d.code?.coding?.[0]?.display ?? code(d.code), severity: d.severity ?? 'unknown',
    text: (d.detail ?? '').replace(/\s*This service informs, it does not diagnose:.*$/s, ''), drain: idOf(d.implicated?.find((r) => r.reference?.startsWith('Device/'))),
    since: Date.parse(d.identifiedPeriod?.start ?? ''), until: d.identifiedPeriod?.end && Date.parse(d.identifiedPeriod.end), withdrawn: d.status === 'cancelled',
    evidence: (d.evidence ?? []).flatMap((e) => e.detail ?? []).map(idOf),
    answers: (d.mitigation ?? []).map((m) => ({ words: m.action?.text ?? '', at: Date.parse(m.date ?? ''), by: m.author?.display ?? m.author?.reference ?? '' })),
  };
}

export const levelOf = (o) => {
  const c = code(o.valueCodeableConcept, LOCAL);
  return c === 'unknown-stale' ? 'unknown' : c;
};

/** Ward holds what is known of one ward. */
export class Ward {
  constructor(place) {
    this.place = place;
    this.rows = new Map();
    this.limited = '';
    this.seen = 0; // entries stored up to here, on the service's clock, are known
    this.full = 0;
    this.high = undefined; // ids of the high findings that were there before
  }

  row(id) {
    if (!this.rows.has(id)) this.rows.set(id, { id, readings: new Map(), findings: [], totals: {} });
    return this.rows.get(id);
  }

  /** refresh asks; it answers the high findings that are new. */
  async refresh() {
    const loc = `Location/${this.place.id}`;
    const anew = now() - this.full > ANEW;
    const known = [...this.rows.keys()].filter((id) => this.rows.get(id).drain);
    const asks = [`${loc}/$emptying-due`, `${loc}/$escalation-status`];
    // Deletions do not come with _lastUpdated; all is asked anew now and then.
    const since = !anew && this.seen && new Date(this.seen - OVERLAP).toISOString(), began = Date.now();
    if (since) for (const part of chunks(known)) asks.push(`Observation?device=${part.map((id) => `Device/${id}`).join(',')}&_lastUpdated=ge${since}&_count=500`);
    const [due, status, ...changed] = await batch(asks);
    const asked = now() - (Date.now() - began); // the answer has told the service's clock
    this.limited = '';
    if (due instanceof Refused || status instanceof Refused) {
      const no = due instanceof Refused ? due : status;
      if (no.status !== 403 && no.status !== 404) throw no;
      this.limited = no.message;
      await this.listOnly(anew);
    } else {
      this.take(due, status);
    }
    await this.describe(anew);
    const ids = [...this.rows.keys()];
    if (since) {
      for (const b of changed) if (!(b instanceof Refused)) this.enter(await pages(b));
      const fresh = ids.filter((id) => !known.includes(id));
      if (fresh.length) await this.load(fresh);
    } else {
      await this.load(ids);
      this.full = now();
    }
    this.seen = asked;
    if (!this.limited) await this.compare();
    const high = ids.flatMap((id) => this.rows.get(id).findings.filter((f) => f.severity === 'high').map((f) => ({ ...f, row: this.rows.get(id) })));
    const fresh = this.high ? high.filter((f) => !this.high.has(f.id)) : [];
    this.high = new Set(high.map((f) => f.id));
    return fresh;
  }

  take(due, status) {
    const now = new Set();
    for (const [place, t] of entries(due).entries()) {
      const r = this.row(idOf(t.focus));
      now.add(r.id);
      r.due = { place, at: Date.parse(t.restriction?.period?.end ?? ''), state: code(t.businessStatus), label: t.focus?.display, words: t.description?.replace(/^[^:]*: /, '') };
    }
    const issues = new Map();
    for (const o of entries(status)) {
      if (o.resourceType === 'DetectedIssue') issues.set(o.id, finding(o));
      if (o.resourceType !== 'Observation' || code(o.code) !== 'escalation-status' || !o.device) continue;
      const r = this.row(idOf(o.device));
      r.level = levelOf(o);
      if (!now.has(r.id)) r.due = undefined;
      now.add(r.id);
      r.last = component(o, 'last-entry')?.valueDateTime && Date.parse(component(o, 'last-entry').valueDateTime);
      r.findings = [];
    }
    for (const f of issues.values()) this.rows.get(f.drain)?.findings.push(f);
    for (const r of this.rows.values()) r.findings.sort((a, b) => severities[b.severity].rank - severities[a.severity].rank || b.since - a.since);
    for (const id of this.rows.keys()) if (!now.has(id)) this.rows.delete(id);
  }

  /** listOnly: a token for some kinds of entries sees the drains, not what is derived. */
  async listOnly(anew) {
    if (this.rows.size && !anew) return;
    const at = [this.place.id, ...this.place.parts.map((p) => p.id)].map((id) => `Location/${id}`).join(',');
    for (const d of await pages((await call(`Device?location=${at}&status=active&_count=200`)).resource)) this.row(d.id);
  }

  async describe(anew) {
    const ids = [...this.rows.values()].filter((r) => anew || !r.drain).map((r) => r.id);
    if (!ids.length) return;
    const [stays, ...found] = await batch([`Encounter?location=Location/${this.place.id}&status=in-progress&_count=500`,
      ...chunks(ids).map((part) => `Device?_id=${part.join(',')}&_include=Device:patient&_revinclude=DeviceUseStatement:device&_count=200`)]);
    const names = new Map(this.place.parts.filter((p) => code(p.physicalType) === 'bd').map((p) => [p.id, p.name]));
    const bed = new Map(stays instanceof Refused ? [] : entries(stays).flatMap((e) => (e.location ?? [])
      .filter((l) => names.has(idOf(l.location)) && l.status !== 'completed').map((l) => [idOf(e.subject), names.get(idOf(l.location))])));
    for (const b of found) {
      if (b instanceof Refused) throw b;
      const all = entries(b), patients = new Map(all.filter((x) => x.resourceType === 'Patient').map((p) => [p.id, p]));
      for (const d of all.filter((x) => x.resourceType === 'Device')) {
        const placement = all.find((x) => x.resourceType === 'DeviceUseStatement' && idOf(x.device) === d.id && x.status !== 'entered-in-error');
        const patient = idOf(d.patient ?? placement?.subject);
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
    for (const id of ids) this.row(id).readings = new Map();
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
    for (const r of this.rows.values()) {
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
          r.totals.trend = entries(a).find((o) => code(o.code) === 'drain-output-trend')?.valueCodeableConcept?.text;
          r.totals.fluid = entries(a).find((o) => code(o.code) === 'appearance-course')?.valueCodeableConcept?.text;
        }
        if (!(b instanceof Refused)) r.totals.before = total(b);
      });
    }
  }

  get sorted() {
    return [...this.rows.values()].filter((r) => r.drain).sort((a, b) => (a.due?.place ?? Infinity) - (b.due?.place ?? Infinity) || a.drain.label.localeCompare(b.drain.label));
  }
}

function total(bundle) {
  const o = entries(bundle).find((x) => code(x.code)?.startsWith('drain-output-total'));
  if (!o?.valueQuantity) return undefined;
  return { ml: o.valueQuantity.value, u: component(o, 'expanded-uncertainty')?.valueQuantity?.value, complete: o.status === 'final' };
}

const iso = (t) => new Date(t).toISOString();
const chunks = (list) => Array.from({ length: Math.ceil(list.length / CHUNK) }, (_, i) => list.slice(i * CHUNK, (i + 1) * CHUNK));

/** dueWords says in words when to empty. */
export function dueWords(due, t) {
  if (!due || !Number.isFinite(due.at)) return { state: 'none', words: 'No emptying due' };
  if (due.state === 'overdue') return { state: 'overdue', words: `Overdue by ${span(t - due.at)}` };
  if (due.at <= t) return { state: 'now', words: 'Empty now' };
  return { state: due.at - t < HOUR ? 'soon' : 'later', words: `Empty in ${span(due.at - t)}` };
}

const groups = [
  ['overdue', 'Overdue'], ['now', 'To be emptied now'], ['soon', 'Within the hour'], ['later', 'Later'], ['none', 'No due time'],
];

/** show draws the ward into the page; called after each refresh and each half minute. */
export function show(root, ward) {
  const t = now(), rows = ward.sorted;
  const counts = {};
  for (const r of rows) counts[worst(r)] = (counts[worst(r)] ?? 0) + 1;
  const items = [];
  const sum = [rows.length, ...Object.entries(counts)].join();
  items.push({ key: 'sum', print: sum + ward.limited, build: () => h('div', { class: 'sum' },
    h('p', {}, h('strong', {}, rows.length), rows.length === 1 ? ' drain' : ' drains'),
    !ward.limited && ['high', 'unknown', 'moderate', 'low', 'none'].filter((l) => counts[l]).map((l) =>
      tally(l, counts[l])),
    ward.limited && h('p', { class: 'limited', role: 'note' }, 'Findings, due times and totals are not shown: ', ward.limited)) });
  if (!rows.length) items.push({ key: 'empty', print: '', build: () => h('p', { class: 'quiet' }, 'No drain in place is known here. That is not the same as no drain.') });
  for (const [state, title] of groups) {
    const list = rows.filter((r) => dueWords(r.due, t).state === state);
    if (!list.length) continue;
    items.push({ key: `group-${state}`, print: `${state}${ward.limited ? 1 : 0}`, build: () => h('section', { class: `group ${state}`, 'aria-label': title },
      h('h2', {}, ward.limited ? 'Drains' : title, ' ', h('span', { class: 'count' })), h('ol', { class: 'drains' })) });
  }
  patch(root, items);
  for (const [state] of groups) {
    const section = root.querySelector(`.group.${state}`);
    if (!section) continue;
    const list = rows.filter((r) => dueWords(r.due, t).state === state);
    section.querySelector('.count').textContent = list.length;
    patch(section.querySelector('ol'), list.map((r) => card(r, t, ward.limited)));
  }
}

/** tally counts the drains of a level; pressed, it goes from one such card to the next. */
function tally(l, n) {
  const words = [sign(l), ' ', h('strong', {}, n), ` ${{ unknown: 'not known: stale', none: 'without a finding' }[l] ?? l}`];
  if (l === 'none') return h('p', { class: `level ${l}` }, words);
  let at = -1;
  return h('button', { type: 'button', class: `level ${l}`, 'data-focus': `to-${l}`, onclick: () => {
    const links = document.querySelectorAll(`.card.${l} h3 a`);
    at = (at + 1) % links.length;
    links[at]?.focus();
  } }, words, h('span', { class: 'unseen' }, ': go to the next'));
}

function card(r, t, limited) {
  const d = r.drain, due = dueWords(r.due, t);
  const list = [...r.readings.values()].filter((x) => x.counts).sort((a, b) => b.at - a.at);
  const last = list.find((x) => x.kind === 'emptying'), look = list.find((x) => x.look), suction = list.find((x) => x.suction);
  const level = limited ? undefined : worst(r);
  const lastAt = last?.at ?? r.last;
  const print = JSON.stringify([d, due, level, r.due?.at, r.findings, r.totals, last, lastAt && ago(t - lastAt), look?.id, suction?.id, Math.floor(t / HOUR), limited]);
  return { key: r.id, print, build: () => h('li', { class: `card ${level ?? ''} ${due.state}` },
    h('div', { class: 'head' },
      h('h3', {}, h('a', { href: `#/drain/${r.id}`, 'data-focus': `open-${r.id}` }, d.label)),
      h('p', { class: 'who' }, h('strong', {}, d.name), d.bed && ` · ${d.bed}`),
      siteWords(d) && h('p', { class: 'site' }, siteWords(d))),
    !limited && h('p', { class: `due ${due.state}`, title: r.due?.words }, due.words, r.due && Number.isFinite(r.due.at) && h('span', { class: 'at' }, ` ${due.state === 'overdue' || due.state === 'now' ? 'since' : 'at'} ${clock(r.due.at, t)}`)),
    level === 'unknown' && h('p', { class: 'stale' }, sign('unknown'), ' Stale: ', lastAt ? `nothing charted for ${span(t - lastAt)}` : 'nothing charted', '. Go and look.'),
    h('dl', { class: 'facts' },
      h('div', { class: 'wide' }, h('dt', {}, 'Last emptying'), h('dd', {}, last ? [h('strong', {}, last.quantity ? says({ kind: 'emptying', quantity: last.quantity }) : 'not measured'), ` ${ago(t - last.at)}`] : r.last ? `none in two days; last entry ${ago(t - r.last)}` : 'none in two days')),
      !limited && h('div', { class: 'wide' }, h('dt', {}, '24 h to then, against the 24 h before'), h('dd', {}, against(r.totals))),
      h('div', {}, h('dt', {}, 'Appearance'), h('dd', { class: 'look' }, swatch(look?.look), ' ', look ? looks[look.look].word : 'not charted', r.totals.fluid && !['unchanged', 'not known'].includes(r.totals.fluid) && `, ${r.totals.fluid}`)),
      h('div', {}, h('dt', {}, 'Suction'), h('dd', { class: suction?.suction === 'lost' ? 'lost' : '' }, suction ? suctions[suction.suction]?.word ?? suction.suction : 'not charted'))),
    h('div', { class: 'trace' }, courseLine(list, t), h('p', { class: 'quiet' }, '48 h, mL per hour', r.totals.trend && `: ${r.totals.trend}`)),
    !limited && (r.findings.length
      ? h('ul', { class: 'findings', 'aria-label': `Open findings of ${d.label}` }, r.findings.map((f) => h('li', {}, severity(f.severity), ' ', h('span', {}, f.name), h('span', { class: 'quiet' }, `, for ${span(t - f.since)}`, f.answers.length ? ', answered' : ''))))
      : level !== 'unknown' && h('p', { class: 'nothing' }, sign('none'), ' No open finding')),
    h('p', { class: 'act' }, h('a', { class: 'button', href: `#/chart/${r.id}`, 'data-focus': `chart-${r.id}`, 'aria-label': `Chart an emptying of ${d.label}, ${d.name}` }, 'Chart an emptying'))) };
}

/**
 * worst is the drain's level, or that of a graver finding that is still open:
 * a finding keeps the severity it was raised to until its condition ends.
 */
const worst = (r) => [r.level ?? 'unknown', ...r.findings.map((f) => f.severity)].reduce((a, b) => (severities[b].rank > severities[a].rank ? b : a));

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
