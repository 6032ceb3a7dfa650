// The handover: a shift in review, a drain a row, by bed; on paper one A4 sheet
// for a ward of thirty beds. What it says is the answer of $handover; the page
// puts names in the place of references and chooses the size of the print.

import { concern, learn, person } from './concern.js';
import { h, put } from './dom.js';
import { severity, sign } from './draw.js';
import { call, entries, now } from './fhir.js';
import { code, component, figure, idOf } from './words.js';
import { statusOf } from './ward.js';
import { clock, date, near, time } from './zone.js';

const AGAIN = 5 * 60000; // it is asked for again after so long
// An A4 sheet within margins of 9 mm, in mm, and sizes of print in points.
const PAPER = { width: 192, height: 279 }, LARGEST = 9, LEAST = 5.5;

const STAFF = /\b(?:Practitioner|PractitionerRole|Patient|Device|Organization)\/[\w.-]+/g;
const named = (words) => words.replace(STAFF, (r) => person(r));

/** Handover is the review of one shift of a ward. */
export class Handover {
  constructor(place, shift) {
    this.place = place;
    this.shift = shift;
    this.asked = 0;
  }

  async refresh() {
    if (this.rows && now() - this.asked < AGAIN) return [];
    const { resource } = await call(`Location/${this.place.id}/$handover${this.shift ? `?shift=${encodeURIComponent(this.shift)}` : ''}`);
    const all = entries(resource), rows = new Map();
    for (const o of all.filter((x) => code(x.code) === 'handover')) {
      const said = (name) => (o.component ?? []).filter((c) => c.code.coding.some((x) => x.code === name)).map((c) => c.valueString ?? c.valueCodeableConcept.text);
      this.from = Date.parse(o.effectivePeriod.start);
      this.to = Date.parse(o.effectivePeriod.end);
      this.label = o.code.text.replace(/^Handover of the /, '');
      rows.set(idOf(o.device), {
        id: idOf(o.device), label: o.device.display ?? `Drain ${idOf(o.device)}`, name: o.subject?.display ?? 'Patient not readable', bed: said('bed')[0], removed: said('removed')[0], level: statusOf(o), look: said('72290-0')[0], course: said('appearance-course')[0], suction: said('suction-state')[0], lost: code(component(o, 'suction-state')?.valueCodeableConcept) === 'lost', site: said('drain-site-assessment')[0],
        concerns: (o.component ?? []).filter((c) => ['fluid', 'function', 'site', 'charting', 'dwell'].includes(code(c.code))).map((c) => ({ severity: code(c.valueCodeableConcept), words: c.valueCodeableConcept.text })),
        corrections: said('correction'), late: said('late-entry'), totals: [], notes: (o.note ?? []).slice(1).map((n) => n.text),
      });
    }
    for (const o of all) {
      const r = rows.get(idOf(o.resourceType === 'Task' ? o.focus : o.device));
      if (!r) continue;
      if (o.resourceType === 'Task') Object.assign(r, { due: Date.parse(o.restriction.period.end), state: code(o.businessStatus) });
      else if (code(o.code)?.startsWith('drain-output-total')) r.totals.push(o);
      else if (code(o.code) === 'removal-review') r.review = o;
    }
    this.rows = [...rows.values()];
    this.done = new Map(all.filter((x) => x.resourceType === 'DetectedIssue').map(concern).map((c) => [c.headline, c.answers.at(-1)?.words]));
    await learn(this.rows.flatMap((r) => [...r.concerns.map((c) => c.words), ...r.corrections].flatMap((w) => w.match(STAFF) ?? [])));
    this.asked = now();
    return [];
  }
}

const volume = (o) => (o?.valueQuantity ? [h('strong', {}, figure(o.valueQuantity.value)), o.status === 'preliminary' && h('span', { title: 'not the whole of it is known' }, '*')] : '–');

