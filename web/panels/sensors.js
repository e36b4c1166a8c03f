/** What the payload's sensors say, by tracker, each with the age of its last word. */

import { standardFor } from 'leeward/atmosphere.js';
import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOld, SENSOR_OLD_S } from 'leeward/fresh.js';
import { card } from 'leeward/panels/card.js';
import * as words from 'leeward/words.js';

const SAME_HEIGHT_S = 90;

/** @param {import('../types.js').Context} context */
function createSensors({ store, clock, units }) {
  const list = el('dl', { class: 'rows sensors' });
  const none = el('p', { class: 'sentence', text: 'No sensor heard yet.' });
  const sunlight = el('p', {
    class: 'remark',
    text: 'An exposed temperature sensor reads high in sunlight at altitude.',
  });
  const panel = card('sensors', 'Sensors', list, none, sunlight);
  const known = new Map();

  function make({ quantity, tracker }) {
    const value = el('b');
    const age = el('small');
    const from = el('small', { text: tracker });
    const standard = el('small', { class: 'standard' });
    const node = el(
      'div',
      { class: 'row' },
      el('dt', {}, words.sentenceCase(quantity), from),
      el('dd', {}, value, age, standard),
    );
    return {
      node,
      update(sensor) {
        const now_s = clock.now_s();
        const old = isOld(store.state, sensor.time, now_s, SENSOR_OLD_S);
        const ago = words.ago(seconds(sensor.time), now_s);
        setAttribute(node, 'data-stale', old || null);
        setText(value, units.sensor(sensor.value, sensor.unit));
        setText(standard, standardWords(sensor));
        setText(age, old ? `old: ${ago}` : ago);
      },
    };
  }

  /** What a standard day has at the payload's height, while it is about there that this was read. */
  function standardWords({ quantity, unit, time }) {
    const track = store.state?.track ?? null;
    if (track === null || Math.abs(seconds(track.time) - seconds(time)) > SAME_HEIGHT_S) return '';
    const value = standardFor(quantity, unit, track.altitude_m);
    return value === null ? '' : `standard\u00a0${units.sensor(value, unit)}`;
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null) return;
    setShown(none, state.sensors.length === 0);
    setShown(sunlight, state.sensors.some(({ unit }) => unit === 'degC'));
    follow(list, state.sensors, ({ tracker, quantity }) => `${tracker}/${quantity}`, make, known);
  }

  return { node: panel.node, render };
}

export const place = { order: 90, tab: 'flight', create: createSensors };
