// The frame of the board: which page is shown, the sign-in, the state of the
// connection, unsent entries, and the announcement of new high findings.

import { after, confirm, form, siblings } from './chart.js';
import { h, patch, put } from './dom.js';
import { patterns, sign } from './draw.js';
import * as drainPage from './drain.js';
import { call, events, now, Refused, session, Unreachable } from './fhir.js';
import { outbox } from './outbox.js';
import * as wardPage from './ward.js';
import { ago, clock, reading, says, span } from './words.js';

const EVERY = 10000, MOST = 60000;
const main = document.getElementById('main');
const at = (id) => document.getElementById(id);

const none = {};
let page = none; // what is shown
let wards; // once asked for
let ward; // kept while drains of it are looked at
let timer, wait = EVERY, turn = 0;
let updated, failing, problem = '';

// The token may come in the fragment; it must not stay in the address bar.
function fragment() {
  const m = /^#token=([^&]+)(?:&(.*))?$/.exec(location.hash);
  if (!m) return false;
  history.replaceState(null, '', location.pathname + location.search + (m[2] ? `#${m[2]}` : ''));
  return !session.use(decodeURIComponent(m[1]));
}

function signIn(why = '') {
  const dialog = at('sign-in');
  at('sign-in-why').textContent = why;
  at('sign-in-kept').textContent = outbox.waiting.length ? `${outbox.waiting.length === 1 ? 'One entry is' : `${outbox.waiting.length} entries are`} not sent yet and stay on this device.` : '';
  if (!dialog.open) {
    dialog.showModal();
    at('token').value = '';
    at('token').focus();
  }
}

at('sign-in-form').addEventListener('submit', (e) => {
  e.preventDefault();
  const wrong = session.use(at('token').value);
  at('sign-in-problem').textContent = wrong ?? '';
});
at('sign-in').addEventListener('cancel', (e) => e.preventDefault()); // there is nothing to see without a token
events.addEventListener('sign-in', (e) => signIn(e.detail.why));
events.addEventListener('signed-in', () => {
  at('sign-in').close();
  at('token').value = '';
  wards = undefined;
  who();
  unsent();
  // What stands in a form stays, and so does what became of it; another page is read anew.
  if (page.keep) tick(); else route();
});
at('leave').addEventListener('click', () => {
  [ward, wards] = [undefined, undefined];
  page.close?.();
  page = none;
  put(main);
  session.leave();
});

function who() {
  at('who').textContent = session.ready ? session.subject : '';
  at('leave').hidden = !session.ready;
}

/* Refreshing: every ten seconds, later and later while the service is silent. */

async function tick() {
  clearTimeout(timer);
  if (!session.ready) {
    if (session.expired) signIn('The token has expired. Paste a new one; nothing that you charted is lost.');
    return;
  }
  const mine = ++turn;
  try {
    const shown = page;
    // One after the other: what one finds new, the next would not find again.
    shown.asking = (shown.asking ?? Promise.resolve()).catch(() => {}).then(() => shown.refresh?.());
    announce((await shown.asking) ?? []);
    if (mine !== turn || shown !== page) return;
    if (shown.refresh) {
      updated = now();
      failing = undefined;
      problem = '';
    }
    wait = EVERY;
    shown.draw?.();
    outbox.flush();
  } catch (err) {
    if (mine !== turn) return;
    if (err.status === 401) return;
    if (!(err instanceof Unreachable || err instanceof Refused)) console.error(err);
    failing ??= now();
    problem = err instanceof Unreachable ? '' : err.message;
    wait = Math.min(MOST, wait * 2);
  }
  connection();
  timer = setTimeout(tick, wait);
}

function connection() {
  const bar = at('connection'), silent = at('silent'), t = now();
  bar.textContent = updated && page.refresh ? `Last updated ${clock(updated, t)}, ${ago(t - updated)}` : '';
  document.body.classList.toggle('silent', Boolean(failing));
  const text = !failing ? '' : problem ? `This page cannot be refreshed: ${problem}` : 'The service is not reachable.';
  const words = failing ? `${updated ? `What you see is from ${clock(updated, t)}, ${span(t - updated)} old. ` : ''}A silent service is not a safe patient: look at the patients, not at this page.` : '';
  const print = text + words;
  if (silent.dataset.print !== print) {
    silent.dataset.print = print;
    silent.hidden = !failing;
    put(silent, failing && [sign('high'), h('div', {}, h('strong', {}, text), ' ', words), h('button', { type: 'button', onclick: () => { wait = EVERY; tick(); } }, 'Try now')]);
  }
}

