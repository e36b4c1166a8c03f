/** What lies under the flight: the carried world, the crew's own maps, and the names of both. */

import { createSheets } from 'leeward/map/sheets.js';
import { createEngine } from 'leeward/map/vector/engine.js';
import { createWorld, mapColours } from 'leeward/map/world.js';
import { readSetup } from 'leeward/setup.js';

/**
 * @param {any} map
 * @param {{names: any, labels: {place: () => void}, credits: any, chooser: any}} parts
 *   `labels` are placed anew when the names that are known change; `chooser`: what the reader switches
 */
export function createGround(map, { names, labels, credits, chooser }) {
  const engine = createEngine();
  engine.dress(mapColours());
  /** Vector maps that are shown. @type {Set<any>} */
  const vectors = new Set();
  /** @type {(lat: number, lon: number) => {name: string, at: L.LatLng, range_m: number} | null} */
  let nearest = () => null;
  let placing = false;

  readSetup().then((setup) => {
    const tell = (event) => event === 'names' && placeSoon();
    if (setup.world !== null) {
      const world = createWorld(map, engine, setup.world, tell);
      nearest = world.nearest;
      vectors.add(world.layer);
      names.include(world.layer, true);
      credits.set('ground', setup.world.attribution);
    }
    const sheets = createSheets(map, setup, { chooser, credits, engine, names, vectors, tell });
    names.leaveTo(sheets.covered);
  });

  /** Once for all that becomes known before the next frame. */
  function placeSoon() {
    if (placing) return;
    placing = true;
    requestAnimationFrame(() => {
      placing = false;
      labels.place();
    });
  }

  return {
    engine,
    vectors,
    /** The nearest town that the world knows. @param {number} lat @param {number} lon */
    nearest: (lat, lon) => nearest(lat, lon),
    /** All of it again, in the colours of now. */
    repaint() {
      engine.dress(mapColours());
      for (const layer of vectors) layer.repaint();
      names.repaint();
    },
  };
}
