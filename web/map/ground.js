/**
 * What lies under everything: a grid with its degrees, county and state lines, towns by name.
 * One canvas, drawn when the map comes to rest; outside the lines that we carry the grid remains,
 * so that no page is ever blank.
 */

import * as L from 'leaflet';

/** @typedef {[number, number, number, number]} Box left, top, right, bottom in pixels */

/** GeoJSON collections with their own `attribution`; features are told apart by `kind`. */
const COLLECTIONS = ['/web/basemap/boundaries.json', '/web/basemap/places.json'];
const STEPS_DEG = [30, 10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01];
const GRID_PX = 110; // least distance of two grid lines

// Leaflet's own base for a layer with one canvas; its inner methods have no published types
const Base = /** @type {any} */ (L.Renderer);

export const Ground = Base.extend({
  options: { padding: 0.25, pane: 'ground' },

  initialize(options) {
    Base.prototype.initialize.call(this, options);
    this._lines = [];
    this._places = [];
    this._counties = [];
    this._credits = [];
  },

  credits() {
    return this._credits.join(' · ');
  },

  /** Fetches the lines; a page without them still has its grid. */
  async load() {
    for (const address of COLLECTIONS) {
      try {
        const reply = await fetch(address);
        if (reply.ok) this._take(await reply.json());
      } catch {
        continue; // the line is lost; the grid is enough to go on with
      }
    }
    this._places.sort((a, b) => b.population - a.population);
    if (this._map) this._update();
  },

  /** The nearest town within 40 km, for words. */
  nearest(latitude_deg, longitude_deg) {
    const here = L.latLng(latitude_deg, longitude_deg);
    let best = null;
    for (const { name, at } of this._places) {
      if (Math.abs(at.lat - here.lat) > 0.4) continue;
      const range_m = here.distanceTo(at);
      if (range_m < 40_000 && (best === null || range_m < best.range_m)) best = { name, at, range_m };
    }
    return best;
  },

  repaint() {
    if (this._map) this._update();
  },

  _take({ attribution, features }) {
    this._credits.push(attribution);
    for (const { properties, geometry } of features) {
      const { kind, name, population } = properties;
      if (geometry.type === 'MultiLineString') {
        this._lines.push({ kind, parts: geometry.coordinates.map(boxed) });
      } else if (geometry.type === 'Point') {
        const [lon, lat] = geometry.coordinates;
        const row = { name, population: population ?? 0, at: L.latLng(lat, lon) };
        (kind === 'place' ? this._places : this._counties).push(row);
      }
    }
  },

  _initContainer() {
    this._container = document.createElement('canvas');
    this._container.className = 'ground';
    this._pen = this._container.getContext('2d');
  },

  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    Base.prototype._update.call(this);
    const { min } = this._bounds;
    const size = this._bounds.getSize();
    const scale = Math.min(devicePixelRatio, 2);
    L.DomUtil.setPosition(this._container, min);
    const { left, top } = this._container.getBoundingClientRect();
    const shift = L.point(Math.round(left) - left, Math.round(top) - top);
    const corner = min.add(shift); // on whole pixels, or its letters blur
    L.DomUtil.setPosition(this._container, corner);
    this._container.width = scale * size.x;
    this._container.height = scale * size.y;
    this._container.style.width = `${size.x}px`;
    this._container.style.height = `${size.y}px`;
    this._pen.setTransform(scale, 0, 0, scale, -scale * min.x, -scale * min.y);
    this._paint();
  },

  _paint() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const view = this._map.getBounds().pad(this.options.padding);
    this._borders(view, { county: colour('--map-county'), state: colour('--map-state') });
    this._grid(view, colour('--map-grid'), colour('--map-quiet'), colour('--map-ground'));
    this._names(colour('--map-name'), colour('--map-quiet'), colour('--map-ground'));
  },

  _grid(view, line, ink, ground) {
    const map = this._map;
    const perDegree = map.project([0, 1]).x - map.project([0, 0]).x;
    const step = STEPS_DEG.filter((each) => each * perDegree >= GRID_PX).at(-1) ?? STEPS_DEG[0];
    const edge = map.containerPointToLayerPoint([map.getSize().x, 0]);
    const digits = step < 0.1 ? 2 : step < 1 ? 1 : 0;
    const pen = this._pen;
    pen.font = '12px system-ui, sans-serif';
    const { min, max } = this._bounds;
    for (let n = Math.ceil(view.getWest() / step); n * step <= view.getEast(); n += 1) {
      const x = Math.round(map.latLngToLayerPoint([0, n * step]).x) + 0.5;
      rule(pen, line, x, min.y, x, max.y);
      pen.textAlign = 'left';
      written(pen, degrees(n * step, digits, 'E', 'W'), x + 4, edge.y + 16, ink, ground);
    }
    for (let n = Math.ceil(view.getSouth() / step); n * step <= view.getNorth(); n += 1) {
      if (Math.abs(n * step) > 85) continue;
      const y = Math.round(map.latLngToLayerPoint([n * step, 0]).y) + 0.5;
      rule(pen, line, min.x, y, max.x, y);
      if (y < edge.y + 70 || y > edge.y + map.getSize().y - 50) continue; // buttons, credits
      pen.textAlign = 'right';
      written(pen, degrees(n * step, digits, 'N', 'S'), edge.x - 6, y - 4, ink, ground);
    }
  },

  _borders(view, colours) {
    const zoom = this._map.getZoom();
    for (const { kind, parts } of this._lines) {
      if (kind === 'county' && zoom < 7) continue;
      this._pen.beginPath();
      for (const { box, points } of parts) {
        if (!view.intersects(box)) continue;
        points.forEach(([lon, lat], n) => {
          const { x, y } = this._map.latLngToLayerPoint([lat, lon]);
          if (n === 0) this._pen.moveTo(x, y);
          else this._pen.lineTo(x, y);
        });
      }
      this._pen.strokeStyle = colours[kind] ?? colours.county;
      this._pen.lineWidth = kind === 'state' ? 2 : 1;
      this._pen.stroke();
    }
  },

  /** Larger towns first; a name that would lie on another is left out. */
  _names(ink, quiet, ground) {
    const zoom = this._map.getZoom();
    const least = 60_000 / 4 ** (zoom - 6);
    /** @type {Box[]} */
    const taken = [];
    const pen = this._pen;
    pen.textAlign = 'left';
    pen.lineJoin = 'round';
    for (const { name, population, at } of this._places) {
      if (population < least) break;
      const { x, y } = this._map.latLngToLayerPoint(at);
      if (!this._bounds.contains([x, y])) continue;
      const size = population > 50_000 ? 15 : population > 4_000 ? 14 : 13;
      pen.font = `${population > 20_000 ? 600 : 400} ${size}px system-ui, sans-serif`;
      /** @type {Box} */
      const box = [x - 4, y - size, x + 10 + pen.measureText(name).width, y + 6];
      if (taken.some((other) => overlap(box, other))) continue;
      taken.push(box);
      pen.fillStyle = ink;
      pen.fillRect(x - 2, y - 2, 4, 4);
      written(pen, name, x + 6, y + size / 3, ink, ground);
    }
    if (zoom < 8.5) return;
    pen.font = '600 12px system-ui, sans-serif';
    pen.textAlign = 'center';
    for (const { name, at } of this._counties) {
      const { x, y } = this._map.latLngToLayerPoint(at);
      const label = `${name} County`.toUpperCase();
      const half = pen.measureText(label).width / 2;
      /** @type {Box} */
      const box = [x - half, y - 12, x + half, y + 4];
      if (!this._bounds.contains([x, y]) || taken.some((other) => overlap(box, other))) continue;
      taken.push(box);
      written(pen, label, x, y, quiet, ground);
    }
  },
});

function boxed(points) {
  return { points, box: L.latLngBounds(points.map(([lon, lat]) => [lat, lon])) };
}

function rule(pen, colour, x1, y1, x2, y2) {
  pen.lineWidth = 1;
  pen.strokeStyle = colour;
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}

function written(pen, text, x, y, ink, ground) {
  pen.lineWidth = 3;
  pen.strokeStyle = ground;
  const [left, base] = [Math.round(x), Math.round(y)];
  pen.strokeText(text, left, base);
  pen.fillStyle = ink;
  pen.fillText(text, left, base);
}

function degrees(value, digits, positive, negative) {
  const amount = Math.abs(value).toFixed(digits);
  return Number(amount) === 0 ? '0°' : `${amount}° ${value < 0 ? negative : positive}`;
}

/** @param {Box} box @param {Box} other */
function overlap([left, top, right, bottom], [left2, top2, right2, bottom2]) {
  return left < right2 && right > left2 && top < bottom2 && bottom > top2;
}
