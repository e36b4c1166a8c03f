/** The band: when and where it comes down, how high, who is there first, is the evidence fresh. */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOld, isOldVehicle } from 'leeward/fresh.js';
import * as words from 'leeward/words.js';

const UNKNOWN = 'not known';

/** @param {import('../types.js').Context} context */
export function createBand({ store, clock, units, whereIs }) {
  const when = answer('when');
  const where = answer('where');
  const height = answer('height');
  const first = answer('first');
  const fresh = answer('fresh');
  const node = el(
    'section',
    { class: 'answers', 'aria-label': 'The five answers' },
    ...[when, where, height, first, fresh].map((cell) => cell.node),
  );

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const { landing } = state;
    const landed = state.phase === 'landed' || landing?.basis === 'landed fix';
    const old = landing !== null && !landed && isOld(state, landing.as_of, now_s);
    showWhen(landing, landed, old, now_s);
    showWhere(state, landing, landed, old, now_s);
    showHeight(state, now_s);
    showFirst(state, landed, old, now_s);
    showFresh(state, now_s);
  }

  function showWhen(landing, landed, old, now_s) {
    if (landing === null) {
      when.show('Lands', UNKNOWN, '', 'No prediction yet.');
      return;
    }
    const time_s = seconds(landing.time);
    const left_s = time_s - now_s;
    const zone = words.zone(time_s);
    const [early_s, late_s] = [seconds(landing.time_early), seconds(landing.time_late)];
    const window =
      landed || early_s === null || late_s === null
        ? words.zoneAndUtc(time_s)
        : `${words.clockTime(early_s)} to ${words.clockTime(late_s)} ${zone}`;
    const moment = left_s >= 0 ? `in ${words.duration(left_s)}` : words.ago(time_s, now_s);
    const verb = landed ? 'Landed' : left_s >= 0 ? 'Lands' : 'Should have landed';
    const note = old ? `from evidence ${words.ago(seconds(landing.as_of), now_s)}` : window;
    when.show(verb, words.clockTime(time_s), moment, note, old);
  }

  function showWhere(state, landing, landed, old, now_s) {
    const own = ownVehicle(state);
    const verb = landed ? 'Lies' : 'Comes down';
    if (landing === null) {
      where.show(verb, UNKNOWN, '', 'No prediction yet.');
      return;
    }
    if (own === null || own.distance_m === null) {
      const { from, range_m, bearing_deg } = whereIs(landing);
      const way = bearing_deg === null ? '' : `${words.compass(bearing_deg)}\u00a0${words.bearing(bearing_deg)}`;
      const range = range_m === null ? UNKNOWN : units.distance(range_m);
      where.show(verb, range, way, `from ${from}; no car known`, old);
      return;
    }
    const sure =
      landing.radius_90_m === null ? '' : `90\u00a0% within ${units.distance(landing.radius_90_m)}`;
    const lost = isOldVehicle(state, own.time, now_s);
    const age = lost ? `, its position ${words.ago(seconds(own.time), now_s)}` : '';
    const from = `from ${own.name}${age}`;
    const ageOf = ({ as_of }) => words.duration(now_s - seconds(as_of));
    where.show(
      verb,
      units.distance(own.distance_m),
      own.bearing_deg === null ? '' : `${words.compass(own.bearing_deg)}\u00a0${words.bearing(own.bearing_deg)}`,
      old ? [`${ageOf(landing)} old`, sure].filter(Boolean).join('; ') : [sure, from].filter(Boolean).join(', '),
      old || lost,
    );
  }

  function showHeight(state, now_s) {
    const { track } = state;
    if (track === null || track.altitude_m === null) {
      height.show('Height', UNKNOWN, '', 'No fix yet.');
      return;
    }
    const old = state.phase !== 'landed' && isOld(state, track.time, now_s);
    const climb = track.climb_ms ?? 0;
    const moving = ['ascent', 'descent', 'float'].includes(state.phase) && track.climb_ms !== null;
    const motion = moving ? `${climb < 0 ? '↓' : '↑'}\u00a0${units.climb(Math.abs(climb))}` : '';
    const above =
      track.height_above_ground_m === null || !moving
        ? 'above sea level'
        : `${units.altitude(track.height_above_ground_m)} above ground`;
    const age = `${words.ago(seconds(track.time), now_s)}`;
    const label = `Height, ${words.PHASES[state.phase]}`;
    height.show(label, units.altitude(track.altitude_m), motion, old ? `it was so ${age}` : above, old);
  }

  function showFirst(state, landed, old, now_s) {
    if (state.vehicles.length === 0 && state.landing?.radius_90_m) {
      const as = old ? `as of ${words.ago(seconds(state.landing.as_of), now_s)}` : state.landing.basis;
      first.show('Sure to', units.distance(state.landing.radius_90_m), 'in 90\u00a0%', as, old);
      return;
    }
    const best = state.vehicles
      .filter(({ drive_s }) => drive_s !== null)
      .sort((a, b) => a.drive_s - b.drive_s)[0];
    if (best === undefined || state.landing === null) {
      const why = best === undefined ? 'No vehicle has a position.' : 'No prediction yet.';
      first.show('Who is there first', UNKNOWN, '', why);
      return;
    }
    const lost = isOldVehicle(state, best.time, now_s);
    const stale = lost || old;
    const ages = [
      old ? `${words.duration(now_s - seconds(state.landing.as_of))} old` : '',
      lost ? `position ${words.duration(now_s - seconds(best.time))} old` : '',
    ];
    const age = ages.filter(Boolean).join('; ');
    const margin_s = best.arrives_before_landing_s;
    if (landed || margin_s === null) {
      const arrives_s = seconds(best.arrives);
      const arrival = arrives_s === null ? '' : `at ${words.clockTime(arrives_s)}`;
      first.show(`${best.name} is there`, `in ${words.duration(best.drive_s)}`, '', age || arrival, stale);
      return;
    }
    const early = margin_s >= 0;
    first.show(
      early ? `${best.name} is there first` : `It lands before ${best.name}`,
      words.duration(Math.abs(margin_s)),
      early ? 'early' : 'late',
      age || `${words.duration(best.drive_s)} to drive`,
      stale,
      early ? 'good' : 'bad',
    );
  }

  function showFresh(state, now_s) {
    const heard = state.trackers.map(({ last_heard }) => seconds(last_heard) ?? -Infinity);
    const last_s = Math.max(...heard, -Infinity);
    const summary = healthWords(state.trackers, state.phase === 'landed');
    if (last_s === -Infinity) {
      fresh.show('Last heard', 'never', '', summary || 'No tracker in the plan.', true);
      return;
    }
    const old = now_s - last_s > 60 && isOld(state, new Date(last_s * 1000).toISOString(), now_s);
    fresh.show('Last heard', words.duration(now_s - last_s), 'ago', summary, old);
  }

  return { node, render };
}

