// Requests to the public interface with the caller's token, and the token
// itself: where it is kept, whom it names, what it allows.

const BASE = new URL('../fhir', location.href).pathname;
const KEY = 'tidemark.token';

export const events = new EventTarget();
const tell = (name, detail) => events.dispatchEvent(new CustomEvent(name, { detail }));

/** Unreachable: no answer came. Refused: the service said no, in its words. */
export class Unreachable extends Error {}
export class Refused extends Error {
  constructor(status, body) {
    const issues = body?.issue ?? [];
    super(issues.map((i) => i.diagnostics ?? i.details?.text ?? i.code).join(' ') || `The service answered ${status}.`);
    this.status = status;
    this.issues = issues;
  }
}

let token = sessionStorage.getItem(KEY) ?? '';
let claims = read(token);
let skew = 0; // the service's clock minus this device's

function read(jwt) {
  try {
    const part = jwt.split('.')[1].replace(/-/g, '+').replace(/_/g, '/');
    return JSON.parse(new TextDecoder().decode(Uint8Array.from(atob(part), (c) => c.charCodeAt(0))));
  } catch {
    return undefined;
  }
}

export const now = () => Date.now() + skew;

// What was pasted may be a whole "export TOKEN=…" or "Authorization: Bearer …"
// line, and a terminal may have broken it.
const tidy = (text) => text.replace(/^\s*(?:export\s+)?\w+=/, '').replace(/^\s*(?:Authorization:\s*)?Bearer\s/i, '').replace(/[\s"']/g, '');

/** whose reads of a token who it names, before it is used. */
export const whose = (text) => {
  const c = read(tidy(text));
  return c?.fhirUser ?? c?.sub ?? '';
};

export const session = {
  get ready() { return Boolean(token) && !this.expired; },
  get expired() { return Boolean(claims?.exp) && claims.exp * 1000 <= now(); },
  get subject() { return claims?.fhirUser ?? claims?.sub ?? ''; },
  get ends() { return claims?.exp ? claims.exp * 1000 : undefined; },
  /** use takes a token; it answers what is wrong with it, or nothing. */
  use(text, person) {
    const wrong = this.renew(text, person);
    if (!wrong) tell('signed-in');
    return wrong;
  },
  /** renew is use for a session that goes on. */
  renew(text, person) {
    const t = tidy(text), c = read(t);
    if (!c) return 'This is not a token: it has three parts with dots between them.';
    if (c.exp && c.exp * 1000 <= now()) return 'This token has expired already. Ask for a new one.';
    [token, claims] = [t, c];
    if (person && !c.fhirUser) claims.fhirUser = person;
    try { sessionStorage.setItem(KEY, t); } catch { /* it then lasts as long as the page */ }
    return undefined;
  },
  leave() {
    [token, claims] = ['', undefined];
    sessionStorage.removeItem(KEY);
    tell('sign-in', { why: '' });
  },
  /** may looks into the scopes, to offer only what has a chance; the service decides. */
  may(action, type, coded) {
    return (claims?.scope ?? '').split(' ').some((word) => {
      const m = /^(?:patient|user|system)\/(\*|[A-Z]\w*)\.(\*|read|write|[cruds]+)(?:\?(.*))?$/.exec(word);
      if (!m || (m[1] !== '*' && m[1] !== type)) return false;
      const does = { '*': 'cruds', read: 'rs', write: 'cud' }[m[2]] ?? m[2];
      return does.includes(action) && (!m[3] || !coded || decodeURIComponent(m[3]).includes(`|${coded}`));
    });
  },
};

// A number keeps the digits it was written with (1.50 stays 1.50), both ways,
// where the browser can: all of today's can.
const exact = typeof JSON.rawJSON === 'function';
const keepDigits = exact
  ? (_, v, context) => (typeof v === 'number' && String(v) !== context?.source ? JSON.rawJSON(context.source) : v)
  : undefined;
export const rawNumber = (text) => (exact ? JSON.rawJSON(text) : Number(text));
/**
 * call sends one request. Options: method, body (a resource), headers, exact
 * (numbers keep their digits), blob (the answer is a file).
 */
export async function call(path, { method = 'GET', body, headers = {}, exact: digits = false, blob = false } = {}) {
  if (!token) {
    tell('sign-in', { why: '' });
    throw new Refused(401, { issue: [{ diagnostics: 'Sign in first.' }] });
  }
  const h = { Authorization: `Bearer ${token}`, Accept: blob ? '*/*' : 'application/fhir+json', ...headers };
  if (body) h['Content-Type'] = 'application/fhir+json';
  let res, text;
  try {
    res = await fetch(path.startsWith('/') ? path : path ? `${BASE}/${path}` : BASE, {
      method, headers: h, body: body && JSON.stringify(body), cache: 'no-store', credentials: 'omit',
      signal: AbortSignal.timeout?.(20000),
    });
    text = blob && res.ok ? await res.blob() : await res.text();
  } catch {
    throw new Unreachable('The service does not answer.');
  }
  const date = Date.parse(res.headers.get('Date') ?? '');
  // The header has whole seconds; smaller differences are not worth a jump.
  if (date && Math.abs(date - now()) > 2000) skew = date - Date.now();
  if (blob && res.ok) return text;
  let json;
  try { json = text ? JSON.parse(text, digits ? keepDigits : undefined) : undefined; } catch { /* a proxy's page, told by its status */ }
  if (res.status === 401) {
    tell('sign-in', { why: json?.issue?.[0]?.diagnostics ?? 'The token is no longer good.' });
    throw new Refused(401, json);
  }
  if (res.status === 502 || res.status === 503 || res.status === 504) throw new Unreachable('The service is not ready.');
  if (!res.ok) throw new Refused(res.status, json);
  if (json === undefined && text) throw new Unreachable('What answers is not the service.');
  return { status: res.status, resource: json, etag: res.headers.get('ETag') };
}

/** batch asks several questions in one request; each gets a resource or a Refused. */
export async function batch(paths) {
  if (!paths.length) return [];
  const entry = paths.map((url) => ({ request: { method: 'GET', url } }));
  const { resource } = await call('', { method: 'POST', body: { resourceType: 'Bundle', type: 'batch', entry } });
  return (resource.entry ?? []).map((e) => {
    const status = parseInt(e.response.status, 10);
    return status < 300 ? e.resource : new Refused(status, e.response.outcome);
  });
}

/** pages follows a search to its end. */
export async function pages(bundle) {
  const list = entries(bundle);
  for (let next = bundle; (next = next.link?.find((l) => l.relation === 'next')); ) {
    const url = new URL(next.url);
    next = (await call(url.pathname.slice(url.pathname.indexOf('/fhir') + 6) + url.search)).resource;
    list.push(...entries(next));
  }
  return list;
}

export const entries = (bundle) => (bundle?.entry ?? []).map((e) => e.resource).filter(Boolean);

/** uuid works without a secure context too, as on a ward's plain http. */
export function uuid() {
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 15) | 64;
  b[8] = (b[8] & 63) | 128;
  const x = [...b].map((n) => n.toString(16).padStart(2, '0')).join('');
  return `${x.slice(0, 8)}-${x.slice(8, 12)}-${x.slice(12, 16)}-${x.slice(16, 20)}-${x.slice(20)}`;
}
