/**
 * Mapbox Vector Tile 2.1: protocol buffers of layers, features, and geometries of zigzag steps. Whatever a
 * file holds, reading ends at the end of its bytes: what is cut short or counts too far is an Error.
 */

/** @typedef {{type: number, tags: number[], from: number, to: number}} Feature
 * @typedef {{name: string, extent: number, features: Feature[], keys: string[], values: any[],
 *   bytes: Uint8Array}} Layer */

export const POINT = 1;
export const LINE = 2;
export const POLYGON = 3;

const MOST_FEATURES = 200_000; // of one tile: more is no map
const text = new TextDecoder();

class Reader {
  /** @param {Uint8Array} bytes @param {number} at @param {number} end */
  constructor(bytes, at, end) {
    if (end > bytes.length) throw new Error('cut short');
    this.bytes = bytes;
    this.at = at;
    this.end = end;
    this.view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  }

  /** Whole numbers to 2^53; larger ones lose their last digits. */
  varint() {
    let value = 0;
    let factor = 1;
    for (let n = 0; n < 10; n += 1) {
      if (this.at >= this.end) throw new Error('cut short');
      const byte = this.bytes[this.at];
      this.at += 1;
      value += (byte & 0x7f) * factor;
      if (byte < 0x80) return value;
      factor *= 128;
    }
    throw new Error('a number of more than ten bytes');
  }

  /** The next field's number and wire type, or null at the end. */
  field() {
    if (this.at >= this.end) return null;
    const key = this.varint();
    return { number: Math.floor(key / 8), wire: key % 8 };
  }

  /** The span of what follows by its length. */
  inner() {
    const length = this.varint();
    const from = this.at;
    if (from + length > this.end) throw new Error('cut short');
    this.at = from + length;
    return new Reader(this.bytes, from, this.at);
  }

  skip(wire) {
    if (wire === 0) this.varint();
    else if (wire === 1) this.at += 8;
    else if (wire === 2) this.inner();
    else if (wire === 5) this.at += 4;
    else throw new Error(`wire type ${wire}`);
    if (this.at > this.end) throw new Error('cut short');
  }

  fixed(size) {
    if (this.at + size > this.end) throw new Error('cut short');
    this.at += size;
    const from = this.at - size;
    return size === 4 ? this.view.getFloat32(from, true) : this.view.getFloat64(from, true);
  }

  string() {
    return text.decode(this.bytes.subarray(this.at, this.end));
  }
}

/** @param {Uint8Array} bytes @returns {Layer[]} */
export function readTile(bytes) {
  const reader = new Reader(bytes, 0, bytes.length);
  const layers = [];
  let features = 0;
  for (let field = reader.field(); field !== null; field = reader.field()) {
    if (field.number !== 3 || field.wire !== 2) {
      reader.skip(field.wire);
      continue;
    }
    const layer = readLayer(reader.inner());
    features += layer.features.length;
    if (features > MOST_FEATURES) throw new Error(`more than ${MOST_FEATURES} features`);
    layers.push(layer);
  }
  return layers;
}

/** @returns {Layer} */
function readLayer(reader) {
  /** @type {Layer} */
  const layer = { name: '', extent: 4096, features: [], keys: [], values: [], bytes: reader.bytes };
  for (let field = reader.field(); field !== null; field = reader.field()) {
    const { number, wire } = field;
    if (wire === 2 && number === 1) layer.name = reader.inner().string();
    else if (wire === 2 && number === 2) layer.features.push(readFeature(reader.inner()));
    else if (wire === 2 && number === 3) layer.keys.push(reader.inner().string());
    else if (wire === 2 && number === 4) layer.values.push(readValue(reader.inner()));
    else if (wire === 0 && number === 5) layer.extent = reader.varint();
    else reader.skip(wire);
    if (layer.features.length > MOST_FEATURES) throw new Error(`more than ${MOST_FEATURES} features`);
  }
  if (!(layer.extent >= 1)) throw new Error(`an extent of ${layer.extent}`);
  return layer;
}

/** @returns {Feature} */
function readFeature(reader) {
  /** @type {Feature} */
  const feature = { type: 0, tags: [], from: 0, to: 0 };
  for (let field = reader.field(); field !== null; field = reader.field()) {
    const { number, wire } = field;
    if (wire === 2 && number === 2) {
      const tags = reader.inner();
      while (tags.at < tags.end) feature.tags.push(tags.varint());
    } else if (wire === 0 && number === 3) feature.type = reader.varint();
    else if (wire === 2 && number === 4) {
      const { at, end } = reader.inner();
      Object.assign(feature, { from: at, to: end });
    } else reader.skip(wire);
  }
  return feature;
}

function readValue(reader) {
  let value = null;
  for (let field = reader.field(); field !== null; field = reader.field()) {
    const { number, wire } = field;
    if (wire === 2 && number === 1) value = reader.inner().string();
    else if (wire === 5 && number === 2) value = reader.fixed(4);
    else if (wire === 1 && number === 3) value = reader.fixed(8);
    else if (wire === 0 && number === 4) value = signed(reader.varint());
    else if (wire === 0 && number === 5) value = reader.varint();
    else if (wire === 0 && number === 6) value = zigzag(reader.varint());
    else if (wire === 0 && number === 7) value = reader.varint() !== 0;
    else reader.skip(wire);
  }
  return value;
}

const signed = (value) => (value >= 2 ** 63 ? value - 2 ** 64 : value);
const zigzag = (value) => (value % 2 === 0 ? value / 2 : -(value + 1) / 2);

/** @param {Layer} layer @param {Feature} feature @returns {Record<string, any>} */
export function properties(layer, feature) {
  const found = {};
  const { tags } = feature;
  for (let n = 0; n + 1 < tags.length; n += 2) {
    const key = layer.keys[tags[n]];
    if (key === undefined || tags[n + 1] >= layer.values.length) throw new Error('a tag of nothing');
    found[key] = layer.values[tags[n + 1]];
  }
  return found;
}

/**
 * Parts of a feature as flat lists x, y, x, y in units of the layer; rings are not closed again at their end.
 * @param {Layer} layer @param {Feature} feature @returns {number[][]}
 */
export function geometry(layer, feature) {
  const reader = new Reader(layer.bytes, feature.from, feature.to);
  const parts = [];
  let part = null;
  let x = 0;
  let y = 0;
  while (reader.at < reader.end) {
    const command = reader.varint();
    const id = command % 8;
    if (id === 7) continue; // a ring closes itself
    if (id !== 1 && id !== 2) throw new Error(`command ${id}`);
    for (let count = Math.floor(command / 8); count > 0; count -= 1) {
      x += zigzag(reader.varint());
      y += zigzag(reader.varint());
      if (id === 1) {
        part = [];
        parts.push(part);
      }
      if (part === null) throw new Error('a line without a start');
      part.push(x, y);
    }
  }
  return parts;
}
