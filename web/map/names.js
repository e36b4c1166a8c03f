/**
 * The names on the map, in one pass for all maps that are shown: the most important first, none on another,
 * none on a mark of the flight. Drawn on one canvas over the maps and under the flight.
 */

import * as L from 'leaflet';
import { CanvasLayer } from 'leeward/map/canvas.js';
import { TakenBoxes } from 'leeward/map/taken.js';
import { leastPopulation } from 'leeward/map/vector/layer.js';

/** @typedef {import('leeward/map/taken.js').Box} Box */

const FONT = "system-ui, 'Segoe UI', Roboto, 'Noto Sans', sans-serif";
const MOST = 160; // names at once
const MOST_SAID = 40; // to those who do not see the map
const AIR_PX = 7; // between two names
const ALONE_PX = 34; // about a town that is smaller than others of this zoom
const DOT_PX = 5;

/** How far from each other the same words may stand again, by kind. */
const AGAIN_PX = { street: 260, shield: 200, river: 320, lake: 400, sea: 600, county: 2_000 };
const AGAIN_PLACE_PX = 90;
const ALONG = new Set(['street', 'river']);
const WATER = new Set(['lake', 'sea', 'river']);
const SETTLED = new Set(['city', 'town', 'village', 'hamlet']);

/** From which zoom a kind is named. */
const FROM = {
  street: 14.5, county: 8.5, river: 8, shield: 8.5, peak: 11, station: 13, suburb: 11.5, quarter: 13,
  neighbourhood: 13.5, locality: 13, hamlet: 11.5, isolated_dwelling: 14, farm: 14, village: 9.5, lake: 6, airfield: 10,
};
const TO = { country: 7.5, state: 8, county: 11, city: 15, town: 16 };

/**
 * What is written now, with the boxes that it takes in the view; it lies at the canvas.
 * @param {HTMLElement} mapNode
 * @returns {{text: string, kind: string, population: number, at: L.Point, box: Box}[]}
 */
export const shownNames = (mapNode) => /** @type {any} */ (mapNode.querySelector('canvas.names'))?.written ?? [];