function row(r, x, t) {
  const [shift, last, before] = r.totals, items = r.review?.component?.filter((c) => code(c.code) === 'criterion') ?? [], met = items.filter((c) => code(c.valueCodeableConcept) === 'met').length;
  const cell = (name, ...what) => h('td', { 'data-name': name }, what);
  const notes = [
    ...r.concerns.map((c) => {
      const [headline] = c.words.split(': since '), done = x.done.get(headline);
      return [severity(c.severity), ' ', named(c.words), done && `: ${done}`];
    }),
    ...r.corrections.map((w) => [h('b', {}, 'Corrected '), named(w)]), r.late.length > 0 && [h('b', {}, 'Late '), r.late.join('; ')], ...r.notes,
  ].filter(Boolean);
  return h('tbody', { class: r.removed ? 'removed' : r.level },
    h('tr', {}, h('th', { scope: 'row' }, h('span', { class: 'bed' }, r.bed ?? '–')),
      cell('', h('a', { href: `#/drain/${r.id}` }, h('bdi', {}, r.name)), ' ', h('span', { class: 'drain-of' }, r.label)),
      cell('This shift, mL', volume(shift)), cell('Last 24 h, mL', volume(last)), cell('Day before, mL', volume(before)),
      cell('Look', r.look ?? '–', r.course && !['unchanged', 'not known'].includes(r.course) && !r.course.startsWith(r.look.split(' (')[0]) && `, ${r.course}`),
      h('td', { 'data-name': 'Suction', class: r.lost ? 'lost' : '' }, r.suction ?? '–'), cell('Site', r.site ?? '–'),
      h('td', { 'data-name': 'Next', class: r.state === 'overdue' ? 'lost' : '' }, r.removed ? `removed ${r.removed}` : near(r.due, t), r.state === 'overdue' && ' overdue'),
      cell('Removal', r.removed ? '–' : items.length && met === items.length ? h('strong', {}, 'review') : `${met} of ${items.length}`)),
    notes.length > 0 && h('tr', { class: 'more' }, h('td', { colspan: 10 }, h('ul', {}, notes.map((n) => h('li', {}, n))))));
}

const table = (x, t) => h('table', {}, h('thead', {}, h('tr', {}, ['Bed', 'Patient, drain', 'Shift', '24 h', 'Before', 'Look', 'Suction', 'Site', 'Next', 'Removal'].map((w) => h('th', { scope: 'col' }, w)))), x.rows.map((r) => row(r, x, t)));

const key = 'mL net of irrigant; * not the whole of it is known; – nothing charted. Look, suction and site as of the end of the shift, next and removal as of now. Removal: criteria met, a prompt to review, never an instruction.';
const caution = 'Informs, does not diagnose. Local protocol and the licensed clinician decide. When in doubt, go to the bedside.';

/** show draws the review, and beside it what goes on paper. */
export function show(root, x) {
  const t = now(), print = JSON.stringify([x.asked, Math.floor(t / 60000)]);
  if (root.dataset.print === print) return;
  root.dataset.print = print;
  if (!x.rows.length) {
    put(root, h('h1', { tabindex: '-1' }, `Handover, ${x.place.name}`), h('p', {}, 'No drain in place is known here. That is not the same as no drain.'), h('p', {}, h('a', { href: `#/ward/${x.place.id}` }, 'Back to the ward')));
    return;
  }
  const words = x.label.replace(/^\S+ /, ''), shift = `${words[0].toUpperCase()}${words.slice(1)} of ${date(x.from)}, ${time(x.from)} to ${time(x.to)}`, running = x.to > t;
  const open = x.rows.filter((r) => r.concerns.length).length, link = (to, words) => h('a', { class: 'button', href: `#/handover/${x.place.id}${to}` }, words);
  put(root, h('h1', { tabindex: '-1' }, `Handover, ${x.place.name}`), h('p', {}, h('strong', {}, shift), running && ' (not over)', ` · as of ${clock(x.asked, t)} · ${x.rows.filter((r) => !r.removed).length} drains, ${open} with a concern`),
    h('p', { class: 'act' }, link('?shift=current', 'This shift'), link('?shift=previous', 'The shift before'), h('button', { type: 'button', onclick: () => print_() }, 'Print'), h('a', { class: 'button', href: `#/ward/${x.place.id}` }, 'Back to the ward')),
    h('div', { class: 'handover' }, table(x, t)), h('p', { class: 'quiet' }, key),
    h('div', { class: 'paper', 'aria-hidden': 'true' }, h('div', { class: 'sheet-a4' },
      h('p', { class: 'title' }, h('strong', {}, `Handover, ${x.place.name}: ${shift}`), running && ' (not over)', h('span', {}, `Figures of ${clock(x.asked, 0)}. Printed ${clock(t, 0)}.`)),
      table(x, t), h('p', {}, key, ' ', h('strong', {}, caution)))));
  for (const a of root.querySelectorAll('.paper a')) a.replaceWith(...a.childNodes);
  fit(root.querySelector('.sheet-a4'));
}

const print_ = () => window.print();

/** fit takes the largest print with which the sheet is one page. */
function fit(sheet) {
  const mm = 96 / 25.4;
  for (let pt = LARGEST; pt >= LEAST; pt -= 0.25) {
    sheet.style.setProperty('--size', `${pt}pt`);
    if (sheet.scrollHeight <= PAPER.height * mm) return;
  }
}
