/** The way card: one car's drive over the roads, where to wait, and the place handed to a phone. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOld, isOldVehicle } from 'leeward/fresh.js';
import { geoAddress } from 'leeward/grid.js';
import { card, copyButton, row } from 'leeward/panels/card.js';
import { beyondWords, movedWords, percent, roadName, shownTurns, turnWords, waitWords, walkWords } from 'leeward/words/road.js';
import * as words from 'leeward/words.js';

const FIRST_TURNS = 4;
const REACH_MIN = [10, 20, 30];

/** @param {import('../types.js').Context} context */
function createWay({ store, clock, units, map }) {
  const cars = el('div', { class: 'way-cars', role: 'group', 'aria-label': 'Whose way' });
  const text = el('p', { class: 'sentence' });
  const age = el('p', { class: 'age' });
  const drive = row('Drive');
  const before = row('Before it lands');
  const area = row('Over the area');
  const leave = row('Leave by, for 9 in 10');
  const walk = row('Then');
  const track = row('Track');
  const beyond = row('Not by car');
  const wait = el('p', { class: 'sentence' });
  const [moved, worst, together] = [1, 2, 3].map(() => el('p', { class: 'remark' }));
  const waiting = el('section', { class: 'waiting' }, el('h3', { text: 'Where to wait' }), wait, moved, together, worst);
  const rows = [drive, area, before, leave, walk, track, beyond];
  const figures = el('dl', { class: 'rows' }, ...rows.map(({ node }) => node));
  const turns = el('ol', { class: 'turns' });
  const others = el('ol', { class: 'turns' });
  const more = /** @type {HTMLDetailsElement} */ (
    el('details', { class: 'more-turns' }, el('summary', { text: 'All turns' }), others)
  );
  const reach = el('button', { type: 'button', class: 'quiet', text: 'How far in 10, 20, 30 min', 'aria-pressed': 'false' });
  const handed = createHandOver();
  const credit = el('p', { class: 'remark', text: 'Roads: © OpenStreetMap contributors, ODbL 1.0. Signs, closures and owners decide. The driver does not operate this screen.' });
  const panel = card('way', 'Way', cars, text, age, waiting, figures, turns, more, el('div', { class: 'actions' }, reach), handed.node, credit);
  const known = { cars: new Map(), turns: new Map(), more: new Map() };
  /** @type {string | null} */
  let chosen = null;

  reach.addEventListener('click', async () => {
    if (reach.getAttribute('aria-pressed') === 'true') {
      showReach(null);
      return;
    }
    const car = shownCar(store.state);
    if (car === null) return;
    setText(reach, 'Working it out');
    const answer = await fetch(`/api/reach?vehicle=${encodeURIComponent(car.name)}`).catch(() => null);
    showReach(answer?.ok ? await answer.json() : null);
    if (!answer?.ok) setText(reach, 'No roads known about this car');
  });

  function showReach(found) {
    setText(reach, found === null ? 'How far in 10, 20, 30 min' : `Hide how far ${found.vehicle} gets`);
    setAttribute(reach, 'aria-pressed', String(found !== null));
    map.showReach(found);
  }

  function shownCar(state) {
    const all = state?.vehicles ?? [];
    return all.find(({ name }) => name === chosen) ?? all.find(({ own }) => own) ?? all[0] ?? null;
  }

  function carButton({ name }) {
    const node = el('button', { type: 'button', class: 'quiet', text: name });
    node.addEventListener('click', () => {
      chosen = name;
      map.showWayOf(name);
      render();
    });
    return { node, update: ({ name: its }) => setAttribute(node, 'aria-pressed', String(its === shownCar(store.state)?.name)) };
  }

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const car = shownCar(state);
    const { landing } = state;
    const roads = state.vehicles.some(({ road, no_road }) => road !== null || no_road);
    setShown(panel.node, roads || state.problems.some(({ kind }) => kind === 'roads_read'));
    setShown(cars, state.vehicles.length > 1);
    follow(cars, state.vehicles, ({ name }) => name, carButton, known.cars);
    const road = car?.road ?? null;
    for (const node of [waiting, figures, turns, more, reach, handed.node, credit]) setShown(node, road !== null);
    panel.aside(car === null || road === null ? '' : `${car.name}, ${words.duration(car.drive_s)}`);
    if (car === null || landing === null || road === null) {
      setText(text, whyNone(state, car, landing));
      setText(age, '');
      setAttribute(panel.node, 'data-stale', null);
      return;
    }
    const landed = landing.basis === 'landed fix';
    const lost = isOldVehicle(state, car.time, now_s);
    const old = !landed && isOld(state, landing.as_of, now_s);
    setAttribute(panel.node, 'data-stale', lost || old || null);
    setText(text, sentence(car, road, landing, landed, now_s));
    setText(age, ageWords(car, road, landing, lost, old, now_s));
    drive.show(`${words.duration(car.drive_s)}, ${units.distance(car.road_distance_m)}`);
    area.show(landed ? null : `${words.duration(road.drive_early_s)} to ${words.duration(road.drive_late_s)}`);
    before.show(landed ? null : percent(road.chance_before));
    leave.show(landed || road.leave_by === null ? null : leaveWords(road, now_s));
    walk.show(walkWords(road.end, units));
    track.show(road.track_m > 50 ? `the last ${units.distance(road.track_m)} is a track` : null);
    beyond.show(landed ? null : beyondWords(road.end));
    showWaiting(road, now_s);
    const list = shownTurns(road.turns);
    follow(turns, list.slice(0, FIRST_TURNS), turnKey, turnLine, known.turns);
    setShown(more, list.length > FIRST_TURNS);
    follow(others, more.open ? list.slice(FIRST_TURNS) : [], turnKey, turnLine, known.more);
    handed.show(state.flight.name, car, road, landing, units, now_s);
  }
  more.addEventListener('toggle', render);

  function showWaiting(road, now_s) {
    const alone = road.wait;
    setShown(waiting, alone !== null);
    if (alone === null) return;
    const best = road.wait_together ?? alone;
    const shared = road.wait_together !== null;
    setText(wait, words.sentenceCase(waitWords(best)));
    say(moved, movedWords(best, units, now_s));
    say(together, shared ? togetherWords(best, alone) : '');
    say(worst, samePlace(road.wait_worst, best) ? '' : worstWords(road.wait_worst));
  }

  function say(node, told) {
    setShown(node, told !== '');
    setText(node, told);
  }

  function turnLine() {
    const road = el('span', { class: 'turn-road' });
    const length = el('span', { class: 'number' });
    return {
      node: el('li', { class: 'turn' }, road, length),
      update(turn) {
        setText(road, words.sentenceCase(turnWords(turn)));
        setText(length, units.distance(turn.length_m));
      },
    };
  }

  return { node: panel.node, render };
}

