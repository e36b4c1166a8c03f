/** The search in words: the state of contact, what is worked out, where to look next. */

import { seconds } from 'leeward/clock.js';
import * as words from 'leeward/words.js';

const CONTACT = {
  'never heard': 'Not heard yet.',
  heard: 'Heard.',
  late: 'Late: no tracker is in time.',
  'lost as expected': 'Out of hearing, as expected: it is below the horizon of who listens.',
  lost: 'Contact lost before it was to be expected.',
  found: 'Found.',
};

/** @param {import('../state.js').Search} search */
export function contactWords({ contact, since, found }, now_s) {
  if (found !== null) return `Found by ${found.by}, ${words.ago(seconds(found.time), now_s)}.${found.note ? ` ${found.note}` : ''}`;
  return since === null || contact === 'heard' ? CONTACT[contact] : `${CONTACT[contact]} Last packet ${words.ago(seconds(since), now_s)}.`;
}

/** @param {import('../state.js').SearchResult} result */
export function areaWords({ area_90_m2, covered, ended }, units) {
  const area = area_90_m2 >= 1e6 ? `${(area_90_m2 / 1e6).toFixed(1)}\u00a0km\u00b2` : `${Math.round(area_90_m2 / 1e4)}\u00a0ha`;
  const looked = covered > 0 ? ` Where it was looked for, it would have been found with ${percent(covered)}.` : '';
  const dead = ended.filter(({ chance }) => chance >= 0.05).map(({ tracker, chance }) => `${tracker} sends no more: ${percent(chance)}`);
  return `90\u00a0% within ${area}.${looked}${dead.length > 0 ? ` ${dead.join(', ')}.` : ''}`;
}

/** @param {NonNullable<import('../state.js').SearchResult['listen']>} listen */
export function listenWords({ chance, ground_m, within_s, stop_s, then, chance_in_an_hour }, units) {
  const stop = stop_s > 0 ? `, with a stop of ${words.duration(stop_s)} there` : '';
  const on = then.length > 0 ? ` Then on along the dashed line: ${percent(chance_in_an_hour)} within an hour.` : '';
  return `${percent(chance)} to hear a packet by then (${words.duration(within_s)}${stop}). Listen all the way.${on} By sight over the ground (${units.altitude(ground_m)} there), distance, and what was heard before.`;
}

/** What to do first: by the chance for each hour. */
export const firstWords = (walk_first) => (walk_first ? 'Walk first: an hour on foot is likelier to find it than an hour’s drive to hear it.' : 'Drive first: an hour’s drive is likelier to hear it than an hour on foot to find it.');

/** @param {import('../state.js').SearchResult['walk']} walk */
export function walkWords({ chance, width_m, length_m }, units) {
  return `${percent(chance)} to see it in an hour of open ground, ${units.distance(width_m)} by ${units.distance(length_m)} about that place.`;
}

/** @param {import('../state.js').ExpectedNow} expected */
export function expectedWords({ altitude_m, sigma_h_m }, units) {
  return `Worked out, not measured: falling, about ${units.altitude(altitude_m)}, sure to ${units.distance(sigma_h_m)}.`;
}

export const percent = (chance) => (chance > 0.99 ? 'over 99\u00a0%' : `${chance < 0.1 ? (chance * 100).toFixed(1) : Math.round(chance * 100)}\u00a0%`);