/** What matters first, for what does not fit is cut off: trouble, or after landing who speaks. */
export function healthWords(trackers, landed) {
  const speaking = trackers.filter(({ state }) => state !== 'waiting');
  const troubled = speaking.filter(({ state }) => state !== 'reporting');
  const states = new Set(speaking.map(({ state }) => state));
  if (speaking.length > 1 && states.size === 1) return `all ${speaking.length} ${[...states][0]}`;
  const fine = speaking.filter(({ state }) => state === 'reporting');
  const [named, counted] = landed ? [fine, troubled] : [troubled, fine];
  const words = byState(named).map(([state, some]) => `${some.map(({ label }) => label).join(' & ')} ${state}`);
  words.push(...byState(counted).map(([state, some]) => `${some.length} ${state}`));
  return words.join(', ');
}

function byState(trackers) {
  const states = [...new Set(trackers.map(({ state }) => state))];
  return states.map((state) => [state, trackers.filter((one) => one.state === state)]);
}

export function ownVehicle(state) {
  return state.vehicles.find(({ own }) => own) ?? null;
}

function answer(name) {
  const label = el('div', { class: 'answer-label' });
  const figure = el('span', { class: 'figure' });
  const beside = el('span', { class: 'beside' });
  const note = el('div', { class: 'answer-note' });
  const row = el('div', { class: 'answer-row' }, figure, ' ', beside);
  const node = el('div', { class: 'answer', 'data-answer': name }, label, row, note);
  return {
    node,
    /**
     * @param {string} title @param {string} value @param {string} more @param {string} remark
     * @param {boolean} stale @param {'good' | 'bad' | null} tone
     */
    show(title, value, more, remark, stale = false, tone = null) {
      setText(label, title);
      setText(figure, value);
      setText(beside, more);
      setShown(beside, more !== '');
      setText(note, remark);
      const length = value.length + more.length;
      setAttribute(node, 'data-long', length > 20 ? 'longer' : length > 17 ? 'long' : null);
      setAttribute(node, 'data-stale', stale || null);
      setAttribute(node, 'data-tone', value === UNKNOWN ? 'unknown' : tone);
    },
  };
}
