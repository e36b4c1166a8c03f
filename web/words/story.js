/** What a projector tells: three figures, how each flight stands, and the story in sentences. */

import { seconds } from 'leeward/clock.js';
import { isOld } from 'leeward/fresh.js';
import { nearWords, wayFrom } from 'leeward/whereis.js';
import { landsWords } from 'leeward/words/landing.js';
import * as words from 'leeward/words.js';

const FLYING = new Set(['ascent', 'float', 'descent']);
const EVEREST_M = 8_849; // surveys of Nepal and China, told together in December 2020
const AIRLINERS_M = 12_500; // common practice, no source: most cruise at 9 to 12 km
const STEP_M = 5_000; // of heights that are told
const STEP_FT = 20_000;
const FOOT_M = 0.3048;
const CALM_S = 20; // between two points of a ground track that are measured: closer ones are noise

/** @typedef {{name: string, label: string, value: string, more: string, stale: boolean}} Figure */

/** `Replay: this flight was on 6 June 2026.` Empty for a live one. */
export function modeWords({ mode, now }) {
  if (mode === 'rehearsal') return 'Rehearsal: a made flight. Nothing is in the air.';
  if (mode !== 'replay') return '';
  const day = new Date(seconds(now) * 1000).toLocaleDateString('en-GB', { dateStyle: 'long' });
  return `Replay: this flight was on ${day}.`;
}

/** Height; where and when it lands; how long until then, or what it has flown. @returns {Figure[]} */
export function figuresOf(state, track, units, now_s, whereIs) {
  return [height(state, track, units, now_s), landing(state, units, now_s, whereIs), left(state, track, units, now_s)];
}

function height(state, track, units, now_s) {
  const name = 'height';
  const { phase, track: last } = state;
  if (last === null || last.altitude_m === null) {
    return { name, label: 'Height', value: 'not known', more: 'Nothing has been heard yet.', stale: false };
  }
  if (phase === 'landed') {
    const told = [...track.map(([, , , m]) => m), ...state.events.map(({ altitude_m }) => altitude_m), last.altitude_m];
    const top_m = told.reduce((top, m) => Math.max(top, m ?? -Infinity), -Infinity);
    return { name, label: 'Highest point', value: units.altitude(top_m), more: 'above the sea', stale: false };
  }
  const stale = isOld(state, last.time, now_s);
  const climb = last.climb_ms ?? 0;
  const motion = FLYING.has(phase) ? `${climb < 0 ? '↓' : '↑'}\u00a0${units.climb(Math.abs(climb))}` : 'above the sea';
  const more = stale ? `it was so ${words.ago(seconds(last.time), now_s)}` : motion;
  return { name, label: stale ? 'Last height' : `Height, ${words.PHASES[phase]}`, value: units.altitude(last.altitude_m), more, stale };
}

function landing(state, units, now_s, whereIs) {
  const name = 'landing';
  const told = state.landing;
  if (told === null) return { name, label: 'Landing', value: 'not known', more: 'Told once it flies.', stale: false };
  const at_s = seconds(told.time);
  const value = words.clockTime(at_s);
  const place = placeWords(told, units, whereIs);
  if (hasLanded(state)) return { name, label: `Landed (${words.zone(at_s)})`, value, more: place, stale: false };
  const stale = isOld(state, told.as_of, now_s);
  const verb = at_s < now_s ? 'Should have landed' : 'Lands about';
  const age = stale ? `as known ${words.ago(seconds(told.as_of), now_s)}: ` : '';
  return { name, label: `${verb} (${words.zone(at_s)})`, value, more: `${age}${place}`, stale };
}

function left(state, track, units, now_s) {
  const name = 'left';
  const flown_m = flownOf(track);
  const launch_s = seconds(state.launch.time);
  if (hasLanded(state)) {
    const took = launch_s === null ? '' : `in ${words.duration(seconds(state.landing.time) - launch_s)}`;
    return { name, label: 'Flown over ground', value: units.distance(flown_m), more: took, stale: false };
  }
  if (state.landing === null || launch_s === null) {
    const heard_s = Math.max(...state.trackers.map(({ last_heard }) => seconds(last_heard) ?? -Infinity), -Infinity);
    const value = heard_s === -Infinity ? 'never' : words.duration(now_s - heard_s);
    const stale = heard_s !== -Infinity && now_s - heard_s > 60 && isOld(state, new Date(heard_s * 1000).toISOString(), now_s);
    return { name, label: 'Last heard', value, more: heard_s === -Infinity ? '' : 'ago', stale };
  }
  const left_s = seconds(state.landing.time) - now_s;
  const stale = isOld(state, state.landing.as_of, now_s);
  const label = left_s < 0 ? 'Since it should have landed' : 'Until it lands';
  return { name, label, value: words.duration(Math.abs(left_s)), more: `${units.distance(flown_m)} flown`, stale };
}

const hasLanded = ({ phase, landing: told }) => told !== null && (phase === 'landed' || told.basis === 'landed fix');

function placeWords(place, units, whereIs) {
  return nearWords(whereIs(place), units) || words.decimalDegrees(place.latitude_deg, place.longitude_deg);
}

