// The call sheet: what to read to the surgical team about one drain, in the
// order of a call: who, which drain, what changed, the figures, what was done.

import { answered, person, waits } from './concern.js';
import { h, put } from './dom.js';
import { now } from './fhir.js';
import { siteWords } from './ward.js';
import { ago, charted, figure, looks, says, span } from './words.js';
import { clock } from './zone.js';

/** show draws the sheet of a drain (drain.js) that was refreshed. */
export function show(root, x) {
  const t = now(), d = x.drain, list = x.readings.filter((r) => r.counts), last = list.find((r) => r.kind === 'emptying'), look = list.find((r) => r.look), suction = list.find((r) => r.suction);
  const day = list.filter((r) => r.kind === 'emptying' && r.ml !== undefined && t - r.at <= 24 * 3600000), sum = day.reduce((s, r) => s + r.ml - r.instilled, 0);
  const whole = x.totals.filter((w) => !w.preliminary && w.ml !== undefined).slice(-2).reverse(), part = (title, ...lines) => h('section', { class: 'panel' }, h('h2', {}, title), h('ul', { class: 'plain' }, lines.flat().filter(Boolean).map((l) => h('li', {}, l))));
  put(root, h('h1', { tabindex: '-1' }, 'Call sheet'), h('p', { class: 'quiet' }, `As of ${clock(t, 0)}. Say what you see at the bedside first.`),
    part('Who', [d.bed && [h('span', { class: 'bed' }, d.bed), ' '], h('strong', {}, h('bdi', {}, d.name)), d.born && `, born ${d.born}`], [h('strong', {}, d.label), siteWords(d) && ` (${siteWords(d)})`, Number.isFinite(d.placed) && `, in place for ${span(t - d.placed)}`]),
    part('What changed', x.concerns.length ? x.concerns.map((c) => [h('strong', {}, c.headline), ` (${c.severity}, since ${clock(c.since, t)})`]) : 'No open concern.', x.level === 'unknown' && 'Nothing has been charted for long.'),
    part('Figures', last && `Last emptying: ${says(last)}, ${ago(t - last.at)} (${clock(last.at, t)}).`, day.length > 0 && `Last 24 h: ${figure(sum)} mL net in ${day.length === 1 ? '1 entry' : `${day.length} entries`}.`,
      whole.map((w) => `Day from ${clock(w.from, 0)}: ${figure(w.ml)} mL.`), x.rate && `Rate over the last interval: ${figure(x.rate.valueQuantity.value)} mL/h.`, look && `Appearance: ${looks[look.look].word}, ${clock(look.at, t)}.`, suction && `Suction: ${suction.suction}, ${clock(suction.at, t)}.`, d.capacity && `Reservoir: ${charted(d.capacity)}.`),
    part('What was done', x.concerns.flatMap((c) => c.answers.map((a) => `${clock(a.at, t)}, ${person(a.by)}: ${a.words}`)), x.concerns.filter((c) => c.void).map((c) => answered(c, t)), x.concerns.some(waits) && 'Not acknowledged yet.'),
    h('p', { class: 'act' }, h('button', { type: 'button', onclick: () => print() }, 'Print'), ' ', h('a', { class: 'button', href: `#/drain/${d.id}` }, 'Back to the drain')));
}