/** announce puts a new high finding where eyes and screen readers find it. */
function announce(fresh) {
  const list = at('alerts');
  for (const id of new Set(fresh.map((f) => f.row.id))) {
    const of = fresh.filter((f) => f.row.id === id);
    const d = of[0].row.drain, who = h('span', { class: 'unseen' }, `: ${d.label}, ${d.name}`);
    const note = h('div', { class: 'alert' }, sign('high'), h('p', {}, h('strong', {}, of.length > 1 ? 'New high findings: ' : 'New high finding: '), `${of.map((f) => f.name).join(', ')}. ${d.label}, ${d.name}. `, h('a', { href: `#/drain/${id}` }, 'Look at it', who)),
      h('button', { type: 'button', onclick: () => { note.remove(); title(); } }, 'Hide', who.cloneNode(true)));
    list.append(note);
  }
  title();
}

let heading = 'Tidemark';
function title(words = heading) {
  heading = words;
  const n = at('alerts').childElementCount;
  document.title = (n ? `(${n} new) ` : '') + (words === 'Tidemark' ? words : `${words} · Tidemark`);
}

/* Unsent entries. */

function unsent() {
  const list = outbox.list, box = at('unsent');
  box.hidden = !list.length;
  const refused = list.filter((e) => e.state === 'refused').length, waiting = list.length - refused;
  at('unsent-title').textContent = [waiting && `${waiting} not sent yet`, refused && `${refused} refused`].filter(Boolean).join(', ');
  patch(at('unsent-list'), list.map((e) => ({ key: e.id, print: JSON.stringify([e.state, e.words, e.by === session.subject]), build: () => h('li', { class: e.state },
    h('p', {}, h('strong', {}, `${e.label}: ${says(reading(e.resource))}`), `, made ${clock(e.made)}`),
    h('p', {}, e.state === 'refused' ? [sign('high'), ' Refused, not charted: ', e.words] : [sign('unknown'), ' Not sent yet. ', e.by !== session.subject ? `It is sent when ${e.by || 'its author'} signs in here.` : e.words]),
    e.state === 'refused' && h('p', { class: 'act' }, reading(e.resource).kind !== 'site' && h('a', { class: 'button', href: `#/again/${e.id}` }, 'Change'), ' ', h('button', { type: 'button', onclick: () => outbox.discard(e.id) }, 'Throw away')))})));
}
events.addEventListener('outbox', unsent);
events.addEventListener('sent', () => { wait = EVERY; if (page.refresh) tick(); });

/* Pages. */

async function ensureWards() {
  wards ??= await wardPage.places();
  return wards;
}

// A route asks for what it needs and answers a page: { title, mount, refresh,
// draw, close }. Only mount touches the screen, so that an answer which comes
// after the reader has gone on changes nothing.
const routes = {
  async ''() {
    const list = await ensureWards();
    const last = remembered();
    const one = list.find((l) => l.id === last) ?? (list.length === 1 ? list[0] : undefined);
    return one ? { ...await routes.ward(one.id), hash: `#/ward/${one.id}` } : routes.places();
  },
  async places() {
    const list = await ensureWards();
    return { title: 'Wards', mount: () => put(main, h('h1', { tabindex: '-1' }, 'Which ward?'), list.length
      ? h('ul', { class: 'choose' }, list.map((l) => h('li', {}, h('a', { class: 'button', href: `#/ward/${l.id}` }, l.name))))
      : h('p', {}, 'This token sees no ward. Ask for one whose scope holds Location.rs and Device.rs.')) };
  },
  async ward(id) {
    const list = await ensureWards();
    const here = list.find((l) => l.id === id);
    if (!here) throw new Refused(404, { issue: [{ diagnostics: `No ward ${id} is known, or this token may not see it.` }] });
    if (ward?.place.id !== id) ward = new wardPage.Ward(here);
    const w = ward, body = h('div', { class: 'ward' });
    return {
      title: here.name,
      mount() {
        remember(id);
        put(main, h('div', { class: 'ward-head' }, h('h1', { tabindex: '-1' }, here.name), h('p', { class: 'quiet' }, 'Soonest to be emptied first'), list.length > 1 && h('a', { href: '#/places' }, 'Another ward')), body);
        if (w.rows.size) wardPage.show(body, w);
        else body.append(h('p', { class: 'quiet' }, 'Asking the service…'));
      },
      refresh: () => w.refresh(), draw: () => wardPage.show(body, w),
    };
  },
  async drain(id) {
    const x = new drainPage.Drain(id), body = h('div', { class: 'drain' }, h('p', { class: 'quiet' }, 'Asking the service…'));
    const draw = () => { drainPage.show(body, x); title(x.drain.label); };
    x.onpicture = () => { if (x.drain) draw(); };
    x.again = () => tick();
    return { title: 'Drain', mount: () => put(main, h('p', { class: 'back' }, h('a', { href: '#/' }, '← Back to the ward')), body), refresh: () => x.refresh(), draw, close: () => x.close() };
  },
  async chart(id) {
    const drains = await siblings(id);
    const made = { title: 'Chart an emptying', keep: true };
    made.mount = () => confirm(main, drains, id, (d) => {
      form(main, d, { done: (ids) => sent(made, d, ids) });
      land();
    });
    return made;
  },
  async again(id) {
    const e = outbox.find(id);
    if (!e) return routes['']();
    const d = (await siblings(e.drain)).find((x) => x.id === e.drain);
    const made = { title: 'Change and send again', keep: true };
    made.mount = () => {
      form(main, d, { again: e, done: (ids) => sent(made, d, ids) });
      main.querySelector('h1').after(h('p', { class: 'problem' }, 'Refused before: ', e.words));
    };
    return made;
  },
  async correct(id) {
    const [plain, exact] = [await call(`Observation/${id}`), await call(`Observation/${id}`, { exact: true })];
    const r = reading(plain.resource), d = (await siblings(r.drain)).find((x) => x.id === r.drain);
    const before = { resource: plain.resource, exact: exact.resource, etag: exact.etag };
    return { title: 'Correct an entry', keep: true, mount: () => form(main, d, { before, done: () => { location.hash = `#/drain/${d.id}`; } }) };
  },
};

