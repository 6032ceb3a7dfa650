// A concern is all that is wrong with one drain in one respect: one headline,
// the sentences behind it, one acknowledgement.

import { h, unique } from './dom.js';
import { severity } from './draw.js';
import { batch, call, entries, events, Refused, session, Unreachable } from './fhir.js';
import { settings } from './settings.js';
import { code, idOf, LOCAL, personName, severities } from './words.js';
import { clock } from './zone.js';

const HEADLINE = 120; // characters, the service's own limit

const extension = (x, name) => x.extension?.find((e) => e.url.endsWith(`/StructureDefinition/${name}`));

/** concern is what the board needs of a DetectedIssue. */
export function concern(d) {
  const kind = code(d.code, LOCAL) ?? code(d.code), shown = d.code?.coding?.[0]?.display;
  const of = extension(d, 'announcement')?.valueCode, said = extension(d, 'announced')?.valueDateTime;
  // What closed before there were headlines keeps its long text; its name stands for it.
  const headline = d.detail && d.detail.length <= HEADLINE ? d.detail : shown ?? kind;
  return {
    id: d.id, version: d.meta?.versionId, kind, name: shown ?? kind, severity: d.severity ?? 'unknown', headline,
    drain: idOf(d.implicated?.find((r) => r.reference?.startsWith('Device/'))), since: Date.parse(d.identifiedPeriod?.start ?? ''),
    until: d.identifiedPeriod?.end && Date.parse(d.identifiedPeriod.end), withdrawn: d.status === 'cancelled', late: of === 'charted-late',
    announced: said && Date.parse(said), announcement: of,
    evidence: (d.evidence ?? []).map((e) => ({
      rule: code(e.code?.[0]), name: e.code?.[0]?.coding?.[0]?.display, text: e.code?.[0]?.text ?? '',
      severity: extension(e, 'rule-severity')?.valueCode, readings: (e.detail ?? []).map(idOf),
    })),
    answers: (d.mitigation ?? []).map((m) => ({ words: m.action?.text ?? '', at: Date.parse(m.date ?? ''), by: m.author?.reference ?? m.author?.display ?? '' })),
    void: extension(d, 'acknowledgement-void')?.valueString,
  };
}

export const worstFirst = (a, b) => severities[b.severity].rank - severities[a.severity].rank || b.since - a.since;

/** waits tells whether somebody still has to answer a concern. */
export const waits = (c) => !c.until && (!c.answers.length || Boolean(c.void));

/**
 * calls tells whether it belongs to what has to be looked at now. What is only
 * to be charted has its place in the order of the due times; what is stale is
 * put right behind; a low one can wait for the day.
 */
export const calls = (c) => waits(c) && c.kind !== 'charting' && severities[c.severity].rank >= severities.moderate.rank;

/* People are named, not referred to. */

