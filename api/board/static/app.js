// The frame of the board: which page is shown, the sign-in, the state of the
// connection, unsent entries, and the announcement of new high concerns.

import { learn, person } from './concern.js';
import { h, patch, put } from './dom.js';
import { patterns, sign } from './draw.js';
import { call, events, now, Refused, session, Unreachable, whose } from './fhir.js';
import { outbox } from './outbox.js';
import { load } from './settings.js';
import * as issuer from './signin.js';
import * as wardPage from './ward.js';
import { ago, reading, says, span } from './words.js';
import { clock } from './zone.js';

const EVERY = 10000, MOST = 60000, SOON = 2000;
const main = document.getElementById('main');
const at = (id) => document.getElementById(id);

const none = {};
let page = none; // what is shown
let wards; // once asked for
let ward; // kept while drains of it are looked at
let timer, wait = EVERY, again = SOON, turn = 0;
let updated, failing, problem = '';

// The token may come in the fragment; it must not stay in the address bar, and
// it must not put another person into a session without asking.
function fragment() {
  const m = /^#token=([^&]+)(?:&(.*))?$/.exec(location.hash);
  if (!m) return false;
  history.replaceState(null, '', location.pathname + location.search + (m[2] ? `#${m[2]}` : ''));
  const token = decodeURIComponent(m[1]), other = whose(token);
  if (session.ready && other !== session.subject && !window.confirm(`You are signed in as ${person(session.subject, session.subject)}. Sign in as ${person(other)} instead?`)) return false;
  return !session.use(token);
}

function signIn(why = '') {
  document.body.classList.add('locked');
  at('alerts').replaceChildren();
  title('Tidemark');
  who();
  unsent();
  if (document.body.classList.contains('wall')) { // nobody is there to answer a dialog
    if (page.locked) page.locked(why || 'Not signed in.');
    else put(main, h('p', { class: 'life stale' }, 'This screen is not signed in: open its link again. Look at the patients, not at this screen.'));
    return;
  }
  const dialog = at('sign-in');
  at('sign-in-why').textContent = why;
  at('sign-in-kept').textContent = outbox.waiting.length ? `${outbox.waiting.length === 1 ? 'One entry is' : `${outbox.waiting.length} entries are`} not sent yet and stay on this device.` : '';
  at('by-token').hidden = issuer.offered();
  at('by-issuer').hidden = !issuer.offered();
  if (!dialog.open) {
    dialog.showModal();
    at('token').value = '';
    (issuer.offered() ? at('go') : at('token')).focus();
  }
}

at('sign-in-form').addEventListener('submit', (e) => {
  e.preventDefault();
  const wrong = session.use(at('token').value);
  at('sign-in-problem').textContent = wrong ?? '';
});
at('go').addEventListener('click', () => {
  at('sign-in-problem').textContent = '';
  issuer.go().catch((err) => { at('sign-in-problem').textContent = `The sign-in cannot be reached: ${err.message}`; });
});
// There is nothing to see without a token. A browser lets a second Escape through all the same.
at('sign-in').addEventListener('cancel', (e) => e.preventDefault());
at('sign-in').addEventListener('close', () => { if (!session.ready) signIn(at('sign-in-why').textContent); });
let renewed = 0;
events.addEventListener('sign-in', async (e) => {
  // A token that ran out between two questions is replaced without a word, but not again and again.
  if (issuer.offered() && e.detail.why && Date.now() - renewed > 30000) {
    renewed = Date.now();
    if (await issuer.renew()) return page.keep ? tick() : route();
  }
  return signIn(e.detail.why);
});
events.addEventListener('signed-in', () => {
  document.body.classList.remove('locked');
  at('sign-in').close();
  at('token').value = '';
  wards = undefined;
  who();
  unsent();
  // What stands in a form stays, and so does what became of it; another page is read anew.
  if (page.keep) tick(); else route();
});
at('leave').addEventListener('click', () => {
  left();
  issuer.leave();
});
events.addEventListener('left', left); // in another tab
function left() {
  [ward, wards] = [undefined, undefined];
  updated = failing = undefined;
  connection();
  page.close?.();
  page = none;
  put(main);
  session.leave();
}

async function who() {
  at('leave').hidden = !session.ready;
  at('who').textContent = '';
  if (!session.ready) return;
  const me = session.subject;
  await learn([me]).catch(() => {});
  if (session.ready && session.subject === me) at('who').textContent = person(me, me);
}

/* Refreshing: every ten seconds, later and later while the service is silent. */

