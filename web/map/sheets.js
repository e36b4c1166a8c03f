/** The crew's own maps: sheets of images or vector tiles from this station or from the internet, and GeoJSON lines. */

import * as L from 'leaflet';
import { el } from 'leeward/dom.js';
import { marker } from 'leeward/map/symbols.js';
import { VectorLayer } from 'leeward/map/vector/layer.js';

const DEEPEST = 19;

/**
 * @param {import('../setup.js').Setup} setup
 * @param {{chooser: ReturnType<typeof import('./chooser.js').createChooser>,
 *   credits: ReturnType<typeof import('./credits.js').createCredits>, engine: any, names: any,
 *   vectors: Set<any>, tell: (event: 'names' | 'bad') => void}} parts
 */
export function createSheets(map, setup, parts) {
  const { chooser, credits, engine, names, vectors, tell } = parts;
  /** Drawn maps of images that are shown: names of their own stand in them. @type {Set<any>} */
  const written = new Set();
  for (const [n, sheet] of setup.tiles.entries()) {
    if (sheet.schema !== null) {
      vector(sheet, n);
      continue;
    }
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
  return {
    /** Whether a shown map of images has names of its own there. @param {L.LatLng} at */
    covered: (at) => [...written].some(({ bounds, least }) => map.getZoom() >= least && bounds.contains(at)),
  };

  /** @param {import('../setup.js').TileSheet} sheet */
  function vector({ key, name, attribution, schema, min_zoom, max_zoom, bounds }, level) {
    const address = `/tiles/${key}`;
    const source = { key, address, schema, min_zoom, max_zoom, bounds };
    const layer = new VectorLayer(engine, source, { zIndex: level + 1 }, (event) => {
      if (event === 'bad') row.note(`${layer.bad.size} of its tiles cannot be read`);
      tell(event);
    });
    const row = chooser.add(`tiles ${name}`, name, true, (shown) => {
      if (shown) {
        vectors.add(layer);
        names.include(layer, false);
        layer.addTo(map);
      } else {
        vectors.delete(layer);
        names.exclude(layer);
        layer.remove();
      }
      credits.set(`tiles ${name}`, shown ? attribution : null);
    });
  }

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
    const cover = { bounds: options.bounds ?? L.latLngBounds([-90, -180], [90, 180]), least: options.minNativeZoom ?? 0 };
    chooser.add(key, name, on, (shown) => {
      if (shown) sheet.addTo(map);
      else sheet.remove();
      credits.set(key, shown ? attribution : null);
      if (shown && !imagery) written.add(cover);
      else written.delete(cover);
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
