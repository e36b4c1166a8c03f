/** A decoded tile made ready for drawing: one path for each group, and what may be named in it. */

import { geometry, LINE, POINT, POLYGON, properties, readTile } from './mvt.js';
import { meaningOf } from './schemas.js';
import { ROAD_CLASSES } from './style.js';

/** Units of a prepared tile's side, whatever extent its layers had. */
export const SIDE = 4096;
const MOST_POINTS = 2_000_000; // of one tile

/**
 * @typedef {import('./schemas.js').Label} Label
 * @typedef {{label: Label, type: number, parts: number[][]}} Named
 * @typedef {{paths: Map<string, Path2D>, named: Named[], roads: {type: string, parts: number[][]}[]}} Prepared
 */

/** @param {Uint8Array} bytes @param {string} schema @returns {Prepared} throws an Error for a broken tile */
export function prepare(bytes, schema) {
  /** @type {Map<string, Path2D>} */
  const paths = new Map();
  /** @type {Named[]} */
  const named = [];
  const roads = [];
  let points = 0;
  for (const layer of readTile(bytes)) {
    const mean = meaningOf(schema, layer.name);
    if (mean === null) continue;
    for (const feature of layer.features) {
      const { groups, label, also } = mean(properties(layer, feature), feature.type);
      const labels = [label, also].filter((one) => one !== null && one !== undefined);
      if (groups.length === 0 && labels.length === 0) continue;
      const parts = scaled(geometry(layer, feature), SIDE / layer.extent);
      for (const part of parts) points += part.length / 2;
      if (points > MOST_POINTS) throw new Error(`more than ${MOST_POINTS} points`);
      if (feature.type !== POINT) for (const group of groups) draw(paths, group, parts, feature.type);
      const type = groups[0]?.replace(/-(ramp|tunnel)$/, '') ?? '';
      if (ROAD_CLASSES.includes(type)) roads.push({ type, parts });
      for (const one of labels) {
        if (one !== null && one !== undefined) named.push({ label: one, type: feature.type, parts });
      }
    }
  }
  named.sort((a, b) => b.label.rank - a.label.rank);
  return { paths, named, roads };
}

function scaled(parts, factor) {
  if (factor !== 1) for (const part of parts) for (let n = 0; n < part.length; n += 1) part[n] *= factor;
  return parts;
}

function draw(paths, group, parts, type) {
  let path = paths.get(group);
  if (path === undefined) {
    path = new Path2D();
    paths.set(group, path);
  }
  for (const part of parts) {
    if (part.length < 4) continue;
    path.moveTo(part[0], part[1]);
    for (let n = 2; n < part.length; n += 2) path.lineTo(part[n], part[n + 1]);
    if (type === POLYGON) path.closePath();
  }
}

/**
 * Where the names of a tile's block may stand: `x`, `y` as parts of the block, `angle` in radians for those
 * along a line, `room` in pixels along it.
 * @typedef {{text: string, kind: string, rank: number, population: number, x: number, y: number,
 *   angle: number, room: number}} Candidate
 */

const MOST_NAMES = 260; // of one block
const LETTER_PX = 7; // usual width of a letter on the map
const STRAIGHT = 0.45; // radians that a line may bend under its name
const SHIELD_PX = 40;
const ALONG = new Set(['street', 'river']);

/**
 * @param {Prepared} tile @param {{left: number, top: number, side: number}} block in units of the tile
 * @param {number} size_px of the block's side @param {(label: Label) => boolean} wanted
 * @returns {Candidate[]}
 */
export function names(tile, block, size_px, wanted) {
  const found = [];
  for (const { label, type, parts } of tile.named) {
    if (found.length >= MOST_NAMES) break;
    if (!wanted(label)) continue;
    const at = type === POINT ? pointOf(parts) : type === LINE ? along(parts, label, block, size_px) : middle(parts, block, size_px);
    if (at === null) continue;
    const x = (at.x - block.left) / block.side;
    const y = (at.y - block.top) / block.side;
    if (x < 0 || y < 0 || x >= 1 || y >= 1) continue;
    const { text, kind, rank, population = 0 } = label;
    found.push({ text, kind, rank, population, x, y, angle: at.angle ?? 0, room: at.room ?? 0 });
  }
  return found;
}

const pointOf = (parts) => (parts.length > 0 ? { x: parts[0][0], y: parts[0][1] } : null);

/** The middle of an area's part within the block, when a name has room in it. */
function middle(parts, block, size_px) {
  let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
  for (let n = 0; n < (parts[0]?.length ?? 0); n += 2) {
    [west, east] = [Math.min(west, parts[0][n]), Math.max(east, parts[0][n])];
    [north, south] = [Math.min(north, parts[0][n + 1]), Math.max(south, parts[0][n + 1])];
  }
  const unit_px = size_px / block.side;
  if ((east - west) * unit_px < 50 || (south - north) * unit_px < 14) return null;
  return { x: (west + east) / 2, y: (north + south) / 2 };
}

/** The longest nearly straight stretch within the block, when it holds the name. */
function along(parts, { text, kind }, { left, top, side }, size_px) {
  const unit_px = size_px / side;
  const needed = ALONG.has(kind) ? text.length * LETTER_PX + 12 : SHIELD_PX;
  let best = null;
  for (const part of parts) {
    for (let i = 0; i + 3 < part.length; ) {
      const first = Math.atan2(part[i + 3] - part[i + 1], part[i + 2] - part[i]);
      let j = i + 2;
      let length = Math.hypot(part[j] - part[i], part[j + 1] - part[i + 1]);
      while (j + 3 < part.length && inside(part, j) && bend(part, j, first) < STRAIGHT) {
        length += Math.hypot(part[j + 2] - part[j], part[j + 3] - part[j + 1]);
        j += 2;
      }
      const x = (part[i] + part[j]) / 2;
      const y = (part[i + 1] + part[j + 1]) / 2;
      const here = x >= left && y >= top && x < left + side && y < top + side;
      if (here && length * unit_px >= needed && (best === null || length > best.length)) {
        const angle = Math.atan2(part[j + 1] - part[i + 1], part[j] - part[i]);
        best = { x, y, angle: upright(angle), length, room: length * unit_px };
      }
      i = j;
    }
  }
  return best;

  function inside(part, n) {
    return part[n] >= left && part[n + 1] >= top && part[n] <= left + side && part[n + 1] <= top + side;
  }
}

function bend(part, n, first) {
  const angle = Math.atan2(part[n + 3] - part[n + 1], part[n + 2] - part[n]);
  const turn = Math.abs(angle - first) % (2 * Math.PI);
  return Math.min(turn, 2 * Math.PI - turn);
}

/** Read from the left, never upside down. */
function upright(angle) {
  if (angle > Math.PI / 2) return angle - Math.PI;
  return angle < -Math.PI / 2 ? angle + Math.PI : angle;
}
