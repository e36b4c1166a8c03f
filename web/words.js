/** The words of the page: times, ages, directions, states. */

export const PHASES = {
  unknown: 'not known yet',
  ground: 'on the ground',
  ascent: 'ascending',
  float: 'floating',
  descent: 'descending',
  landed: 'landed',
};

export const ROLES = { main: 'main', backup: 'backup', phone: 'phone' };

const POINTS = 'N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW'.split(' ');
const NB = '\u00a0'; // a figure is never parted from its unit

/** `8 s`, `4 min`, `2 h 05 min`. */
export function duration(s) {
  const whole = Math.max(Math.round(s), 0);
  if (whole < 90) return `${whole}${NB}s`;
  const minutes = Math.round(whole / 60);
  if (minutes < 90) return `${minutes}${NB}min`;
  return `${Math.floor(minutes / 60)}${NB}h${NB}${String(minutes % 60).padStart(2, '0')}${NB}min`;
}

/** `8 s ago`, or `never`. */
export function ago(then_s, now_s) {
  return then_s === null || now_s === null ? 'never' : `${duration(now_s - then_s)} ago`;
}

/** `prediction 4 min old`. @param {string} what @param {number | null} then_s @param {number} now_s */
export const aged = (what, then_s, now_s) => `${what} ${duration(now_s - (then_s ?? now_s))} old`;

const local = new Intl.DateTimeFormat('en-GB', { hour: '2-digit', minute: '2-digit' });
const localSeconds = new Intl.DateTimeFormat('en-GB', { timeStyle: 'medium' });
const named = new Intl.DateTimeFormat('en-US', { timeZoneName: 'short' });

/** `16:42` in this machine's zone. */
export const clockTime = (s) => local.format(s * 1000);
/** `16:42:10` in this machine's zone. */
export const clockTimeSeconds = (s) => localSeconds.format(s * 1000);
/** `21:42 UTC`. */
export const utcTime = (s) => `${new Date(s * 1000).toISOString().slice(11, 16)}${NB}UTC`;
/** `21:42:10 UTC`. */
export const utcTimeSeconds = (s) => `${new Date(s * 1000).toISOString().slice(11, 19)}${NB}UTC`;

/** The zone's short name on that day, such as `CDT`. */
export function zone(s) {
  const part = named.formatToParts(s * 1000).find(({ type }) => type === 'timeZoneName');
  return part?.value ?? 'local';
}

export const isUtc = (s) => zone(s) === 'UTC';

/** `NW` */
export const compass = (deg) => POINTS[Math.round(((deg % 360) + 360) / 22.5) % 16];
/** `312°` */
export const bearing = (deg) => `${String(((Math.round(deg) % 360) + 360) % 360).padStart(3, '0')}°`;

/** `37.94875, -97.94475`: RFC 5870 order, which map programs take too. */
export function decimalDegrees(lat, lon, radius_m = 0) {
  const [, digits] = finenessOf(radius_m);
  return `${lat.toFixed(digits)}, ${lon.toFixed(digits)}`;
}

/** A place that is known to kilometres is not written to a metre: decimals of minutes and of degrees. */
const finenessOf = (radius_m) => FINENESS.find(([from_m]) => (radius_m ?? 0) >= from_m)?.slice(1) ?? [3, 5];
const FINENESS = [[10_000, 0, 2], [1_000, 1, 3]]; // half a digit is at most a tenth of the radius

/** `37° 56.925′ N  97° 56.685′ W` */
export function degreesMinutes(lat, lon, radius_m = 0) {
  const [digits] = finenessOf(radius_m);
  return `${minutesOf(lat, 'N', 'S', digits)}  ${minutesOf(lon, 'E', 'W', digits)}`;
}

function minutesOf(value, positive, negative, digits) {
  const parts = 60 * 10 ** digits;
  const whole = Math.round(Math.abs(value) * parts); // rounded first: never 60.000 minutes
  const minutes = ((whole % parts) / 10 ** digits).toFixed(digits).padStart(digits === 0 ? 2 : 3 + digits, '0');
  return `${Math.floor(whole / parts)}°${NB}${minutes}′${NB}${value < 0 ? negative : positive}`;
}

export function plural(count, one, many = `${one}s`) {
  return `${count.toLocaleString('en-US')}${NB}${count === 1 ? one : many}`;
}

export const sentenceCase = (text) => text.slice(0, 1).toUpperCase() + text.slice(1).replaceAll('_', ' ');
