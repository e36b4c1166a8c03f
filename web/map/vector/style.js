/**
 * How groups of things look: from below to above, by zoom, in colours of the page's palette. Zooms are the
 * map's own (256 pixels a tile at the whole Earth's zoom 0), widths are CSS pixels.
 */

/** Between the pairs of zoom and width straight lines; outside them the nearest. */
const by = (...pairs) => (zoom) => {
  const after = pairs.findIndex(([z]) => z > zoom);
  if (after === 0) return pairs[0][1];
  if (after < 0) return pairs[pairs.length - 1][1];
  const [[z1, w1], [z2, w2]] = [pairs[after - 1], pairs[after]];
  return w1 + ((w2 - w1) * (zoom - z1)) / (z2 - z1);
};

/** @typedef {{group: string, fill?: string, stroke?: string, width?: (zoom: number) => number,
 *   dash?: number[], cap?: CanvasLineCap, from?: number, until?: number, casing?: boolean}} Rule */

/** Roads from the least to the greatest: width in pixels by zoom, and from which zoom there is a casing. */
const ROADS = {
  path: { width: by([13, 0.8], [17, 2]), from: 13.5, dash: [2, 3], bare: true },
  track: { width: by([12, 0.8], [17, 2.6]), from: 12, dash: [7, 3], bare: true },
  service: { width: by([13, 0.8], [15, 2.4], [17, 6]), from: 13, cased: 14.5 },
  minor: { width: by([11.5, 0.7], [14, 2.6], [17, 11]), from: 11.5, cased: 13 },
  tertiary: { width: by([9.5, 0.8], [13, 3], [17, 13]), from: 9.5, cased: 11.5 },
  secondary: { width: by([8, 0.9], [11, 2.2], [13, 4], [17, 15]), from: 8, cased: 10.5 },
  primary: { width: by([7, 0.9], [10, 2.4], [13, 5], [17, 17]), from: 7, cased: 9.5 },
  trunk: { width: by([5, 0.9], [9, 2.4], [13, 5.5], [17, 18]), from: 5, cased: 8.5 },
  motorway: { width: by([5, 1.1], [9, 3], [13, 6.5], [17, 20]), from: 5, cased: 8 },
};
export const ROAD_CLASSES = Object.keys(ROADS);
const RAMP = 0.6; // of the width of the road that it leads to

const area = (group, from = 0) => ({ group, fill: group, from });

/** @type {Rule[]} */
const BELOW = [
  area('land'),
  area('farmland'),
  area('built'),
  area('grass'),
  area('rock'),
  area('wood'),
  area('wetland'),
  area('ice'),
  area('industry'),
  area('airfield'),
  { group: 'stream', stroke: 'shore', width: by([12, 0.6], [17, 2.4]), from: 12 },
  { group: 'river', stroke: 'shore', width: by([5, 0.6], [9, 1.1], [13, 2.2], [17, 5]) },
  area('water'),
  { group: 'water', stroke: 'shore', width: by([5, 0.7], [14, 1]) },
  { group: 'coast', stroke: 'shore', width: by([4, 0.9], [10, 1.4]) },
  area('building', 14),
  { group: 'building', stroke: 'building-edge', width: () => 0.6, from: 15 },
  { group: 'ferry', stroke: 'shore', width: () => 1.2, dash: [6, 5], from: 9 },
  { group: 'runway', stroke: 'road-thin', width: by([10, 1], [14, 7], [17, 30]), from: 10, cap: 'butt' },
  { group: 'taxiway', stroke: 'road-thin', width: by([13, 1], [17, 8]), from: 13, cap: 'butt' },
];

/** @type {Rule[]} */
const ABOVE = [
  { group: 'rail', stroke: 'rail', width: by([7, 0.8], [14, 1.8], [17, 3]), from: 7, cap: 'butt' },
  { group: 'rail', stroke: 'land', width: by([12, 0.6], [17, 1.6]), dash: [6, 6], from: 12, cap: 'butt' },
  { group: 'lift', stroke: 'rail', width: () => 1, dash: [8, 2, 1, 2], from: 13 },
  { group: 'county', stroke: 'county', width: () => 1, dash: [1.5, 3], from: 7, cap: 'butt' },
  { group: 'state', stroke: 'state', width: by([5, 1.1], [12, 2]), dash: [7, 4], from: 3, cap: 'butt' },
  { group: 'country', stroke: 'country', width: by([3, 0.9], [6, 1.6], [12, 2.6]) },
];

/** @returns {Rule[]} casings of all roads under all roads, so that crossings are open */
function roads() {
  /** @type {Rule[]} */
  const rules = [];
  for (const [name, road] of Object.entries(ROADS)) {
    if (road.bare) {
      rules.push({ group: name, stroke: 'track', width: road.width, dash: road.dash, from: road.from, cap: 'butt' });
      continue;
    }
    for (const [group, part] of /** @type {[string, number][]} */ ([[`${name}-ramp`, RAMP], [name, 1]])) {
      const width = (zoom) => part * road.width(zoom) + 2;
      rules.push({ group, stroke: `${edgeOf(name)}-edge`, width, from: road.cased, cap: 'butt', casing: true });
    }
  }
  const cased = rules.filter((rule) => rule.casing);
  const bare = rules.filter((rule) => !rule.casing);
  /** @type {Rule[]} */
  const tops = [];
  for (const [name, road] of Object.entries(ROADS)) {
    if (road.bare) continue;
    const tunnel = (zoom) => road.width(zoom);
    tops.push({ group: `${name}-tunnel`, stroke: `${edgeOf(name)}-thin`, width: tunnel, dash: [4, 4], from: road.from, cap: 'butt' });
  }
  for (const [name, road] of Object.entries(ROADS)) {
    if (road.bare) continue;
    const colour = COLOUR_OF[name] ?? 'road';
    for (const [group, part] of /** @type {[string, number][]} */ ([[`${name}-ramp`, RAMP], [name, 1]])) {
      const width = (zoom) => part * road.width(zoom);
      // too thin for a casing: in a colour that is seen without one
      tops.push({ group, stroke: `${edgeOf(name)}-thin`, width, from: road.from, until: road.cased });
      tops.push({ group, stroke: colour, width, from: road.cased });
    }
  }
  return [...bare, ...cased, ...tops];
}

/** @type {Record<string, string>} */
const COLOUR_OF = { motorway: 'motorway', trunk: 'trunk', primary: 'primary', secondary: 'secondary' };
const edgeOf = (name) => (name === 'motorway' || name === 'trunk' ? 'motorway' : 'road');

/** All rules, the lowest first. @type {Rule[]} */
export const RULES = [...BELOW, ...roads(), ...ABOVE];

/** The names of colours; each is `--map-NAME` in the page's style. */
export const COLOURS = [
  'wave',
  ...new Set(RULES.flatMap(({ fill, stroke }) => [fill, stroke]).filter((name) => name !== undefined)),
];

/** From which zoom a group is drawn at all. @type {Map<string, number>} */
export const FROM = new Map();
for (const { group, from = 0 } of RULES) FROM.set(group, Math.min(FROM.get(group) ?? 99, from));