export const Names = CanvasLayer.extend({
  options: { padding: 0.2, pane: 'names' },

  /** @param {() => Box[]} written what other words of the map take, in layer points */
  initialize(written) {
    CanvasLayer.prototype.initialize.call(this);
    this._written = written;
    /** @type {Map<any, boolean>} maps with names, and whether they are the world's own */
    this._maps = new Map();
    this._shown = [];
    this._widths = new Map();
    this._signature = '';
    this._covered = () => false;
  },

  /** @param {any} layer a VectorLayer @param {boolean} whole of the carried world */
  include(layer, whole) {
    this._maps.set(layer, whole);
  },

  /** @param {any} layer */
  exclude(layer) {
    this._maps.delete(layer);
  },

  /** @param {(at: L.LatLng) => boolean} covered where a drawn map has names of its own */
  leaveTo(covered) {
    this._covered = covered;
  },

  /**
   * Places all names beside what is taken, draws when something changed, and says what they take.
   * @param {Box[]} taken @returns {Box[]}
   */
  place(taken) {
    if (!this._map || !this._bounds || this._map._animatingZoom) return [];
    const off = this._map.layerPointToContainerPoint([0, 0]);
    const boxes = taken.map((box) => shift(box, -off.x, -off.y));
    const held = new TakenBoxes();
    for (const box of [...boxes, ...this._written()]) held.add(box);
    this._shown = this._chosen(held);
    const signature = this._shown.map(({ text, at }) => `${text}${Math.round(at.x)},${Math.round(at.y)}`).join('|');
    if (signature !== this._signature) {
      this._signature = signature;
      this._paint();
      const places = this._shown.map(({ text }) => text).slice(0, MOST_SAID);
      this._container.setAttribute('aria-label', `Map with ${places.join(', ')}`);
    }
    this._container.written = this._shown.map(({ box, ...name }) => ({ ...name, box: shift(box, off.x, off.y) }));
    return this._container.written.map(({ box }) => box);
  },

  repaint() {
    this._signature = '';
  },

  _candidates() {
    const zoom = this._map.getZoom();
    const origin = this._map.getPixelOrigin();
    const found = [];
    for (const [layer, whole] of this._maps) {
      for (const { z, x, y, names } of layer.named()) {
        const side = (256 * 2 ** zoom) / 2 ** z;
        for (const one of names) {
          if (zoom < (FROM[one.kind] ?? 0) || zoom > (TO[one.kind] ?? 99)) continue;
          const at = L.point((x + one.x) * side - origin.x, (y + one.y) * side - origin.y);
          if (this._bounds.contains(at)) found.push({ ...one, at, whole });
        }
      }
    }
    return found.sort((a, b) => b.rank - a.rank || Number(a.whole) - Number(b.whole));
  },

  _chosen(held) {
    const shown = [];
    /** @type {Map<string, L.Point[]>} */
    const said = new Map();
    const candidates = this._candidates();
    const scale = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16; // the reader's text size
    // the crew's own maps know better where a town of the world lies
    const known = new Set(candidates.filter(({ whole }) => !whole).map(({ text }) => text));
    for (const one of candidates) {
      if (shown.length >= MOST) break;
      const text = one.kind === 'county' ? `${one.text} County`.toUpperCase() : one.text;
      const again = AGAIN_PX[one.kind] ?? AGAIN_PLACE_PX;
      const before = said.get(text) ?? [];
      if (before.some((at) => at.distanceTo(one.at) < again)) continue;
      if (one.whole && (known.has(one.text) || this._covered(this._map.layerPointToLatLng(one.at)))) continue;
      const look = lookOf(one, this._map.getZoom(), scale);
      const width = this._width(text, look.font);
      if (ALONG.has(one.kind) && one.room < width + 8) continue;
      const alone = one.whole && one.kind === 'town' && one.population < leastPopulation(this._map.getZoom());
      const free = spots(one, width, look).filter(({ box }) => held.free(alone ? grown(box) : box));
      const spot = free.find(({ box }) => this._isSeen(box)) ?? free[0]; // whole rather than cut at the edge
      if (spot !== undefined) {
        held.add(spot.box);
        said.set(text, [...before, one.at]);
        shown.push({ ...one, ...spot, text, look, width });
      }
    }
    return shown;
  },

  _isSeen({ left, right }) {
    const start = this._map.containerPointToLayerPoint([0, 0]).x;
    return left >= start && right <= start + this._map.getSize().x;
  },

  _width(text, font) {
    const key = `${font}${text}`;
    let width = this._widths.get(key);
    if (width === undefined) {
      if (this._widths.size > 5_000) this._widths.clear();
      this._pen.font = font;
      width = this._pen.measureText(text).width;
      this._widths.set(key, width);
    }
    return width;
  },

  _update() {
    this._shown = [];
    this._signature = '';
    CanvasLayer.prototype._update.call(this);
    this._container.setAttribute('role', 'img');
    this.fire('moved');
  },

  _paint() {
    const pen = this._pen;
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(`--map-${name}`).trim();
    const { min } = this._bounds;
    const size = this._bounds.getSize();
    pen.clearRect(min.x, min.y, size.x, size.y);
    pen.lineJoin = 'round';
    pen.textBaseline = 'middle';
    const inks = {
      ground: colour('land'), name: colour('name'), quiet: colour('quiet'), water: colour('water-name'),
      shield: colour('shield'), edge: colour('motorway-edge'),
    };
    for (let n = this._shown.length - 1; n >= 0; n -= 1) write(pen, this._shown[n], inks);
  },
});

function lookOf({ kind, population }, zoom, scale) {
  const font = (px, weight = 400, slant = '') => sized(px * scale, weight, slant);
  const sized = (size, weight, slant) => ({ size, font: `${slant} ${weight} ${size}px ${FONT}`.trim() });
  if (kind === 'country') return { ...font(16, 700), ink: 'quiet' };
  if (kind === 'state') return { ...font(14, 600), ink: 'quiet' };
  if (kind === 'county') return { ...font(12, 600), ink: 'quiet' };
  if (WATER.has(kind)) return { ...font(kind === 'sea' ? 15 : 13, 400, 'italic'), ink: 'water' };
  if (kind === 'shield') return { ...font(12, 650), ink: 'shield' };
  if (kind === 'street') return { ...font(zoom >= 16.5 ? 13 : 12), ink: 'name' };
  if (kind === 'peak') return { ...font(12, 400, 'italic'), ink: 'quiet' };
  if (kind === 'station' || kind === 'airfield') return { ...font(12), ink: 'quiet' };
  if (population > 1_000_000 || kind === 'city') return { ...font(16, 650), ink: 'name' };
  if (population > 200_000) return { ...font(15, 600), ink: 'name' };
  if (population > 4_000) return { ...font(14, population > 60_000 ? 600 : 400), ink: 'name' };
  return { ...font(kind === 'town' && population === 0 ? 14 : 13), ink: kind === 'village' || kind === 'town' ? 'name' : 'quiet' };
}

