/**
 * What a feature is, in the words of the schema that its map speaks: a group of `style.js`, a label, or
 * nothing. Layers and attributes as Protomaps' basemap (versions 2 to 4) and OpenMapTiles 3 describe them.
 */

import { ROAD_CLASSES } from './style.js';

/** @typedef {{text: string, kind: string, rank: number, population?: number}} Label
 * @typedef {{groups: string[], label: Label | null, also?: Label | null}} Meaning */

const NOTHING = { groups: [], label: null };
/** @param {string | null} group @param {Label | null} [label] @returns {Meaning} */
const drawn = (group, label = null) => ({ groups: group === null ? [] : [group], label });
/** @returns {Label | null} */
const named = (kind, text, rank, population = 0) =>
  typeof text === 'string' && text !== '' ? { text: text.slice(0, 80), kind, rank, population } : null;

/** The name on the spot; some files have it in Latin letters alone. */
const nameOf = (p) => p.name ?? p['name:latin'] ?? p.name_int ?? p['name:en'] ?? p.name_en;

/** How much a place counts where its size is not said. */
const PLACES = {
  country: 100, state: 90, city: 80, town: 70, village: 60, suburb: 52, quarter: 46, hamlet: 50,
  neighbourhood: 44, locality: 42, isolated_dwelling: 40, farm: 40,
};
/** @type {Record<string, number>} */
const STREETS = { motorway: 39, trunk: 38, primary: 37, secondary: 36, tertiary: 35, minor: 33, service: 30, track: 29, path: 28 };

/** @param {number | null} [rank] */
function place(kind, text, population, rank = null) {
  const size = population > 0 ? Math.log10(population) : rank === null ? 0 : Math.max(6 - rank / 3, 0);
  return named(kind, text, (PLACES[kind] ?? 40) + size, population);
}

/** A road's group, by class; ramps and tunnels look otherwise. @param {Label | null} [label] */
function road(type, { ramp = false, tunnel = false }, label = null) {
  if (!ROAD_CLASSES.includes(type)) return drawn(null, label);
  const bare = type === 'path' || type === 'track';
  return drawn(bare ? type : tunnel ? `${type}-tunnel` : ramp ? `${type}-ramp` : type, label);
}

// The world that the program carries (server/geodata/README.md)

/** @type {Record<string, (p: any, type: number) => Meaning>} */
const WORLD = {
  land: () => ({ groups: ['land', 'coast'], label: null }),
  lakes: ({ name }) => drawn('water', named('lake', name, 64)),
  rivers: ({ name }) => drawn('river', named('river', name, 34)),
  borders: ({ kind }) => drawn(kind),
  railways: () => drawn('rail'),
  counties: ({ name }) => drawn(null, named('county', name, 20)),
  towns: ({ name, population }) => drawn(null, named('town', name, 50 + Math.log10(population + 1) * 5, population)),
};

// OpenMapTiles

const OMT_COVER = {
  wood: 'wood', forest: 'wood', grass: 'grass', farmland: 'farmland', ice: 'ice', rock: 'rock', sand: 'rock',
  wetland: 'wetland',
};
const OMT_USE = {
  residential: 'built', suburb: 'built', quarter: 'built', neighbourhood: 'built', commercial: 'industry',
  industrial: 'industry', retail: 'industry', quarry: 'rock', cemetery: 'grass', pitch: 'grass',
  playground: 'grass', park: 'grass', garden: 'grass',
};
const OMT_ROADS = {
  minor_road: 'minor', street: 'minor', street_limited: 'minor', pedestrian: 'minor', busway: 'service',
  raceway: 'service', living_street: 'minor', unclassified: 'minor', residential: 'minor',
};
const omtClass = (type = '') => {
  const plain = String(type).replace('_construction', '');
  return OMT_ROADS[plain] ?? plain;
};

