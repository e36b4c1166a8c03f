/**
 * The band: the phase's question largest, and beside it, each at its own place, when and where it comes
 * down, how high it is, how long it will be heard, and which trackers report. An alarm takes the place of
 * the question; nothing else moves.
 */

import { el, setAttribute, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { setFigure } from 'leeward/fit.js';
import { isOld, isOldVehicle } from 'leeward/fresh.js';
import { createReporting } from 'leeward/panels/reporting.js';
import { createTrend } from 'leeward/trend.js';
import { askedNow, headline, ownVehicle, UNKNOWN } from 'leeward/words/headline.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context @param {HTMLElement[]} over what takes the question's place */
export function createBand(context, over) {
  const { store, clock, units, whereIs } = context;
  const asked = answer('headline');
  const when = answer('when');
  const where = answer('where');
  const height = answer('height');
  const contact = answer('contact');
  const reporting = createReporting(context);
  const trend = createTrend();
  const first = el('div', { class: 'first' }, asked.node, ...over);
  const cells = [when, where, height, contact].map((cell) => cell.node);
  const node = el('section', { class: 'answers', 'aria-label': 'The answers' }, first, ...cells, reporting.node);

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const { landing } = state;
    const landed = state.phase === 'landed' || landing?.basis === 'landed fix';
    const old = landing !== null && !landed && isOld(state, landing.as_of, now_s);
    const { question, figure, more, note, tone, stale } = headline(state, now_s, context);
    if (landing !== null) trend.add(landing.as_of, landing.radius_90_m, state.flight.name);
    const going = landing === null || landed || stale || askedNow(state) === 'silent' ? '' : trend.words();
    asked.show(question, figure, more, going === '' ? note : `${note}; area ${going}`, stale, tone);
    showWhen(landing, landed, old, now_s);
    showWhere(state, landing, landed, old, now_s);
    showHeight(state, now_s);
    showContact(state, landed, old, now_s);
    reporting.render();
  }

  function showWhen(landing, landed, old, now_s) {
    if (landing === null) {
      when.show('Lands', UNKNOWN, '', 'no prediction yet');
      return;
    }
    const time_s = seconds(landing.time);
    const left_s = time_s - now_s;
    const zone = words.zone(time_s);
    const [early_s, late_s] = [seconds(landing.time_early), seconds(landing.time_late)];
    const window =
      landed || early_s === null || late_s === null
        ? words.zone(time_s)
        : `${words.clockTime(early_s)} to ${words.clockTime(late_s)} ${zone}`;
    const moment = left_s >= 0 ? `in ${words.duration(left_s)}` : words.ago(time_s, now_s);
    const label = landed ? 'Landed' : left_s >= 0 ? 'Lands' : 'Should have landed';
    const note = old ? `known ${words.ago(seconds(landing.as_of), now_s)}` : window;
    when.show(label, words.clockTime(time_s), moment, note, old);
  }

  function showWhere(state, landing, landed, old, now_s) {
    const own = ownVehicle(state);
    const what = landed ? 'It is' : 'Landing';
    if (landing === null) {
      where.show(what, UNKNOWN, '', 'no prediction yet');
      return;
    }
    const carried = own !== null && own.distance_m !== null && own.bearing_deg !== null;
    const town = carried ? null : whereIs(landing);
    const range_m = carried ? own.distance_m : town?.range_m ?? null;
    const bearing_deg = carried ? own.bearing_deg : town?.bearing_deg ?? null;
    const from = carried ? own.name : town?.from ?? '';
    const lost = carried && isOldVehicle(state, own.time, now_s);
    const way = bearing_deg === null ? '' : `${words.compass(bearing_deg)} ${words.bearing(bearing_deg)}`;
    const sure = landing.radius_90_m === null ? '' : `90\u00a0% within ${units.distance(landing.radius_90_m)}`;
    const note = old
      ? `known ${words.ago(seconds(landing.as_of), now_s)}`
      : lost
        ? words.aged('position', seconds(own.time), now_s)
        : sure;
    where.show(`${what}, from ${from}`, range_m === null ? UNKNOWN : units.distance(range_m), way, note, old || lost);
  }

  function showHeight(state, now_s) {
    const { track } = state;
    const label = `Height, ${words.PHASES[state.phase]}`;
    if (track === null || track.altitude_m === null) {
      height.show('Height', UNKNOWN, '', 'no fix yet');
      return;
    }
    const old = state.phase !== 'landed' && isOld(state, track.time, now_s);
    const moving = ['ascent', 'descent', 'float'].includes(state.phase) && track.climb_ms !== null;
    const climb = track.climb_ms ?? 0;
    const motion = moving ? `${climb < 0 ? '↓' : '↑'}\u00a0${units.climb(Math.abs(climb))}` : '';
    const above =
      track.height_above_ground_m === null || !moving ? '' : `${units.altitude(track.height_above_ground_m)} above ground`;
    if (old) {
      // the last that was heard, and no rate of then beside it; what it should be now is named as worked out
      const { expected_now: expected } = state.search;
      const now = expected === null ? 'not known now' : `worked out now: ${units.altitude(expected.altitude_m)}`;
      height.show('Last height', units.altitude(track.altitude_m), words.ago(seconds(track.time), now_s), now, true);
    } else height.show(label, units.altitude(track.altitude_m), motion, above || 'above sea level');
  }

  /** One state of contact: found, lost, late, or how long it will be heard. */
  function showContact(state, landed, old, now_s) {
    const { search, landing } = state;
    const since = search.since === null ? '' : words.ago(seconds(search.since), now_s);
    if (search.found !== null) contact.show('Contact', 'found', '', `by ${search.found.by}`, false, 'good');
    else if (search.contact === 'lost') contact.show('Contact', 'lost', since, 'sooner than expected', false, 'bad');
    else if (search.contact === 'lost as expected') contact.show('Contact', 'lost', since, 'as expected so low', false, 'bad');
    else if (search.contact === 'never heard') contact.show('Contact', 'none yet', '', 'no packet was heard', false, 'unknown');
    else if (search.contact === 'late') contact.show('Contact', 'late', since, 'no tracker is in time', true);
    else showHolding(landing, landed, since, old, now_s);
  }

  function showHolding(landing, landed, since, old, now_s) {
    const next = landing?.contacts[0];
    if (landed || next === undefined) {
      contact.show('Contact', 'heard', since, landed ? 'on the ground' : '');
      return;
    }
    const by = next.receiver || 'the launch site';
    if (next.lost === null) {
      contact.show('Contact', 'heard', since, `to the ground, by ${by}`, old);
      return;
    }
    const at_s = seconds(next.lost.time) ?? now_s;
    const above = next.lost.height_above_ground_m ?? next.lost.altitude_m;
    const left = at_s > now_s ? `for ${words.duration(at_s - now_s)}` : 'about now';
    contact.show('Contact holds to', words.clockTime(at_s), left, `to ${units.altitude(above)}, by ${by}`, old);
  }

  return { node, render };
}

function answer(name) {
  const label = el('div', { class: 'answer-label' });
  const figure = el('div', { class: 'figure' });
  const beside = el('div', { class: 'beside' });
  const note = el('div', { class: 'answer-note' });
  const node = el('div', { class: 'answer', 'data-answer': name }, label, figure, beside, note);
  return {
    node,
    /**
     * @param {string} title @param {string} value @param {string} more @param {string} remark
     * @param {boolean} stale @param {'good' | 'bad' | 'unknown' | null} tone
     */
    show(title, value, more, remark, stale = false, tone = null) {
      setText(label, title);
      setFigure(figure, value);
      setText(beside, more);
      setText(note, remark);
      setAttribute(node, 'data-stale', stale || null);
      setAttribute(node, 'data-tone', value === UNKNOWN ? 'unknown' : tone);
    },
  };
}