function sentence(car, road, landing, landed, now_s) {
  if (landed) return `${words.duration(car.drive_s)} to drive to the end of the road.`;
  const margin_s = car.arrives_before_landing_s;
  if (margin_s === null) return '';
  const early = margin_s >= 0 ? `${words.duration(margin_s)} before it lands` : `${words.duration(-margin_s)} after it has landed`;
  const leave_s = road.leave_by === null ? null : seconds(road.leave_by) - now_s;
  if (margin_s < 0) return `Leaving now, you are there ${early}.`;
  if (leave_s !== null && leave_s < 0) return `Leave now: you are there ${early}, ${percent(road.chance_before)} sure.`;
  return `Leaving now, you are there ${early}.`;
}

function leaveWords(road, now_s) {
  const at_s = seconds(road.leave_by);
  const left_s = at_s - now_s;
  const when = `${words.clockTime(at_s)} ${words.zone(at_s)}`;
  return left_s < 0 ? `${when}: passed` : `${when}, in ${words.duration(left_s)}`;
}

function togetherWords(best, alone) {
  if (samePlace(best, alone)) return 'Chosen together with the other cars.';
  return `Chosen together with the other cars; alone it would be ${roadName(alone)}.`;
}

function worstWords(worst) {
  if (worst === null) return '';
  return `For the worst tenth: ${roadName(worst)}, then ${words.duration(worst.worst_s)}.`;
}

