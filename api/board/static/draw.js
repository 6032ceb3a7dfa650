// Drawings: severity signs, pattern swatches, the course as a line, and a
// drain's course in full. Shapes and patterns carry the meaning, colour repeats it.

import { h, s, unique } from './dom.js';
import { clock, date, figure, looks, severities } from './words.js';

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

/** rates are the drain's rates in mL/h, one an interval between two emptyings. */
export function rates(readings) {
  const list = readings.filter((r) => r.kind === 'emptying' && r.counts).sort((a, b) => a.at - b.at);
  const out = [];
  for (let i = 1; i < list.length; i++) {
    const hours = (list[i].at - list[i - 1].at) / 3600000;
    // Less than ten minutes apart is one emptying in two parts, or charted twice: its rate says nothing.
    if (list[i].ml !== undefined && hours >= 1 / 6) {
      out.push({ from: list[i - 1].at, to: list[i].at, rate: Math.max(0, (list[i].ml - list[i].instilled) / hours) });
    }
  }
  return out;
}

/** courseLine is the small line of the last 48 h: the area below a step is its volume. */
export function courseLine(readings, now) {
  const W = 220, H = 44, from = now - 48 * 3600000;
  const list = rates(readings).filter((r) => r.to > from);
  if (!list.length) return h('p', { class: 'quiet' }, 'No course yet');
  const top = Math.max(...list.map((r) => r.rate), 1);
  const x = (t) => Math.max(0, ((t - from) / (now - from)) * W), y = (r) => H - 3 - (r / top) * (H - 8);
  let d = '';
  list.forEach((r, i) => {
    d += `${i && list[i - 1].to === r.from ? 'L' : 'M'}${x(r.from).toFixed(1)} ${y(r.rate).toFixed(1)}L${x(r.to).toFixed(1)} ${y(r.rate).toFixed(1)}`;
  });
  const last = list.at(-1);
  const words = `Course over 48 hours: highest ${figure(top)} mL per hour, last ${figure(last.rate)} mL per hour.`;
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
  const top = nice(Math.max(1, ...list.map((r) => r.ml))), sum = nice(Math.max(1, ...totals.map((t) => (t.ml ?? 0) + (t.u ?? 0))));
  const y1 = (v) => upper - (Math.max(0, v) / top) * (upper - 30), base = upper + gap + lower, y2 = (v) => base - (Math.max(0, v) / sum) * (lower - 30);
  const axis = (y, max, words) => [
    s('text', { x: 0, y: y(max) - 12, class: 'name' }, words),
    [0, max / 2, max].map((v) => [s('path', { class: 'rule', d: `M${left} ${y(v)}H${W - right}` }), s('text', { x: left - 6, y: y(v) + 4, 'text-anchor': 'end' }, figure(v))]),
  ];
  const room = (W - left - right) / Math.max(1, totals.length);
  return s('svg', { class: 'figure', viewBox: `0 0 ${W} ${H}`, width: W, height: H, role: 'img', 'aria-labelledby': title },
    s('title', { id: title }, `Each emptying and the daily totals from ${clock(first, now)} to now; the tables below hold the same figures.`),
    axis(y1, top, 'Each emptying, mL'),
    list.map((r) => [s('path', { class: 'stem', d: `M${x(r.at)} ${y1(0)}V${y1(r.ml)}` }),
      s('circle', { class: 'bead', cx: x(r.at), cy: y1(r.ml), r: 5.5, fill: r.look ? `url(#look-${r.look})` : 'none' },
        s('title', {}, `${clock(r.at, now)}: ${figure(r.ml)} mL${r.look ? `, ${looks[r.look]?.word}` : ''}`))]),
    axis(y2, sum, 'Daily totals, mL, with ± expanded uncertainty'),
    totals.map((t) => {
      const a = x(t.from) + 1.5, b = Math.max(a + 3, x(Math.min(t.to, now)) - 1.5), m = (a + b) / 2;
      return [
        t.ml !== undefined && s('rect', { class: `bar ${t.preliminary ? 'open' : ''}`, x: a, y: y2(t.ml), width: b - a, height: base - y2(t.ml) }),
        t.ml !== undefined && t.u && s('path', { class: 'whisker', d: `M${m} ${y2(t.ml - t.u)}V${y2(t.ml + t.u)}M${m - 5} ${y2(t.ml - t.u)}h10M${m - 5} ${y2(t.ml + t.u)}h10` }),
        room > 34 && b - a > 22 && s('text', { x: m, y: base + 16, 'text-anchor': 'middle' }, room > 74 ? date(t.from) : new Date(t.from).getDate()),
      ];
    }));
}

function nice(v) {
  const p = 10 ** Math.floor(Math.log10(v));
  return [1, 2, 4, 5, 10].find((k) => k * p >= v) * p;
}