/** @type {Record<string, (p: any, type: number) => Meaning>} */
const OPENMAPTILES = {
  water: ({ class: type }) => drawn(type === 'swimming_pool' ? null : 'water'),
  waterway: (p) => {
    const isRiver = p.class === 'river' || p.class === 'canal';
    return drawn(isRiver ? 'river' : 'stream', named('river', nameOf(p), isRiver ? 48 : 27));
  },
  landcover: ({ class: type }) => drawn(OMT_COVER[type] ?? null),
  landuse: ({ class: type }) => drawn(OMT_USE[type] ?? null),
  park: () => NOTHING,
  aeroway: ({ class: type }) =>
    drawn(type === 'runway' ? 'runway' : type === 'taxiway' ? 'taxiway' : type === 'gate' ? null : 'airfield'),
  building: () => drawn('building'),
  boundary: ({ admin_level: level, maritime }) => {
    if (Number(maritime) === 1) return NOTHING;
    return drawn(level <= 2 ? 'country' : level <= 4 ? 'state' : level <= 6 ? 'county' : null);
  },
  transportation: ({ class: type, ramp, brunnel }) => {
    if (type === 'rail' || type === 'transit') return drawn(brunnel === 'tunnel' ? null : 'rail');
    if (type === 'ferry') return drawn('ferry');
    if (type === 'aerialway' || type === 'cable_car' || type === 'gondola') return drawn('lift');
    return road(omtClass(type), { ramp: Number(ramp) === 1, tunnel: brunnel === 'tunnel' });
  },
  transportation_name: (p) => {
    const kind = omtClass(p.class);
    const name = nameOf(p);
    const number = p.ref ?? p.route_1_ref;
    if (number && STREETS[kind] >= STREETS.tertiary) {
      return { groups: [], label: named('shield', String(number).split(';')[0], 26 + STREETS[kind]), also: street(kind, name) };
    }
    return { groups: [], label: street(kind, name) };
  },
  place: (p) =>
    drawn(null, place(p.class === 'province' ? 'state' : p.class, nameOf(p), Number(p.population) || 0, p.rank ?? null)),
  water_name: (p) => {
    if (p.class === 'river' || p.class === 'stream') return NOTHING; // named along their lines
    return drawn(null, named(p.class === 'ocean' || p.class === 'sea' ? 'sea' : 'lake', nameOf(p), 64));
  },
  mountain_peak: (p) => drawn(null, peak(nameOf(p), p.ele)),
  aerodrome_label: (p) => drawn(null, named('airfield', nameOf(p), 55)),
  poi: (p) => drawn(null, p.class === 'railway' && p.subclass !== 'subway_entrance' ? named('station', nameOf(p), 43) : null),
};

const street = (type, name) => (STREETS[type] === undefined ? null : named('street', name, STREETS[type]));

function peak(name, altitude_m) {
  const height = Number(altitude_m);
  const text = name && Number.isFinite(height) && height > 0 ? `${name} ${Math.round(height)} m` : name;
  return named('peak', text, 45 + (Number.isFinite(height) ? height / 2_000 : 0));
}

// Protomaps' basemap

const PM_AREAS = {
  forest: 'wood', wood: 'wood', grassland: 'grass', grass: 'grass', meadow: 'grass', park: 'grass',
  garden: 'grass', golf_course: 'grass', cemetery: 'grass', pitch: 'grass', playground: 'grass', scrub: 'grass',
  recreation_ground: 'grass', village_green: 'grass', farmland: 'farmland', farmyard: 'farmland',
  orchard: 'farmland', barren: 'rock', bare_rock: 'rock', beach: 'rock', sand: 'rock', quarry: 'rock',
  glacier: 'ice', wetland: 'wetland', residential: 'built', urban_area: 'built', industrial: 'industry',
  commercial: 'industry', railway: 'industry', aerodrome: 'airfield', runway: 'airfield', taxiway: 'airfield',
};
const PM_DETAILS = {
  residential: 'minor', unclassified: 'minor', living_street: 'minor', pedestrian: 'minor', road: 'minor',
  raceway: 'service', busway: 'service', footway: 'path', steps: 'path', cycleway: 'path', bridleway: 'path',
  sidewalk: 'path', crossing: 'path', corridor: 'path',
};
const PM_KINDS = { highway: 'motorway', major_road: 'primary', medium_road: 'tertiary', minor_road: 'minor', path: 'path', other: 'path' };
const PM_PLACES = {
  country: 'country', region: 'state', state: 'state', city: 'city', town: 'town', village: 'village',
  hamlet: 'hamlet', neighbourhood: 'neighbourhood', macrohood: 'suburb', suburb: 'suburb',
};

const kindOf = (p) => p.kind ?? p['pmap:kind'];
const detailOf = (p) => p.kind_detail ?? p['pmap:kind_detail'];

