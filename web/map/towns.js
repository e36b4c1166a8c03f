/** The nearest town of the world that the program carries, for words; its parts are asked for when needed. */

import * as L from 'leaflet';

const NEAR_M = 40_000;
const NEAR_DEG = 0.4;
const KEPT = 12; // parts

/**
 * @param {ReturnType<typeof import('./vector/engine.js').createEngine>} engine
 * @param {{key: string, max_zoom: number}} world
 */
export function createTowns(engine, world) {
  /** @type {Map<string, {name: string, at: L.LatLng}[]>} */
  const parts = new Map();
  const z = world.max_zoom;
  const size = 2 ** z;

  function tileAt(lat, lon) {
    const sine = Math.sin((Math.max(Math.min(lat, 85), -85) * Math.PI) / 180);
    const y = Math.floor((0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI)) * size);
    const x = Math.floor(((lon + 180) / 360) * size);
    return [((x % size) + size) % size, Math.min(Math.max(y, 0), size - 1)];
  }

  function townsOf(x, y) {
    const key = `${x} ${y}`;
    let rows = parts.get(key);
    if (rows === undefined) {
      rows = [];
      parts.set(key, rows);
      if (parts.size > KEPT) parts.delete(/** @type {string} */ (parts.keys().next().value));
      engine.towns({ key: world.key, z, x, y }, ({ towns }) => {
        if (towns === null) parts.delete(key); // asked again another time
        for (const [name, lat, lon] of towns ?? []) rows?.push({ name, at: L.latLng(lat, lon) });
      });
    }
    return rows;
  }

  return {
    /** The nearest town within 40 km, or null while none is known. */
    nearest(latitude_deg, longitude_deg) {
      const here = L.latLng(latitude_deg, longitude_deg);
      const wide = NEAR_DEG / Math.max(Math.cos((latitude_deg * Math.PI) / 180), 0.1);
      const corners = [-1, 1].flatMap((a) => [-1, 1].map((b) => tileAt(latitude_deg + a * NEAR_DEG, longitude_deg + b * wide)));
      const asked = new Map(corners.map(([x, y]) => [`${x} ${y}`, [x, y]]));
      let best = null;
      for (const [x, y] of asked.values()) {
        for (const { name, at } of townsOf(x, y)) {
          if (Math.abs(at.lat - here.lat) > NEAR_DEG) continue;
          const range_m = here.distanceTo(at);
          if (range_m < NEAR_M && (best === null || range_m < best.range_m)) best = { name, at, range_m };
        }
      }
      return best;
    },
  };
}
