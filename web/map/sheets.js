/** The crew's own maps: sheets of tiles from this station or from the internet, and GeoJSON lines. */

import * as L from 'leaflet';
import { el } from 'leeward/dom.js';
import { marker } from 'leeward/map/symbols.js';

const DEEPEST = 19;

/**
 * @param {import('../setup.js').Setup} setup
 * @param {{add: (key: string, name: string, on: boolean, show: (on: boolean) => void) => void}} chooser
 * @param {{set: (key: string, text: string | null) => void}} credits
 */
export function createSheets(map, setup, chooser, credits) {
  for (const [n, sheet] of setup.tiles.entries()) {
    const [west, south, east, north] = sheet.bounds;
    tiles(`tiles ${sheet.name}`, sheet.name, true, `/tiles/${sheet.key}/{z}/{x}/{y}`, n, sheet, {
      minNativeZoom: sheet.min_zoom,
      maxNativeZoom: sheet.max_zoom,
      bounds: L.latLngBounds([south, west], [north, east]),
    });
  }
  if (setup.online !== null) {
    const { template, attribution, max_zoom } = setup.online;
    const look = { attribution, imagery: false };
    tiles('online', 'Map from the internet', false, template, 50, look, { maxNativeZoom: max_zoom });
  }
  for (const layer of setup.layers) lines(layer);

  function tiles(key, name, on, address, level, { attribution, imagery }, options) {
    const className = imagery ? 'sheet sheet-imagery' : 'sheet';
    const sheet = L.tileLayer(address, {
      ...options,
      maxZoom: DEEPEST,
      zIndex: level + 1,
      className,
      attribution: '', // Leaflet would read it as markup
      updateWhenZooming: false,
      keepBuffer: 1,
    });
    chooser.add(key, name, on, (shown) => {
      if (shown) sheet.addTo(map);
      else sheet.remove();
      credits.set(key, shown ? attribution : null);
    });
  }

  function lines({ key, name, attribution }) {
    let group = null;
    chooser.add(`layer ${name}`, name, true, async (shown) => {
      credits.set(`layer ${name}`, shown ? attribution : null);
      if (group === null && shown) {
        group = L.layerGroup();
        const reply = await fetch(`/layers/${key}`).catch(() => null);
        if (reply?.ok) draw(group, (await reply.json()).features);
      }
      if (shown) group.addTo(map);
      else group?.remove();
    });
  }

  function draw(group, features) {
    const renderer = L.svg({ pane: 'crew', padding: 0.3 });
    for (const { geometry, properties } of features) {
      const label = properties.name ? el('span', { class: 'mark-label', text: properties.name }) : null;
      const dot = () => marker({ node: el('span', { class: 'crew-dot' }), size: 10, label });
      /** @type {any} */
      const options = {
        renderer,
        interactive: false,
        style: { className: geometry.type.endsWith('Polygon') ? 'crew crew-area' : 'crew' },
        pointToLayer: (_, at) => dot().setLatLng(at),
      };
      L.geoJSON(geometry, options).addTo(group);
    }
  }
}
