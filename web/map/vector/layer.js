/**
 * A vector map as a layer of Leaflet: a grid of canvases, each painted in the worker for the very zoom and
 * pixel density at which it is seen. Blocks are 512 pixels of a tile that the file has, or of a part of one
 * beyond the file's last zoom.
 */

import * as L from 'leaflet';

const BLOCK_PX = 512;
const MOST_RATIO = 2; // pixels of the screen to one of the page
const LEAST_POPULATION = 60_000; // of a town that is named at zoom 6; a quarter of it one zoom closer
const WHERE_EMPTY = 1 / 8; // smaller towns may be named where there are few

// Leaflet's own grid of tiles; its inner methods have no published types
const Base = /** @type {any} */ (L.GridLayer);

/** How large a town must be for its name to be shown. @param {number} zoom */
export const leastPopulation = (zoom) => LEAST_POPULATION / 4 ** (zoom - 6);

export const VectorLayer = Base.extend({
  options: { tileSize: BLOCK_PX, updateWhenZooming: false, updateInterval: 150, keepBuffer: 1, maxZoom: 19 },

  /**
   * @param {ReturnType<typeof import('./engine.js').createEngine>} engine
   * @param {import('./drawing.js').Source & {min_zoom: number}} source
   * @param {object} options of a GridLayer @param {(event: 'names' | 'bad') => void} tell
   */
  initialize(engine, source, options, tell) {
    L.Util.setOptions(this, { ...options, minZoom: source.min_zoom + 1 });
    Object.assign(this, { _engine: engine, _source: source, _tell: tell });
    this.bad = new Set(); // tiles of the file that could not be read
    engine.open(source);
  },

  onAdd(map) {
    Base.prototype.onAdd.call(this, map);
    map.on('zoomend', this._sharpen, this);
    return this;
  },

  onRemove(map) {
    map.off('zoomend', this._sharpen, this);
    Base.prototype.onRemove.call(this, map);
    this._tell('names');
  },

  createTile(coords) {
    const canvas = document.createElement('canvas');
    canvas.className = 'vector-block';
    this._paint(canvas, coords);
    return canvas;
  },

  /** All blocks again, in the colours of now. */
  repaint() {
    for (const { el, coords } of Object.values(this._tiles ?? {})) this._paint(el, coords);
  },

  /** What may be named in the blocks that are seen. @returns {{z: number, x: number, y: number, names: any[]}[]} */
  named() {
    const z = this._tileZoom - 1;
    return Object.values(this._tiles ?? {})
      .filter(({ current, el }) => current && el.names !== undefined)
      .map(({ coords, el }) => ({ z, x: coords.x, y: coords.y, names: el.names }));
  },

  /** Which file it is, and the zoom of its blocks. */
  identity() {
    return { source: this._source, z: this._tileZoom - 1 };
  },

  /** Parts of a zoom are shown by scaling a grid of a whole one; the blocks are painted for what is seen. */
  _scale() {
    return 2 ** (this._map.getZoom() - this._tileZoom);
  },

  _sharpen() {
    for (const { el, coords } of Object.values(this._tiles ?? {})) {
      if (coords.z === this._tileZoom && el.painted !== this._map.getZoom()) this._paint(el, coords);
    }
  },

  _paint(canvas, coords) {
    const z = coords.z - 1; // a block of 512 pixels is a tile of one zoom less
    const zoom = this._map.getZoom();
    const ratio = Math.min(devicePixelRatio, MOST_RATIO);
    const size_px = BLOCK_PX * 2 ** (zoom - coords.z);
    const across = 2 ** z;
    const x = ((coords.x % across) + across) % across; // the Earth goes on beyond 180°
    const { key } = this._source;
    this._engine.drop(canvas.asked);
    canvas.painted = zoom;
    const block = { key, z, x, y: coords.y, zoom, size_px, ratio, least: WHERE_EMPTY * leastPopulation(zoom) };
    canvas.asked = this._engine.paint(block, (answer) => this._show(canvas, answer, coords));
  },

  _show(canvas, { bitmap, names, bad, lost, tile }, coords) {
    if (lost) {
      canvas.painted = null;
      return;
    }
    canvas.names = names;
    canvas.shown = canvas.painted;
    if (bad && !this.bad.has(tile)) {
      this.bad.add(tile);
      this._tell('bad');
    }
    if (bitmap === null) {
      canvas.width = 1;
      canvas.height = 1;
    } else if (bitmap instanceof HTMLCanvasElement) {
      Object.assign(canvas, { width: bitmap.width, height: bitmap.height });
      canvas.getContext('2d').drawImage(bitmap, 0, 0);
    } else {
      Object.assign(canvas, { width: bitmap.width, height: bitmap.height });
      canvas.getContext('bitmaprenderer').transferFromImageBitmap(bitmap);
    }
    this._fit(canvas, coords);
    if (this._map) this._tell('names');
  },

  /** The canvas has a pixel more than its block: so much larger it is laid out. */
  _fit(canvas, coords) {
    const ratio = Math.min(devicePixelRatio, MOST_RATIO);
    const size_px = BLOCK_PX * 2 ** ((canvas.painted ?? coords.z) - coords.z);
    const part = canvas.width > 1 ? canvas.width / (size_px * ratio) : 1;
    canvas.style.width = `${BLOCK_PX * part}px`;
    canvas.style.height = `${BLOCK_PX * part}px`;
  },

  _removeTile(key) {
    const tile = this._tiles[key];
    if (tile) this._engine.drop(tile.el.asked);
    Base.prototype._removeTile.call(this, key);
  },

  _isValidTile(coords) {
    const rows = 2 ** (coords.z - 1);
    if (coords.y < 0 || coords.y >= rows) return false;
    if (this._source.schema === 'world') return true;
    const [west, south, east, north] = this._source.bounds;
    const { x, y, z } = coords;
    const [a, b] = [L.point(x, y), L.point(x + 1, y + 1)].map((p) => this._map.unproject(p.multiplyBy(BLOCK_PX), z));
    const bounds = L.latLngBounds(a, b);
    return [-360, 0, 360].some((turn) =>
      L.latLngBounds([south, west + turn], [north, east + turn]).intersects(bounds),
    );
  },
});
