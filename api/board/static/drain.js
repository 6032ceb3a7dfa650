// One drain: what was found and what it rests on, the course, the removal
// criteria, and the entries.

import { h, patch, unique } from './dom.js';
import { course, severity, sign, swatch } from './draw.js';
import { batch, call, entries, now, Refused, session, Unreachable } from './fhir.js';
import { outbox } from './outbox.js';
import { ago, charted, clock, code, component, date, figure, looks, reading, says, severities, span, vessels } from './words.js';
import { drainOf, finding, levelOf, siteWords } from './ward.js';

export class Drain {
  constructor(id) {
    this.id = id;
    this.high = undefined;
    this.picture = undefined; // of $chart, as a blob URL
  }

  /** refresh asks for everything about the drain in one batch. */
  async refresh() {
    const d = `Device/${this.id}`;
    const [device, status, output, review, list, issues] = await batch([
      `Device?_id=${this.id}&_include=Device:patient&_revinclude=DeviceUseStatement:device`, `${d}/$escalation-status`, `${d}/$drain-output?period=day`,
      `${d}/$removal-review`, `Observation?device=${d}&_sort=-date&_count=100`, `DetectedIssue?implicated=${d}&_count=50`,
    ]);
    if (device instanceof Refused) throw device;
    const all = entries(device), dev = all.find((x) => x.resourceType === 'Device');
    if (!dev) throw new Refused(404, { issue: [{ diagnostics: `No drain ${this.id} is known, or this token may not see it.` }] });
    this.drain = drainOf(dev, all.find((x) => x.resourceType === 'DeviceUseStatement' && x.status !== 'entered-in-error'), all.find((x) => x.resourceType === 'Patient'));
    const ok = (b) => (b instanceof Refused ? [] : entries(b));
    this.limited = status instanceof Refused ? status.message : '';
    const level = ok(status).find((o) => code(o.code) === 'escalation-status');
    this.level = level && levelOf(level);
    this.notes = level?.note?.map((n) => n.text) ?? [];
    this.last = component(level ?? {}, 'last-entry')?.valueDateTime;
    this.due = component(level ?? {}, 'emptying-due')?.valueDateTime;
    this.findings = ok(status).filter((o) => o.resourceType === 'DetectedIssue').map(finding)
      .sort((a, b) => severities[b.severity].rank - severities[a.severity].rank || b.since - a.since);
    this.closed = ok(issues).filter((o) => o.resourceType === 'DetectedIssue').map(finding).filter((f) => f.until && !this.findings.some((x) => x.id === f.id)).sort((a, b) => b.until - a.until);
    this.readings = [...ok(list), ...ok(status).filter((o) => o.id)].filter((o) => o.resourceType === 'Observation').map(reading);
    this.readings = [...new Map(this.readings.map((r) => [r.id, r])).values()].sort((a, b) => b.at - a.at);
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
    const high = this.findings.filter((f) => f.severity === 'high');
    const fresh = this.high ? high.filter((f) => !this.high.has(f.id)) : [];
    this.high = new Set(high.map((f) => f.id));
    const print = this.readings.map((r) => `${r.id}/${r.version}`).join() + this.findings.map((f) => `${f.id}/${f.version}`).join();
    if (print !== this.drawn) {
      this.drawn = print;
      this.paint();
    }
    return fresh.map((f) => ({ ...f, row: { drain: this.drain, id: this.id } }));
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
    part('findings', [x.findings, x.closed, x.limited, x.level, Math.floor(t / 300000)], () => findings(x, t)),
    part('course', [x.readings, x.totals, x.picture, x.trend?.valueCodeableConcept, innerWidth], () => picture(x, t)),
    part('removal', x.review?.component ?? x.limited, () => removal(x)),
    part('entries', x.readings, () => history(x, t)),
  ]);
}

/** ownLast is the last entry of whoever looks: the one that may be put right. */
export function ownLast(x) {
  const sent = new Set(outbox.sent().filter((e) => e.by === session.subject).map((e) => e.id));
  return x.readings.find((r) => r.counts && r.kind !== 'other' && r.kind !== 'site' && (sent.has(r.id) || (session.subject && r.performer === session.subject)));
}