/** Where the words may stand, the best first, each with the box that they take. */
function spots({ kind, at, angle }, width, { size }) {
  const half = size * 0.62;
  const box = (x, y, w, h) => ({ left: x - AIR_PX, top: y - h, right: x + w + AIR_PX, bottom: y + h });
  if (ALONG.has(kind)) {
    const [w, h] = [Math.abs(Math.cos(angle)) * width, Math.abs(Math.sin(angle)) * width];
    const middle = { left: at.x - w / 2 - half, top: at.y - h / 2 - half, right: at.x + w / 2 + half, bottom: at.y + h / 2 + half };
    return [{ x: at.x, y: at.y, align: 'center', box: middle }];
  }
  const centre = { x: at.x, y: at.y, align: 'center', box: box(at.x - width / 2, at.y, width, half + 2) };
  if (!hasDot(kind)) return [centre];
  const right = { x: at.x + DOT_PX + 2, y: at.y, align: 'left', box: box(at.x - DOT_PX, at.y, width + 2 * DOT_PX + 2, half) };
  const left = { x: at.x - DOT_PX - 2, y: at.y, align: 'right', box: box(at.x - width - DOT_PX - 2, at.y, width + 2 * DOT_PX, half) };
  return [right, left];
}

const grown = ({ left, top, right, bottom }) => ({ left: left - ALONE_PX, top: top - ALONE_PX, right: right + ALONE_PX, bottom: bottom + ALONE_PX });

const hasDot = (kind) => SETTLED.has(kind) || kind === 'peak' || kind === 'station';

function write(pen, { text, kind, at, x, y, align, angle, look, width }, inks) {
  pen.font = look.font;
  pen.textAlign = align;
  if (kind === 'shield') {
    const [w, h] = [Math.round(width) + 10, look.size + 6];
    pen.fillStyle = inks.shield;
    pen.strokeStyle = inks.edge;
    pen.lineWidth = 1.2;
    pen.beginPath();
    pen.roundRect(Math.round(x - w / 2) + 0.5, Math.round(y - h / 2) + 0.5, w, h, 3);
    pen.fill();
    pen.stroke();
    pen.fillStyle = inks.name;
    pen.fillText(text, Math.round(x) + 0.5, Math.round(y) + 1.5);
    return;
  }
  if (hasDot(kind)) dot(pen, kind, at, inks);
  pen.lineWidth = 3.5;
  pen.strokeStyle = inks.ground;
  pen.fillStyle = inks[look.ink];
  const turned = ALONG.has(kind) && angle !== 0;
  const [left, base] = turned ? [0, 0] : [Math.round(x), Math.round(y)];
  if (turned) {
    pen.save();
    pen.translate(x, y);
    pen.rotate(angle);
  }
  pen.strokeText(text, left, base);
  pen.fillText(text, left, base);
  if (turned) pen.restore();
}

function dot(pen, kind, { x, y }, inks) {
  const [left, top] = [Math.round(x), Math.round(y)];
  pen.fillStyle = kind === 'peak' ? inks.quiet : inks.name;
  pen.strokeStyle = inks.ground;
  pen.lineWidth = 1.5;
  pen.beginPath();
  if (kind === 'peak') {
    pen.moveTo(left, top - 4);
    pen.lineTo(left + 4, top + 3);
    pen.lineTo(left - 4, top + 3);
    pen.closePath();
  } else pen.rect(left - 2.5, top - 2.5, 5, 5);
  pen.stroke();
  pen.fill();
}

const shift = ({ left, top, right, bottom }, x, y) => ({ left: left + x, top: top + y, right: right + x, bottom: bottom + y });
