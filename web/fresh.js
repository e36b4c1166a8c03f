/** When evidence is old: known here once, so that the whole page agrees. */

import { seconds } from 'leeward/clock.js';

const LEAST_S = 60;
const USUAL_INTERVAL_S = 60;
const REPLAY_GRACE_S = 2;
const VEHICLE_OLD_S = 60;
export const SENSOR_OLD_S = 300;

/**
 * Seconds after which the track is old: three intervals of the quickest tracker that reports. A phone
 * counts once it lies on the ground, where it may be the only one.
 */
export function trackOld_s(state) {
  const timed = state.trackers.filter(
    ({ role, interval_s }) => interval_s !== null && (role !== 'phone' || state.phase === 'landed'),
  );
  const reporting = timed.filter((tracker) => tracker.state === 'reporting');
  const intervals = (reporting.length > 0 ? reporting : timed).map(({ interval_s }) => interval_s);
  const quickest = intervals.length > 0 ? Math.min(...intervals) : USUAL_INTERVAL_S;
  return Math.max(3 * quickest, LEAST_S) + rush_s(state);
}

/** A replay at speed must not call old what the station takes a moment to work out. */
function rush_s({ replay }) {
  return replay && !replay.paused ? REPLAY_GRACE_S * replay.speed : 0;
}

/** Whether evidence of this time is too old to be trusted as the present. */
export function isOld(state, time, now_s, limit_s = trackOld_s(state)) {
  return time === null || now_s === null || now_s - seconds(time) > limit_s;
}

/** Whether this is too old to be where a car is now. */
export function isOldVehicle(state, time, now_s) {
  return isOld(state, time, now_s, VEHICLE_OLD_S + rush_s(state));
}
