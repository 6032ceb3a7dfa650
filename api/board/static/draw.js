// Drawings: severity signs, pattern swatches, the course as a line, and a
// drain's course in full. Shapes and patterns carry the meaning, colour repeats it.

import { h, s, unique } from './dom.js';
import { figure, looks, severities } from './words.js';
import { clock, date, day } from './zone.js';

const shapes = {
  high: ['path', { d: 'M12 1.5 23 22H1Z' }], moderate: ['path', { d: 'M12 1 23 12 12 23 1 12Z' }],
  low: ['circle', { cx: 12, cy: 12, r: 9 }], unknown: ['rect', { x: 2.5, y: 2.5, width: 19, height: 19, 'stroke-dasharray': '4 3' }],
  none: ['path', { d: 'M4 13l5 5L20 6', fill: 'none' }],
};
const marks = { high: ['!', 19.5], moderate: ['!', 16.5], low: ['i', 16.5], unknown: ['?', 17] };

/** sign is the shape of a severity; the word stands beside it. */
export function sign(level) {
  const [tag, a] = shapes[level] ?? shapes.unknown;
  const m = marks[level];
  return s('svg', { class: `sign ${level}`, viewBox: '0 0 24 24', 'aria-hidden': 'true' }, s(tag, a),
    m && s('text', { x: 12, y: m[1], 'text-anchor': 'middle' }, m[0]));
}

export const severity = (level) => h('span', { class: `severity ${level}` }, sign(level), ' ', severities[level]?.word ?? level);

/** patterns are referred to by every swatch; they are put into the page once. */
export function patterns() {
  const p = (name, size, ...marks) => s('pattern', { id: `look-${name}`, width: size, height: size, patternUnits: 'userSpaceOnUse' },
    s('rect', { width: size, height: size, fill: looks[name].tint }), marks);
  const line = (d, w = 1.4) => s('path', { d, stroke: '#201c1a', 'stroke-width': w, fill: 'none' });
  const dot = (cx, cy, r) => s('circle', { cx, cy, r, fill: '#201c1a' });
  return s('svg', { class: 'defs', width: 0, height: 0, 'aria-hidden': 'true' }, s('defs', {},
    p('clear', 8), p('serous', 8, dot(4, 4, 0.9)), p('serosanguineous', 8, line('M-2 2 2 -2M-2 10 10 -2M6 10 10 6', 1.1)),
    p('sanguineous', 4, line('M-1 1 1 -1M-1 5 5 -1M3 5 5 3', 1.3)), p('purulent', 7, line('M0 0 7 7M7 0 0 7', 1)),
    p('bilious', 5, line('M0 2.5H5', 1.3)), p('chylous', 5, line('M2.5 0V5', 1.1)),
    p('feculent', 4, s('rect', { width: 3.3, height: 3.3, fill: '#3b2f22' })), p('urine-like', 4, dot(1, 1, 0.8), dot(3, 3, 0.8)), p('other', 8)));
}

export function swatch(look) {
  return s('svg', { class: 'swatch', viewBox: '0 0 28 20', 'aria-hidden': 'true' },
    s('rect', { x: 0.75, y: 0.75, width: 26.5, height: 18.5, rx: 3, fill: looks[look] ? `url(#look-${look})` : 'none', class: looks[look] ? '' : 'blank' }),
    !looks[look] && s('text', { x: 14, y: 14.5, 'text-anchor': 'middle' }, '?'));
}

/**
 * reservoir draws how full a reservoir is: the level, the mark at which it is
 * to be emptied, and the share in figures. What is only reckoned is hatched
 * and says "about"; what somebody saw is solid.
 */
