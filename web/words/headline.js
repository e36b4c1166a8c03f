/**
 * The page's largest line: the one question that the phase asks, and its answer. On the pad whether all is
 * ready, climbing where to drive and by when, falling when it lands and whether we are there, silent where
 * to look, on the ground how to get to it.
 */

import { seconds } from 'leeward/clock.js';
import { isOld, isOldVehicle } from 'leeward/fresh.js';
import { nearWords } from 'leeward/whereis.js';
import { roadName } from 'leeward/words/road.js';
import * as words from 'leeward/words.js';

/**
 * @typedef {import('../types.js').Shown} Shown
 * @typedef {{question: string, figure: string, more: string, note: string, tone: 'good' | 'bad' | 'unknown' | null,
 *   stale: boolean}} Headline
 * @typedef {'pad' | 'climb' | 'fall' | 'silent' | 'down'} Asked
 */

export const UNKNOWN = 'not known';

/** Which question is asked now. @param {Shown} state @returns {Asked} */
export function askedNow({ phase, search, landing, events }) {
  if (search.found !== null || phase === 'landed' || landing?.basis === 'landed fix') return 'down';
  if (search.contact === 'lost' || search.contact === 'lost as expected') return 'silent';
  if (phase === 'descent') return 'fall';
  if (phase === 'ascent' || phase === 'float' || events.length > 0) return 'climb';
  return 'pad';
}

/**
 * @param {Shown} state @param {number} now_s
 * @param {Pick<import('../types.js').Context, 'units' | 'whereIs' | 'ready'>} context
 * @returns {Headline}
 */
export function headline(state, now_s, context) {
  const reading = state.problems.find(({ kind }) => kind === 'journal_read');
  if (reading !== undefined) return read(reading);
  return ANSWERS[askedNow(state)](state, now_s, context);
}

/** Half a flight answers nothing. @param {import('../state.js').Problem} reading @returns {Headline} */
function read({ count }) {
  const more = 'of what was heard before the start';
  return told('Reading the journal', `${count}\u00a0%`, more, 'What is shown is a part. What is heard now is kept.', 'unknown');
}

/** @type {Record<Asked, (state: Shown, now_s: number, context: any) => Headline>} */
const ANSWERS = {
  pad(state, now_s, { ready, units, whereIs }) {
    const question = 'Ready to launch?';
    const launch_s = seconds(state.launch.time);
    const when = launch_s !== null && launch_s > now_s ? `launch in ${words.duration(launch_s - now_s)}` : '';
    const lands = state.landing === null ? '' : `would come down ${nearWords(whereIs(state.landing), units)}`;
    const more = [when, lands].filter(Boolean).join(', ');
    if (ready === null) return told(question, UNKNOWN, more, '', 'unknown');
    if (ready.grade === 'green') return told(question, 'Ready', more, 'The licensed operator decides.', 'good');
    const count = words.plural(ready.open.length, 'thing');
    const figure = ready.grade === 'red' ? `Not ready: ${count}` : `Nearly: ${count}`;
    return told(question, figure, more, ready.open.join(', '), ready.grade === 'red' ? 'bad' : null);
  },

  climb(state, now_s, context) {
    const question = 'Where to drive';
    const { landing } = state;
    if (landing === null) return told(question, UNKNOWN, '', 'The prediction comes with the first minutes of the climb.', 'unknown');
    return drive(question, state, landing, now_s, context);
  },

  fall(state, now_s, context) {
    const question = 'When it lands, and are we there';
    const { landing } = state;
    if (landing === null) return told(question, UNKNOWN, '', 'No prediction yet.', 'unknown');
    return drive(question, state, landing, now_s, context);
  },

  silent(state, now_s, { units }) {
    const { search, landing, track } = state;
    const question = 'Where to look';
    const best = search.result ?? null;
    const place = best === null ? landing : { latitude_deg: best.best_latitude_deg, longitude_deg: best.best_longitude_deg };
    const last = track === null ? '' : `Last fix at ${units.altitude(track.altitude_m)}, ${words.ago(seconds(track.time), now_s)}.`;
    if (place === null) return told(question, UNKNOWN, last, 'Nothing was predicted.', 'unknown');
    const figure = words.decimalDegrees(place.latitude_deg, place.longitude_deg);
    const within = landing?.radius_90_m ? `90\u00a0% within ${units.distance(landing.radius_90_m)}` : '';
    const listen = best?.listen ? `Listen from ${words.decimalDegrees(best.listen.latitude_deg, best.listen.longitude_deg)}.` : '';
    return told(question, figure, [`likeliest; worked out, not heard`, within].filter(Boolean).join('; '), [last, listen].filter(Boolean).join(' '), null);
  },

  down(state, now_s, { units, whereIs }) {
    const question = 'How to get to it';
    const { landing, search } = state;
    const place = search.found ?? landing;
    if (place === null) return told(question, UNKNOWN, '', 'Its place is not known.', 'unknown');
    const found = search.found === null ? '' : `Found by ${search.found.by}, ${words.ago(seconds(search.found.time), now_s)}.`;
    const goes = search.claims.find(({ can }) => can);
    const claimed = goes === undefined ? '' : `${goes.by} goes there.`;
    const own = ownVehicle(state);
    if (own === null || own.distance_m === null || own.bearing_deg === null) {
      const figure = words.decimalDegrees(place.latitude_deg, place.longitude_deg);
      return told(question, figure, nearWords(whereIs(place), units), found || claimed || 'No car has a position.', null);
    }
    const lost = isOldVehicle(state, own.time, now_s);
    const figure = `${units.distance(own.distance_m)} ${words.compass(own.bearing_deg)} ${words.bearing(own.bearing_deg)}`;
    const by = own.drive_s === null ? '' : `, ${words.duration(own.drive_s)} to drive${own.road === null ? ' if straight' : ''}`;
    const age = lost ? words.aged('position', seconds(own.time), now_s) : '';
    return told(question, figure, `from ${own.name}${by}`, found || claimed || age || nearWords(whereIs(place), units), null, lost);
  },
};

