/** A place in words: from the nearest town that the map knows, or else from the launch. */

import { compass } from 'leeward/words.js';

const EARTH_M = 6_371_000;
const RAD = Math.PI / 180;
const NOWHERE = { latitude_deg: null, longitude_deg: null };

/** @param {import('./types.js').Context} context */
export function createWhereIs(context) {
  /** @param {{latitude_deg: number, longitude_deg: number}} place */
  return (place) => {
    const town = context.map.nearest(place.latitude_deg, place.longitude_deg);
    if (town !== null) {
      return { from: town.name, ...wayFrom(town.at.lat, town.at.lng, place.latitude_deg, place.longitude_deg) };
    }
    const { latitude_deg: lat, longitude_deg: lon } = context.store.state?.launch ?? NOWHERE;
    if (lat === null || lon === null) return { from: 'nowhere known', range_m: null, bearing_deg: null };
    return { from: 'the launch', ...wayFrom(lat, lon, place.latitude_deg, place.longitude_deg) };
  };
}

/** `11.4 km SSE of Salina`; '' where nothing near is known. @param {{from: string, range_m: number | null,
 * bearing_deg: number | null}} found as above */
export function nearWords({ from, range_m, bearing_deg }, units) {
  return range_m === null || bearing_deg === null ? '' : `${units.distance(range_m)} ${compass(bearing_deg)} of ${from}`;
}

/** On a sphere: near enough for words. */
export function wayFrom(lat1, lon1, lat2, lon2) {
  const turn = (lon2 - lon1) * RAD;
  const [a, b] = [lat1 * RAD, lat2 * RAD];
  const half = Math.sin((b - a) / 2) ** 2 + Math.cos(a) * Math.cos(b) * Math.sin(turn / 2) ** 2;
  const east = Math.sin(turn) * Math.cos(b);
  const north = Math.cos(a) * Math.sin(b) - Math.sin(a) * Math.cos(b) * Math.cos(turn);
  return {
    range_m: 2 * EARTH_M * Math.asin(Math.sqrt(half)),
    bearing_deg: Math.atan2(east, north) / RAD,
  };
}
