/** Ground that nobody wants to land on, by the plan: crossed lines, a dashed edge, its name. */

import * as L from 'leaflet';
import { el, svg } from 'leeward/dom.js';
import { drawn } from 'leeward/map/around.js';
import { marker } from 'leeward/map/symbols.js';

const SMALLEST_PX = 40; // below that the name would hide the area

export function createAvoid(map, chooser) {
  const renderer = /** @type {any} */ (L.svg({ pane: 'avoid', padding: 0.3 }).addTo(map));
  renderer._container.prepend(crossed());
  const group = L.layerGroup();
  /** @type {{bounds: L.LatLngBounds, mark: L.Marker}[]} */
  let names = [];
  let drawn = '';
  chooser.add('avoid', 'Areas to be avoided', true, (shown) => {
    if (shown) group.addTo(map);
    else group.remove();
    label();
  });
  map.on('zoomend', label);

  function label() {
    for (const { bounds, mark } of names) {
      const [a, b] = [bounds.getNorthWest(), bounds.getSouthEast()].map((at) => map.latLngToLayerPoint(at));
      if (map.hasLayer(group) && Math.max(b.x - a.x, b.y - a.y) > SMALLEST_PX) mark.addTo(map);
      else mark.remove();
    }
  }

  return {
    /** @param {import('../state.js').AvoidArea[] | null | undefined} areas */
    draw(areas) {
      const text = JSON.stringify(areas ?? []);
      if (text === drawn) return;
      drawn = text;
      group.clearLayers();
      for (const { mark } of names) mark.remove();
      names = (areas ?? []).map(({ geometry, properties }) => {
        /** @type {any} */
        const options = { renderer, interactive: false, style: { className: 'avoid' }, coordsToLatLng: placed };
        const shape = L.geoJSON(geometry, options).addTo(group);
        const name = el('span', { class: 'avoid-label', text: `avoid: ${properties.name}` });
        const bounds = shape.getBounds();
        return { bounds, mark: marker({ node: name, size: 0, front: -800 }).setLatLng(bounds.getCenter()) };
      });
      label();
    },
  };
}

const placed = ([lon, lat]) => L.latLng(lat, drawn(lon));

function crossed() {
  const lines = svg('path', { d: 'M0 0 10 10M10 0 0 10', class: 'avoid-line' });
  const size = { width: 10, height: 10, patternUnits: 'userSpaceOnUse' };
  return svg('defs', {}, svg('pattern', { id: 'crossed', ...size }, lines));
}