/** Our own car against the landing. @returns {Headline} */
function drive(question, state, landing, now_s, { units, whereIs }) {
  const near = nearWords(whereIs(landing), units);
  const old = isOld(state, landing.as_of, now_s);
  const own = ownVehicle(state);
  const left_s = (seconds(landing.time) ?? now_s) - now_s;
  const lands = left_s >= 0 ? `lands in ${words.duration(left_s)}` : `should have landed ${words.duration(-left_s)} ago`;
  if (own === null || own.drive_s === null || own.arrives_before_landing_s === null) {
    return told(question, words.sentenceCase(near) || UNKNOWN, lands, 'Our car has no position: give it one on the map.', null, old);
  }
  const margin_s = own.arrives_before_landing_s;
  const early = margin_s >= 0;
  const lost = isOldVehicle(state, own.time, now_s);
  const ages = [
    old ? words.aged('prediction', seconds(landing.as_of), now_s) : '',
    lost ? words.aged(`${own.name}’s position`, seconds(own.time), now_s) : '',
  ].filter(Boolean);
  const leave_s = own.road?.leave_by ? seconds(own.road.leave_by) : null;
  const wait = own.road?.wait_together ?? own.road?.wait ?? null;
  const how = own.road === null ? ' if straight' : '';
  const drives = `${own.name}: ${words.duration(own.drive_s)} to drive${how}`;
  const to = wait === null ? `to ${near}` : `wait at ${roadName(wait)}`;
  const more = leave_s === null ? drives : words.sentenceCase(leaveWords(leave_s, now_s));
  const figure = early ? `There ${words.duration(margin_s)} before it` : `There ${words.duration(-margin_s)} after it`;
  const note = ages.join('; ') || (leave_s === null ? to : `${drives}; ${to}`);
  return told(question, figure, more, note, early ? 'good' : 'bad', old || lost);
}

const leaveWords = (leave_s, now_s) => (leave_s <= now_s ? 'leave now' : `leave by ${words.clockTime(leave_s)} ${words.zone(leave_s)}, in ${words.duration(leave_s - now_s)}`);

/** @returns {Headline} */
function told(question, figure, more, note, tone, stale = false) {
  return { question, figure, more, note, tone, stale };
}

/** The car that carries this station. @param {Shown} state */
export function ownVehicle(state) {
  return state.vehicles.find(({ own }) => own) ?? null;
}
