/**
 * Longitudes as they are drawn. A flight that crosses 180° goes on beyond it, in one piece: what is within
 * half the Earth of where the flight began is drawn on that side.
 */

/** @type {number | null} */
let middle_deg = null;

/** The longitude about which all is drawn; the first that is told stays. @param {number | null | undefined} longitude_deg */
export function drawAbout(longitude_deg) {
  if (middle_deg === null && longitude_deg !== null && longitude_deg !== undefined) middle_deg = longitude_deg;
}

/** @param {number} longitude_deg @returns {number} the same place, on the side of the Earth that is drawn */
export function drawn(longitude_deg) {
  if (middle_deg === null) return longitude_deg;
  return longitude_deg + 360 * Math.round((middle_deg - longitude_deg) / 360);
}
