/**
 * Colour by altitude in cividis (Nuñez, Anderton and Renslow 2018, PLOS ONE 13(7) e0199239), which
 * reads the same with and without colour vision. Polynomials fitted to the published table.
 */

const RED = [-4.54, -35.34, 2381.73, -6402.7, 7024.72, -2710.57];
const GREEN = [32.49, 170.73, 52.82, -131.46, 176.58, -67.37];
const BLUE = [81.24, 442.36, -2482.43, 6167.24, -6614.94, 2475.67];

/** @param {number} part 0 (dark blue) to 1 (yellow) @returns {[number, number, number]} 0 to 255 */
export function cividis(part) {
  const t = Math.min(Math.max(part, 0), 1);
  const channel = (terms) => {
    const value = terms.reduceRight((sum, term) => sum * t + term, 0);
    return Math.round(Math.min(Math.max(value, 0), 255));
  };
  return [channel(RED), channel(GREEN), channel(BLUE)];
}

export const BAND_M = 1000; // one colour for each kilometre of altitude
const TOP_M = 36_000;

/** The colour of a band; the ends of the scale that vanish on the ground are left out. */
export function altitudeColour(altitude_m, palette) {
  const part = Math.min(Math.max(altitude_m ?? 0, 0), TOP_M) / TOP_M;
  const [r, g, b] = cividis(palette === 'night' ? 1 - 0.58 * part : 0.88 * part);
  return `rgb(${r}, ${g}, ${b})`;
}