function protomapsRoad(p) {
  const kind = kindOf(p);
  const detail = String(detailOf(p) ?? p.highway ?? '');
  if (kind === 'rail' || p.railway) return drawn(p.is_tunnel ? null : 'rail');
  if (kind === 'ferry') return drawn('ferry');
  if (kind === 'aerialway') return drawn('lift');
  if (kind === 'aeroway') return drawn(detail === 'taxiway' ? 'taxiway' : 'runway');
  const plain = detail.replace('_link', '');
  const type = PM_DETAILS[plain] ?? (ROAD_CLASSES.includes(plain) ? plain : (PM_KINDS[kind] ?? ''));
  const ramp = detail.endsWith('_link') || Boolean(p.is_link ?? Number(p.link));
  const tunnel = Boolean(p.is_tunnel) || Number(p['pmap:level']) < 0;
  const number = p.shield_text ?? p['pmap:shield_text'] ?? p.ref;
  const name = street(type, nameOf(p));
  const shown = road(type, { ramp, tunnel });
  if (!number || !(STREETS[type] >= STREETS.tertiary)) return { ...shown, label: name };
  return { ...shown, label: named('shield', String(number).split(';')[0], 26 + STREETS[type]), also: name };
}

/** @type {Record<string, (p: any, type: number) => Meaning>} */
const PROTOMAPS = {
  earth: (p) => drawn(kindOf(p) === 'earth' || kindOf(p) === undefined ? 'land' : null),
  landcover: (p) => drawn(PM_AREAS[kindOf(p)] ?? null),
  landuse: (p) => drawn(PM_AREAS[kindOf(p)] ?? null),
  natural: (p) => drawn(PM_AREAS[kindOf(p)] ?? null),
  water: (p, type) => {
    const kind = kindOf(p);
    const detail = detailOf(p);
    const isSea = kind === 'ocean' || kind === 'sea';
    if (type === 1) return drawn(null, named(isSea ? 'sea' : 'lake', nameOf(p), 64));
    if (type === 3) return drawn(kind === 'swimming_pool' ? null : 'water', named('lake', nameOf(p), 64));
    const isRiver = [kind, detail].some((word) => word === 'river' || word === 'canal');
    return drawn(isRiver ? 'river' : 'stream', named('river', nameOf(p), isRiver ? 48 : 27));
  },
  physical_line: (p) => {
    const isRiver = kindOf(p) === 'river' || kindOf(p) === 'canal';
    return drawn(isRiver ? 'river' : 'stream', named('river', nameOf(p), isRiver ? 48 : 27));
  },
  physical_point: (p) => {
    const kind = kindOf(p);
    if (kind === 'peak') return drawn(null, peak(nameOf(p), p.elevation ?? p.ele));
    return drawn(null, named(kind === 'ocean' || kind === 'sea' ? 'sea' : 'lake', nameOf(p), 62));
  },
  roads: protomapsRoad,
  transit: protomapsRoad,
  boundaries: (p) => {
    const level = Number(p['pmap:min_admin_level'] ?? p.kind_detail ?? p.admin_level);
    const kind = kindOf(p);
    if (kind === 'country' || level === 2) return drawn('country');
    if (kind === 'region' || kind === 'macroregion' || level === 4) return drawn('state');
    return drawn(kind === 'county' || level === 6 ? 'county' : null);
  },
  places: (p) => {
    const detail = detailOf(p);
    const kind = PM_PLACES[detail] ?? PM_PLACES[kindOf(p)] ?? 'locality';
    const rank = p.population_rank ?? p['pmap:population_rank'];
    return drawn(null, place(kind, nameOf(p), Number(p.population) || 0, rank === undefined ? null : 18 - rank));
  },
  pois: (p) => {
    const kind = kindOf(p);
    if (kind === 'peak') return drawn(null, peak(nameOf(p), p.elevation ?? p.ele));
    if (kind === 'station') return drawn(null, named('station', nameOf(p), 43));
    return drawn(null, kind === 'aerodrome' ? named('airfield', nameOf(p), 55) : null);
  },
  buildings: () => drawn('building'),
};

const SCHEMAS = { world: WORLD, openmaptiles: OPENMAPTILES, protomaps: PROTOMAPS };

/**
 * @param {string} schema @param {string} layer
 * @returns {((properties: Record<string, any>, type: number) => Meaning) | null}
 */
export function meaningOf(schema, layer) {
  const layers = SCHEMAS[schema];
  return Object.hasOwn(layers, layer) ? layers[layer] : null;
}

/** What a tile is where it says nothing: the sea, or the land. @param {string} schema */
export const backgroundOf = (schema) => (schema === 'world' ? 'water' : 'land');
