// Entries that were made and are not yet known to be stored. Each has an
// identifier of its own and is sent as a conditional create, so that sending
// it again, by a second tap, a second page or after a lost answer, finds the
// entry instead of making another. They outlast the page and the token.

import { call, events, rawNumber, Refused, session, Unreachable } from './fhir.js';

const KEY = 'tidemark.unsent', SENT = 'tidemark.sent';
export const IDENTIFIER = 'urn:ietf:rfc:3986';

let list = load(KEY);
let kept = true; // whether the device keeps entries over a reload
let running = false, timer, wait = 0;

export const outbox = {
  get list() { return list; },
  get waiting() { return list.filter((e) => e.state !== 'refused'); },
  get kept() { return kept; },
  find: (id) => list.find((e) => e.id === id),
  /** sent gives the ids of what this device charted, the newest first. */
  sent: () => load(SENT),
  /** add queues an entry; the same id twice is one entry. */
  add(entry) {
    if (kept) list = load(KEY);
    const before = list.find((e) => e.id === entry.id);
    if (before && before.state !== 'refused') return;
    list = [...list.filter((e) => e !== before), { ...entry, by: session.subject, state: 'waiting', made: Date.now() }];
    save();
    if (!session.ready) events.dispatchEvent(new CustomEvent('sign-in', { detail: { why: 'The token has expired. Paste a new one; your entry is kept on this device and then sent.' } }));
    flush();
  },
  discard(id) {
    list = load(KEY).filter((e) => e.id !== id);
    save();
  },
  flush,
};

function load(key) {
  try { return JSON.parse(localStorage.getItem(key) ?? '[]'); } catch { return []; }
}

function save() {
  try { localStorage.setItem(KEY, JSON.stringify(list)); kept = true; } catch { kept = false; }
  events.dispatchEvent(new CustomEvent('outbox'));
}

function change(id, what) {
  list = list.map((e) => (e.id === id ? { ...e, ...what } : e));
  save();
}

/** flush sends what waits, one after the other, in one page at a time. */
async function flush() {
  if (running || !session.ready) return;
  running = true;
  clearTimeout(timer);
  const work = async () => {
    if (kept) list = load(KEY); // another page may have sent some
    for (const e of [...list]) {
      // What another person charted waits for that person: it must not go out under a wrong name.
      if (e.state === 'refused' || e.by !== session.subject) continue;
      if (!(await send(e))) return false;
    }
    return true;
  };
  const done = await (navigator.locks ? navigator.locks.request('tidemark.outbox', work) : work()).catch(() => false);
  running = false;
  const mine = list.some((e) => e.state !== 'refused' && e.by === session.subject);
  wait = done ? 0 : Math.min(60000, wait ? wait * 2 : 3000);
  if (mine && session.ready) timer = setTimeout(flush, wait || 50);
}

async function send(e) {
  change(e.id, { state: 'sending' });
  try {
    const { resource, status } = await call('Observation', {
      method: 'POST', body: revive(e.resource),
      headers: { 'If-None-Exist': `identifier=${IDENTIFIER}|urn:uuid:${e.id}` },
    });
    list = list.filter((x) => x.id !== e.id);
    try { localStorage.setItem(SENT, JSON.stringify([{ id: resource.id, drain: e.drain, by: e.by }, ...load(SENT)].slice(0, 50))); } catch { /* only the shortcut to correct it is lost */ }
    save();
    events.dispatchEvent(new CustomEvent('sent', { detail: { ...e, observation: resource.id, status } }));
    return true;
  } catch (x) {
    const again = x instanceof Unreachable || (x instanceof Refused && [401, 408, 429].includes(x.status)) || x.status >= 500;
    change(e.id, again ? { state: 'waiting', words: x.message } : { state: 'refused', words: x.message });
    return !again;
  }
}

// Amounts are kept as text, so that their digits survive the storage.
function revive(resource) {
  const r = structuredClone(resource);
  const amounts = [r.valueQuantity, ...(r.component ?? []).map((c) => c.valueQuantity)];
  for (const q of amounts) if (q && typeof q.value === 'string') q.value = rawNumber(q.value);
  return r;
}

addEventListener('online', () => { wait = 0; flush(); });
addEventListener('storage', (x) => { if (x.key === KEY) { list = load(KEY); events.dispatchEvent(new CustomEvent('outbox')); } });
events.addEventListener('signed-in', () => { wait = 0; flush(); });
