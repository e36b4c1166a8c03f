/** The page of those on foot: one arrow, one distance, how sure it is, and what to mind. */

import { createClock, seconds } from 'leeward/clock.js';
import { el, follow, setAttribute, setShown, setText, svg } from 'leeward/dom.js';
import { isOld } from 'leeward/fresh.js';
import { geoAddress } from 'leeward/grid.js';
import { copyButton } from 'leeward/panels/card.js';
import { createFlights } from 'leeward/panels/flights.js';
import { keeping } from 'leeward/offline.js';
import { createLink } from 'leeward/panels/link.js';
import { nameField } from 'leeward/panels/person.js';
import { createSearching } from 'leeward/panels/searching.js';
import { createPreferences } from 'leeward/preferences.js';
import { connect } from 'leeward/socket.js';
import { createStore } from 'leeward/store.js';
import { createUnits } from 'leeward/units.js';
import { createWalker } from 'leeward/walker.js';
import { wayFrom } from 'leeward/whereis.js';
import * as words from 'leeward/words.js';

const OWN_OLD_S = 30;
const CAUTIONS = [
  'Stay clear of power lines, railways, roads and water. Nobody climbs for a box.',
  'Ask before you step on private land.',
  'If it hangs in a line, leave it and call the line’s owner.',
  'Tell somebody where you go. Look where you walk, not at this page.',
];

const store = createStore();
const clock = createClock();
const preferences = createPreferences();
const units = createUnits(preferences);
const walker = createWalker(renderSoon);
const flights = createFlights(/** @type {any} */ ({ store, clock, units }));
const link = createLink(/** @type {any} */ ({ store, clock }));

const name = el('h1', { class: 'flight-name', text: 'Leeward' });
const mode = el('span', { class: 'mode', hidden: true });
const palette = el('button', {
  type: 'button',
  on: { click: () => preferences.set('palette', preferences.get('palette') === 'day' ? 'night' : 'day') },
});
const arrow = svg(
  'svg',
  { viewBox: '-50 -50 100 100', class: 'walk-arrow', role: 'img' },
  svg('circle', { r: 47, class: 'walk-ring' }),
  svg('path', { d: 'M0 -40 26 30 0 16 -26 30Z', class: 'walk-needle' }),
);
const distance = el('p', { class: 'walk-distance' });
const bearing = el('p', { class: 'walk-bearing' });
const turn = el('p', { class: 'walk-turn' });
const start = el('button', { type: 'button', class: 'strong', text: 'Use my position' });
start.addEventListener('click', () => walker.start());
const figures = el('dl', { class: 'walk-rows' });
const rows = Object.fromEntries(
  ['Landing', 'How sure', 'Worked out', 'You', 'Last signal'].map((title) => {
    const text = el('dd');
    figures.append(el('div', { class: 'walk-row' }, el('dt', { text: title }), text));
    return [title, text];
  }),
);
const open = el('a', { class: 'button', text: 'Map program', rel: 'noopener' });
const copy = copyButton('Copy degrees', () => placeText());
const searching = createSearching({
  now_s: () => clock.now_s(),
  flight: () => store.state?.flight.name ?? '',
  by: () => String(preferences.get('person') ?? '') || 'On foot',
  place: () => walker.place,
  heading_deg: () => walker.heading_deg(),
});
const person = nameField(preferences);
person.addEventListener('change', () => preferences.set('person', person.value.trim()));
const whose = el('label', { class: 'walk-person crew-only', text: 'Your name, told to the others ' }, person);
const list = el('ul', { class: 'walk-cautions' });

document.body.append(
  el('header', { class: 'walk-bar' }, name, mode, palette),
  link.node,
  flights.node,
  el(
    'main',
    { class: 'walk' },
    el('section', { class: 'walk-way', 'aria-label': 'The way' }, arrow, distance, bearing, turn, start),
    figures,
    searching.node,
    whose,
    el('div', { class: 'walk-actions' }, open, copy),
    el('section', { 'aria-label': 'Cautions' }, list),
    el('p', { class: 'walk-back' }, el('a', { href: '/', text: 'The whole screen' })),
  ),
);
follow(list, CAUTIONS, (text) => text, (text) => ({ node: el('li', { text }), update() {} }), new Map());

let waiting = false;

function renderSoon() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    render();
  });
}

function placeText() {
  const landing = store.state === null ? null : aim(store.state);
  return landing === null ? '' : words.decimalDegrees(landing.latitude_deg, landing.longitude_deg);
}

function render() {
  link.render();
  flights.render();
  setText(palette, preferences.get('palette') === 'day' ? 'Night' : 'Day');
  const { state } = store;
  const now_s = clock.now_s();
  setShown(start, walker.place === null);
  if (state === null || now_s === null) {
    setText(distance, 'Waiting for the station.');
    return;
  }
  setText(name, state.flight.name);
  setShown(mode, state.mode !== 'live');
  setText(mode, state.mode);
  document.body.dataset.mode = state.mode;
  const landing = aim(state);
  const from = origin(state);
  searching.render();
  setShown(open, landing !== null);
  setShown(copy, landing !== null);
  showWay(from, landing);
  showLanding(state, landing, now_s);
  setText(rows.You, ownWords(from));
  setAttribute(rows.You, 'data-stale', walker.place !== null && walker.age_s() > OWN_OLD_S);
  setText(rows['Last signal'], signalWords(state, now_s));
}

