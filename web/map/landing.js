/** Where it will come down: the ring, the 50 % and 90 % areas, the predicted way with its times. */

import * as L from 'leaflet';
import { el, setAttribute, setText, svg } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { drawn } from 'leeward/map/around.js';
import { landingSymbol, marker, place } from 'leeward/map/symbols.js';
import { isOld } from 'leeward/fresh.js';
import { landsWords } from 'leeward/words/landing.js';
import { clockTime } from 'leeward/words.js';

const TIMES_MIN = [1, 2, 5, 10, 20, 30, 60];
const MOST_TIMES = 6;
const ROOM_PX = 36;
const LABEL_PX = 120;

/** The renderer that all landings share. */
export function landingRenderer() {
  return L.svg({ pane: 'landing', padding: 0.3 });
}

/** @param {number} number of the flight, from 0 */
export function createLanding(map, renderer, number) {
  const shape = { renderer, interactive: false };
  const outer = L.polygon([], { ...shape, className: 'area area-90' }).addTo(map);
  const inner = L.polygon([], { ...shape, className: 'area area-50' }).addTo(map);
  const way = L.polyline([], { ...shape, className: 'predicted', fill: false }).addTo(map);
  const label = el('span', { class: 'mark-label landing-label' });
  const ring = marker({ node: landingSymbol(number), size: 34, label, front: 500 });
  const times = L.layerGroup().addTo(map);
  hatch(renderer);

  return {
    /** What grows old while nothing is heard: the label's words, and the times along the way. */
    age(flight, state, name, now_s) {
      const { landing } = flight;
      if (landing === null) return;
      setText(label, `${name} ${landsWords(landing, now_s)}`.trim());
      const known = landing.basis === 'landed fix' || flight.phase === 'landed';
      const stale = !known && (isOld({ ...state, ...flight }, landing.as_of, now_s) || (seconds(landing.time) ?? 0) < now_s);
      setAttribute(label.parentElement, 'data-stale', String(stale));
      times.eachLayer((stamp) => {
        if (/** @type {any} */ (stamp).at_s < now_s) times.removeLayer(stamp);
      });
    },

    /**
     * @param {import('../types.js').Landing | null} landing
     * @param {string} name of the flight, "" where it is the only one
     * @param {boolean} chosen
     * @param {boolean} searched its areas are those of the search
     */
    draw(landing, name, chosen, searched) {
      times.clearLayers();
      for (const line of [outer, inner, way]) line.getElement()?.classList.toggle('other-flight', !chosen);
      if (landing === null) {
        ring.remove();
        for (const line of [outer, inner, way]) line.setLatLngs([]);
        return;
      }
      outer.setLatLngs(searched ? [] : ringOf(landing.search_area?.p90));
      inner.setLatLngs(searched ? [] : ringOf(landing.search_area?.p50));
      way.setLatLngs(landing.path.map(([, lat, lon]) => L.latLng(lat, drawn(lon))));
      place(map, ring, landing.latitude_deg, landing.longitude_deg);
      ring.setZIndexOffset(chosen ? 500 : 400);
      Object.assign(ring, { rank: chosen ? 1100 : 500, about: { kind: 'landing', flight: number } }); // of its label
      for (const stamp of chosen ? stamps(landing.path, map) : []) stamp.addTo(times);
    },
  };
}

/** Marks along the predicted way at round minutes, where there is room for them. */
function stamps(path, map) {
  if (path.length < 2) return [];
  const start_s = seconds(path[0][0]);
  const span_min = (seconds(path.at(-1)[0]) - start_s) / 60;
  const step_s = 60 * (TIMES_MIN.find((each) => span_min / each <= MOST_TIMES) ?? 120);
  const pixel = ([, lat, lon]) => map.latLngToLayerPoint([lat, drawn(lon)]);
  const taken = [pixel(path[0]), pixel(path.at(-1))];
  const labelled = [...taken]; // the payload and the ring have wide labels at their right
  const marks = [];
  for (let n = 1; n < path.length - 1; n += 1) {
    const here_s = seconds(path[n][0]);
    if (Math.floor(here_s / step_s) === Math.floor(seconds(path[n - 1][0]) / step_s)) continue;
    const at = pixel(path[n]);
    if (taken.some((other) => other.distanceTo(at) < ROOM_PX)) continue;
    if (labelled.some((other) => isBeside(at, other))) continue;
    taken.push(at);
    const label = el('span', { class: 'mark-label stamp', text: clockTime(here_s) });
    const mark = marker({ node: el('span', { class: 'stamp-dot' }), size: 9, label });
    marks.push(Object.assign(mark.setLatLng([path[n][1], drawn(path[n][2])]), { at_s: here_s }));
  }
  return marks;
}

function isBeside(at, { x, y }) {
  return Math.abs(at.y - y) < 22 && at.x > x - LABEL_PX / 2 && at.x < x + LABEL_PX;
}

function ringOf(polygon) {
  return polygon?.coordinates[0].map(([lon, lat]) => [lat, drawn(lon)]) ?? [];
}

/** The light hatching of the 50 % area. */
function hatch(renderer) {
  if (renderer._container.querySelector('#hatch') !== null) return;
  const lines = svg('path', { d: 'M0 8 8 0', class: 'hatch-line' });
  const size = { width: 8, height: 8, patternUnits: 'userSpaceOnUse' };
  renderer._container.prepend(svg('defs', {}, svg('pattern', { id: 'hatch', ...size }, lines)));
}
