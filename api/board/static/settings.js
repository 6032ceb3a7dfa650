// What the ward's policy says that a page needs before anybody has signed in:
// the ward's clock, its vessels, its words for an acknowledgement, and where to
// sign in. The service serves it; nothing of it is built into the page.

import { Unreachable } from './fhir.js';

export const settings = {
  zone: Intl.DateTimeFormat().resolvedOptions().timeZone, interval: 4, fill: 50, capacity: 100, vessels: {}, actions: [], signIn: undefined,
};

let of;
/** load asks for the settings, those of a ward where one is named. */
export async function load(ward = of ?? '') {
  if (of === ward) return;
  try {
    const res = await fetch(`settings.json${ward ? `?ward=${encodeURIComponent(ward)}` : ''}`, { signal: AbortSignal.timeout?.(20000) });
    if (!res.ok) return;
    Object.assign(settings, await res.json());
  } catch {
    throw new Unreachable('The service does not answer.');
  }
  of = ward;
}
