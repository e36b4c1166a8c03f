/** What lies under a touch: a mark of the flight, a name, a road of a vector map, or nothing. */

import * as L from 'leaflet';
import { shownNames } from 'leeward/map/names.js';

const MARK_PX = 24;
const ROAD_PX = 14;

/** @typedef {{kind: string, name?: string, flight?: number, time?: string, at?: L.LatLng, text?: string,
 *   population?: number, road?: {type: string, name: string, number: string}}} Picked */

/**
 * @param {any} engine of vector maps
 * @param {() => Iterable<any>} sheets vector maps that are shown
 * @param {L.LatLng} at
 * @returns {Promise<Picked | null>}
 */
export async function picked(map, engine, sheets, at) {
  const point = map.latLngToContainerPoint(at);
  return markAt(map, point) ?? (await roadAt(map, engine, sheets, at)) ?? nameAt(map, point);
}

function markAt(map, point) {
  /** @type {{off_px: number, front: number, about: Picked} | null} */
  let best = null;
  map.eachLayer((layer) => {
    if (layer.about === undefined) return;
    const off_px = onLabel(map, layer.label, point) ? 0 : map.latLngToContainerPoint(layer.getLatLng()).distanceTo(point);
    const front = layer.options.zIndexOffset;
    const nearer = best === null || off_px - best.off_px < -6 || (off_px - best.off_px < 6 && front > best.front);
    if (off_px <= Math.max(MARK_PX, layer.half) && nearer) best = { off_px, front, about: layer.about };
  });
  return /** @type {any} */ (best)?.about ?? null;
}

function onLabel(map, label, { x, y }) {
  if (!label || label.dataset.side === 'none' || label.textContent === '') return false;
  const { left, top } = map.getContainer().getBoundingClientRect();
  const box = label.getBoundingClientRect();
  return x + left >= box.left && x + left <= box.right && y + top >= box.top && y + top <= box.bottom;
}

function nameAt(map, { x, y }) {
  const names = shownNames(map.getContainer());
  const found = names.find(({ box }) => x >= box.left && x <= box.right && y >= box.top && y <= box.bottom);
  if (found === undefined) return null;
  const { text, kind, population, at } = found;
  return { kind: 'named', text, name: kind, population, at: map.layerPointToLatLng(at) };
}

async function roadAt(map, engine, sheets, at) {
  const zoom = map.getZoom();
  const { x, y } = map.project(at, zoom);
  for (const { source, z } of [...sheets()].map((layer) => layer.identity()).reverse()) {
    const side_px = 256 * 2 ** (zoom - z);
    const asked = { key: source.key, z, x: x / side_px, y: y / side_px, within: ROAD_PX / side_px };
    const { road } = await new Promise((done) => engine.identify(asked, done));
    if (road) return { kind: 'road', road, at };
  }
  return null;
}
