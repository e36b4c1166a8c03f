/** Which quantity the chart shows. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { altitudeView, climbView, sensorView } from 'leeward/chart/views.js';
import { sentenceCase } from 'leeward/words.js';

const VIEWS = { altitude: 'Altitude', climb: 'Climb', sensors: 'Sensors' };

/** @param {import('../types.js').Context} context @param {any} chart */
export function createChartChoice(context, chart) {
  const { store } = context;
  const buttons = Object.entries(VIEWS).map(([name, text]) =>
    el('button', { type: 'button', text, 'data-view': name, on: { click: () => choose(name) } }),
  );
  const group = el('div', { class: 'views', role: 'group', 'aria-label': 'Chart' }, ...buttons);
  const select = /** @type {HTMLSelectElement} */ (
    el('select', { 'aria-label': 'Sensor', on: { change: () => choose('sensors') } })
  );
  const note = el('span', { class: 'remark' });
  const node = el('div', { class: 'choice' }, group, select, note);
  const known = new Map();
  let chosen = 'altitude';

  function choose(name) {
    chosen = name;
    const view =
      name === 'climb' ? climbView(context) : name === 'sensors' ? sensorOf() : altitudeView(context);
    setText(note, view.note);
    chart.show(view);
    render();
  }

  function sensorOf() {
    return sensorView(context, select.value);
  }

  function option(key) {
    const [tracker, quantity] = key.split(/\/(.*)/s);
    const label = `${sentenceCase(quantity)}, ${tracker}`;
    return { node: el('option', { value: key, text: label }), update() {} };
  }

  function render() {
    const keys = Object.keys(store.history.sensors).sort();
    const first = known.size === 0;
    follow(select, keys, (key) => key, option, known);
    if (first) select.value = keys.find((key) => /outside/i.test(key)) ?? keys[0] ?? '';
    if (chosen === 'sensors' && keys.length === 0) {
      choose('altitude'); // a replay went back to before the first word of a sensor
      return;
    }
    for (const button of buttons) {
      setShown(button, button.dataset.view !== 'sensors' || keys.length > 0);
      setAttribute(button, 'aria-pressed', String(button.dataset.view === chosen));
    }
    setShown(select, chosen === 'sensors');
    setShown(note, chosen === 'sensors');
  }

  return { node, render };
}
