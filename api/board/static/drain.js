// One drain: what is wrong with it and why, the course, the removal criteria,
// and the entries.

import { acknowledge, answered, concern, evidence, learn, person, waits, worstFirst } from './concern.js';
import { h, patch, unique } from './dom.js';
import { course, levelOf, reservoir, severity, sign, swatch } from './draw.js';
import { batch, call, entries, now, Refused, session } from './fhir.js';
import { outbox } from './outbox.js';
import { settings } from './settings.js';
import { drainOf, hoursOf, placementOf, siteWords, statusOf, who } from './ward.js';
import { ago, charted, code, component, figure, idOf, LOCAL, looks, ml, reading, says, severities, span, vesselWords } from './words.js';
import { clock, date, near, time, zoned } from './zone.js';

export class Drain {
  constructor(id) {
    this.id = id;
    this.told = undefined;
    this.picture = undefined; // of $chart, as a blob URL
  }

  /** refresh asks for everything about the drain in one batch. */
  async refresh() {
    const d = `Device/${this.id}`;
    const [device, status, output, review, list, issues] = await batch([
      `Device?_id=${this.id}&_include=Device:patient&_revinclude=DeviceUseStatement:device&_include:iterate=DeviceUseStatement:subject`, `${d}/$escalation-status`, `${d}/$drain-output?period=day`,
      `${d}/$removal-review`, `Observation?device=${d}&_sort=-date&_count=100&_revinclude=Provenance:target`, `DetectedIssue?implicated=${d}&_count=50`,
    ]);
    if (device instanceof Refused) throw device;
    const all = entries(device), dev = all.find((x) => x.resourceType === 'Device');
    if (!dev) throw new Refused(404, { issue: [{ diagnostics: `No drain ${this.id} is known, or this token may not see it.` }] });
    const placement = placementOf(all, this.id), patient = idOf(placement?.subject ?? dev.patient);
    this.bed = await bedOf(patient, this.bed);
    this.drain = drainOf(dev, placement, all.find((x) => x.resourceType === 'Patient' && x.id === patient), this.bed?.name);
    const ok = (b) => (b instanceof Refused ? [] : entries(b));
    this.limited = status instanceof Refused ? status.message : '';
    const level = ok(status).find((o) => code(o.code) === 'escalation-status');
    this.level = level && statusOf(level);
    this.notes = level?.note?.map((n) => n.text) ?? [];
    this.last = component(level ?? {}, 'last-entry')?.valueDateTime;
    this.due = component(level ?? {}, 'emptying-due')?.valueDateTime;
    this.concerns = ok(status).filter((o) => o.resourceType === 'DetectedIssue').map(concern).filter((c) => !c.until).sort(worstFirst);
    this.closed = ok(issues).filter((o) => o.resourceType === 'DetectedIssue').map(concern).filter((c) => c.until && !this.concerns.some((x) => x.id === c.id)).sort((a, b) => b.until - a.until);
    this.readings = [...ok(list), ...ok(status).filter((o) => o.id)].filter((o) => o.resourceType === 'Observation').map(reading);
    this.readings = [...new Map(this.readings.map((r) => [r.id, r])).values()].sort((a, b) => b.at - a.at);
    this.changes = changes(ok(list));
    const out = ok(output), named = (n) => out.find((o) => code(o.code) === n);
    this.totals = out.filter((o) => code(o.code)?.startsWith('drain-output-total')).map((o) => ({
      from: Date.parse(o.effectivePeriod.start), to: Date.parse(o.effectivePeriod.end), ml: o.valueQuantity?.value, preliminary: o.status === 'preliminary',
      u: component(o, 'expanded-uncertainty')?.valueQuantity?.value, n: component(o, 'reading-count')?.valueInteger, notes: (o.note ?? []).map((x) => x.text),
      coverage: component(o, 'coverage')?.valueQuantity?.value,
    }));
    this.rate = named('drain-output-rate');
    this.trend = named('drain-output-trend');
    this.fluid = named('appearance-course');
    this.review = ok(review)[0];
    await learn([...this.concerns.flatMap((c) => c.answers.map((x) => x.by)), ...this.readings.flatMap((r) => [r.performer, ...r.notes.map((n) => n.by)]), ...[...this.changes.values()].flat().map((c) => c.by)]);
    const said = new Map(this.concerns.map((c) => [c.id, c.announced ?? c.since]));
    const fresh = !this.told ? [] : this.concerns.filter((c) => c.severity === 'high' && waits(c) && this.told.get(c.id) !== said.get(c.id));
    this.told = said;
    const print = this.readings.map((r) => `${r.id}/${r.version}`).join() + this.concerns.map((c) => `${c.id}/${c.version}`).join();
    if (print !== this.drawn) {
      this.drawn = print;
      this.paint();
    }
    return fresh.map((c) => ({ ...c, row: { drain: this.drain, id: this.id } }));
  }

