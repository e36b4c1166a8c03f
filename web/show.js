/** The page for a projector: for those who watch. Three figures, the map, the story; nothing to press. */

import { createClock } from 'leeward/clock.js';
import { el, setShown, setText } from 'leeward/dom.js';
import { keeping } from 'leeward/offline.js';
import { createLink } from 'leeward/panels/link.js';
import { createPreferences } from 'leeward/preferences.js';
import { createFigures } from 'leeward/show/figures.js';
import { createShowMap } from 'leeward/show/map.js';
import { createNames } from 'leeward/show/names.js';
import { createStory } from 'leeward/show/story.js';
import { connect } from 'leeward/socket.js';
import { createStore } from 'leeward/store.js';
import { createUnits } from 'leeward/units.js';
import { createWhereIs } from 'leeward/whereis.js';
import * as words from 'leeward/words.js';
import { modeWords } from 'leeward/words/story.js';

const FLYING = ['descent', 'ascent', 'float']; // which of several is shown large: the first of these

const store = createStore();
const clock = createClock();
const preferences = createPreferences();
const units = createUnits(preferences);
/** @type {any} */
const context = { store, clock, units, preferences, map: null };
context.whereIs = createWhereIs(context);
const asked = new URLSearchParams(location.hash.slice(1)).get('flight');

const name = el('h1', { class: 'show-name', text: 'Leeward' });
const mode = el('p', { class: 'show-mode', role: 'status', hidden: true });
const time = el('span', { class: 'show-time' });
const mapNode = el('div', { class: 'map', role: 'region', 'aria-label': 'Map' });
const link = createLink(context);
const panels = [createFigures(context), createNames(context), createStory(context)];
const [figures, names, story] = panels;

document.body.append(
  el('header', { class: 'show-head' }, name, mode, time),
  link.node,
  el(
    'main',
    {},
    mapNode,
    el('div', { class: 'show-side' }, figures.node, names.node, story.node),
  ),
  el('footer', { class: 'show-foot', text: 'To watch, not to drive after: the crew looks for it, and asks whose land it is.' }),
);
const map = createShowMap(mapNode, context);
context.map = map;

let changed = new Set();
let waiting = false;

function draw() {
  waiting = false;
  link.render();
  const { state } = store;
  const now_s = clock.now_s();
  if (state === null || now_s === null) return;
  const now = changed;
  changed = new Set();
  setText(name, state.flights.length > 1 ? `${state.flight.name}, one of ${state.flights.length}` : state.flight.name);
  setText(time, `${words.clockTime(now_s)} ${words.zone(now_s)}`);
  setText(mode, modeWords(state));
  setShown(mode, state.mode !== 'live');
  document.body.dataset.mode = state.mode;
  document.title = `${state.flight.name} · Leeward`;
  map.draw(now);
  for (const { render } of panels) render();
}

function drawSoon() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(draw);
}

/** The one that flies, the one that falls before others; else the first. */
function choose({ flights }) {
  const rank = ({ phase }) => (FLYING.includes(phase) ? FLYING.indexOf(phase) : FLYING.length);
  const best = flights.find((one) => one.name === asked) ?? [...flights].sort((a, b) => rank(a) - rank(b))[0];
  store.choose(best.name);
}

store.onChange((sections) => {
  for (const section of sections) changed.add(section);
  if (store.state === null) return;
  const { now, replay, units: planned } = store.state;
  clock.set(now, replay === null ? 1 : replay.paused ? 0 : replay.speed);
  preferences.plannedUnits(planned);
  choose(store.state);
  drawSoon();
});
preferences.onChange(drawSoon);
clock.onTick(drawSoon);
clock.start();
keeping(connect)(store, link.set);
