/** Puts the page together and keeps it going; where the messages come from is for others to say. */

import { createChartChoice } from 'leeward/chart/choice.js';
import { createJumps } from 'leeward/chart/jumps.js';
import { createScrubber } from 'leeward/chart/scrubber.js';
import { createTimeChart } from 'leeward/chart/timechart.js';
import { createClock } from 'leeward/clock.js';
import { el, setAttribute } from 'leeward/dom.js';
import { createMap } from 'leeward/map/map.js';
import { createAlarm } from 'leeward/panels/alarm.js';
import { createBand } from 'leeward/panels/band.js';
import { createBar } from 'leeward/panels/bar.js';
import { createFlights } from 'leeward/panels/flights.js';
import { createLink } from 'leeward/panels/link.js';
import { createNow } from 'leeward/panels/now.js';
import { showNotice } from 'leeward/panels/notice.js';
import { createProblems } from 'leeward/panels/problems.js';
import { SIDE } from 'leeward/panels/side.js';
import { createTabs } from 'leeward/panels/tabs.js';
import { createPageKeys } from 'leeward/pagekeys.js';
import { createPreferences } from 'leeward/preferences.js';
import { createSound } from 'leeward/sound.js';
import { createStore } from 'leeward/store.js';
import { createUnits } from 'leeward/units.js';
import { createWhereIs } from 'leeward/whereis.js';

/**
 * @param {(store: any, onLink: (link: 'open' | 'lost') => void) => void} connect
 * @param {(path: string, body: object) => Promise<string | null>} post
 */
export function start(connect, post) {
  const store = createStore();
  // asked for before the page is put together: what comes waits until this function has ended
  connect(store, (state) => link.set(state));
  const clock = createClock();
  const preferences = createPreferences();
  const units = createUnits(preferences);
  const sound = createSound(preferences);
  const mapNode = el('div', { class: 'map', role: 'region', 'aria-label': 'Map' });
  /** @type {import('./types.js').Context} */
  const context = { store, clock, units, preferences, sound, post, map: null, whereIs: (place) => whereIs(place), ready: null };
  const whereIs = createWhereIs(context);

  const bar = createBar(context);
  const link = createLink(context);
  const problems = createProblems(context);
  const strips = el('div', { class: 'strips' }, bar.strip, link.node, problems.node);
  const flights = createFlights(context, { strips, bar: bar.node });
  strips.append(flights.node);
  const alarm = createAlarm(context);
  const band = createBand(context, [alarm.node]);
  const now = createNow(context);
  const chart = createTimeChart(context);
  const scrubber = createScrubber(context, chart);
  const jumps = createJumps(context, scrubber);
  chart.mayEndInTheAir(jumps.endsInTheAir);
  const choice = createChartChoice(context, chart);
  bar.node.append(createPageKeys(context, scrubber).button);
  const side = el('div', { class: 'side', tabindex: 0, role: 'region', 'aria-label': 'Panels' });
  const flown = el('section', { class: 'time', 'aria-label': 'Charts against time' });
  flown.append(el('div', { class: 'time-head' }, choice.node, scrubber.node, jumps.node), chart.node);
  document.body.append(
    bar.node,
    strips,
    el('div', { class: 'band' }, band.node),
    el('main', {}, el('div', { class: 'left' }, mapNode, now.node, flown), side),
    createTabs().node,
    alarm.after,
    alarm.spoken,
  );
  const map = createMap(mapNode, context);
  context.map = map;
  const cards = SIDE.map(({ create, tab }) => {
    const card = create(context);
    setAttribute(card.node, 'data-on', tab);
    return card;
  });
  side.append(...cards.map(({ node }) => node));
  const panels = [bar, link, problems, flights, alarm, band, now, scrubber, jumps, choice, chart, ...cards];

  let changed = new Set();
  let waiting = false;
  let begun = false;

  function draw() {
    waiting = false;
    if (store.state !== null && !begun) {
      begun = true; // the answers first; a long flight takes a moment to draw
      for (const { render } of [bar, alarm, band]) render();
      drawSoon();
      return;
    }
    const now = changed;
    changed = new Set();
    if (store.state !== null) map.draw(now);
    for (const { render } of panels) render();
  }

  function drawSoon() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(draw);
  }

  store.onChange((sections) => {
    for (const section of sections) changed.add(section);
    if (store.state === null) return;
    const { now, replay } = store.state;
    clock.set(now, replay === null ? 1 : replay.paused ? 0 : replay.speed);
    document.body.dataset.phase = store.state.phase;
    preferences.plannedUnits(store.state.units);
    drawSoon();
  });
  preferences.onChange(drawSoon);
  clock.onTick(drawSoon);
  clock.start();
  bar.render();
  showNotice();
}