async function tick() {
  clearTimeout(timer);
  if (!session.ready) {
    if (session.expired && !(await issuer.renew())) signIn('Your session has ended. Sign in again; nothing that you charted is lost.');
    if (!session.ready) return;
  }
  const mine = ++turn;
  try {
    const shown = page;
    // One after the other: what one finds new, the next would not find again.
    shown.asking = (shown.asking ?? Promise.resolve()).catch(() => {}).then(() => shown.refresh?.());
    announce((await shown.asking) ?? []);
    if (mine !== turn || shown !== page) return;
    if (shown.refresh) {
      shown.known = true; // what it draws
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
    if (err instanceof Refused && [404, 410].includes(err.status)) { // what the page is about is not there
      page.close?.();
      page = none;
      return cannotShow(err);
    }
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

/** announce puts a high concern that is new, or worse, where eyes and screen readers find it. */
function announce(fresh) {
  const list = at('alerts');
  for (const c of fresh) {
    const d = c.row.drain, who = wardPage.who(d), unseen = h('span', { class: 'unseen' }, `: ${who}`);
    const note = h('div', { class: 'alert', 'data-concern': c.id }, sign('high'), h('p', {}, h('strong', {}, d.bed && [h('span', { class: 'bed' }, d.bed), ', '], `${d.name}, ${d.label}: `), c.headline, '. ', h('a', { href: `#/drain/${c.row.id}` }, 'Look at it', unseen)),
      h('button', { type: 'button', onclick: () => { note.remove(); title(); } }, 'Hide', unseen.cloneNode(true)));
    list.querySelector(`[data-concern="${c.id}"]`)?.remove();
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

async function unsent() {
  // Whose entries they are is for those to see who are signed in.
  const list = outbox.list, box = at('unsent');
  box.hidden = !list.length;
  const refused = list.filter((e) => e.state === 'refused').length, waiting = list.length - refused;
  at('unsent-title').textContent = [waiting && `${waiting} not sent yet`, refused && `${refused} refused`].filter(Boolean).join(', ');
  const draw = () => patch(at('unsent-list'), (session.ready ? outbox.list : []).map((e) => ({ key: e.id, print: JSON.stringify([e.state, e.words, e.by === session.subject, person(e.by)]), build: () => h('li', { class: e.state },
    h('p', {}, h('strong', {}, `${e.label}: ${says(reading(e.resource))}`), `, made ${clock(e.made)}`),
    h('p', {}, e.state === 'refused' ? [sign('high'), ' Refused, not charted: ', e.words] : [sign('unknown'), ' Not sent yet. ', e.by !== session.subject ? `It is sent when ${person(e.by)} signs in here.` : e.words]),
    e.state === 'refused' && h('p', { class: 'act' }, reading(e.resource).kind !== 'site' && h('a', { class: 'button', href: `#/again/${e.id}` }, 'Change'), ' ', h('button', { type: 'button', onclick: () => outbox.discard(e.id) }, 'Throw away')))})));
  draw();
  if (!session.ready) return;
  await learn(list.map((e) => e.by)).catch(() => {});
  draw();
}
events.addEventListener('outbox', unsent);
events.addEventListener('sent', () => { wait = EVERY; if (page.refresh) tick(); });

/* Pages. */

const part = (name) => import(`./${name}.js`).catch(() => { throw new Unreachable('The service does not answer.'); });

async function ensureWards() {
  wards ??= await wardPage.places();
  return wards;
}

// A route asks for what it needs and answers a page: { title, mount, refresh,
// draw, close }. Only mount touches the screen, so that an answer which comes
// after the reader has gone on changes nothing.
const routes = {
  __proto__: null, // so that no address finds what an object has by itself
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
    const early = ward?.place.id !== id && wardPage.early(id);
    const [list] = await Promise.all([ensureWards(), load(id)]);
    const here = list.find((l) => l.id === id);
    if (!here) throw new Refused(404, { issue: [{ diagnostics: `No ward ${id} is known, or this token may not see it.` }] });
    if (early) ward = new wardPage.Ward(here, early);
    const w = ward, body = h('div', { class: 'ward' });
    w.again = () => tick();
    w.drawn = () => wardPage.show(body, w);
    const find = h('input', { type: 'search', id: 'find', autocomplete: 'off', spellcheck: 'false', value: w.find, oninput: () => { w.find = find.value; wardPage.show(body, w); } });
    return {
      title: here.name,
      mount() {
        remember(id);
        put(main, h('div', { class: 'ward-head' }, h('h1', { tabindex: '-1' }, here.name), h('p', { class: 'find' }, h('label', { for: 'find' }, 'Bed or name'), ' ', find),
          h('p', { class: 'ways' }, session.may('c', 'DeviceUseStatement') && h('a', { href: `#/place/${id}` }, 'Place a drain'), h('a', { href: `#/handover/${id}` }, 'Handover'), h('a', { href: `#/wall/${id}` }, 'Wall view'), list.length > 1 && h('a', { href: '#/places' }, 'Another ward'))), body);
        if (w.rows.size) wardPage.show(body, w);
        else body.append(h('p', { class: 'quiet' }, 'Asking the service…'));
      },
      refresh: () => w.refresh(), draw: () => wardPage.show(body, w),
    };
  },
  async wall(arg) {
    const [id, query = ''] = arg.split('?'), [list, wallPage] = await Promise.all([ensureWards(), part('wall'), load(id)]);
    const here = list.find((l) => l.id === id);
    if (!here) throw new Refused(404, { issue: [{ diagnostics: `No ward ${id} is known, or this token may not see it.` }] });
    const w = new wardPage.Ward(here), view = new wallPage.Wall(w, new URLSearchParams(query));
    w.all = true;
    return {
      title: here.name, wall: true, locked: (why) => view.locked(why), mount: () => view.mount(main), refresh: () => w.refresh().then(() => []), draw: () => view.draw(updated), close: () => view.close(),
    };
  },
  async drain(id) {
    const drainPage = await part('drain'), x = new drainPage.Drain(id), body = h('div', { class: 'drain' }, h('p', { class: 'quiet' }, 'Asking the service…'));
    const draw = () => { drainPage.show(body, x); title(wardPage.who(x.drain)); };
    x.onpicture = () => { if (x.drain) draw(); };
    x.again = () => tick();
    return { title: 'Drain', mount: () => put(main, h('p', { class: 'back' }, h('a', { href: '#/' }, '← Back to the ward')), body), refresh: () => x.refresh(), draw, close: () => x.close() };
  },
  async call(id) {
    const [drainPage, callPage] = await Promise.all([part('drain'), part('call')]), x = new drainPage.Drain(id), body = h('div', { class: 'drain' });
    return { title: 'Call sheet', mount: () => put(main, body), refresh: () => x.refresh(), draw: () => { if (!body.childElementCount) { callPage.show(body, x); land(); } }, close: () => x.close() };
  },
  async handover(arg) {
    const list = await ensureWards(), [id, query = ''] = arg.split('?'), here = list.find((l) => l.id === id);
    if (!here) return routes.places();
    const [handoverPage] = await Promise.all([part('handover'), load(id)]);
    const x = new handoverPage.Handover(here, new URLSearchParams(query).get('shift')), body = h('div', { class: 'handed' }, h('p', { class: 'quiet' }, 'Asking the service…'));
    return { title: 'Handover', mount: () => put(main, body), refresh: () => x.refresh(), draw: () => handoverPage.show(body, x) };
  },
  async place(arg) {
    const list = await ensureWards(), [id, patient] = arg.split('/'), here = list.find((l) => l.id === id);
    if (!here) return routes.places();
    const placePage = await part('place'), all = await placePage.patients(here), one = all.find((p) => p.id === patient);
    if (!one) return { title: 'Place a drain', mount: () => placePage.choose(main, all) };
    const draw = await placePage.place(main, one, () => { location.hash = `#/ward/${id}`; });
    return { title: 'Place a drain', keep: true, mount: draw };
  },
  async change(arg) {
    const [drainPage, placePage, { confirm, siblings }] = await Promise.all([part('drain'), part('place'), part('chart')]);
    const [kind, id] = arg.split('/'), drains = await siblings(id), made = { title: 'Change a drain', keep: true };
    const stay = kind === 'home' ? (await drainPage.bedOf(drains.find((d) => d.id === id).patient))?.stay : undefined;
    made.mount = () => confirm(main, drains, id, (d) => {
      placePage.change(main, d, ['remove', 'replace', 'move', 'home'].includes(kind) ? kind : 'remove', () => { location.hash = kind === 'move' ? `#/drain/${d.id}` : '#/'; }, stay);
      land();
    });
    return made;
  },
  async chart(id) {
    const chart = await part('chart'), drains = await chart.siblings(id), made = { title: 'Chart an entry', keep: true };
    made.mount = () => chart.confirm(main, drains, id, (d) => {
      chart.form(main, d, { done: (ids) => sent(chart, made, d, ids) });
      scrollTo(0, 0);
    });
    return made;
  },
  async again(id) {
    const e = outbox.find(id);
    if (!e) return routes['']();
    const chart = await part('chart'), d = (await chart.siblings(e.drain)).find((x) => x.id === e.drain);
    const made = { title: 'Change and send again', keep: true };
    made.mount = () => {
      chart.form(main, d, { again: e, done: (ids) => sent(chart, made, d, ids) });
      main.querySelector('h1').after(h('p', { class: 'problem' }, 'Refused before: ', e.words));
    };
    return made;
  },
  async correct(id) {
    const { form, siblings } = await part('chart');
    const [plain, exact] = [await call(`Observation/${id}`), await call(`Observation/${id}`, { exact: true })];
    const r = reading(plain.resource), d = (await siblings(r.drain)).find((x) => x.id === r.drain);
    const before = { resource: plain.resource, exact: exact.resource, etag: exact.etag };
    return { title: 'Correct an entry', keep: true, mount: () => form(main, d, { before, done: () => { location.hash = `#/drain/${d.id}`; } }) };
  },
};

/** sent follows the charting form: what became of the entries. */
function sent(chart, made, drain, ids) {
  made.close = chart.after(main, drain, ids, { cup: (before) => {
    made.close();
    made.close = undefined;
    chart.form(main, drain, { cup: before, done: (more) => sent(chart, made, drain, more) });
    land();
  } });
  land();
}

function remembered() {
  try { return localStorage.getItem('tidemark.ward'); } catch { return undefined; }
}
function remember(id) {
  try { localStorage.setItem('tidemark.ward', id); } catch { /* it is asked for again next time */ }
}

const land = () => { scrollTo(0, 0); main.querySelector('h1')?.focus({ preventScroll: true }); };

/** cannotShow says on the page why there is nothing to show. */
function cannotShow(err) {
  put(main, h('h1', { tabindex: '-1' }, 'This cannot be shown'), h('p', { class: 'problem' }, err.message), h('p', {}, h('button', { type: 'button', onclick: route }, 'Try again'), ' ', h('a', { href: '#/places' }, 'Choose a ward')));
}

let asked = 0;
async function route() {
  const address = location.hash, [, name = '', ...rest] = address.split('/'), arg = rest.join('/');
  const mine = ++asked;
  page.close?.();
  page = none;
  document.body.classList.toggle('wall', name === 'wall');
  turn++;
  clearTimeout(timer);
  if (session.expired) await issuer.renew();
  if (!session.ready) return signIn(session.expired ? 'Your session has ended.' : '');
  try {
    await load();
    const made = await (routes[name] ?? routes[''])(decodeURIComponent(arg));
    // Where the address has changed, the event that tells so is on its way.
    if (mine !== asked || location.hash !== address) return made.close?.();
    page = made;
    failing = undefined;
    again = SOON;
    if (made.hash) history.replaceState(null, '', made.hash);
    title(made.title);
    made.mount();
    land();
  } catch (err) {
    if (mine !== asked || err.status === 401) return undefined;
    if (!(err instanceof Unreachable || err instanceof Refused)) console.error(err);
    cannotShow(err);
    failing = err instanceof Unreachable ? failing ?? now() : undefined;
    connection();
    // A wall screen must come back by itself, and whoever waits at a bedside soon.
    timer = setTimeout(() => { if (mine === asked) route(); }, again);
    again = Math.min(MOST, again * 2);
    return undefined;
  }
  await tick();
  if (mine === asked) land();
  setTimeout(others, 1000);
  return undefined;
}

// The other pages come after the first is shown, so that they open without a
// network too; so does the worker, which only lets the page itself do so: see sw.js.
let whole;
function others() {
  if (whole) return;
  whole = true;
  navigator.serviceWorker?.register('sw.js').catch(() => {});
  Promise.all(['call', 'chart', 'drain', 'handover', 'place'].map(part)).catch(() => { whole = false; });
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
addEventListener('resize', () => { if (Math.abs(innerWidth - width) > 20) { width = innerWidth; if (page.known) page.draw?.(); } });
// Words such as "5 min ago" age without an answer.
setInterval(() => { connection(); if (page.known) page.draw?.(); }, 15000);

document.body.prepend(patterns());
who();
unsent();
// Signing in shows the page itself. Where to sign in has to be known first.
load().catch(() => {}).then(() => issuer.back()).then(() => { if (!fragment()) route(); }, (err) => signIn(err.message));
