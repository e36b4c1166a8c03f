/** What the chart can show against time: altitude with its prediction, climb, or one sensor. */

import { standardFor } from 'leeward/atmosphere.js';
import { seconds } from 'leeward/clock.js';
import { figure } from 'leeward/units.js';
import { sentenceCase } from 'leeward/words.js';

const MOST_POINTS = 2000;

/**
 * @typedef {{key: string, name: string, note: string, data: () => any[][],
 *   label: (value: number) => string, round: (value: number) => number, range: (low: number, high: number) => [number, number],
 *   series: {stroke: string, dash?: number[]}[]}} View
 */

/** @param {import('../types.js').Context} context @returns {View} */
export function altitudeView({ store, units }) {
  return {
    key: 'altitude',
    name: 'Altitude',
    note: '',
    series: [{ stroke: 'payload' }, { stroke: 'landing', dash: [7, 6] }],
    round: (height) => Math.round(height / 10) * 10,
    label: (height) => `${figure(height)}\u00a0${units.system().altitudeUnit}`,
    range: (_, high) => [0, Math.max(high ?? 0, units.system().altitudeValue(1000)) * 1.08],
    data() {
      const value = (m) => (m === null ? null : units.system().altitudeValue(m));
      const rows = thinned(store.track());
      const times = rows.map(([time_s]) => time_s);
      const flown = rows.map(([, , , altitude_m]) => value(altitude_m));
      const predicted = rows.map(() => null);
      if (times.length > 0) predicted[times.length - 1] = flown.at(-1); // the two lines meet
      let previous_s = times.at(-1) ?? -Infinity;
      for (const [time, , , altitude_m] of store.state?.landing?.path ?? []) {
        const time_s = seconds(time);
        if (time_s <= previous_s) continue;
        previous_s = time_s;
        times.push(time_s);
        flown.push(null);
        predicted.push(value(altitude_m));
      }
      return [times, flown, predicted];
    },
  };
}

/** @param {import('../types.js').Context} context @returns {View} */
export function climbView({ store, units }) {
  return {
    key: 'climb',
    name: 'Climb',
    note: '',
    series: [{ stroke: 'payload' }],
    round: (climb) => Math.round(climb * 10) / 10,
    label: (climb) => `${figure(climb, Number.isInteger(climb) ? 0 : 1)}\u00a0${units.system().climbUnit}`,
    range: (low, high) => padded(Math.min(low ?? 0, 0), Math.max(high ?? 0, units.system().climbValue(1))),
    data() {
      const rows = thinned(store.track());
      const value = (ms) => (ms === null ? null : units.system().climbValue(ms));
      return [rows.map(([time_s]) => time_s), rows.map(([, , , , climb_ms]) => value(climb_ms))];
    },
  };
}

/** @param {import('../types.js').Context} context @param {string} key @returns {View} */
export function sensorView({ store, units }, key) {
  const [tracker, quantity] = key.split(/\/(.*)/s);
  const series = () => store.history.sensors[key] ?? { unit: '', points: [] };
  const { unit } = series();
  const shown = (value) => (value === null ? null : units.sensorParts(value, unit)[0]);
  const hasStandard = standardFor(quantity, unit, 0) !== null;
  const sunlit = unit === 'degC' && hasStandard;
  return {
    key,
    name: `${sentenceCase(quantity)}, ${tracker}`,
    note: hasStandard
      ? `Dashed: standard atmosphere.${sunlit ? ' It reads high in sunlight.' : ''}`
      : '',
    series: hasStandard
      ? [{ stroke: 'payload' }, { stroke: 'quiet', dash: [3, 5] }]
      : [{ stroke: 'payload' }],
    round: (value) => Math.round(value * 10) / 10,
    label(value) {
      const [, name] = units.sensorParts(0, unit);
      return `${figure(value, Number.isInteger(value) ? 0 : 1)}\u00a0${name}`;
    },
    range: (low, high) => padded(low ?? 0, high ?? 1),
    data() {
      const points = thinned(series().points);
      const times = points.map(([time_s]) => time_s);
      const said = points.map(([, value]) => shown(value));
      if (!hasStandard) return [times, said];
      const heights = heightsAt(store.track(), times);
      return [times, said, heights.map((m) => shown(standardFor(quantity, unit, m)))];
    },
  };
}

function thinned(rows) {
  const every = Math.ceil(rows.length / MOST_POINTS);
  return every <= 1 ? rows : rows.filter((_, n) => n % every === 0 || n === rows.length - 1);
}

function padded(low, high) {
  const room = Math.max((high - low) * 0.08, 0.5);
  return /** @type {[number, number]} */ ([low - room, high + room]);
}

/** Altitudes of the track at rising times, by straight lines; null outside it. */
function heightsAt(track, times) {
  let n = 0;
  return times.map((time_s) => {
    while (n + 1 < track.length && track[n + 1][0] < time_s) n += 1;
    const [before, after] = [track[n], track[n + 1]];
    if (!before || !after || time_s < before[0] || before[3] === null || after[3] === null) return null;
    const part = (time_s - before[0]) / Math.max(after[0] - before[0], 1e-9);
    return before[3] + Math.min(part, 1) * (after[3] - before[3]);
  });
}