export function reservoir(level, mark) {
  const known = level && Number.isFinite(level.share), share = known ? Math.min(100, Math.max(0, level.share)) : 0;
  const top = 8, bottom = 52, y = (v) => bottom - (v / 100) * (bottom - top), clip = unique('vessel');
  const shape = 'M16 3h12v4c8 2 12 9 12 20v15c0 7-4 10-10 10H14c-6 0-10-3-10-10V27C4 16 8 9 16 7Z';
  const words = known ? `Reservoir ${level.seen ? '' : 'about '}${Math.round(level.share)} % full${level.seen ? ', as seen' : ', reckoned from its rate'}; to be emptied at ${mark} %.` : 'Fill of the reservoir not known.';
  return h('div', { class: `reservoir ${known && level.share >= mark ? 'past' : ''}` }, s('svg', { viewBox: '0 0 52 56', role: 'img', 'aria-label': words },
    s('clipPath', { id: clip }, s('path', { d: shape })),
    known && s('g', { 'clip-path': `url(#${clip})` }, s('rect', { class: 'fluid', x: 0, y: y(share), width: 44, height: 60 }),
      !level.seen && s('path', { class: 'guess', d: Array.from({ length: 12 }, (_, i) => `M${i * 8 - 50} 56l52-52`).join('') })),
    s('path', { class: 'wall', d: shape }), s('path', { class: 'brim', d: `M3 ${y(mark)}H50` })),
  h('span', { class: 'share', 'aria-hidden': 'true' }, known ? `${level.seen ? '' : '≈ '}${Math.round(level.share)} %` : '? %'));
}

// Readings within a quarter of an hour of the first are one emptying.
const ONE = 15 * 60000;

/** rates are the drain's rates in mL/h, one an interval between two emptyings. */
export function rates(readings) {
  const whole = [];
  for (const r of readings.filter((x) => x.kind === 'emptying' && x.counts).sort((a, b) => a.at - b.at)) {
    const net = r.ml === undefined ? NaN : r.ml - r.instilled, now = whole.at(-1);
    if (now && r.at - now.first <= ONE) Object.assign(now, { at: r.at, net: now.net + net });
    else whole.push({ first: r.at, at: r.at, net });
  }
  return whole.slice(1).map((e, i) => ({ from: whole[i].at, to: e.at, rate: Math.max(0, e.net / ((e.at - whole[i].at) / 3600000)) })).filter((r) => Number.isFinite(r.rate));
}

/**
 * levelOf tells how full a reservoir is: as the last look without an emptying
 * saw it, else reckoned from the time since the last emptying and the larger of
 * the last rate and the median of the last three, as the due time is.
 */
export function levelOf(readings, capacity, now) {
  const list = readings.filter((r) => r.counts).sort((a, b) => b.at - a.at);
  const look = list.find((r) => (r.kind === 'check' && r.fill !== undefined) || r.kind === 'emptying');
  if (look?.kind === 'check') return { share: look.fill, seen: true, at: look.at };
  const last = rates(list).slice(-3).map((r) => r.rate);
  if (!look || !last.length || !(capacity > 0)) return undefined;
  const sorted = [...last].sort((a, b) => a - b), middle = sorted.length % 2 ? sorted[(sorted.length - 1) / 2] : (sorted[0] + sorted[1]) / 2;
  return { share: (Math.max(last.at(-1), middle) * (now - look.at) / 36000) / capacity, seen: false, at: look.at };
}

/**
 * ceiling is how high an axis has to reach: one or two figures that stand more
 * than three times above all others would flatten these, as in the service's
 * own pictures. They are drawn to the top, and their figures are written.
 */
function ceiling(values) {
  const sorted = [...values].sort((a, b) => b - a);
  for (const k of [1, 2]) if (k + 3 < sorted.length && sorted[k] > 0 && sorted[k - 1] > 3 * sorted[k]) return sorted[k] * 1.25;
  return Math.max(1, sorted[0] ?? 0);
}

/** courseLine is the small line of the last 48 h: the area below a step is its volume. */
export function courseLine(readings, now) {
  const W = 220, H = 44, from = now - 48 * 3600000;
  const list = rates(readings).filter((r) => r.to > from);
  if (!list.length) return h('p', { class: 'quiet' }, 'No course yet');
  const most = Math.max(...list.map((r) => r.rate), 1), top = ceiling(list.map((r) => r.rate));
  const x = (t) => Math.max(0, ((t - from) / (now - from)) * W), y = (r) => H - 3 - (Math.min(r, top) / top) * (H - 8);
  let d = '';
  list.forEach((r, i) => {
    d += `${i && list[i - 1].to === r.from ? 'L' : 'M'}${x(r.from).toFixed(1)} ${y(r.rate).toFixed(1)}L${x(r.to).toFixed(1)} ${y(r.rate).toFixed(1)}`;
  });
  const last = list.at(-1);
  const words = `Course over 48 hours: highest ${figure(most)} mL per hour, last ${figure(last.rate)} mL per hour.`;
  return s('svg', { class: 'course', viewBox: `0 0 ${W} ${H}`, preserveAspectRatio: 'none', role: 'img', 'aria-label': words },
    s('path', { class: 'half', d: `M${W / 2} 0V${H}` }), s('path', { class: 'ground', d: `M0 ${H - 3}H${W}` }),
    s('path', { class: 'line', d }), s('path', { class: 'end', d: `M${x(last.to).toFixed(1)} ${y(last.rate).toFixed(1)}h.01` }));
}

