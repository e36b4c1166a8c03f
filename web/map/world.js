/** The whole Earth as the program carries it: what lies under everything, so that no place is blank. */

import { createTowns } from 'leeward/map/towns.js';
import { COLOURS } from 'leeward/map/vector/style.js';
import { VectorLayer } from 'leeward/map/vector/layer.js';

const WHOLE = /** @type {[number, number, number, number]} */ ([-180, -85.06, 180, 85.06]);

/** The colours of vector maps in the palette of now. */
export function mapColours() {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(COLOURS.map((name) => [name, style.getPropertyValue(`--map-${name}`).trim()]));
}

/**
 * @param {any} engine @param {import('../setup.js').World} world
 * @param {(event: 'names' | 'bad') => void} tell
 */
export function createWorld(map, engine, world, tell) {
  const { key, min_zoom, max_zoom } = world;
  const source = { key, address: `/tiles/${key}`, schema: 'world', min_zoom, max_zoom, bounds: WHOLE };
  const layer = new VectorLayer(engine, source, { pane: 'ground' }, tell).addTo(map);
  return { layer, nearest: createTowns(engine, world).nearest };
}
