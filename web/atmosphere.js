/**
 * U.S. Standard Atmosphere 1976 to 47 km of geometric altitude: what a sensor would say on a
 * standard day, to be shown beside what it does say.
 */

const G0_MS2 = 9.80665;
const GAS_J_KG_K = 287.05287; // of dry air
const EARTH_M = 6_356_766;
const SEA_HPA = 1013.25;
// geopotential altitude (m), temperature there (K), lapse rate above (K/m): table 4
const LAYERS = [
  [0, 288.15, -0.0065],
  [11_000, 216.65, 0],
  [20_000, 216.65, 0.001],
  [32_000, 228.65, 0.0028],
];
const TOP_M = 47_000;

/** @returns {{temperature_C: number, pressure_hPa: number} | null} null outside −1 to 47 km */
export function standardAt(altitude_m) {
  if (altitude_m === null || altitude_m < -1000 || altitude_m > TOP_M) return null;
  const h_m = (EARTH_M * altitude_m) / (EARTH_M + altitude_m);
  let pressure_hPa = SEA_HPA;
  for (const [n, [base_m, base_K, lapse]] of LAYERS.entries()) {
    const next_m = LAYERS[n + 1]?.[0] ?? Infinity;
    const up_m = Math.min(h_m, next_m) - base_m;
    const temperature_K = base_K + lapse * up_m;
    pressure_hPa *=
      lapse === 0
        ? Math.exp((-G0_MS2 * up_m) / (GAS_J_KG_K * base_K))
        : (temperature_K / base_K) ** (-G0_MS2 / (GAS_J_KG_K * lapse));
    if (h_m <= next_m) return { temperature_C: temperature_K - 273.15, pressure_hPa };
  }
  return null;
}

/** What a standard day has for such a sensor, in the sensor's own unit; null where it has none. */
export function standardFor(quantity, unit, altitude_m) {
  const standard = standardAt(altitude_m);
  if (standard === null) return null;
  if (unit === 'degC') return /inside/i.test(quantity) ? null : standard.temperature_C;
  if (unit === 'hPa') return standard.pressure_hPa;
  if (unit === 'Pa') return standard.pressure_hPa * 100;
  return null;
}
