// Words and figures for people: durations, volumes, severities, appearances.

import { settings } from './settings.js';

export const LOCAL = 'http://tidemark.example.org/fhir/CodeSystem/drain';
export const LOINC = 'http://loinc.org';
export const UCUM = 'http://unitsofmeasure.org';

/** span writes a duration: "45 min", "9 h 30 min", "3 days". */
export function span(ms) {
  return bare(ms).replace(/ /g, '\u00a0'); // a duration stays on one line
}

function bare(ms) {
  const min = Math.max(0, Math.floor(ms / 60000));
  if (min < 1) return 'less than a minute';
  if (min < 60) return `${min} min`;
  if (min < 48 * 60) return min % 60 ? `${Math.floor(min / 60)} h ${min % 60} min` : `${min / 60} h`;
  const days = Math.floor(min / 1440), hours = Math.floor((min % 1440) / 60);
  return hours && days < 7 ? `${days} days ${hours} h` : `${days} days`;
}

export const ago = (ms) => (ms < 60000 ? 'just now' : `${span(ms)} ago`);

/** figure rounds for reading: whole from 10 on, else one decimal. */
export function figure(x) {
  const s = Math.abs(x) >= 10 ? x.toFixed(0) : x.toFixed(1).replace(/\.0$/, '');
  return s === '-0' ? '0' : s.replace('-', '−');
}

const perML = { mL: 1, ml: 1, L: 1000, l: 1000, dL: 100, dl: 100, cL: 10, cl: 10, uL: 0.001, ul: 0.001, cm3: 1, dm3: 1000 };

/** ml gives a Quantity in mL, undefined where the unit is another one. */
export function ml(q) {
  const f = q && perML[q.code ?? q.unit];
  return f === undefined ? undefined : Number(q.value) * f;
}

/** charted writes a Quantity in mL, and as it was charted where that was another unit. */
export function charted(q) {
  const as = `${q.value} ${q.unit || q.code}`, v = ml(q);
  return v === undefined || perML[q.code ?? q.unit] === 1 ? as.replace(/ (ml|cm3)$/, ' mL') : `${Number(v.toPrecision(12))} mL (charted as ${as})`;
}

export const severities = {
  high: { rank: 4, word: 'High', says: 'High' },
  unknown: { rank: 3, word: 'Stale', says: 'Unknown: nothing charted for long' },
  moderate: { rank: 2, word: 'Moderate', says: 'Moderate' },
  low: { rank: 1, word: 'Low', says: 'Low' },
  none: { rank: 0, word: 'None', says: 'No open concern' },
};

// In the order from light to dark, then those that are findings of their own.
// The patterns and letters are those of the service's own charts.
export const looks = {
  clear: { word: 'clear', letters: 'C', tint: '#eef3f3' },
  serous: { word: 'serous', letters: 'S', tint: '#f6e9a8' },
  serosanguineous: { word: 'serosanguineous', letters: 'SS', tint: '#f3b8a2' },
  sanguineous: { word: 'sanguineous', letters: 'SA', tint: '#d4605a' },
  purulent: { word: 'purulent', letters: 'P', tint: '#dcd9a0' },
  bilious: { word: 'bilious', letters: 'B', tint: '#a9c07a' },
  chylous: { word: 'chylous', letters: 'CH', tint: '#fbf7ec' },
  feculent: { word: 'feculent', letters: 'F', tint: '#a08662' },
  'urine-like': { word: 'urine-like', letters: 'U', tint: '#f2dd6e' },
  other: { word: 'other', letters: 'O', tint: '#e3e6e8' },
};

const snomedLooks = { 263707001: 'clear', 70150004: 'bilious', 39477002: 'feculent', 78014005: 'urine-like', 87612001: 'sanguineous' };

// What is done beside emptying, as said after it was done.
export const cares = {
  'tubing-milked': 'tubing milked', 'port-cleaned': 'port cleaned', recompressed: 're-compressed', 're-secured': 're-secured', 'dressing-changed': 'dressing changed',
};

export const suctions = { charged: { word: 'charged' }, lost: { word: 'lost' }, off: { word: 'off' } };

export const vesselWords = {
  'medicine-cup': 'Medicine cup', syringe: 'Syringe', 'specimen-cup': 'Specimen cup', 'reservoir-markings': 'Reservoir markings',
  'graduated-cylinder': 'Graduated cylinder', scale: 'Scale',
};

/** vessels are those of the ward's policy, the smallest first: { word, capacity, graduation } by code. */
export const vessels = () => Object.fromEntries(Object.entries(settings.vessels)
  .sort((a, b) => a[1].capacity - b[1].capacity).map(([k, v]) => [k, { ...v, word: vesselWords[k] ?? k }]));

