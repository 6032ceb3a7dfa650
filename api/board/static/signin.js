// Sign-in at the hospital's issuer: OpenID Connect, authorization code with
// PKCE, as a SMART App Launch 2 standalone launch has it. The protocol is the
// library's; here stands when it is used. A form that is open keeps what was
// typed, since it is kept in the tab (chart.js), and the page comes back to it.

import { events, session } from './fhir.js';
import { settings } from './settings.js';

let made;
const others = typeof BroadcastChannel === 'function' ? new BroadcastChannel('tidemark') : undefined;

/** offered tells whether the hospital's issuer is asked, and not for a token. */
export const offered = () => Boolean(settings.signIn);

function library() {
  return new Promise((done, failed) => {
    if (window.oidc) return done(window.oidc);
    const script = document.createElement('script');
    script.src = 'vendor/oidc-client-ts.js';
    script.onload = () => done(window.oidc);
    script.onerror = () => failed(new Error('The sign-in cannot be loaded.'));
    document.head.append(script);
    return undefined;
  });
}

async function manager() {
  if (made) return made;
  const oidc = await library(), { issuer, client, scope, fhir, resource } = settings.signIn;
  const here = new URL('./', location.href).href.split(/[?#]/)[0], store = new oidc.WebStorageStateStore({ prefix: 'tidemark.', store: sessionStorage });
  made = new oidc.UserManager({
    authority: issuer, client_id: client, scope, redirect_uri: here, post_logout_redirect_uri: here, response_type: 'code', resource,
    extraQueryParams: { aud: fhir }, userStore: store, stateStore: store, loadUserInfo: false, monitorSession: false, automaticSilentRenew: true, revokeTokensOnSignout: true,
  });
  made.events.addUserLoaded((user) => session.renew(user.access_token, user.profile?.fhirUser));
  return made;
}

/** go leads to the issuer, and back to the page that is shown now. */
export const go = async () => (await manager()).signinRedirect({ state: location.hash });

/** back takes what the issuer sent along; it answers whether somebody is signed in now. */
export async function back() {
  const query = new URLSearchParams(location.search);
  if (!offered() || !query.has('state') || !(query.has('code') || query.has('error'))) return session.ready;
  let hash = '', why;
  try {
    const user = await (await manager()).signinRedirectCallback();
    hash = user.state ?? '';
    why = session.use(user.access_token, user.profile?.fhirUser);
  } catch (err) {
    why = `The issuer did not sign you in: ${err.message}`;
  }
  history.replaceState(null, '', location.pathname + hash);
  if (why) throw new Error(why);
  return true;
}

/** renew asks for a new token without anybody's help; it answers whether there is one. */
export async function renew() {
  if (!offered()) return false;
  try {
    const m = await manager(), before = await m.getUser();
    const user = before?.refresh_token ? await m.signinSilent() : undefined;
    return Boolean(user && !session.renew(user.access_token, user.profile?.fhirUser));
  } catch {
    return false;
  }
}

/** leave ends the session here, in the other tabs and at the issuer. */
export async function leave() {
  others?.postMessage('left');
  if (!offered()) return;
  const m = await manager();
  if (await m.getUser()) await m.signoutRedirect().catch(() => m.removeUser());
}

others?.addEventListener('message', async (e) => {
  if (e.data !== 'left') return;
  if (offered()) await (await manager()).removeUser();
  events.dispatchEvent(new CustomEvent('left'));
});
