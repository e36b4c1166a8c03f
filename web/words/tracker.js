/** A tracker in a sentence: how it reports, why its fixes are left out, by which way it is heard. */

import { seconds } from 'leeward/clock.js';
import * as words from 'leeward/words.js';

/** @typedef {import('../state.js').Tracker} Tracker */

const NAMED_SHARE = 0.3; // of packets missed: with it the alarm of silence comes later than planned

/** @param {Tracker} tracker */
export function trackerWords(tracker, units) {
  const { state, interval_s } = tracker;
  const heard_s = seconds(tracker.last_heard);
  if (heard_s === null) {
    return state === 'waiting' ? 'Silent by rule in the air. Expected after the landing.' : 'Not heard yet.';
  }
  const last = `last heard at ${words.clockTimeSeconds(heard_s)} ${words.zone(heard_s)}`;
  const every = interval_s === null ? 'interval not known yet' : `every ${words.duration(interval_s)}`;
  if (state === 'waiting') return `Silent by rule in the air, ${last}. Expected after the landing.`;
  if (state === 'reporting') {
    const share = tracker.missed / Math.max(tracker.heard + tracker.missed, 1);
    const often = share > NAMED_SHARE ? ` ${Math.round(100 * share)}\u00a0% of its packets are missed.` : '';
    return `Reports ${every}.${often}`;
  }
  if (state === 'late') return `Late: ${last}, expected ${every}.`;
  if (state === 'stuck' && tracker.last_rejection !== null) {
    return `Stuck: packets come, but ${rejectionWords(tracker.last_rejection, units)}. Not used.`;
  }
  return `Silent: ${last}, expected ${every}.${lastHeight(tracker, units)}`;
}

/** @param {Tracker} tracker */
function lastHeight({ last_altitude_m, last_height_above_ground_m: height_m }, units) {
  if (last_altitude_m === null) return '';
  if (height_m === null) return ` Last at ${units.altitude(last_altitude_m)} above sea level.`;
  return ` Last ${units.altitude(height_m)} above ground.`;
}

const PLAIN = {
  off_earth: 'a position that is not on the earth',
  no_fix: 'the receiver says that it has no fix',
  null_island: 'position 0, 0: the receiver has no fix',
  swapped: 'latitude and longitude are swapped, or those of the launch in the plan',
  two_transmit: 'two transmit under its callsign, and another tracker tells where it is',
  frozen: 'position unchanged to the last digit while it moves',
  stuck: 'altitude unchanged to the last digit while it moves',
  against_pressure: 'altitude does not agree with its own pressure',
  not_computable: 'numbers that cannot be computed with',
};

/** `12.3 km from where N0CALL-11 puts it`. @param {import('../state.js').Rejection} reason */
export function rejectionWords({ kind, off_m, against, pressure_off_m }, units) {
  const pressure =
    pressure_off_m === null
      ? ''
      : `; by its pressure it is ${units.altitude(Math.abs(pressure_off_m))} ${pressure_off_m > 0 ? 'higher' : 'lower'}`;
  return `${PLAIN[kind] ?? offWords(kind, off_m ?? 0, against, units)}${pressure}`;
}

function offWords(kind, off_m, against, units) {
  const names = against.join(' and ');
  if (kind === 'never_flew') {
    return `has not left the ground, while ${names} is ${units.altitude(off_m)} higher and climbs`;
  }
  const where = names === '' ? 'where the track is' : `where ${names} ${against.length === 1 ? 'puts' : 'put'} it`;
  if (kind === 'altitude_off') {
    return `altitude ${units.altitude(Math.abs(off_m))} ${off_m > 0 ? 'above' : 'below'} ${where}`;
  }
  return `${units.distance(off_m)} from ${where}`;
}

/** `direct, tnc, directly`; null before the first packet. @param {Tracker} tracker */
export function wayWords({ last_way: way }) {
  if (way === null) return null;
  const by = way.repeated_by.join(' → ');
  const direct = way.direct ? 'direct, ' : '';
  if (way.fed_by !== '') return `${direct}internet, from ${way.fed_by}${by && ` after ${by}`}`;
  return `${direct}${way.source}${by ? ` by way of ${by}` : ', directly'}`;
}
