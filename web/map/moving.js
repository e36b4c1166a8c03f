/** What moves or stands on the map as a mark: payload, trackers, vehicles, stations, events. */

import * as L from 'leaflet';
import { el, setAttribute, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { drawn } from 'leeward/map/around.js';
import { marker, place, symbol } from 'leeward/map/symbols.js';
import { flightSymbol } from 'leeward/outline.js';
import { isOld } from 'leeward/fresh.js';
import * as words from 'leeward/words.js';

export function createMoving(map, units) {
  const payloads = new Map();
  const launches = new Map();
  const trackers = new Map();
  const vehicles = new Map();
  const ways = new Map();
  const stations = new Map();
  const events = new Map();
  const renderer = L.svg({ pane: 'track', padding: 0.3 });

  function each(known, items, keyOf, make) {
    const keys = new Set(items.map(keyOf));
    for (const [key, mark] of known) {
      if (!keys.has(key)) {
        mark.remove();
        known.delete(key);
      }
    }
    for (const item of items) {
      const key = keyOf(item);
      if (!known.has(key)) known.set(key, make(item));
      const mark = known.get(key);
      place(map, mark, ...position(item));
      mark.refresh?.(item);
    }
  }

  return {
    /** @param {import('../types.js').Shown} state */
    draw(state, history, now_s) {
      state.flights.forEach((flight, number) => payload(state, flight, number, now_s));
      const apart = state.flights.flatMap(({ track, trackers: its }) =>
        its.filter(({ last_fix_time: time }) => time !== null && track !== null && lags(time, track.time)),
      );
      each(trackers, apart, ({ name }) => name, ({ name, role, label }) => {
        const text = el('span', { class: 'mark-label', text: label });
        return Object.assign(marker({ shape: role, size: 16, label: text }), { about: { kind: 'tracker', name } });
      });
      each(vehicles, state.vehicles, ({ name }) => name, vehicleMark);
      each(stations, state.senders, ({ name }) => name, stationMark);
      const places = state.events.filter(({ kind }) => kind === 'burst' || kind === 'float');
      each(events, places, ({ kind, time }) => kind + time, ({ kind, time }) => {
        const text = el('span', { class: 'mark-label', text: kind });
        return Object.assign(marker({ shape: 'event', size: 16, label: text }), { about: { kind: 'event', name: kind, time } });
      });
      for (const { name, own } of state.vehicles) drive(name, own, history.vehicles[name] ?? []);
    },
  };

  /** A flight's payload, with its name where there are several, and where it was launched. */
  function payload(state, flight, number, now_s) {
    const { name, track, phase, launch } = flight;
    if (!payloads.has(name)) {
      const label = el('span', { class: 'mark-label payload-label' });
      const mark = marker({ node: flightSymbol(number, 26), size: 26, label });
      payloads.set(name, { label, mark: Object.assign(mark, { about: { kind: 'payload', flight: number }, glides: true }) });
      launches.set(name, Object.assign(marker({ shape: 'launch', size: 18 }), { about: { kind: 'launch', flight: number } }));
    }
    const { label, mark } = payloads.get(name);
    mark.setZIndexOffset(name === state.flight.name ? 1000 : 950);
    place(map, mark, track?.latitude_deg, track?.longitude_deg ?? null);
    const height = track?.altitude_m ?? null;
    const silent = height === null || phase === 'landed'; // the landing's label says it then
    const named = state.flights.length > 1 ? `${name} ` : '';
    const old = isOld({ ...state, ...flight }, track?.time ?? null, now_s);
    const age = old && track !== null ? `, ${words.ago(seconds(track.time), now_s)}` : '';
    setText(label, silent ? '' : `${named}${units.altitude(height)}${age}`);
    setAttribute(label.parentElement, 'data-stale', old && phase !== 'landed');
    place(map, launches.get(name), launch.latitude_deg, launch.longitude_deg);
  }

  function stationMark({ name }) {
    const label = el('span', { class: 'mark-label station-label', text: name });
    return Object.assign(marker({ node: symbol('station', 16), label, front: -500 }), { belowTowns: true, about: { kind: 'receiver', name } });
  }

  function vehicleMark({ name, own }) {
    const number = el('span', { class: own ? 'tag tag-own' : 'tag' });
    const label = el('span', { class: 'mark-label vehicle-label', text: name });
    const mark = /** @type {any} */ (marker({ node: number, label, front: own ? 900 : 800 }));
    Object.assign(mark, { about: { kind: 'car', name }, glides: true });
    mark.refresh = (vehicle) => {
      const text = vehicle.name.match(/\d+/)?.[0] ?? vehicle.name.slice(0, 1).toUpperCase();
      setText(number, text);
    };
    return mark;
  }

  function drive(name, own, rows) {
    if (!ways.has(name)) {
      const className = own ? 'driven driven-own' : 'driven';
      const line = L.polyline([], { renderer, className, interactive: false });
      ways.set(name, { line: line.addTo(map), drawn: -1 });
    }
    const way = ways.get(name);
    const last = rows.at(-1)?.[0] ?? 0;
    if (way.drawn === last) return;
    way.drawn = last;
    way.line.setLatLngs(rows.map(([, lat, lon]) => [lat, drawn(lon)]));
  }
}

/** A tracker that lies well behind the fused track has its own mark; the others are the payload. */
function lags(fix, track) {
  return seconds(track) - seconds(fix) > 180;
}

function position(item) {
  if ('last_latitude_deg' in item) return [item.last_latitude_deg, item.last_longitude_deg];
  return [item.latitude_deg, item.longitude_deg];
}

