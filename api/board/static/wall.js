// The wall: a row a drain, to be read from across the room. No buttons, no
// names unless asked for, nothing that somebody would have to answer.
//
// Size: a letter is to be seen under 16 minutes of arc at least, 20 to 22 are
// preferred (ISO 9241-303, character height). From 4 m, 16 minutes are 19 mm
// and 22 are 26 mm. How many pixels that is follows from the screen: 55 inches
// across unless the address says otherwise (?inches=43&metres=3).

import { h, put } from './dom.js';
import { calls, waits } from './concern.js';
import { levelOf, reservoir, sign } from './draw.js';
import { now } from './fhir.js';
import { settings } from './settings.js';
import { dueWords, ordered } from './ward.js';
import { ago, initials, ml, span } from './words.js';
import { date, time } from './zone.js';

const CAPITAL = 0.72; // height of a capital letter, as a share of the font size
const TURN = 12000, STALE = 60000;

/** sizes gives font sizes in pixels for 16 and 22 minutes of arc. */
export function sizes(metres, inches, screen) {
  const across = Math.hypot(screen.width, screen.height), pixel = (inches * 25.4) / across;
  const px = (minutes) => (metres * 1000 * Math.tan((minutes / 60) * (Math.PI / 180))) / pixel / CAPITAL;
  return { least: px(16), preferred: px(22) };
}

export class Wall {
  constructor(ward, options) {
    this.ward = ward;
    this.names = options.get('names') === '1';
    this.size = sizes(Number(options.get('metres')) || 4, Number(options.get('inches')) || 55, screen);
    this.page = 0;
    this.why = '';
  }

  mount(root) {
    this.life = h('p', { class: 'life' });
    this.clock = h('p', { class: 'clock' });
    this.counts = h('p', { class: 'counts' });
    this.pages = h('p', { class: 'pages' });
    this.list = h('ol', { class: 'rows' });
    const box = h('section', { class: 'wallview' }, h('header', {}, h('h1', { tabindex: '-1' }, this.ward.place.name), this.clock, this.counts, this.pages), this.life, this.list);
    box.style.setProperty('--least', `${this.size.least}px`);
    box.style.setProperty('--preferred', `${this.size.preferred}px`);
    put(root, box);
    this.beat = setInterval(() => this.tick(), 1000);
    this.turn = setInterval(() => { this.page++; this.draw(); }, TURN);
    this.tick();
  }

  close() {
    clearInterval(this.beat);
    clearInterval(this.turn);
  }

  /** locked says that nobody is signed in: the rows are gone, since they are not today's any more. */
  locked(why) {
    this.why = why;
    this.seen = undefined;
    put(this.list);
    this.tick();
  }

  tick() {
    const t = now(), old = this.seen ? t - this.seen : undefined;
    this.clock.textContent = `${date(t)}, ${time(t)}:${String(new Date(t).getSeconds()).padStart(2, '0')}`;
    const stale = this.why || old === undefined || old > STALE;
    this.life.className = `life ${stale && (this.why || old !== undefined) ? 'stale' : ''}`;
    this.life.textContent = this.why ? `${this.why} Look at the patients, not at this screen. The ward's system manager has the link that signs it in.`
      : old === undefined ? 'Asking the service…'
        : stale ? `No answer for ${span(old)}: what stands here is from ${time(this.seen)}. Look at the patients, not at this screen.` : `Updated ${ago(old)}. Informs, does not diagnose. In doubt: to the bedside.`;
  }

  draw(updated = this.seen) {
    if (this.why || !this.ward.rows.size) return;
    this.seen = updated;
    const t = now(), all = ordered(this.ward, t), look = all.filter((x) => x.group === 'look'), late = all.filter((x) => dueWords(x.row.due, t).state === 'overdue').length;
    put(this.counts, h('strong', {}, look.length), ' look now · ', h('strong', {}, late), ' overdue · ', h('strong', {}, all.length), all.length === 1 ? ' drain' : ' drains');
    // As many rows as fit stand at a time. What calls stays; the rest takes turns.
    put(this.list, all.map((x) => this.row(x, t)));
    const room = innerHeight - this.list.getBoundingClientRect().top - 8, items = [...this.list.children];
    const height = (e) => e.offsetHeight + 4, fixed = [];
    let left = room;
    const pinned = items.slice(0, look.length);
    while (pinned.length && left - height(pinned[0]) > (items.length > look.length ? room / 4 : 0)) {
      left -= height(pinned[0]);
      fixed.push(pinned.shift());
    }
    const others = [...pinned, ...items.slice(look.length)], turns = [[]];
    let free = left;
    for (const e of others) {
      if (height(e) > free && turns.at(-1).length) { turns.push([]); free = left; }
      turns.at(-1).push(e);
      free -= height(e);
    }
    const at = this.page % turns.length, kept = new Set([...fixed, ...turns[at]]);
    for (const e of items) if (!kept.has(e)) e.remove();
    this.pages.textContent = turns.length > 1 ? `${at + 1} of ${turns.length}` : '';
  }

  row({ row: r, group }, t) {
    const d = r.drain, due = dueWords(r.due, t), list = [...r.readings.values()];
    const c = r.concerns.find(calls) ?? r.concerns.find(waits);
    return h('li', { class: `${r.level ?? 'unknown'} ${group}` }, sign(r.level ?? 'unknown'), h('span', { class: 'bed' }, d.bed?.replace(/^bed\s+/i, '') ?? '–'),
      h('bdi', { class: 'name' }, this.names ? d.name : initials(d.name)), h('span', { class: 'drain-name' }, d.label, group === 'look' && [' ', h('span', { class: 'call' }, c ? c.headline : `Nothing charted for ${r.last ? span(t - r.last) : 'long'}. Go and look.`)]),
      reservoir(levelOf(list, d.capacity ? ml(d.capacity) : settings.capacity, t), settings.fill),
      h('span', { class: `when ${due.state}` }, due.state === 'overdue' ? due.short : due.state === 'none' ? '' : `at ${due.short}`));
  }
}