const known = new Map();
/** learn asks for the names of people that are referred to and not known yet. */
export async function learn(refs) {
  const todo = [...new Set(refs)].filter((r) => /^Practitioner\/[\w.-]+$/.test(r ?? '') && !known.has(r));
  if (!todo.length) return;
  for (const r of todo) known.set(r, undefined);
  const [found] = await batch([`Practitioner?_id=${todo.slice(0, 200).map(idOf).join(',')}&_count=200`]);
  if (!(found instanceof Refused)) for (const p of entries(found)) known.set(`Practitioner/${p.id}`, personName(p));
}
events.addEventListener('signed-in', () => known.clear());
/** person names who is referred to, in words that can be said aloud. */
export const person = (ref, own = 'you') => (!ref ? 'not named' : known.get(ref) ?? (/^[A-Z]\w+\//.test(ref) ? (ref === session.subject ? own : `${ref.startsWith('Practitioner') ? 'staff' : ref.split('/')[0].toLowerCase()} ${idOf(ref)}`) : ref));

/** answered says in words who has answered, and whether that still holds. */
export function answered(c, t) {
  const last = c.answers.at(-1);
  if (c.void) return c.void[0].toUpperCase() + c.void.slice(1);
  return last ? `Acknowledged ${clock(last.at, t)} by ${person(last.by)}` : '';
}

/** acknowledge opens the form that answers one concern, or all that wait. */
export function acknowledge({ concerns, who, drain, again, back }) {
  const all = concerns.length > 1, title = unique('ack'), said = h('p', { class: 'problem', role: 'alert' });
  const action = h('input', { id: unique('f'), required: true, maxlength: 300, autocomplete: 'off' });
  const informed = h('input', { id: unique('f'), maxlength: 200, autocomplete: 'off' });
  const note = h('textarea', { id: unique('f'), rows: 2, maxlength: 1000 });
  const send = h('button', { type: 'submit', class: 'main' }, all ? 'Acknowledge all' : 'Acknowledge');
  const add = (w) => {
    const now = action.value.trim();
    action.value = now ? `${now}, ${w[0].toLowerCase()}${w.slice(1)}` : w;
    action.focus();
  };
  const form = h('form', { method: 'dialog', onsubmit: async (e) => {
    e.preventDefault();
    if (send.disabled) return;
    said.textContent = '';
    send.disabled = true;
    const parameter = [{ name: 'action', valueString: action.value.trim() }];
    for (const w of informed.value.split(';').map((x) => x.trim()).filter(Boolean)) parameter.push({ name: 'informed', valueString: w });
    if (note.value.trim()) parameter.push({ name: 'note', valueString: note.value.trim() });
    const body = { resourceType: 'Parameters', parameter };
    try {
      if (all) await call(`Device/${drain}/$acknowledge`, { method: 'POST', body });
      else await call(`DetectedIssue/${concerns[0].id}/$acknowledge`, { method: 'POST', body, headers: { 'If-Match': `W/"${concerns[0].version}"` } });
      dialog.close();
      await again?.();
    } catch (err) {
      if (err.status === 412) {
        said.textContent = 'This has changed since it was shown here. It is shown anew behind this form: look again, then send.';
        const fresh = await again?.();
        concerns = concerns.map((c) => fresh?.find((x) => x.id === c.id) ?? c);
      } else {
        said.textContent = err instanceof Unreachable ? 'Not acknowledged: the service does not answer. What you wrote stays here.' : err.message;
      }
    } finally {
      send.disabled = false;
    }
  } },
  h('h2', { id: title }, all ? `Acknowledge ${concerns.length} concerns` : 'Acknowledge'), h('p', {}, h('strong', {}, who)),
  h('ul', { class: 'plain' }, concerns.map((c) => h('li', {}, severity(c.severity), ' ', c.headline))),
  h('label', { for: action.id }, 'What was done'), action,
  h('div', { class: 'quick' }, settings.actions.map((w) => h('button', { type: 'button', onclick: () => add(w) }, w))),
  h('label', { for: informed.id }, 'Who was informed (more than one: with ; between)'), informed,
  h('label', { for: note.id }, 'Note'), note, said,
  h('p', { class: 'act' }, send, ' ', h('button', { type: 'button', onclick: () => dialog.close() }, 'Not now')));
  const dialog = h('dialog', { 'aria-labelledby': title, onclose: () => { dialog.remove(); document.querySelector(`[data-focus="${back}"]`)?.focus(); } }, form);
  document.body.append(dialog);
  dialog.showModal();
  action.focus();
}

/** evidence is what stands behind a headline: one sentence a rule, with its readings. */
export function evidence(c, say) {
  const list = c.evidence.filter((e) => e.text || e.readings.length);
  if (!list.length) return undefined;
  return h('details', { 'data-name': `why-${c.id}` }, h('summary', {}, 'Why', h('span', { class: 'unseen' }, `: ${c.headline}`)),
    h('ul', { class: 'why' }, list.map((e) => {
      const found = e.readings.map(say).filter(Boolean);
      return h('li', {}, e.severity && [severity(e.severity), ' '], e.text || e.name || c.headline, found.length > 0 && h('ul', { class: 'plain' }, found.map((w) => h('li', {}, w))));
    })));
}