  /** paint fetches the service's own picture, with the token, which an img element cannot send. */
  async paint() {
    let blob;
    try { blob = await call(`Device/${this.id}/$chart?_format=image/svg%2Bxml`, { blob: true }); } catch { return; }
    if (this.picture) URL.revokeObjectURL(this.picture);
    this.picture = URL.createObjectURL(blob);
    this.onpicture?.();
  }

  close() {
    if (this.picture) URL.revokeObjectURL(this.picture);
  }
}

/** show draws the drain into the page. */
export function show(root, x) {
  const t = now(), d = x.drain;
  const part = (key, what, build) => ({ key, print: JSON.stringify(what), build });
  const own = ownLast(x), minute = Math.floor(t / 60000);
  patch(root, [
    part('head', [d, x.level, x.due, x.last, x.limited, own?.id, minute], () => head(x, t, own)),
    part('concerns', [x.concerns, x.closed, x.limited, x.level, x.drain, Math.floor(t / 300000)], () => concerns(x, t)),
    part('course', [x.readings, x.totals, x.picture, x.trend?.valueCodeableConcept, innerWidth], () => picture(x, t)),
    part('removal', x.review?.component ?? x.limited, () => removal(x)),
    part('entries', [x.readings, [...x.changes]], () => history(x, t)),
  ]);
}

/** changes are the corrections of entries, by entry: who, when, from which version, why. */
function changes(list) {
  const found = new Map();
  for (const p of list.filter((x) => x.resourceType === 'Provenance')) {
    const was = /^Observation\/([^/]+)\/_history\/(\d+)$/.exec(p.entity?.find((e) => e.role === 'revision')?.what?.reference ?? '');
    if (was) found.set(was[1], [...(found.get(was[1]) ?? []), { at: Date.parse(p.recorded), from: Number(was[2]), by: p.agent?.[0]?.who?.reference ?? p.agent?.[0]?.who?.display, why: p.reason?.[0]?.text }]);
  }
  for (const l of found.values()) l.sort((a, b) => a.at - b.at);
  return found;
}

/** ownLast is the last entry of whoever looks: the one that may be put right. */
export function ownLast(x) {
  const sent = new Set(outbox.sent().filter((e) => e.by === session.subject).map((e) => e.id));
  return x.readings.find((r) => r.counts && r.kind !== 'other' && r.kind !== 'site' && (sent.has(r.id) || (session.subject && r.performer === session.subject)));
}

/** bedOf finds the bed of a patient's stay; asked again only for another patient, or after ten minutes. */
export async function bedOf(patient, before) {
  if (!patient || (before?.patient === patient && now() - before.at < 600000)) return before;
  const [stays] = await batch([`Encounter?patient=Patient/${patient}&status=in-progress&_include=Encounter:location`]);
  const all = stays instanceof Refused ? [] : entries(stays), bed = all.find((l) => l.resourceType === 'Location' && code(l.physicalType) === 'bd'
    && all.some((e) => e.location?.some((x) => idOf(x.location) === l.id && x.status !== 'completed')));
  return { patient, name: bed?.name, stay: all.find((e) => e.resourceType === 'Encounter'), at: now() };
}

