/** How high to point an antenna. */

const EFFECTIVE_EARTH_RADIUS_M = (6_371_000 * 4) / 3; // radio bends with the air: k = 4/3 as in ITU-R P.310

/**
 * Elevation angle in degrees of what stands `height_m` above our own height, `range_m` away along the ground;
 * negative: below the horizon. tan e = (cos a - R / (R + h)) / sin a, with a the angle at the Earth's centre.
 */
export function elevation_deg(range_m, height_m) {
  const angle = range_m / EFFECTIVE_EARTH_RADIUS_M;
  const nearer = EFFECTIVE_EARTH_RADIUS_M / (EFFECTIVE_EARTH_RADIUS_M + height_m);
  return (Math.atan2(Math.cos(angle) - nearer, Math.sin(angle)) * 180) / Math.PI;
}
