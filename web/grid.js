/**
 * Places by grid: UTM and MGRS on WGS 84 (NGA.SIG.0012, NGA.STND.0037), and Maidenhead locators.
 * Krüger's series as Karney 2011 gives it (J. Geodesy 85, 475): to a millimetre within a zone.
 */

const A_M = 6_378_137;
const F = 1 / 298.257_223_563;
const N = F / (2 - F);
const E = Math.sqrt(F * (2 - F));
const RADIUS_M = (A_M / (1 + N)) * (1 + N ** 2 / 4 + N ** 4 / 64); // of the rectifying sphere
const K0 = 0.9996;
const EAST_M = 500_000;
const SOUTH_M = 10_000_000;
const ALPHA = [
  N / 2 - (2 / 3) * N ** 2 + (5 / 16) * N ** 3 + (41 / 180) * N ** 4,
  (13 / 48) * N ** 2 - (3 / 5) * N ** 3 + (557 / 1440) * N ** 4,
  (61 / 240) * N ** 3 - (103 / 140) * N ** 4,
  (49561 / 161280) * N ** 4,
];
const RAD = Math.PI / 180;
const BANDS = 'CDEFGHJKLMNPQRSTUVWXX';
const ROWS = 'ABCDEFGHJKLMNPQRSTUV';
const COLUMNS = ['ABCDEFGH', 'JKLMNPQR', 'STUVWXYZ'];
const SQUARE_M = 100_000;

/** Zone and metres, or null beyond 84° N and 80° S, where the grid is another (UPS). */
export function utm(latitude_deg, longitude_deg) {
  if (latitude_deg < -80 || latitude_deg > 84) return null;
  const band = BANDS[Math.floor((latitude_deg + 80) / 8)];
  const zone = zoneOf(latitude_deg, longitude_deg, band);
  const lat = latitude_deg * RAD;
  const turn = (((longitude_deg - (zone * 6 - 183) + 540) % 360) - 180) * RAD;
  const sine = Math.sin(lat);
  const tau = Math.sinh(Math.atanh(sine) - E * Math.atanh(E * sine)); // of the conformal latitude
  const xi = Math.atan2(tau, Math.cos(turn));
  const eta = Math.asinh(Math.sin(turn) / Math.hypot(tau, Math.cos(turn)));
  let north = xi;
  let east = eta;
  ALPHA.forEach((part, n) => {
    const times = 2 * (n + 1);
    north += part * Math.sin(times * xi) * Math.cosh(times * eta);
    east += part * Math.cos(times * xi) * Math.sinh(times * eta);
  });
  return {
    zone,
    band,
    easting_m: EAST_M + K0 * RADIUS_M * east,
    northing_m: (latitude_deg < 0 ? SOUTH_M : 0) + K0 * RADIUS_M * north,
  };
}

/** 31 to 37 are of other widths at Norway's coast and Svalbard. */
function zoneOf(latitude_deg, longitude_deg, band) {
  const longitude = longitude_deg === 180 ? -180 : longitude_deg;
  if (band === 'V' && longitude >= 3 && longitude < 12) return 32;
  if (band === 'X' && longitude >= 0 && longitude < 42) {
    return longitude < 9 ? 31 : longitude < 21 ? 33 : longitude < 33 ? 35 : 37;
  }
  return Math.floor((longitude + 180) / 6) + 1;
}

/** `14S NH 85321 92113`: the metre square that holds the place; null near the poles. */
export function mgrs(latitude_deg, longitude_deg) {
  const place = utm(latitude_deg, longitude_deg);
  if (place === null) return null;
  const { zone, band, easting_m, northing_m } = place;
  const column = COLUMNS[(zone - 1) % 3][Math.floor(easting_m / SQUARE_M) - 1];
  const row = ROWS[(Math.floor(northing_m / SQUARE_M) + (zone % 2 === 0 ? 5 : 0)) % 20];
  // cut off, not rounded: a square is named by its corner
  const digits = (m) => String(Math.floor(m % SQUARE_M)).padStart(5, '0');
  return `${zone}${band} ${column}${row} ${digits(easting_m)} ${digits(northing_m)}`;
}

/** `14S 585321 m E 4192113 m N` */
export function utmText(latitude_deg, longitude_deg) {
  const place = utm(latitude_deg, longitude_deg);
  if (place === null) return null;
  const { zone, band, easting_m, northing_m } = place;
  return `${zone}${band} ${Math.round(easting_m)}\u00a0m\u00a0E ${Math.round(northing_m)}\u00a0m\u00a0N`;
}

/** `EM18hb05`: IARU's locator of eight signs, about 0.5 km by 0.9 km. */
export function locator(latitude_deg, longitude_deg) {
  // whole parts of the smallest square, so that no step loses a digit: 240 to a degree at most
  const parts = (value, perDegree, most) =>
    Math.min(Math.floor(value * perDegree + 1e-9), most * perDegree - 1);
  let east = parts(longitude_deg + 180, 120, 360);
  let north = parts(latitude_deg + 90, 240, 180);
  const signs = [];
  for (const [count, first] of /** @type {[number, string][]} */ ([[10, '0'], [24, 'a'], [10, '0'], [18, 'A']])) {
    const sign = (value) => String.fromCharCode(first.charCodeAt(0) + (value % count));
    signs.unshift(sign(east) + sign(north));
    east = Math.floor(east / count);
    north = Math.floor(north / count);
  }
  return signs.join('');
}

/**
 * RFC 5870, with the 90 % radius as its uncertainty.
 * @param {number} latitude_deg @param {number} longitude_deg @param {number | null} radius_m
 */
export function geoAddress(latitude_deg, longitude_deg, radius_m = null) {
  const doubt = radius_m === null ? '' : `;u=${Math.round(radius_m)}`;
  return `geo:${latitude_deg.toFixed(6)},${longitude_deg.toFixed(6)}${doubt}`;
}
