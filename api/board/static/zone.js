// The ward's clock, whatever zone the device is set to.

import { settings } from './settings.js';

let made;
function parts(at) {
  if (made?.zone !== settings.zone) {
    const numeric = { year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit', second: '2-digit', hourCycle: 'h23' };
    const format = (o) => new Intl.DateTimeFormat('en-GB', { timeZone: settings.zone, ...o });
    made = { zone: settings.zone, numeric: format(numeric), day: format({ weekday: 'short', day: 'numeric', month: 'short' }), year: format({ weekday: 'short', day: 'numeric', month: 'short', year: 'numeric' }) };
  }
  return Object.fromEntries(made.numeric.formatToParts(at).map((p) => [p.type, p.value]));
}

const second = (at) => Math.floor(at / 1000) * 1000;
const offset = (at) => {
  const p = parts(at);
  return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) - second(at);
};

/** day names the ward's day of an instant, such as 2026-03-29. */
export const day = (at) => stamp(at).slice(0, 10);

/** time is the ward's time of day, such as 02:30. */
export const time = (at) => stamp(at).slice(11);

/** stamp is the ward's date and time, as an input takes it. */
export function stamp(at) {
  const p = parts(at);
  return `${p.year}-${p.month}-${p.day}T${p.hour}:${p.minute}`;
}

/** zoned is the instant with the ward's offset, as an entry carries it. */
export function zoned(at) {
  const off = Math.round(offset(at) / 60000), a = Math.abs(off), pad = (n) => String(n).padStart(2, '0');
  return `${stamp(at)}:${parts(at).second}${off < 0 ? '-' : '+'}${pad(Math.floor(a / 60))}:${pad(a % 60)}`;
}

/**
 * instants are those at which the ward's clock shows a date and time: one, two
 * in the night that the clock is put back, none in the hour that it skips.
 */
export function instants(local) {
  const wall = Date.parse(`${local.slice(0, 16)}:00Z`);
  if (!Number.isFinite(wall)) return [];
  const found = new Set([wall - 864e5, wall + 864e5].map((t) => wall - offset(t)).filter((t) => stamp(t) === local.slice(0, 16)));
  return [...found].sort((a, b) => a - b);
}

/** date names a day for people. */
export function date(at, now = at) {
  const p = parts(at);
  return (p.year === parts(now).year ? made.day : made.year).format(at).replace(',', '');
}

/** clock writes a time of day, with the date where it is not today's. */
export const clock = (at, now = Date.now()) => (day(at) === day(now) ? time(at) : `${date(at, now)}, ${time(at)}`);

/** near writes a time that is less than a day away without its date: "at 00:46" is then plain. */
export const near = (at, now) => (Math.abs(at - now) < 20 * 3600000 ? time(at) : clock(at, now));
