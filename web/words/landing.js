/** The landing in a sentence: when, by what, and what is not as planned. */

import { seconds } from 'leeward/clock.js';
import { timesWords } from 'leeward/words/alarm.js';
import * as words from 'leeward/words.js';

const NB = '\u00a0';

/**
 * `lands 10:12`, `landed 10:13`, `due 10:12, 9 min ago`: a time that has passed is not said as if it were to come.
 * @param {{time: string, basis: string}} landing
 */
export function landsWords({ time, basis }, now_s) {
  const time_s = seconds(time) ?? now_s;
  const clock = words.clockTime(time_s);
  if (basis === 'landed fix') return `landed ${clock}`;
  return time_s >= now_s ? `lands ${clock}` : `due ${clock}, ${words.ago(time_s, now_s)}`;
}

/** @param {import('../state.js').Landing} landing */
export function landingWords(landing, units, now_s) {
  const heard = at(seconds(landing.as_of));
  if (landing.basis === 'landed fix') return restWords(landing, units, heard);
  const early_s = seconds(landing.time_early);
  const late_s = seconds(landing.time_late);
  const between = `between ${words.clockTime(early_s)} and ${at(late_s)}`;
  if (landing.basis === 'last contact') {
    const down = now_s > late_s ? `it came down ${between}` : `down ${between}`;
    const search = `Search the ground within ${units.distance(landing.radius_90_m)}.`;
    return (
      `No contact since ${heard}, ${lastSeen(landing, units)}. Worked out from the last fix: ${down}. ` +
      `${search}${fallWords(landing, units, true)}`
    );
  }
  const by = `Down ${between}, by what had been heard at ${heard}.`;
  if (landing.as_of_phase === 'float') {
    const height = units.altitude(landing.as_of_altitude_m);
    return `It floats at ${height}, and for how long is not known: it may be let go, or climb on. ${by}`;
  }
  if (landing.sink_ms !== null) {
    return (
      `It sinks at ${units.climb(landing.sink_ms)}, more slowly than under a parachute, and for how long ` +
      `is not known: it may be let go. ${by}`
    );
  }
  return `${by}${fallWords(landing, units, false)}`;
}

const at = (time_s) => `${words.clockTime(time_s)} ${words.zone(time_s)}`;

function restWords({ rest }, units, heard) {
  if (rest === null) return `At rest, last at ${heard}.`;
  const place =
    rest.fixes < 2
      ? 'Position from one fix on the ground'
      : `Middle of ${rest.fixes} fixes on the ground, which scatter by ${units.distance(rest.scatter_m)}`;
  const carried =
    rest.carried_m === null ? '' : ` It is ${units.distance(rest.carried_m)} from there now: carried or dragged away.`;
  return `At rest. ${place}, last at ${heard}.${carried}`;
}

/** How high it was, and whether it fell yet: if not, the burst is the plan's. */
function lastSeen({ as_of_phase, as_of_height_above_ground_m }, units) {
  const above = `${units.altitude(as_of_height_above_ground_m)} above the ground`;
  if (as_of_phase === 'ascent') return `${above} and climbing`;
  return as_of_phase === 'float' ? `${above} and floating, for how long is not known` : above;
}

/** What a fall that changed, or is not the planned one, does to time and place. */
function fallWords({ fall }, units, past) {
  if (fall === null) return '';
  const by = words.duration(Math.max(Math.round(Math.abs(fall.later_s) / 60), 1) * 60);
  const away = units.distance(fall.away_m);
  if (fall.against === 'before') {
    const faster = fall.ratio > 1;
    const percent = Math.round(Math.abs(fall.ratio - 1) * 100);
    return (
      ` ${past ? 'Fell' : 'Falls'} ${percent}${NB}% ${faster ? 'faster' : 'slower'} than before, below ` +
      `${units.altitude(fall.since_altitude_m)}: about ${by} ${faster ? 'sooner' : 'later'}, and ${away} ` +
      `${faster ? 'nearer' : 'further on'}.`
    );
  }
  const side = { short: 'short of', beyond: 'beyond', aside: 'from' }[fall.side];
  return (
    ` It ${past ? 'fell' : 'falls'} ${timesWords(fall.ratio)} as planned: it ${past ? 'landed' : 'lands'} about ` +
    `${by} ${fall.later_s > 0 ? 'later' : 'earlier'} and ${away} ${side} where the plan would have it.`
  );
}

/**
 * `own, to 8,250 m; Lark 1, 25 min ago, 12 km off; forecast, run 5 h ago`; null at rest.
 * @param {import('../state.js').Landing} landing
 */
export function windWords({ winds, background, basis }, units, now_s) {
  if (basis === 'landed fix') return null;
  const measured = winds.map(({ name, time, top_altitude_m, distance_m }) =>
    name === ''
      ? `own, to ${units.altitude(top_altitude_m)}`
      : `${name}, ${words.ago(seconds(time), now_s)}, ${units.distance(distance_m)} off`,
  );
  return [...measured, ...backgroundWords(background, now_s)].join('; ') || null;
}

/** Of where nobody has measured the wind. @param {import('../state.js').WindBackground | null} background */
function backgroundWords(background, now_s) {
  if (background === null) return [];
  if (background.kind === 'season') return ['else the season’s usual'];
  const run_s = seconds(background.run);
  return [run_s === null ? 'a forecast that tells no time' : `forecast, run ${words.ago(run_s, now_s)}`];
}

/** What balloon and gas come to. @param {import('../state.js').Lift} lift */
export function liftWords(lift, units) {
  const kg = (value) => `${value.toFixed(2)}${NB}kg`;
  const burst =
    lift.burst_altitude_m === null
      ? 'no burst diameter is given'
      : `burst ${units.altitude(lift.burst_altitude_m)} ± ${units.altitude(lift.burst_altitude_sigma_m)}`;
  return (
    `Worked out: ${lift.gas_volume_m3.toFixed(2)}${NB}m³ of gas, neck lift ${kg(lift.neck_lift_kg)}, ` +
    `free lift ${kg(lift.free_lift_kg)}, climb ${units.climb(lift.ascent_rate_ms)} ± ` +
    `${units.climb(lift.ascent_rate_sigma_ms)}, ${burst}. The maker’s table and a licensed or experienced hand decide.`
  );
}