/**
 * course draws emptyings over daily totals, for a width in pixels, so that
 * letters keep their size on a phone.
 */
export function course(readings, totals, width, now) {
  const list = readings.filter((r) => r.kind === 'emptying' && r.counts && r.ml !== undefined);
  const first = Math.min(...list.map((r) => r.at), ...totals.map((t) => t.from));
  if (!Number.isFinite(first)) return h('p', { class: 'quiet' }, 'Nothing charted yet.');
  const W = Math.max(300, width), left = 44, right = 8, upper = 150, lower = 150, gap = 44, H = upper + lower + gap + 30;
  const title = unique('course'), x = (t) => left + ((t - first) / Math.max(1, now - first)) * (W - left - right);
  const top = nice(ceiling(list.map((r) => r.ml))), sum = nice(ceiling(totals.map((t) => (t.ml ?? 0) + (t.u ?? 0))));
  const beyond = (at, y, v) => s('text', { class: 'beyond', x: at, y: y - 8, 'text-anchor': 'middle' }, `↑ ${figure(v)}`);
  const y1 = (v) => upper - (Math.min(top, Math.max(0, v)) / top) * (upper - 30), base = upper + gap + lower, y2 = (v) => base - (Math.min(sum, Math.max(0, v)) / sum) * (lower - 30);
  const axis = (y, max, words) => [
    s('text', { x: 0, y: y(max) - 12, class: 'name' }, words),
    [0, max / 2, max].map((v) => [s('path', { class: 'rule', d: `M${left} ${y(v)}H${W - right}` }), s('text', { x: left - 6, y: y(v) + 4, 'text-anchor': 'end' }, figure(v))]),
  ];
  const room = (W - left - right) / Math.max(1, totals.length);
  return s('svg', { class: 'figure', viewBox: `0 0 ${W} ${H}`, width: W, height: H, role: 'img', 'aria-labelledby': title },
    s('title', { id: title }, `Each emptying and the daily totals from ${clock(first, now)} to now; the tables below hold the same figures.`),
    axis(y1, top, 'Each emptying, mL'),
    list.map((r) => [r.ml > top && beyond(x(r.at), y1(top), r.ml), s('path', { class: 'stem', d: `M${x(r.at)} ${y1(0)}V${y1(r.ml)}` }),
      s('circle', { class: 'bead', cx: x(r.at), cy: y1(r.ml), r: 5.5, fill: r.look ? `url(#look-${r.look})` : 'none' },
        s('title', {}, `${clock(r.at, now)}: ${figure(r.ml)} mL${r.look ? `, ${looks[r.look]?.word}` : ''}`))]),
    axis(y2, sum, 'Daily totals, mL, with ± expanded uncertainty'),
    totals.map((t) => {
      const a = x(t.from) + 1.5, b = Math.max(a + 3, x(Math.min(t.to, now)) - 1.5), m = (a + b) / 2;
      return [
        t.ml !== undefined && s('rect', { class: `bar ${t.preliminary ? 'open' : ''}`, x: a, y: y2(t.ml), width: b - a, height: base - y2(t.ml) }),
        t.ml > sum && beyond(m, y2(sum), t.ml),
        t.ml !== undefined && t.u && s('path', { class: 'whisker', d: `M${m} ${y2(t.ml - t.u)}V${y2(t.ml + t.u)}M${m - 5} ${y2(t.ml - t.u)}h10M${m - 5} ${y2(t.ml + t.u)}h10` }),
        room > 34 && b - a > 22 && s('text', { x: m, y: base + 16, 'text-anchor': 'middle' }, room > 74 ? date(t.from) : Number(day(t.from).slice(8))),
      ];
    }));
}

function nice(v) {
  const p = 10 ** Math.floor(Math.log10(v));
  return [1, 2, 4, 5, 10].find((k) => k * p >= v) * p;
}
