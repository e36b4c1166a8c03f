/** One row a tracker: its state, when it was last heard, how high; more on demand. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { symbol } from 'leeward/map/symbols.js';
import { card, row } from 'leeward/panels/card.js';
import { rejectionWords, trackerWords, wayWords } from 'leeward/words/tracker.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
function createTrackers({ store, clock, units, map }) {
  const heads = ['Tracker', 'State', 'Heard', 'Height'].map((text) => el('th', { text, scope: 'col' }));
  const table = el('table', { class: 'trackers' });
  const head = { node: el('thead', {}, el('tr', {}, ...heads)), update() {} };
  const none = el('p', { class: 'sentence', text: 'The plan names no tracker, and none was found yet.' });
  const panel = card('trackers', 'Trackers', table, none);
  const known = new Map();

  function make({ role }) {
    const label = el('b');
    const name = el('small');
    const state = el('span', { class: 'state' });
    const heard = el('td', { class: 'number' });
    const height = el('td', { class: 'number' });
    const sentence = el('td', { colspan: 4, class: 'sentence' });
    const details = createDetails(units, map);
    let current = null;
    const more = el('button', {
      type: 'button',
      class: 'expander',
      'aria-expanded': 'false',
      on: {
        click() {
          const open = details.node.hidden;
          setShown(details.node, open);
          details.update(current, clock.now_s());
          setAttribute(more, 'aria-expanded', String(open));
        },
      },
    });
    more.append(symbol(role, 18), el('span', {}, label, name));
    const node = el(
      'tbody',
      {},
      el('tr', {}, el('th', { scope: 'row' }, more), el('td', {}, state), heard, height),
      el('tr', { class: 'sentence-row' }, sentence),
      details.node,
    );
    return {
      node,
      update(tracker) {
        current = tracker;
        const now_s = clock.now_s();
        setAttribute(node, 'data-state', tracker.state);
        setText(label, tracker.label);
        setText(name, tracker.name === tracker.label ? '' : tracker.name);
        setText(state, tracker.state);
        setText(heard, words.ago(seconds(tracker.last_heard), now_s).replace(' ago', ''));
        const altitude = tracker.last_altitude_m;
        setText(height, altitude === null ? '–' : units.altitude(altitude));
        setText(sentence, trackerWords(tracker, units));
        details.update(tracker, now_s);
      },
    };
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null) return;
    setShown(none, state.trackers.length === 0);
    setShown(table, state.trackers.length > 0);
    const rows = [null, ...state.trackers]; // the head first, then a body for each
    follow(table, rows, (item) => item?.name ?? '', (item) => (item ? make(item) : head), known);
    const reporting = state.trackers.filter((tracker) => tracker.state === 'reporting').length;
    panel.aside(`${reporting} of ${state.trackers.length} reporting`);
  }

  return { node: panel.node, render };
}

function createDetails(units, map) {
  const names = {
    fix: 'Last fix',
    place: 'From our car',
    interval: 'Sends every',
    counts: 'Packets',
    fixes: 'Fixes',
    reason: 'Last left out',
    power: 'Power',
    hearers: 'Heard by',
    path: 'Way',
  };
  const rows = Object.fromEntries(Object.entries(names).map(([key, name]) => [key, row(name)]));
  const packet = el('code', { class: 'packet' });
  const show = el('button', { type: 'button', class: 'quiet', 'aria-pressed': 'false' });
  let name = null;
  show.addEventListener('click', () => {
    map.fixes.toggle(name);
    dressShow();
  });
  function dressShow() {
    const shown = map.fixes.isShown(name);
    setText(show, shown ? 'Hide its fixes' : 'Show its fixes on the map');
    setAttribute(show, 'aria-pressed', String(shown));
  }
  const list = el('dl', { class: 'rows' }, ...Object.values(rows).map(({ node }) => node));
  const cell = el('td', { colspan: 4 }, list, packet, show);
  const node = el('tr', { class: 'details', hidden: true }, cell);

  function update(tracker, now_s) {
    if (node.hidden) return;
    name = tracker.name;
    dressShow();
    const fix_s = seconds(tracker.last_fix_time);
    rows.fix.show(
      fix_s === null ? 'none' : `${words.clockTimeSeconds(fix_s)} ${words.zone(fix_s)}, ${words.ago(fix_s, now_s)}`,
    );
    rows.place.show(
      tracker.distance_m === null || tracker.bearing_deg === null
        ? null
        : `${units.distance(tracker.distance_m)} ${words.compass(tracker.bearing_deg)} ${words.bearing(tracker.bearing_deg)}`,
    );
    rows.interval.show(tracker.interval_s === null ? 'not learned yet' : words.duration(tracker.interval_s));
    rows.counts.show(`${tracker.heard} heard, ${tracker.missed} missed, ${words.plural(tracker.copies, 'copy', 'copies')}`);
    rows.fixes.show(`${tracker.fixes}, ${tracker.rejected} left out`);
    rows.reason.show(tracker.last_rejection && rejectionWords(tracker.last_rejection, units));
    rows.power.show(powerWords(tracker, units));
    rows.hearers.show(
      tracker.heard_by.map(({ name: hearer, packets }) => `${hearer} (${packets})`).join(', ') || null,
    );
    rows.path.show(wayWords(tracker));
    setText(packet, tracker.last_packet ?? '');
    setShown(packet, tracker.last_packet !== null);
  }

  return { node, update };
}

function powerWords({ battery_percent, voltage_v }, units) {
  const parts = [];
  if (battery_percent !== null) parts.push(units.sensor(battery_percent, '%'));
  if (voltage_v !== null) parts.push(units.sensor(voltage_v, 'V'));
  return parts.join(', ') || null;
}

export const place = { order: 60, tab: 'trackers', create: createTrackers };