/** Along the ground track, in metres. @param {any[][]} track rows of the history */
export function flownOf(track) {
  let total_m = 0;
  let before = null;
  for (const row of track) {
    const [time_s, lat, lon, , , , phase] = row;
    if (!FLYING.has(phase)) continue;
    if (before !== null && time_s - before[0] < CALM_S) continue;
    if (before !== null) total_m += wayFrom(before[1], before[2], lat, lon).range_m;
    before = row;
  }
  return total_m;
}

/** How one of several stands: `falling, 12,340 m, lands 10:18`. */
export function standingWords(flight, state, units, now_s) {
  const { phase, track, landing: told } = flight;
  const stale = track !== null && phase !== 'landed' && isOld({ ...state, ...flight }, track.time, now_s);
  const parts = [words.PHASES[phase]];
  if (track !== null && FLYING.has(phase)) parts.push(units.altitude(track.altitude_m));
  if (told !== null && FLYING.has(phase)) parts.push(landsWords(told, now_s));
  if (stale) parts.push(words.ago(seconds(track.time), now_s));
  return { text: parts.join(', '), stale };
}

/**
 * The story of all flights by time; `minor`: what may be left out first.
 * @param {Record<string, any[][]>} tracks by flight
 * @returns {{key: string, time_s: number, text: string, minor: boolean}[]}
 */
export function storyOf(state, tracks, units, now_s, whereIs) {
  const several = state.flights.length > 1;
  return state.flights
    .flatMap((flight) => {
      const told = [...events(flight, units, whereIs), ...heights(flight, tracks[flight.name] ?? [], units), ...silence(flight, state, now_s)];
      return told.map(({ what, time_s, text }) => ({
        key: `${flight.name} ${what}`,
        time_s,
        minor: /^(up|down) /.test(what),
        text: several ? `${flight.name}: ${text}` : text,
      }));
    })
    .sort((a, b) => a.time_s - b.time_s);
}

function events({ events: happened, launch, landing: told }, units, whereIs) {
  const place = (event) => placeWords(event, units, whereIs);
  const say = {
    launch: (event) => (whereIs(event).from === 'the launch' ? 'Launched.' : `Launched ${place(event)}.`),
    float: (event) => `It climbs no more: it floats at ${units.altitude(event.altitude_m)}.`,
    sink: (event) => `It sinks slowly, from ${units.altitude(event.altitude_m)}.`,
    burst: (event) => `The balloon burst at ${units.altitude(event.altitude_m)}: it falls.`,
    landing(event) {
      const at = told ?? event;
      return `Landed ${place(at)}${whereIs(at).from === 'the launch' ? '' : fromLaunch(launch, event, units)}.`;
    },
  };
  return happened.map((event) => ({ what: `${event.kind} ${event.time}`, time_s: seconds(event.time), text: say[event.kind](event) }));
}

function fromLaunch({ latitude_deg, longitude_deg }, event, units) {
  if (latitude_deg === null || longitude_deg === null) return '';
  const { range_m } = wayFrom(latitude_deg, longitude_deg, event.latitude_deg, event.longitude_deg);
  return `, ${units.distance(range_m)} from the launch`;
}

/** Heights that were passed while it flew, the first time up and the last time down. */
function heights({ events: happened }, track, units) {
  const inFeet = units.system().altitudeUnit === 'ft';
  const step_m = inFeet ? STEP_FT * FOOT_M : STEP_M;
  const launch_s = seconds(happened.find(({ kind }) => kind === 'launch')?.time ?? null);
  const burst_s = seconds(happened.find(({ kind }) => kind === 'burst')?.time ?? null);
  if (launch_s === null) return [];
  const rows = track.filter(([time_s, , , m]) => m !== null && time_s >= launch_s);
  if (rows.length === 0) return [];
  const top_m = rows.reduce((top, [, , , m]) => Math.max(top, m), -Infinity); // any number of rows
  const found = [];
  for (let n = 1; n * step_m <= top_m; n += 1) {
    const m = n * step_m;
    const up = rows.find(([, , , altitude_m]) => altitude_m >= m);
    if (up !== undefined && up !== rows[0]) found.push({ what: `up ${m}`, time_s: up[0], text: `Above ${units.altitude(m)}.` });
    const down = burst_s === null || (n > 1 && n % 2 === 1) ? undefined : rows.find(([time_s, , , altitude_m]) => time_s > burst_s && altitude_m < m);
    if (down !== undefined) found.push({ what: `down ${m}`, time_s: down[0], text: `Down through ${units.altitude(m)}.` });
  }
  for (const [m, text] of /** @type {[number, string][]} */ ([[EVEREST_M, 'Higher than Mount Everest.'], [AIRLINERS_M, 'Higher than airliners fly.']])) {
    const up = rows.find(([, , , altitude_m]) => altitude_m >= m);
    if (up !== undefined && up !== rows[0]) found.push({ what: `up ${m}`, time_s: up[0], text });
  }
  return found;
}

/** That nobody hears it any more, from the last fix on. */
function silence(flight, state, now_s) {
  const { landing: told, phase } = flight;
  if (told === null || phase === 'landed' || told.basis !== 'last contact' || !isOld({ ...state, ...flight }, told.as_of, now_s)) return [];
  return [{ what: 'silence', time_s: seconds(told.as_of), text: 'Not heard any more from here on: it is too low, or a tracker has ended.' }];
}
