/** What moves or stands on the map as a mark: payload, trackers, vehicles, stations, events. */

import * as L from 'leaflet';
import { el, setAttribute, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { marker, place, symbol } from 'leeward/map/symbols.js';
import { isOld } from 'leeward/fresh.js';

const LABEL_PX = 130;

export function createMoving(map, units) {
  const payloadLabel = el('span', { class: 'mark-label payload-label' });
  const payload = marker({ shape: 'payload', size: 26, label: payloadLabel, front: 1000 });
  const launch = marker({ shape: 'launch', size: 18 });
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
      const { track } = state;
      place(map, payload, track?.latitude_deg, track?.longitude_deg ?? null);
      const height = track?.altitude_m ?? null;
      const silent = height === null || state.phase === 'landed'; // the landing's label says it then
      setText(payloadLabel, silent ? '' : units.altitude(height));
      payloadLabel.classList.toggle('label-left', liesBeside(track, state.landing));
      const old = isOld(state, track?.time ?? null, now_s);
      setAttribute(payloadLabel.parentElement, 'data-stale', old && state.phase !== 'landed');
      place(map, launch, state.launch.latitude_deg, state.launch.longitude_deg);

      const apart = state.trackers.filter(
        ({ last_fix_time: time }) => time !== null && track !== null && lags(time, track.time),
      );
      each(trackers, apart, ({ name }) => name, ({ role, label }) =>
        marker({ shape: role, size: 16, label: el('span', { class: 'mark-label', text: label }) }),
      );
      each(vehicles, state.vehicles, ({ name }) => name, vehicleMark);
      for (const vehicle of state.vehicles) {
        vehicles.get(vehicle.name).label.classList.toggle('label-left', liesBeside(vehicle, state.landing));
      }
      each(stations, state.senders, ({ name }) => name, ({ name }) =>
        marker({
          node: symbol('station', 16),
          label: el('span', { class: 'mark-label station-label', text: name }),
          front: -500,
        }),
      );
      const places = state.events.filter(({ kind }) => kind === 'burst' || kind === 'float');
      each(events, places, ({ kind, time }) => kind + time, ({ kind }) =>
        marker({ shape: 'event', size: 16, label: el('span', { class: 'mark-label', text: kind }) }),
      );
      for (const { name, own } of state.vehicles) drive(name, own, history.vehicles[name] ?? []);
    },
  };

  /** Whether the label of the payload or a vehicle would lie on the landing's. */
  function liesBeside(thing, landing) {
    if (thing === null || landing === null || thing.latitude_deg === null) return false;
    const at = map.latLngToLayerPoint([thing.latitude_deg, thing.longitude_deg]);
    const ring = map.latLngToLayerPoint([landing.latitude_deg, landing.longitude_deg]);
    return Math.abs(at.y - ring.y) < 26 && Math.abs(at.x - ring.x) < LABEL_PX;
  }

  function vehicleMark({ name, own }) {
    const number = el('span', { class: own ? 'tag tag-own' : 'tag' });
    const label = el('span', { class: 'mark-label vehicle-label', text: name });
    const mark = /** @type {any} */ (marker({ node: number, label, front: own ? 900 : 800 }));
    mark.label = label;
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
    way.line.setLatLngs(rows.map(([, lat, lon]) => [lat, lon]));
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

