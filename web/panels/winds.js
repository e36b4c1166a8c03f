/** The winds by height: the field with its doubt, and what each source measured. Asked for when opened. */

import { el, setText, svg } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { card } from 'leeward/panels/card.js';
import { figure } from 'leeward/units.js';
import * as words from 'leeward/words.js';

const EVERY_MS = 10_000;
const WIDTH = 360;
const HEIGHT = 300;
const ROOM = { left: 58, right: 8, top: 8, bottom: 40 };
const MIDDLE = 230; // the speeds' right edge; the directions lie beyond
const GAP = 22;
/** Told apart by shape: of the flight itself, then of the others in their order. */
const MARKS = ['circle', 'square', 'triangle', 'cross', 'plus'];

/** @param {import('../types.js').Context} context */
function createWinds({ store, clock, units }) {
  const chart = svg('svg', { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: 'winds', role: 'img' });
  const key = el('ul', { class: 'winds-key' });
  const note = el('p', { class: 'sentence' });
  const details = /** @type {HTMLDetailsElement} */ (
    el('details', {}, el('summary', { text: 'By height' }), chart, key, note)
  );
  const panel = card('winds', 'Winds', details);
  let asked_ms = -Infinity;
  let asking = false;
  let shown = null;

  details.addEventListener('toggle', () => {
    asked_ms = -Infinity;
    render();
  });

  async function ask(flight) {
    asking = true;
    try {
      const answer = await fetch(`/api/winds?flight=${encodeURIComponent(flight)}`);
      shown = answer.ok ? await answer.json() : null;
      draw();
    } catch {
      setText(note, 'The station does not answer.');
    } finally {
      asking = false;
    }
  }

  function draw() {
    chart.replaceChildren();
    key.replaceChildren();
    if (shown === null || (shown.levels.length === 0 && shown.sources.length === 0)) {
      setText(note, 'No wind known yet.');
      return;
    }
    const points = shown.sources.flatMap((source) => source.points);
    const top_m = Math.max(...points.map(([z]) => z), ...shown.levels.map(([z]) => z), 1000);
    const fastest = Math.max(
      ...shown.levels.map(([, e, n, s]) => Math.hypot(e, n) + s),
      ...points.map(([, e, n]) => Math.hypot(e, n)),
      5,
    );
    const y = (z) => HEIGHT - ROOM.bottom - (z / top_m) * (HEIGHT - ROOM.bottom - ROOM.top);
    const x = (ms) => ROOM.left + (ms / fastest) * (MIDDLE - ROOM.left);
    const round = (deg) => MIDDLE + GAP + (deg / 360) * (WIDTH - ROOM.right - MIDDLE - GAP);
    grid(top_m, fastest, { x, y, round });
    band(x, y);
    shown.sources.forEach((source, number) => {
      for (const [z, east, north] of source.points) {
        chart.append(mark(number, x(Math.hypot(east, north)), y(z)), mark(number, round(from(east, north)), y(z)));
      }
      key.append(el('li', {}, sample(number), el('span', { text: named(source) })));
    });
    if (shown.levels.length > 0) {
      const line = el('span', { class: 'winds-line' });
      key.append(el('li', {}, line, el('span', { text: 'as it will be met, with one sigma' })));
    }
    chart.setAttribute('aria-label', `Wind by height up to ${units.altitude(top_m)}, from ${shown.sources.length} sources`);
    const asOf = words.ago(seconds(shown.as_of), clock.now_s());
    setText(note, `Heights above sea level, ${units.system().altitudeUnit}. Of the landing as of ${asOf}.`);
  }

  function band(x, y) {
    const { levels } = shown;
    if (levels.length === 0) return;
    const speed = levels.map(([z, e, n, s]) => [Math.hypot(e, n), s, z]);
    const right = speed.map(([v, s, z]) => `${x(v + s)} ${y(z)}`);
    const left = speed.map(([v, s, z]) => `${x(Math.max(v - s, 0))} ${y(z)}`).reverse();
    const middle = speed.map(([v, , z]) => `${x(v)} ${y(z)}`);
    chart.append(
      svg('path', { class: 'winds-band', d: `M${[...right, ...left].join('L')}Z` }),
      svg('path', { class: 'winds-field', d: `M${middle.join('L')}` }),
    );
  }

  function grid(top_m, fastest, { x, y, round }) {
    const high = nice(units.system().altitudeValue(top_m) / 4);
    for (let height = 0; y(height / units.system().altitudeValue(1)) >= ROOM.top; height += high) {
      const at = y(height / units.system().altitudeValue(1));
      chart.append(
        svg('path', { class: 'winds-grid', d: `M${ROOM.left} ${at}H${WIDTH - ROOM.right}` }),
        label(ROOM.left - 4, at + 4, figure(height), 'end'),
      );
    }
    const value = units.system().speedValue(1);
    const step = nice((fastest * value) / 3);
    for (let speed = 0; x(speed / value) <= MIDDLE; speed += step) {
      chart.append(label(x(speed / value), HEIGHT - ROOM.bottom + 16, figure(speed), 'middle'));
    }
    for (const [deg, name] of [[0, 'N'], [90, 'E'], [180, 'S'], [270, 'W'], [360, 'N']]) {
      chart.append(label(round(deg), HEIGHT - ROOM.bottom + 16, name, 'middle'));
    }
    chart.append(
      label((ROOM.left + MIDDLE) / 2, HEIGHT - 6, `speed, ${units.system().speedUnit}`, 'middle'),
      label(round(180), HEIGHT - 6, 'from', 'middle'),
    );
  }

  function named({ name, points }) {
    const times = points.map(([, , , time]) => seconds(time));
    return `${name === '' ? shown.flight : name}, last ${words.ago(Math.max(...times), clock.now_s())}`;
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null || !details.open) return;
    const other = shown !== null && shown.flight !== state.flight.name;
    if (asking || (!other && performance.now() - asked_ms < EVERY_MS)) return;
    asked_ms = performance.now();
    ask(state.flight.name);
  }

  return { node: panel.node, render };
}

/** Degrees that a wind blows from. */
const from = (east, north) => ((Math.atan2(-east, -north) * 180) / Math.PI + 360) % 360;

function nice(step) {
  const ten = 10 ** Math.floor(Math.log10(step));
  return ten * ([1, 2, 5].find((by) => by * ten >= step) ?? 10);
}

function label(x, y, text, anchor) {
  const node = svg('text', { x, y, 'text-anchor': anchor, class: 'winds-label' });
  node.textContent = text;
  return node;
}

function mark(number, x, y) {
  const kind = MARKS[number % MARKS.length];
  const d = {
    circle: `M${x - 2} ${y}a2 2 0 1 0 4 0a2 2 0 1 0 -4 0Z`,
    square: `M${x - 2} ${y - 2}h4v4h-4Z`,
    triangle: `M${x} ${y - 3}l3 5h-6Z`,
    cross: `M${x - 2} ${y - 2}l4 4M${x + 2} ${y - 2}l-4 4`,
    plus: `M${x} ${y - 3}v6M${x - 3} ${y}h6`,
  }[kind];
  return svg('path', { d, class: `winds-mark winds-${kind}` });
}

function sample(number) {
  return svg('svg', { viewBox: '-5 -5 10 10', width: 14, height: 14, class: 'winds-sample' }, mark(number, 0, 0));
}

export const place = { order: 100, tab: 'flight', create: createWinds };