/** sent follows the charting form: what became of the entries. */
function sent(made, drain, ids) {
  made.close = after(main, drain, ids);
  land();
}

function remembered() {
  try { return localStorage.getItem('tidemark.ward'); } catch { return undefined; }
}
function remember(id) {
  try { localStorage.setItem('tidemark.ward', id); } catch { /* it is asked for again next time */ }
}

const land = () => { scrollTo(0, 0); main.querySelector('h1')?.focus({ preventScroll: true }); };

let asked = 0;
async function route() {
  const [, name = '', arg = ''] = location.hash.split('/');
  const mine = ++asked;
  page.close?.();
  page = none;
  turn++;
  clearTimeout(timer);
  if (!session.ready) return signIn(session.expired ? 'The token has expired.' : '');
  try {
    const made = await (routes[name] ?? routes[''])(decodeURIComponent(arg));
    if (mine !== asked) return made.close?.();
    page = made;
    failing = undefined;
    if (made.hash) history.replaceState(null, '', made.hash);
    title(made.title);
    made.mount();
    land();
  } catch (err) {
    if (mine !== asked || err.status === 401) return undefined;
    if (!(err instanceof Unreachable || err instanceof Refused)) console.error(err);
    put(main, h('h1', { tabindex: '-1' }, 'This cannot be shown'), h('p', { class: 'problem' }, err.message), h('p', {}, h('button', { type: 'button', onclick: route }, 'Try again'), ' ', h('a', { href: '#/places' }, 'Choose a ward')));
    failing = err instanceof Unreachable ? failing ?? now() : undefined;
    connection();
    // A wall screen must come back by itself.
    timer = setTimeout(() => { if (mine === asked) route(); }, wait = Math.min(MOST, wait * 2));
    return undefined;
  }
  await tick();
  if (mine === asked) land();
  return undefined;
}

at('skip').addEventListener('click', (e) => { e.preventDefault(); main.focus(); });
// A link to the page that is shown already starts it anew.
addEventListener('click', (e) => {
  if (e.target.closest?.('a[href^="#/"]')?.getAttribute('href') === location.hash) {
    e.preventDefault();
    route();
  }
});
addEventListener('hashchange', () => { if (!fragment()) route(); });
addEventListener('visibilitychange', () => { if (!document.hidden) { wait = EVERY; tick(); } });
addEventListener('online', () => { wait = EVERY; tick(); });
addEventListener('offline', () => tick());
let width = innerWidth;
addEventListener('resize', () => { if (Math.abs(innerWidth - width) > 20) { width = innerWidth; if (updated) page.draw?.(); } });
// Words such as "5 min ago" age without an answer.
setInterval(() => { connection(); if (updated && page.refresh) page.draw?.(); }, 15000);

document.body.prepend(patterns());
who();
unsent();
if (!fragment()) route(); // signing in shows the page itself

// The worker only lets the page itself open without a network; see sw.js.
navigator.serviceWorker?.register('sw.js').catch(() => {});