function head(x, t, own) {
  const d = x.drain, due = x.due && Date.parse(x.due), may = session.may('c', 'Observation');
  const level = levelOf(x.readings, d.capacity ? ml(d.capacity) : settings.capacity, t);
  return h('header', { class: 'drain-head' },
    h('div', { class: 'glance' }, h('div', { class: 'words' },
      h('h1', { tabindex: '-1' }, d.bed && [h('span', { class: 'bed' }, d.bed), ' '], h('bdi', {}, d.name)),
      h('p', { class: 'drain-name' }, h('strong', {}, d.label), siteWords(d) && ` · ${siteWords(d)}`, d.born && h('span', { class: 'quiet' }, ` · born ${d.born}`)),
      h('p', {}, Number.isFinite(d.placed) && `In place for ${span((d.removed ? Date.parse(d.removed) : t) - d.placed)}`, d.removed && ', removed', d.capacity && ` · reservoir ${charted(d.capacity)}`),
      x.level && h('p', { class: `state ${x.level}` }, sign(x.level), ' ', severities[x.level]?.says ?? x.level),
      x.level === 'unknown' && h('p', { class: 'stale' }, 'Not known is not well: go and look at the drain.'),
      x.limited && h('p', { class: 'limited', role: 'note' }, 'Concerns, totals and criteria are not shown: ', x.limited),
      h('p', {}, x.last && `Last entry ${ago(t - Date.parse(x.last))}`, due && (due <= t ? ` · to be emptied since ${near(due, t)} (${span(t - due)})` : ` · to be emptied in ${span(due - t)}, at ${near(due, t)}`))),
    reservoir(level, settings.fill)),
    h('p', { class: 'act' }, !d.removed && may && h('a', { class: 'button main', href: `#/chart/${d.id}`, 'data-focus': 'chart' }, 'Chart'), ' ',
      own && session.may('u', 'Observation') && h('a', { class: 'button', href: `#/correct/${own.id}`, 'data-focus': 'correct' }, `Correct my last entry (${says(own)})`), ' ',
      h('a', { class: 'button', href: `#/call/${d.id}`, 'data-focus': 'call' }, 'Call sheet')),
    !d.removed && session.may('c', 'Task') && h('details', { 'data-name': 'walk' }, h('summary', {}, 'Walk or journey planned'), h('p', {}, 'The drain is then due before it: empty before walking.'),
      h('p', { class: 'act' }, [15, 30, 60, 120].map((min) => h('button', { type: 'button', onclick: (e) => walk(x, min, e.target) }, `in ${span(min * 60000)}`)))),
    !d.removed && session.may('u', 'DeviceUseStatement') && h('p', { class: 'act' }, [['remove', 'Remove'], ['replace', 'Replace'], ['move', 'Move'], session.may('u', 'Encounter') && x.bed?.stay && ['home', 'Home with the drain']].filter(Boolean)
      .map(([k, w]) => h('a', { class: 'button', href: `#/change/${k}/${d.id}`, 'data-focus': k }, w))));
}

/** walk says that the patient leaves the bed, so that the drain is due before. */
async function walk(x, min, button) {
  button.disabled = true;
  try {
    await call('Task', { method: 'POST', body: {
      resourceType: 'Task', status: 'requested', intent: 'plan', code: { coding: [{ system: LOCAL, code: 'planned-walk' }] }, for: { reference: `Patient/${x.drain.patient}` }, restriction: { period: { start: zoned(now() + min * 60000) } },
    } });
    await x.again?.();
  } catch (err) {
    button.after(h('span', { class: 'problem', role: 'alert' }, ` Not planned: ${err.message}`));
    button.disabled = false;
  }
}