// Output codes by compartment: LOINC, else the local code.
export const outputs = {
  wound: { system: LOINC, code: '9203-1', display: 'Fluid output wound drain' },
  peritoneal: { system: LOINC, code: '9179-3', display: 'Fluid output peritoneal drain' },
  biliary: { system: LOINC, code: '9113-2', display: 'Fluid output biliary drain' },
  pleural: { system: LOINC, code: '9129-8', display: 'Fluid output chest tube' },
  pericardial: { system: LOINC, code: '9168-6', display: 'Fluid output pericardial drain' },
};
export const localOutput = { system: LOCAL, code: 'drain-output' };
const outputCodes = new Set(['drain-output', ...Object.values(outputs).map((c) => c.code)]);

export const code = (concept, system) => concept?.coding?.find((c) => !system || c.system === system)?.code;

export const component = (o, name) => o.component?.find((c) => c.code?.coding?.some((x) => x.code === name));

export const idOf = (ref) => (typeof ref === 'string' ? ref : ref?.reference ?? '').split('/').pop();

/** reading is what the board needs of an Observation about a drain. */
export function reading(o) {
  const codes = o.code?.coding?.map((c) => c.code) ?? [];
  const look = component(o, '72290-0')?.valueCodeableConcept;
  const at = Date.parse(o.effectiveDateTime ?? o.effectivePeriod?.end ?? '');
  return {
    id: o.id, version: o.meta?.versionId, drain: idOf(o.device), patient: idOf(o.subject), at, status: o.status,
    counts: !['entered-in-error', 'cancelled'].includes(o.status),
    kind: codes.some((c) => outputCodes.has(c)) ? 'emptying' : codes.includes('reservoir-check') ? 'check'
      : codes.includes('drain-site-assessment') ? 'site' : 'other',
    quantity: o.valueQuantity, ml: ml(o.valueQuantity), absent: Boolean(o.dataAbsentReason),
    instilled: ml(component(o, 'instilled-volume')?.valueQuantity) ?? 0,
    look: look && (looks[code(look, LOCAL)] ? code(look, LOCAL) : snomedLooks[code(look)] ?? 'other'),
    colour: component(o, '72289-2')?.valueCodeableConcept?.text,
    suction: code(component(o, 'suction-state')?.valueCodeableConcept),
    fill: component(o, 'reservoir-fill')?.valueQuantity?.value,
    vessel: code(component(o, 'measuring-vessel')?.valueCodeableConcept),
    signs: o.component?.filter((c) => 'valueBoolean' in c).map((c) => [code(c.code), c.valueBoolean]) ?? [],
    performer: o.performer?.[0]?.reference ?? o.performer?.[0]?.display,
    care: (o.component ?? []).filter((c) => c.code?.coding?.some((x) => x.code === 'drain-care')).map((c) => code(c.valueCodeableConcept, LOCAL)).filter(Boolean),
    patency: code(component(o, 'patency')?.valueCodeableConcept),
    notes: (o.note ?? []).map((n) => ({ text: n.text, at: Date.parse(n.time ?? ''), by: n.authorReference?.reference ?? n.authorString })),
  };
}

/** says writes a reading in one line. */
export function says(r) {
  const parts = [];
  if (r.kind === 'emptying') parts.push(r.quantity ? charted(r.quantity) : 'not measured');
  if (r.kind === 'check') parts.push('looked at, not emptied');
  if (r.kind === 'site') {
    const found = r.signs.filter(([s, v]) => (s === 'suture' ? !v : v)).map(([s]) => (s === 'suture' ? 'suture loose' : s));
    parts.push(found.length ? `site: ${found.join(', ')}` : 'site: no signs');
  }
  if (r.look) parts.push(looks[r.look]?.word ?? r.look);
  if (r.suction) parts.push(`suction ${r.suction}`);
  if (r.patency && r.patency !== 'patent') parts.push(r.patency);
  if (r.instilled) parts.push(`${figure(r.instilled)} mL irrigant put in`);
  for (const c of r.care) parts.push(cares[c] ?? c);
  if (r.fill !== undefined) parts.push(`${r.fill} % full`);
  return parts.join(', ');
}

export function personName(p) {
  const n = p?.name?.find((x) => x.use === 'official') ?? p?.name?.[0];
  if (!n) return p?.id ? `Patient ${p.id}` : 'Patient not readable';
  return n.text ?? [n.family, n.given?.join(' ')].filter(Boolean).join(', ');
}

/** initials stand for a name where everybody can read the screen. */
export const initials = (name) => [...name.matchAll(/(?:^|[\s,.-])(\p{L})/gu)].map((m) => m[1].toUpperCase()).slice(0, 3).join('') || '?';

/** fold makes text comparable: without case and accents. */
export const fold = (text) => text.normalize('NFD').replace(/\p{M}/gu, '').toLowerCase();
