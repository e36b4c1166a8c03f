/** The vehicles: how far to the landing, when they are there, and whether that is before it. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOldVehicle } from 'leeward/fresh.js';
import { card } from 'leeward/panels/card.js';
import * as words from 'leeward/words.js';

/** A car of the plan that nothing was heard of, as far as a row reads it. */
const NOWHERE = { time: null, source: '', flight: '', distance_m: null, arrives: null, arrives_before_landing_s: null };

/** @param {import('../types.js').Context} context */
function createVehicles({ store, clock, units, map, post }) {
  const list = el('ul', { class: 'vehicles' });
  const none = el('p', { class: 'sentence', text: 'No vehicle in the plan.' });
  const panel = card('vehicles', 'Vehicles', list, none);
  const known = new Map();

  function make({ name, own }) {
    const number = name.match(/\d+/)?.[0] ?? name.slice(0, 1).toUpperCase();
    const margin = el('span', { class: 'margin' });
    const way = el('span', { class: 'way' });
    const age = el('span', { class: 'age' });
    const put = el('button', { type: 'button', class: 'quiet crew-only', text: 'Set position' });
    put.addEventListener('click', () => {
      setText(put, 'Now touch the map');
      map.ask(async ({ lat, lng }) => {
        const place = { name, latitude_deg: lat, longitude_deg: lng };
        setText(put, (await post('/api/vehicle', place)) ?? 'Set position');
      });
    });
    const follows = createFollows(name);
    const node = el(
      'li',
      { class: 'vehicle' },
      el('span', { class: own ? 'tag tag-own' : 'tag', text: number }),
      el('div', { class: 'vehicle-words' }, el('b', { text: own ? `${name}, ours` : name }), way, age),
      el('div', { class: 'vehicle-side' }, margin, put, follows.node),
    );
    return {
      node,
      update(vehicle) {
        const { state } = store;
        const now_s = clock.now_s();
        if (state === null) return;
        const at_s = seconds(vehicle.time);
        const old = isOldVehicle(state, vehicle.time, now_s);
        setAttribute(node, 'data-stale', old || null);
        setText(way, wayWords(vehicle));
        const heard = at_s === null ? 'no position yet' : `position ${words.ago(at_s, now_s)}`;
        setText(age, old && at_s !== null ? `old: ${heard}` : heard);
        const landed = state.phase === 'landed';
        const early_s = landed ? null : vehicle.arrives_before_landing_s;
        setText(margin, early_s === null ? arrival(vehicle) : marginWords(early_s));
        setAttribute(margin, 'data-tone', early_s === null ? null : early_s >= 0 ? 'good' : 'bad');
        follows.show(vehicle.flight, state);
        setShown(put, put.textContent !== 'Set position' || old || vehicle.source === 'crew');
      },
    };
  }

  /** Whose landing a car drives to, where the mission has several flights. */
  function createFollows(name) {
    const select = /** @type {HTMLSelectElement} */ (
      el('select', { class: 'quiet crew-only', 'aria-label': `${name} drives to`, hidden: true })
    );
    select.addEventListener('change', () => post('/api/assign', { name, flight: select.value }));
    return {
      node: select,
      show(flight, { flights, mode }) {
        setShown(select, flights.length > 1 && mode !== 'replay');
        if (select.options.length !== flights.length + 1) {
          select.replaceChildren(
            new Option('any landing', ''),
            ...flights.map((one) => new Option(`to ${one.name}`, one.name)),
          );
        }
        if (document.activeElement !== select) select.value = flight;
      },
    };
  }

  function wayWords({ distance_m, bearing_deg, road_distance_m, drive_s, road, no_road }) {
    if (distance_m === null || distance_m === undefined) return 'Distance to the landing not known.';
    const toward = bearing_deg === null ? '' : ` ${words.compass(bearing_deg)} ${words.bearing(bearing_deg)}`;
    const straight = `${units.distance(distance_m)}${toward}`;
    if (road_distance_m === null || drive_s === null) return straight;
    if (road !== null) return `${straight}; ${units.distance(road_distance_m)} by road, ${words.duration(drive_s)}`;
    const guess = `${straight}; about ${units.distance(road_distance_m)} of road, ${words.duration(drive_s)}`;
    return `${guess}, ${no_road ? 'but no road leads there' : 'as the crow flies'}`;
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null) return;
    const unplaced = state.unplaced.map((one) => ({ ...NOWHERE, ...one }));
    setShown(none, state.vehicles.length + unplaced.length === 0);
    const whose = state.flights.length > 1 ? `the landing of ${state.flight.name}` : 'the landing point';
    panel.aside(state.vehicles.length > 0 && state.landing !== null ? `to ${whose}` : '');
    follow(list, [...state.vehicles, ...unplaced], ({ name }) => name, make, known);
  }

  return { node: panel.node, render };
}

function marginWords(early_s) {
  return `${words.duration(Math.abs(early_s))} ${early_s >= 0 ? 'early' : 'late'}`;
}

function arrival({ arrives }) {
  const at_s = seconds(arrives);
  return at_s === null ? '' : `there at ${words.clockTime(at_s)}`;
}

export const place = { order: 70, tab: 'landing', create: createVehicles };
