/** Each tracker's own fixes, when asked for: filled when used, hollow with the reason when not. */

import * as L from 'leaflet';
import { el } from 'leeward/dom.js';
import { drawn } from 'leeward/map/around.js';
import { rejectionWords } from 'leeward/words/tracker.js';
import { clockTimeSeconds, zone } from 'leeward/words.js';

const MOST = 1500; // older fixes are thinned beyond this

export function createFixes(map, store, units) {
  const renderer = L.canvas({ pane: 'fixes', padding: 0.3, tolerance: 6 });
  /** @type {Map<string, {group: L.LayerGroup, count: number, last: any}>} */
  const shown = new Map();

  function draw(name, layer, whole) {
    const rows = store.history.fixes[name] ?? [];
    const grown = layer.count > 0 && rows[layer.count - 1] === layer.last && rows.length < MOST;
    const start = grown && !whole ? layer.count : 0;
    if (start === rows.length) return;
    if (start === 0) layer.group.clearLayers();
    const ink = getComputedStyle(document.documentElement).getPropertyValue('--ink').trim();
    const every = Math.ceil(rows.length / MOST);
    rows.forEach((row, n) => {
      if (n >= start && (n % every === 0 || !row[4])) dot(name, row, ink).addTo(layer.group);
    });
    Object.assign(layer, { count: rows.length, last: rows.at(-1) });
  }

  function dot(name, row, ink) {
    const [, lat, lon, , accepted] = row;
    const look = accepted
      ? { radius: 3, stroke: false, fillColor: ink, fillOpacity: 0.8 }
      : { radius: 6, color: ink, weight: 2, fillOpacity: 0 };
    return L.circleMarker([lat, drawn(lon)], { renderer, ...look }).bindTooltip(
      () => describe(name, row),
      { className: 'tip' },
    );
  }

  function describe(name, [time_s, , , altitude_m, accepted, reason]) {
    const height = altitude_m === null ? 'no altitude' : units.altitude(altitude_m);
    const when = `${clockTimeSeconds(time_s)} ${zone(time_s)}`;
    return el(
      'span',
      {},
      el('b', { text: `${name} ` }),
      `${when}, ${height}`,
      el('br'),
      accepted ? 'Used for the track.' : `Left out: ${reason === null ? 'no reason given' : rejectionWords(reason, units)}.`,
    );
  }

  return {
    isShown: (name) => shown.has(name),
    toggle(name) {
      const layer = shown.get(name);
      if (layer) {
        layer.group.remove();
        shown.delete(name);
      } else {
        const made = { group: L.layerGroup().addTo(map), count: 0, last: null };
        shown.set(name, made);
        draw(name, made, true);
      }
    },
    draw() {
      for (const [name, layer] of shown) draw(name, layer, false);
    },
    /** All again, in the colours of now. */
    repaint() {
      for (const [name, layer] of shown) draw(name, layer, true);
    },
  };
}