function head(x, t, own) {
  const d = x.drain, due = x.due && Date.parse(x.due);
  return h('header', { class: 'drain-head' },
    h('h1', { tabindex: '-1' }, d.label),
    h('p', { class: 'who' }, h('strong', {}, d.name), d.born && ` · born ${d.born}`, siteWords(d) && ` · ${siteWords(d)}`),
    h('p', {}, Number.isFinite(d.placed) && `In place for ${span((d.removed ? Date.parse(d.removed) : t) - d.placed)}`, d.removed && ', removed', d.capacity && ` · reservoir ${charted(d.capacity)}`),
    x.level && h('p', { class: `state ${x.level}` }, sign(x.level), ' ', severities[x.level]?.says ?? x.level),
    x.level === 'unknown' && h('p', { class: 'stale' }, 'Nothing has been charted for long. Not known is not well: look at the drain.'),
    x.limited && h('p', { class: 'limited', role: 'note' }, 'Findings, totals and criteria are not shown: ', x.limited),
    h('p', {}, x.last && `Last entry ${ago(t - Date.parse(x.last))}`, due && (due <= t ? ` · to be emptied since ${clock(due, t)} (${span(t - due)})` : ` · to be emptied in ${span(due - t)}, at ${clock(due, t)}`)),
    h('p', { class: 'act' }, !d.removed && h('a', { class: 'button main', href: `#/chart/${d.id}`, 'data-focus': 'chart' }, 'Chart an emptying'), ' ',
      own && session.may('u', 'Observation') && h('a', { class: 'button', href: `#/correct/${own.id}`, 'data-focus': 'correct' }, `Correct my last entry (${says(own)})`)));
}

function findings(x, t) {
  if (x.limited) return h('section', { hidden: true });
  const id = unique('h');
  return h('section', { 'aria-labelledby': id, class: 'panel' }, h('h2', { id }, 'Findings'),
    !x.findings.length && h('p', {}, sign('none'), ' No open finding.', x.level === 'unknown' && ' But the data are stale.'),
    x.findings.map((f) => h('article', { class: `finding ${f.severity}`, id: `finding-${f.id}` },
      h('h3', {}, severity(f.severity), ' ', f.name), h('p', { class: 'quiet' }, `Since ${clock(f.since, t)}, for ${span(t - f.since)}`),
      long(f), evidence(x, f, t),
      f.answers.map((a) => h('p', { class: 'answer' }, `Answered ${clock(a.at, t)} by ${a.by}: ${a.words}`)),
      session.may('u', 'DetectedIssue') && h('p', {}, h('button', { type: 'button', 'data-focus': `ack-${f.id}`, 'aria-haspopup': 'dialog', onclick: () => acknowledge(x, f) }, f.answers.length ? 'Add to the answer' : 'Acknowledge', h('span', { class: 'unseen' }, `: ${f.name}`))))),
    x.notes.filter((n) => n.startsWith('Judged')).map((n) => h('p', { class: 'quiet' }, n)),
    x.closed.length > 0 && h('details', { 'data-name': 'closed' }, h('summary', {}, `Closed findings (${x.closed.length})`),
      h('ul', { class: 'plain' }, x.closed.map((f) => h('li', {}, severity(f.severity), ` ${f.name}, ${clock(f.since, t)} to ${clock(f.until, t)}`, f.withdrawn && ', withdrawn with its readings')))));
}

/** long shows the figures in words; a long one is cut on screen until asked for, to keep the answer in reach. */
function long(f) {
  const p = h('p', { class: f.text.length > 300 ? 'cut' : undefined, id: unique('figures') }, f.text);
  if (f.text.length <= 300) return p;
  const more = h('button', { type: 'button', class: 'plainly', 'aria-expanded': 'false', 'aria-controls': p.id, 'data-focus': `more-${f.id}`, onclick: () => {
    const cut = p.classList.toggle('cut');
    more.setAttribute('aria-expanded', String(!cut));
    more.firstChild.data = cut ? 'All figures' : 'Fewer figures';
  } }, 'All figures', h('span', { class: 'unseen' }, `: ${f.name}`));
  return [p, more];
}

function evidence(x, f, t) {
  const list = f.evidence.map((id) => x.readings.find((r) => r.id === id)).filter(Boolean).sort((a, b) => b.at - a.at);
  if (!list.length) return undefined;
  return h('details', { 'data-name': `evidence-${f.id}` }, h('summary', {}, `The ${list.length === 1 ? 'reading' : `${list.length} readings`} behind it`, h('span', { class: 'unseen' }, ` (${f.name})`)),
    h('ul', { class: 'plain' }, list.map((r) => h('li', {}, `${clock(r.at, t)}: ${says(r)}`))));
}

