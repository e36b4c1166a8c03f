/** What the worker does, or the page itself where browsers have no worker that draws. */

import { blank, paint } from './paint.js';
import { names, prepare, SIDE } from './prepare.js';
import { roadNear } from './nearest.js';
import { backgroundOf } from './schemas.js';

/** @typedef {{key: string, address: string, schema: string, max_zoom: number,
 *   bounds: [number, number, number, number]}} Source */

const KEPT = 48; // prepared tiles
const MOST_BYTES = 8_000_000; // as the station's own bound

/** @param {(answer: any, moved: Transferable[]) => void} answer */
export function createDrawing(answer) {
  /** @type {Map<string, Source>} */
  const sources = new Map();
  /** @type {Map<string, Promise<{tile: import('./prepare.js').Prepared | null, bad: boolean}>>} */
  const tiles = new Map();
  /** @type {Record<string, string>} */
  let colours = {};
  const wanted = new Set();
  /** Tiles over which an earlier worker hung. @type {Set<string>} */
  const avoided = new Set();

  /** @param {Source} source */
  async function read(source, z, x, y) {
    const reply = await fetch(`${source.address}/${z}/${x}/${y}`);
    const name = `${source.key} ${z} ${x} ${y}`;
    if (avoided.has(name)) return { tile: null, bad: true };
    if (reply.status === 204) return { tile: null, bad: false };
    if (reply.status === 422) return { tile: null, bad: true }; // told so by the station
    if (!reply.ok) throw new Error(`status ${reply.status}`); // perhaps another time
    const bytes = new Uint8Array(await reply.arrayBuffer());
    if (bytes.length > MOST_BYTES) return { tile: null, bad: true };
    answer({ begun: name }, []);
    try {
      return { tile: prepare(bytes, source.schema), bad: false };
    } catch {
      return { tile: null, bad: true };
    }
  }

  function tileOf(source, z, x, y) {
    const key = `${source.key} ${z} ${x} ${y}`;
    let found = tiles.get(key);
    if (found === undefined) {
      found = read(source, z, x, y);
      found.catch(() => tiles.delete(key));
    }
    tiles.delete(key); // the last used at the end
    tiles.set(key, found);
    for (const old of tiles.keys()) {
      if (tiles.size <= KEPT) break;
      tiles.delete(old);
    }
    return found;
  }

  async function draw({ id, key, z, x, y, zoom, size_px, ratio, least }) {
    wanted.add(id);
    const source = sources.get(key);
    if (source === undefined) return;
    const deeper = Math.max(z - source.max_zoom, 0);
    const [tz, tx, ty] = [z - deeper, x >> deeper, y >> deeper];
    let found;
    try {
      found = await tileOf(source, tz, tx, ty);
    } catch {
      answer({ id, bitmap: null, names: [], bad: false, lost: true }, []);
      return;
    } finally {
      if (!wanted.has(id)) found = null;
    }
    if (found === null) return; // nobody looks there any more
    wanted.delete(id);
    const { tile, bad } = found;
    if (tile === null && (bad || source.schema !== 'world')) {
      answer({ id, bitmap: null, names: [], bad, tile: `${tz} ${tx} ${ty}` }, []);
      return;
    }
    const side = SIDE / 2 ** deeper;
    const place = { left: (x - (tx << deeper)) * side, top: (y - (ty << deeper)) * side, side };
    // a pixel more than the block, so that no seam shows between neighbours
    const canvas = blank(Math.ceil(size_px * ratio) + 1);
    const pen = /** @type {any} */ (canvas.getContext('2d'));
    const block = { ...place, zoom, ratio, width_px: size_px * ratio, clip: clipOf(source, tz, tx, ty) };
    paint(pen, tile, block, colours, backgroundOf(source.schema));
    const bitmap = 'transferToImageBitmap' in canvas ? canvas.transferToImageBitmap() : canvas;
    const large = ({ population = 0 }) => source.schema !== 'world' || population === 0 || population >= least;
    const listed = tile === null ? [] : names(tile, place, size_px, large);
    answer({ id, bitmap, names: listed, bad: false }, [bitmap]);
  }

  /** Addresses of the tiles that are at hand. */
  function addresses() {
    return [...tiles.keys()].flatMap((name) => {
      const [key, z, x, y] = name.split(' ');
      const source = sources.get(key);
      return source === undefined ? [] : [`${source.address}/${z}/${x}/${y}`];
    });
  }

  /** All towns of a tile of the world: name, latitude, longitude; null when they could not be fetched. */
  async function towns({ id, key, z, x, y }) {
    const source = /** @type {Source} */ (sources.get(key));
    let found = null;
    try {
      const { tile } = await tileOf(source, z, x, y);
      found = (tile?.named ?? [])
        .filter(({ label }) => label.kind === 'town')
        .map(({ label, parts: [[across, down]] }) => [label.text, ...degrees(z, x + across / SIDE, y + down / SIDE)]);
    } catch {
      found = null;
    }
    answer({ id, towns: found }, []);
  }

  /** The road at a place that is counted in blocks of zoom `z`; `within` in the same measure. */
  async function identify({ id, key, z, x, y, within }) {
    const source = sources.get(key);
    let road = null;
    if (source !== undefined) {
      const deeper = Math.max(z - source.max_zoom, 0);
      const [across, down] = [x / 2 ** deeper, y / 2 ** deeper];
      const size = 2 ** (z - deeper);
      const column = ((Math.floor(across) % size) + size) % size;
      try {
        const { tile } = await tileOf(source, z - deeper, column, Math.floor(down));
        const near = (within / 2 ** deeper) * SIDE;
        if (tile !== null) road = roadNear(tile, (across % 1) * SIDE, (down % 1) * SIDE, near);
      } catch {
        road = null; // the line is lost
      }
    }
    answer({ id, road }, []);
  }

  return {
    take(asked) {
      if (asked.open !== undefined) sources.set(asked.open.key, asked.open);
      if (asked.colours !== undefined) colours = asked.colours;
      for (const name of asked.avoid ?? []) avoided.add(name);
      if (asked.list) answer({ listed: addresses() }, []);
      if (asked.ping) answer({ pong: true }, []);
      if (asked.drop !== undefined) wanted.delete(asked.drop);
      if (asked.identify !== undefined) void identify(asked.identify);
      if (asked.towns !== undefined) void towns(asked.towns);
      if (asked.paint !== undefined) void draw(asked.paint);
    },
  };
}

/** Latitude and longitude of a place that is counted in tiles: spherical Mercator. */
function degrees(z, x, y) {
  const latitude = Math.atan(Math.sinh(Math.PI * (1 - (2 * y) / 2 ** z)));
  return [(latitude * 180) / Math.PI, (x / 2 ** z) * 360 - 180];
}

/** The file's bounds in units of a tile, or null where they do not cut it. */
function clipOf({ schema, bounds }, z, x, y) {
  if (schema === 'world') return null;
  const [west, south, east, north] = bounds;
  const across = (longitude) => (((longitude + 180) / 360) * 2 ** z - x) * SIDE;
  const down = (latitude) => {
    const sine = Math.sin((latitude * Math.PI) / 180);
    return ((0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI)) * 2 ** z - y) * SIDE;
  };
  /** @type {[number, number, number, number]} */
  const edges = [across(west), down(north), across(east), down(south)];
  const whole = edges[0] <= 0 && edges[1] <= 0 && edges[2] >= SIDE && edges[3] >= SIDE;
  return whole ? null : edges;
}
