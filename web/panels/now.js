/**
 * The payload now, over the map: its place to copy, and where to point an antenna from our car. What is
 * worked out and not heard is said to be so and looks so.
 */

import { el, setAttribute, setShown, setText, svg } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { elevation_deg } from 'leeward/elevation.js';
import { isOld, isOldVehicle } from 'leeward/fresh.js';
import { copyButton } from 'leeward/panels/card.js';
import { wayFrom } from 'leeward/whereis.js';
import { ownVehicle } from 'leeward/words/headline.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
export function createNow({ store, clock, units }) {
  const place = el('span', { class: 'now-place coordinates' });
  const arrow = svg('path', { d: 'M0 -9 6 8 0 4 -6 8Z' });
  const pointer = svg('svg', { viewBox: '-10 -10 20 20', width: 20, height: 20, class: 'now-arrow', 'aria-hidden': 'true' }, arrow);
  const way = el('span', { class: 'now-way' });
  const age = el('div', { class: 'now-age' });
  const copy = copyButton('Copy', () => place.textContent ?? '');
  setAttribute(copy, 'aria-label', 'Copy the payload’s coordinates');
  const node = el(
    'section',
    { class: 'now over-map', 'aria-label': 'The payload now', hidden: true },
    el('div', { class: 'now-words' }, el('div', { class: 'now-line' }, place), el('div', { class: 'now-line' }, pointer, way), age),
    copy,
  );

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    const shown = state === null || now_s === null ? null : present(state);
    setShown(node, shown !== null);
    if (state === null || now_s === null || shown === null) return;
    const { latitude_deg: lat, longitude_deg: lon, height_m, time, expected } = shown;
    setText(place, words.decimalDegrees(lat, lon));
    const old = expected || (state.phase !== 'landed' && isOld(state, time, now_s));
    setAttribute(node, 'data-stale', old || null);
    const when = words.ago(seconds(time), now_s);
    setText(age, expected ? 'worked out, not heard' : old ? `it was there ${when}` : `heard ${when}`);
    const own = ownVehicle(state);
    const from = own === null || own.latitude_deg === null ? null : own;
    setAttribute(pointer, 'hidden', from === null ? '' : null);
    if (from === null) {
      setText(way, 'from where? our car has no position');
      return;
    }
    const { range_m, bearing_deg } = wayFrom(from.latitude_deg, from.longitude_deg, lat, lon);
    setAttribute(arrow, 'transform', `rotate(${Math.round(bearing_deg)})`);
    const up = state.phase === 'landed' ? '' : `, ${upWords(elevation_deg(range_m, height_m))}`;
    const lost = isOldVehicle(state, from.time, now_s) ? ` ${words.ago(seconds(from.time), now_s)}` : '';
    setText(way, `${units.distance(range_m)} ${words.compass(bearing_deg)} ${words.bearing(bearing_deg)}${up}, from ${from.name}${lost}`);
  }

  return { node, render };
}

/** Where it is by the last fix, or by calculation while it falls unheard; null before any fix. */
function present({ track, search }) {
  const expected = search.expected_now;
  if (expected !== null) return { ...expected, height_m: expected.altitude_m, expected: true };
  if (track === null) return null;
  return { ...track, height_m: track.height_above_ground_m ?? track.altitude_m, expected: false };
}

const upWords = (deg) => (deg < -0.5 ? 'below the horizon' : `${Math.max(Math.round(deg), 0)}°\u00a0up`);
