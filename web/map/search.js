/** The search on the map: areas, bearings, searched ground, where to listen and to walk, what was found. */

import * as L from 'leaflet';
import { el } from 'leeward/dom.js';
import { drawn as near } from 'leeward/map/around.js';
import { marker } from 'leeward/map/symbols.js';

const RAY_M = 25_000;
const DEGREE_M = 111_320;

export function createSearchLayer(map) {
  const group = L.layerGroup().addTo(map);
  let drawn = '';

  return {
    /** @param {import('../state.js').Search | null} search */
    show(search) {
      const text = JSON.stringify(search && { ...search, since: null, expected_now: null });
      if (text === drawn) return;
      drawn = text;
      group.clearLayers();
      if (search === null) return;
      const { result, bearings, searched, found } = search;
      const put = (layer) => layer.addTo(group);
      const line = { pane: 'landing', interactive: false };
      if (result !== null && found === null) {
        for (const [name, shape] of [['search-90', result.p90], ['search-50', result.p50]]) {
          put(L.geoJSON(/** @type {any} */ (shape), /** @type {any} */ ({ ...line, style: { className: name }, coordsToLatLng: ([lon, lat]) => L.latLng(lat, near(lon)) })));
        }
        if (result.listen !== null) {
          const { latitude_deg: lat, longitude_deg: lon, then } = result.listen;
          put(L.polyline([[lat, lon], ...then].map(([a, o]) => L.latLng(a, near(o))), { ...line, className: 'drive-listening' }));
          put(named(result.listen, 'station', 'drive here, listening'));
        }
        put(named(result.walk, 'event', 'walk here'));
        put(named({ latitude_deg: result.best_latitude_deg, longitude_deg: result.best_longitude_deg }, 'landing', 'likeliest'));
      }
      for (const { path, closed, width_m } of searched) {
        const at = path.map(([lat, lon]) => L.latLng(lat, near(lon)));
        if (at.length === 1) put(L.circle(at[0], { ...line, radius: width_m / 2, className: 'searched' }));
        else put((closed ? L.polygon(at, { ...line, className: 'searched' }) : L.polyline(at, { ...line, className: 'searched-line' })));
      }
      for (const { latitude_deg: lat, longitude_deg: lon, bearing_deg, reflected } of bearings) {
        const turn = (bearing_deg * Math.PI) / 180;
        const to = L.latLng(lat + (RAY_M / DEGREE_M) * Math.cos(turn), near(lon) + ((RAY_M / DEGREE_M) * Math.sin(turn)) / Math.cos((lat * Math.PI) / 180));
        put(L.polyline([L.latLng(lat, near(lon)), to], { ...line, className: reflected !== null && reflected > 0.5 ? 'bearing bearing-odd' : 'bearing' }));
      }
      if (found !== null) put(named(found, 'landing', 'found'));
    },
  };
}

function named({ latitude_deg, longitude_deg }, shape, text) {
  const label = el('span', { class: 'mark-label search-label', text });
  return marker({ shape, size: 18, label, front: 300 }).setLatLng(L.latLng(latitude_deg, near(longitude_deg)));
}