/** What the arrow points at: the box where it was found, the likeliest place of a search, else the landing. */
function aim({ landing, flight: { search } }) {
  const { found, result } = search;
  if (landing === null) return null;
  if (found !== null) return { ...landing, ...found, radius_90_m: null, basis: `found by ${found.by}`, as_of: found.time };
  if (result === null) return landing;
  const { best_latitude_deg: latitude_deg, best_longitude_deg: longitude_deg, area_90_m2, as_of } = result;
  return { ...landing, latitude_deg, longitude_deg, radius_90_m: Math.sqrt(area_90_m2 / Math.PI), basis: 'search', as_of };
}

/** Where the reader stands: by this phone, or else by our car. */
function origin(state) {
  if (walker.place !== null) return { name: 'you', ...walker.place };
  const car = state.vehicles.find(({ own }) => own) ?? state.vehicles[0];
  if (!car || car.latitude_deg === null) return null;
  return { name: car.name, latitude_deg: car.latitude_deg, longitude_deg: car.longitude_deg };
}

function showWay(from, landing) {
  const known = from !== null && landing !== null;
  arrow.classList.toggle('unknown', !known);
  if (!known) {
    setText(distance, landing === null ? 'No landing yet' : 'Where are you?');
    setText(bearing, '');
    setText(turn, walker.problem);
    setAttribute(arrow, 'aria-label', 'No direction known');
    return;
  }
  const way = wayFrom(from.latitude_deg, from.longitude_deg, landing.latitude_deg, landing.longitude_deg);
  const near = landing.radius_90_m !== null && way.range_m < landing.radius_90_m;
  setText(distance, units.distance(way.range_m));
  const point = `${words.compass(way.bearing_deg)} ${words.bearing(way.bearing_deg)}`;
  setText(bearing, `${point}${near ? ', inside the search area' : ''}`);
  const heading = walker.place === null ? null : walker.heading_deg();
  arrow.style.setProperty('--turn', `${way.bearing_deg - (heading ?? 0)}deg`);
  setAttribute(arrow, 'aria-label', `The landing lies ${point}`);
  const by = { compass: 'by this phone’s compass', course: 'by the way you walk' }[walker.headingFrom()];
  const how = heading === null ? 'North is at the top of the arrow’s ring.' : `The arrow turns ${by}.`;
  const whose = walker.place === null ? `Seen from ${from.name}. ${walker.problem}` : how;
  setText(turn, whose);
}

function showLanding(state, landing, now_s) {
  if (landing === null) {
    for (const title of ['Landing', 'How sure', 'Worked out']) setText(rows[title], 'not known');
    return;
  }
  const landed = landing.basis === 'landed fix';
  setText(rows.Landing, placeText());
  setAttribute(open, 'href', geoAddress(landing.latitude_deg, landing.longitude_deg, landing.radius_90_m));
  const { found } = state.flight.search;
  const sure = landing.radius_90_m;
  const within = sure === null ? 'not known' : `90\u00a0% within ${units.distance(sure)}`;
  setText(rows['How sure'], found === null ? within : 'it was found there');
  const remark = found?.note ? `: ${found.note}` : '';
  setText(rows['Worked out'], `${landing.basis}, ${words.ago(seconds(landing.as_of), now_s)}${remark}`);
  setAttribute(rows['Worked out'], 'data-stale', !landed && isOld(state, landing.as_of, now_s));
}

function ownWords(from) {
  if (walker.place === null) return from === null ? 'not known' : 'not known';
  const sure = `sure to ${units.distance(walker.place.accuracy_m)}`;
  return `${sure}, ${words.duration(walker.age_s())} ago`;
}

function signalWords({ trackers }, now_s) {
  const heard = trackers
    .filter(({ last_heard }) => last_heard !== null)
    .sort((a, b) => (a.last_heard < b.last_heard ? 1 : -1))[0];
  if (heard === undefined) return 'none yet';
  const height = heard.last_altitude_m === null ? '' : `, at ${units.altitude(heard.last_altitude_m)}`;
  return `${heard.label}, ${words.ago(seconds(heard.last_heard), now_s)}${height}`;
}

store.onChange(() => {
  if (store.state === null) return;
  const { now, replay, units: planned } = store.state;
  clock.set(now, replay === null ? 1 : replay.paused ? 0 : replay.speed);
  preferences.plannedUnits(planned);
  renderSoon();
});
preferences.onChange(renderSoon);
clock.onTick(renderSoon);
clock.start();
render();
keeping(connect)(store, link.set);