function concerns(x, t) {
  if (x.limited) return h('section', { hidden: true });
  const id = unique('h'), open = x.concerns.filter(waits), may = session.may('u', 'DetectedIssue');
  const again = async () => { await x.again?.(); return x.concerns; };
  const button = (list, words, back) => h('button', { type: 'button', 'data-focus': back, 'aria-haspopup': 'dialog', onclick: () => acknowledge({ concerns: list, who: who(x.drain), drain: x.id, back, again }) }, words, list.length === 1 && h('span', { class: 'unseen' }, `: ${list[0].headline}`));
  return h('section', { 'aria-labelledby': id, class: 'panel' }, h('h2', { id }, 'Concerns'),
    !x.concerns.length && h('p', {}, sign('none'), ' No open concern.', x.level === 'unknown' && ' But nothing has been charted for long.'),
    may && open.length > 1 && h('p', {}, button(open, `Acknowledge all ${open.length}`, 'ack-all')),
    x.concerns.map((c) => h('article', { class: `concern ${c.severity}`, id: `concern-${c.id}` },
      h('h3', {}, severity(c.severity), ' ', c.headline), h('p', { class: 'quiet' }, `${c.name}, since ${clock(c.since, t)}, for ${span(t - c.since)}`),
      evidence(c, (id) => { const r = x.readings.find((o) => o.id === id); return r && `${clock(r.at, t)}: ${says(r)}`; }),
      c.answers.map((a) => h('p', { class: 'answer' }, `Acknowledged ${clock(a.at, t)} by ${person(a.by)}: ${a.words}`)),
      c.void && h('p', { class: 'void' }, sign(c.severity), ` ${answered(c, t)}`),
      may && h('p', {}, button([c], waits(c) ? 'Acknowledge' : 'Add to the answer', `ack-${c.id}`)))),
    x.notes.filter((n) => n.startsWith('Evaluated')).map((n) => h('p', { class: 'quiet' }, n)),
    x.closed.length > 0 && h('details', { 'data-name': 'closed' }, h('summary', {}, `Closed concerns (${x.closed.length})`),
      h('ul', { class: 'plain' }, x.closed.map((c) => h('li', {}, severity(c.severity), ` ${c.headline}, ${clock(c.since, t)} to ${clock(c.until, t)}`, c.withdrawn && ', withdrawn with its readings', c.late && ', charted late')))));
}

const q = (o, name) => component(o, name)?.valueQuantity?.value;

function picture(x, t) {
  const id = unique('h'), tr = x.trend, words = [];
  if (tr) {
    const slope = q(tr, 'slope'), low = q(tr, 'slope-low'), highest = q(tr, 'slope-high'), p = q(tr, 'p-value'), n = component(tr, 'reading-count')?.valueInteger;
    words.push(`Trend of the rate over the last ${hoursOf(tr)} h: ${tr.valueCodeableConcept?.text}` + (n !== undefined ? `, ${n} intervals` : '')
      + (p === undefined ? '' : p < 0.001 ? ', p < 0.001' : `, p = ${p.toFixed(3)}`));
    if (slope !== undefined) words.push(`Slope ${signed(slope)} mL/h per day` + (low !== undefined ? ` (from ${signed(low)} to ${signed(highest)})` : ''));
    for (const note of tr.note ?? []) words.push(note.text);
  }
  if (x.rate) words.push(`Current rate ${figure(x.rate.valueQuantity.value)} mL/h, over the last interval`);
  if (x.fluid) words.push(`Appearance: ${x.fluid.valueCodeableConcept?.text}` + (x.fluid.note?.[0] ? ` (${x.fluid.note[0].text})` : ''));
  const shown = [...new Set(x.readings.map((r) => r.look).filter(Boolean))].sort((a, b) => Object.keys(looks).indexOf(a) - Object.keys(looks).indexOf(b));
  return h('section', { 'aria-labelledby': id, class: 'panel' }, h('h2', { id }, 'Course'),
    h('ul', { class: 'plain' }, words.map((w) => h('li', {}, w))),
    h('div', { class: 'picture' }, course(x.readings, x.totals, Math.min(innerWidth - 48, 1000), t)),
    shown.length > 0 && h('ul', { class: 'key', 'aria-label': 'Patterns of the appearance' }, shown.map((l) => h('li', {}, swatch(l), ` ${looks[l].word}`))),
    x.picture && h('details', { 'data-name': 'picture' }, h('summary', {}, 'The whole course as one picture, to print'),
      h('div', { class: 'sheet', tabindex: '0', role: 'region', 'aria-label': 'Picture of the course' }, h('img', { src: x.picture, alt: `Course of ${x.drain.label}: emptyings, daily totals, trend, appearance and findings. The tables on this page hold the figures.` })),
      h('p', { class: 'act' }, h('a', { class: 'button', href: x.picture, download: `drain-${x.id}.svg` }, 'Save as SVG'), ' ',
        h('button', { type: 'button', onclick: () => save(x) }, 'Save as PNG'))),
    x.totals.length > 0 && h('details', { 'data-name': 'totals', open: innerWidth > 700 }, h('summary', {}, 'Daily totals'),
      h('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Daily totals' }, h('table', {},
        h('thead', {}, h('tr', {}, ['Day', 'Total', '± (k = 2)', 'Readings', 'Known'].map((w) => h('th', { scope: 'col' }, w)))),
        h('tbody', {}, [...x.totals].reverse().map((w) => h('tr', {}, h('th', { scope: 'row' }, `${date(w.from)}, from ${time(w.from)}`),
          h('td', {}, w.ml === undefined ? 'not known' : `${figure(w.ml)} mL`, w.preliminary && ' so far'), h('td', {}, w.u === undefined ? 'not known' : `${figure(w.u)} mL`),
          h('td', {}, w.n), h('td', {}, `${w.coverage ?? 0} %`))))))));
}

