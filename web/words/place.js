/** What is said of a thing that the reader touched on the map. */

import { seconds } from 'leeward/clock.js';
import { isOld, isOldVehicle } from 'leeward/fresh.js';
import { wayFrom } from 'leeward/whereis.js';
import { trackerWords } from 'leeward/words/tracker.js';
import * as words from 'leeward/words.js';

const ROADS = {
  motorway: 'Motorway', trunk: 'Trunk road', primary: 'Main road', secondary: 'Secondary road', tertiary: 'Local through road',
  minor: 'Street', service: 'Service road', track: 'Track', path: 'Path',
};
const NAMED = { lake: 'water', river: 'river', sea: 'sea', peak: 'summit', county: 'county', street: 'road', shield: 'road', station: 'railway station', airfield: 'airfield' };

/** @typedef {{title: string, lines: string[], stale: boolean, at: [number, number] | null}} Told */

/**
 * Of a thing that was picked; null when it is no longer there.
 * @param {import('../map/picked.js').Picked} picked @param {import('../types.js').Shown} state
 * @returns {Told | null}
 */
export function tell(picked, state, units, now_s) {
  const telling = TELL[picked.kind];
  return telling === undefined ? null : telling(picked, state, units, now_s);
}

const ago = (time, now_s) => words.ago(seconds(time), now_s);
const place = ({ latitude_deg, longitude_deg }) => /** @type {[number, number]} */ ([latitude_deg, longitude_deg]);

const TELL = {
  payload({ flight }, state, units, now_s) {
    const its = state.flights[flight];
    if (!its?.track) return null;
    const { track } = its;
    const stale = its.phase !== 'landed' && isOld({ ...state, ...its }, track.time, now_s);
    const above = track.height_above_ground_m === null ? '' : `, ${units.altitude(track.height_above_ground_m)} above ground`;
    const climb = `${track.climb_ms < 0 ? '↓' : '↑'} ${units.climb(Math.abs(track.climb_ms))}, ${units.speed(track.ground_speed_ms)} ${words.compass(track.course_deg)}`;
    const lines = [`${units.altitude(track.altitude_m)}${above}`, climb, `as of ${ago(track.time, now_s)}, by ${track.based_on.join(' and ')}`];
    return { title: `${its.name}: ${words.PHASES[its.phase]}`, lines, stale, at: place(track) };
  },
  landing({ flight }, state, units, now_s) {
    const its = state.flights[flight];
    if (!its?.landing) return null;
    const { landing } = its;
    const landed = landing.basis === 'landed fix';
    const at_s = seconds(landing.time);
    const lines = [
      `${landed ? 'landed' : 'lands'} ${words.clockTime(at_s)} ${words.zone(at_s)}`,
      `90\u00a0% within ${units.distance(landing.radius_90_m)}`,
      `${landing.basis}, as of ${ago(landing.as_of, now_s)}`,
    ];
    const stale = !landed && isOld({ ...state, ...its }, landing.as_of, now_s);
    return { title: `Landing of ${its.name}`, lines, stale, at: place(landing) };
  },
  tracker({ name }, state, units) {
    const tracker = state.trackers.find((one) => one.name === name);
    if (tracker === undefined || tracker.last_latitude_deg === null || tracker.last_longitude_deg === null) return null;
    const height = tracker.last_altitude_m === null ? [] : [`last fix at ${units.altitude(tracker.last_altitude_m)}`];
    const stale = tracker.state !== 'reporting';
    return { title: `${tracker.label} (${words.ROLES[tracker.role]})`, lines: [trackerWords(tracker, units), ...height], stale, at: [tracker.last_latitude_deg, tracker.last_longitude_deg] };
  },
  car({ name }, state, units, now_s) {
    const car = state.vehicles.find((one) => one.name === name);
    if (car === undefined) return null;
    const stale = isOldVehicle(state, car.time, now_s);
    const lines = [`${stale ? 'position' : 'seen'} ${ago(car.time, now_s)}${stale ? ': old' : ''}`];
    if (car.speed_ms !== null) lines.push(`drove ${units.speed(car.speed_ms)}`);
    if (car.distance_m !== null && car.bearing_deg !== null) {
      lines.push(`landing ${units.distance(car.distance_m)} ${words.compass(car.bearing_deg)} ${words.bearing(car.bearing_deg)}`);
    }
    if (car.drive_s !== null) lines.push(`drive ${words.duration(car.drive_s)}${car.road === null ? ', as the crow flies' : ''}`);
    return { title: car.own ? `${name} (ours)` : name, lines, stale, at: place(car) };
  },
  receiver({ name }, state, units, now_s) {
    const sender = state.senders.find((one) => one.name === name);
    if (sender === undefined || sender.latitude_deg === null) return null;
    const height = sender.altitude_m === null ? [] : [`at ${units.altitude(sender.altitude_m)}`];
    const heard = `${words.plural(sender.packets, 'packet')}, last heard ${ago(sender.last_heard, now_s)}`;
    return { title: name, lines: ['another station on the air', heard, ...height], stale: false, at: [sender.latitude_deg, sender.longitude_deg] };
  },
  launch({ flight }, state) {
    const its = state.flights[flight];
    if (!its || its.launch.latitude_deg === null || its.launch.longitude_deg === null) return null;
    const at_s = seconds(its.launch.time);
    const when = at_s === null ? [] : [`${words.clockTime(at_s)} ${words.zone(at_s)}`];
    return { title: `Launch of ${its.name}`, lines: when, stale: false, at: [its.launch.latitude_deg, its.launch.longitude_deg] };
  },
  event({ name, time }, state, units) {
    const event = state.events.find((one) => one.kind === name && one.time === time);
    if (event === undefined) return null;
    const at_s = seconds(event.time);
    const lines = [`${units.altitude(event.altitude_m)}, ${words.clockTime(at_s)} ${words.zone(at_s)}`];
    return { title: words.sentenceCase(event.kind), lines, stale: false, at: place(event) };
  },
  named({ text, name, population, at }, state, units) {
    const many = population ? [`about ${population.toLocaleString('en-US')} people`] : [];
    const what = NAMED[name] === undefined ? many : [NAMED[name], ...many];
    return { title: text, lines: [...what, ...ways(at.lat, at.lng, state, units)], stale: false, at: [at.lat, at.wrap().lng] };
  },
  road({ road, at }, state, units) {
    const { type, name, number } = road;
    const title = [number, name].filter((part) => part !== '').join(' · ') || ROADS[type];
    const lines = [ROADS[type], ...ways(at.lat, at.lng, state, units)];
    return { title, lines: title === ROADS[type] ? lines.slice(1) : lines, stale: false, at: [at.lat, at.wrap().lng] };
  },
  place({ at }, state, units) {
    const lng = at.wrap().lng;
    return { title: words.decimalDegrees(at.lat, lng), lines: [words.degreesMinutes(at.lat, lng), ...ways(at.lat, lng, state, units)], stale: false, at: [at.lat, lng] };
  },
};

/** From our car and from the landing to a place. */
function ways(lat, lon, { vehicles, landing }, units) {
  const own = vehicles.find((one) => one.own);
  const from = (what, item) => {
    if (!item) return [];
    const { range_m, bearing_deg } = wayFrom(item.latitude_deg, item.longitude_deg, lat, lon);
    return [`${units.distance(range_m)} ${words.compass(bearing_deg)} ${words.bearing(bearing_deg)} of ${what}`];
  };
  return [...from(own?.name ?? '', own), ...from('the landing', landing)];
}
