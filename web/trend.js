/** Whether the area of the landing shrinks: its radius now against some minutes before, as this page saw it. */

import { seconds } from 'leeward/clock.js';

const OVER_S = 300;
const KEPT_S = 1200;
const CHANGED = 0.1; // less than that is no news

export function createTrend() {
  /** @type {{at_s: number, radius_m: number}[]} */
  let seen = [];
  let whose = '';

  return {
    /** @param {string} as_of @param {number | null} radius_m @param {string} flight */
    add(as_of, radius_m, flight) {
      const at_s = seconds(as_of);
      if (at_s === null || radius_m === null) return;
      const last = seen.at(-1);
      if (flight !== whose || (last !== undefined && at_s < last.at_s)) seen = []; // another flight, or back in time
      whose = flight;
      if (seen.at(-1)?.at_s === at_s) seen.pop();
      seen.push({ at_s, radius_m });
      seen = seen.filter((one) => at_s - one.at_s <= KEPT_S);
    },
    /** `shrinking`, `growing`, `steady`; '' as long as too little was seen. */
    words() {
      const last = seen.at(-1);
      const before = seen.findLast((one) => last !== undefined && last.at_s - one.at_s >= OVER_S);
      if (last === undefined || before === undefined || before.radius_m <= 0) return '';
      const ratio = last.radius_m / before.radius_m;
      if (ratio < 1 - CHANGED) return 'shrinking';
      return ratio > 1 + CHANGED ? 'growing' : 'steady';
    },
  };
}