const signed = (v) => (v > 0 ? '+' : '') + (Math.abs(v) < 10 ? v.toFixed(2) : v.toFixed(0)).replace('-', '−');

async function save(x) {
  let url;
  try { url = URL.createObjectURL(await call(`Device/${x.id}/$chart?_format=image/png`, { blob: true })); } catch { return; }
  h('a', { href: url, download: `drain-${x.id}.png` }).click();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}

const states = { met: ['met', 'Met'], 'not-met': ['not-met', 'Not met'], 'not-known': ['not-known', 'Not known'] };

function removal(x) {
  if (!x.review) return h('section', { hidden: true });
  const id = unique('h');
  const items = x.review.component?.filter((c) => code(c.code) === 'criterion') ?? [];
  return h('section', { 'aria-labelledby': id, class: 'panel' }, h('h2', { id }, 'Criteria for a removal review'),
    h('p', {}, h('strong', {}, x.review.valueCodeableConcept?.text)),
    h('ul', { class: 'criteria' }, items.map((c) => {
      const [cls, word] = states[code(c.valueCodeableConcept)] ?? states['not-known'];
      const near = c.valueCodeableConcept.coding.some((k) => k.code === 'near-threshold');
      return h('li', { class: cls }, h('span', { class: 'mark', 'aria-hidden': 'true' }, { met: '✓', 'not-met': '✕', 'not-known': '?' }[cls]),
        h('div', {}, h('strong', {}, `${word}: ${c.code.text}`), near && h('em', {}, ', near the threshold'), h('p', {}, c.valueCodeableConcept.text)));
    })),
    h('p', { class: 'quiet' }, (x.review.note ?? []).map((n) => n.text).find((n) => n.startsWith('A prompt')) ?? ''));
}

function history(x, t) {
  const id = unique('h'), may = session.may('u', 'Observation');
  return h('section', { 'aria-labelledby': id, class: 'panel' }, h('h2', { id }, 'Entries'),
    h('ol', { class: 'entries' }, x.readings.slice(0, 60).map((r) => h('li', { class: r.counts ? '' : 'withdrawn' },
      h('span', { class: 'when' }, clock(r.at, t)), ' ',
      h('span', { class: 'what' }, r.look ? [swatch(r.look), ' '] : '', !r.counts && 'WITHDRAWN: ', says(r), r.vessel && `, read in ${(vesselWords[r.vessel] ?? r.vessel).toLowerCase()}`, ['corrected', 'amended'].includes(r.status) && `, ${r.status}`,
        h('span', { class: 'quiet' }, ` · ${person(r.performer)}`)),
      may && r.counts && r.kind !== 'other' && r.kind !== 'site' && h('a', { class: 'fix', href: `#/correct/${r.id}`, 'data-focus': `fix-${r.id}` }, 'Correct', h('span', { class: 'unseen' }, ` the entry of ${clock(r.at, t)}`)),
      (x.changes.get(r.id) ?? []).map((c) => h('span', { class: 'note change' }, `${r.counts ? 'Corrected' : 'Changed'} ${clock(c.at, t)} by ${person(c.by)}, from version ${c.from}`, c.why && !r.notes.some((n) => c.why.includes(n.text)) && `: ${c.why}`)),
      r.notes.map((n) => h('span', { class: 'note' }, n.text, n.by && ` (${person(n.by)}${Number.isFinite(n.at) ? `, ${clock(n.at, t)}` : ''})`))))),
    x.readings.length > 60 && h('p', { class: 'quiet' }, 'The newest 60 entries.'));
}