function ageWords(car, road, landing, lost, old, now_s) {
  const parts = [];
  if (old) parts.push(`${words.aged('Prediction', seconds(landing.as_of), now_s)}.`);
  const from = `From ${car.name}’s position ${words.ago(seconds(road.from_time), now_s)}`;
  parts.push(lost ? `${from}: old.` : `${from}${road.off_road_m > 100 ? ', off the road' : ''}.`);
  return parts.join(' ');
}

function whyNone(state, car, landing) {
  if (landing === null) return 'No prediction yet: no way.';
  if (car === null) return 'No vehicle in the plan.';
  if (car.distance_m === null) return `${car.name} has no position yet.`;
  if (car.no_road) return `No road leads from ${car.name} to the landing point.`;
  if (state.problems.some(({ kind }) => kind === 'roads_read')) return 'The roads are being read. Until then times are as the crow flies.';
  return 'No roads are known here: times are as the crow flies.';
}

const samePlace = (a, b) => a !== null && a.latitude_deg === b.latitude_deg && a.longitude_deg === b.longitude_deg;
const turnKey = (turn) => `${turn.latitude_deg} ${turn.longitude_deg} ${turn.name} ${turn.ref}`;

/** One code, links of open form, and words to paste. */
function createHandOver() {
  const code = el('img', { class: 'handed-code', width: 176, height: 176, alt: '' });
  const open = el('a', { class: 'button quiet', text: 'Map program', rel: 'noopener' });
  const web = el('a', { class: 'button quiet', text: 'OpenStreetMap', rel: 'noopener noreferrer', target: '_blank' });
  const told = el('p', { class: 'handed-text' });
  const copy = copyButton('Copy the words', () => told.textContent ?? '');
  const node = /** @type {HTMLDetailsElement} */ (
    el(
      'details',
      { class: 'handed' },
      el('summary', { text: 'Hand over to a phone' }),
      code,
      el('p', { class: 'remark', text: 'A phone’s camera opens the end of the road in its map program.' }),
      el('div', { class: 'actions' }, open, web, copy),
      told,
    )
  );
  return {
    node,
    show(flight, car, road, landing, units, now_s) {
      if (!node.open) return;
      const [lat, lon] = [road.end.latitude_deg.toFixed(5), road.end.longitude_deg.toFixed(5)];
      const link = `https://www.openstreetmap.org/?mlat=${lat}&mlon=${lon}#map=15/${lat}/${lon}`;
      setAttribute(code, 'src', `/api/qr.svg?lat=${lat}&lon=${lon}`);
      setAttribute(code, 'alt', `QR code of ${lat}, ${lon}`);
      setAttribute(open, 'href', geoAddress(road.end.latitude_deg, road.end.longitude_deg, null));
      setAttribute(web, 'href', link);
      setText(told, handedWords(flight, road, landing, units, [lat, lon], link));
    },
  };
}

function handedWords(flight, road, landing, units, [lat, lon], link) {
  const at_s = seconds(landing.time);
  const as_of_s = seconds(landing.as_of);
  const verb = landing.basis === 'landed fix' ? 'landed' : 'lands about';
  const sure = landing.radius_90_m === null ? '' : `, 90 % within ${units.distance(landing.radius_90_m)} of`;
  const place = words.decimalDegrees(landing.latitude_deg, landing.longitude_deg);
  return (
    `${flight} ${verb} ${words.clockTime(at_s)} ${words.zone(at_s)}${sure || ' at'} ${place}; ` +
    `drive to ${lat}, ${lon}, then ${walkWords(road.end, units)}; ` +
    `as of ${words.clockTime(as_of_s)} ${words.zone(as_of_s)}. geo:${lat},${lon}?q=${lat},${lon} ${link}`
  );
}

export const place = { order: 50, tab: 'landing', create: createWay };