const q = (o, name) => component(o, name)?.valueQuantity?.value;

function picture(x, t) {
  const id = unique('h'), tr = x.trend, words = [];
  if (tr) {
    const slope = q(tr, 'slope'), low = q(tr, 'slope-low'), highest = q(tr, 'slope-high'), p = q(tr, 'p-value'), n = component(tr, 'reading-count')?.valueInteger;
    words.push(`Trend of the rate: ${tr.valueCodeableConcept?.text}` + (n !== undefined ? `, ${n} intervals` : '')
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
        h('tbody', {}, [...x.totals].reverse().map((w) => h('tr', {}, h('th', { scope: 'row' }, `${date(w.from)}, from ${clock(w.from, w.from)}`),
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
  const id = unique('h');
  return h('section', { 'aria-labelledby': id, class: 'panel' }, h('h2', { id }, 'Entries'),
    h('ol', { class: 'entries' }, x.readings.slice(0, 60).map((r) => h('li', { class: r.counts ? '' : 'void' },
      h('span', { class: 'when' }, clock(r.at, t)), ' ',
      h('span', { class: 'what' }, r.look ? [swatch(r.look), ' '] : '', !r.counts && 'WITHDRAWN: ', says(r), r.vessel && `, read in ${(vessels[r.vessel]?.word ?? r.vessel).toLowerCase()}`, ['corrected', 'amended'].includes(r.status) && `, ${r.status}`)))),
    x.readings.length > 60 && h('p', { class: 'quiet' }, 'The newest 60 entries.'));
}

const quick = ['Assessed at the bedside', 'Surgeon called', 'Reservoir emptied and recharged', 'Tube checked and secured', 'Site dressed'];

/** acknowledge opens the form that answers a finding. */
function acknowledge(x, f) {
  const title = unique('ack'), said = h('p', { class: 'problem', role: 'alert' });
  const action = h('input', { id: unique('f'), required: true, maxlength: 300, autocomplete: 'off' });
  const informed = h('input', { id: unique('f'), maxlength: 200, autocomplete: 'off' });
  const note = h('textarea', { id: unique('f'), rows: 2, maxlength: 1000 });
  const send = h('button', { type: 'submit', class: 'main' }, 'Acknowledge');
  const form = h('form', { method: 'dialog', onsubmit: async (e) => {
    e.preventDefault();
    if (send.disabled) return;
    said.textContent = '';
    send.disabled = true;
    const parameter = [{ name: 'action', valueString: action.value.trim() }];
    for (const who of informed.value.split(';').map((w) => w.trim()).filter(Boolean)) parameter.push({ name: 'informed', valueString: who });
    if (note.value.trim()) parameter.push({ name: 'note', valueString: note.value.trim() });
    try {
      await call(`DetectedIssue/${f.id}/$acknowledge`, { method: 'POST', body: { resourceType: 'Parameters', parameter }, headers: { 'If-Match': `W/"${f.version}"` } });
      dialog.close();
      await x.again?.();
    } catch (err) {
      if (err.status === 412) {
        said.textContent = 'The finding has changed since it was shown here. It is shown anew behind this form: look again, then send.';
        await x.again?.();
        f = x.findings.find((o) => o.id === f.id) ?? f;
      } else {
        said.textContent = err instanceof Unreachable ? 'Not acknowledged: the service does not answer. What you wrote stays here.' : err.message;
      }
    } finally {
      send.disabled = false;
    }
  } },
  h('h2', { id: title }, 'Acknowledge: ', f.name), h('p', {}, severity(f.severity), ` ${x.drain.label}, ${x.drain.name}`),
  h('label', { for: action.id }, 'What was done'), action,
  h('div', { class: 'quick' }, quick.map((w) => h('button', { type: 'button', onclick: () => { action.value = action.value.trim() ? `${action.value.trim()}, ${w.toLowerCase()}` : w; action.focus(); } }, w))),
  h('label', { for: informed.id }, 'Who was informed (more than one: with ; between)'), informed,
  h('label', { for: note.id }, 'Note'), note, said,
  h('p', { class: 'act' }, send, ' ', h('button', { type: 'button', onclick: () => dialog.close() }, 'Not now')));
  const dialog = h('dialog', { 'aria-labelledby': title, onclose: () => { dialog.remove(); document.querySelector(`[data-focus="ack-${f.id}"]`)?.focus(); } }, form);
  document.body.append(dialog);
  dialog.showModal();
  action.focus();
}
