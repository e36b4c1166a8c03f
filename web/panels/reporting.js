/** Which trackers report, always in sight: one mark each with its state, age and interval. */

import { el, follow, setAttribute, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { symbol } from 'leeward/map/symbols.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
export function createReporting({ store, clock }) {
  const list = el('ul', { class: 'reporting' });
  const none = el('p', { class: 'answer-note', text: 'no tracker in the plan' });
  const node = el('div', { class: 'answer', 'data-answer': 'trackers' }, el('div', { class: 'answer-label', text: 'Trackers' }), list, none);
  const known = new Map();

  function make({ role }) {
    const label = el('b', { class: 'reporting-name' });
    const state = el('span', { class: 'state' });
    const age = el('span', { class: 'reporting-age' });
    const interval = el('span', { class: 'reporting-interval' });
    const row = el('li', {}, symbol(role, 16), label, state, age, interval);
    return {
      node: row,
      update(tracker) {
        setAttribute(row, 'data-state', tracker.state);
        setText(label, tracker.label);
        setText(state, tracker.state === 'reporting' ? '' : tracker.state);
        const heard_s = seconds(tracker.last_heard);
        const now_s = clock.now_s();
        setText(age, heard_s === null || now_s === null ? '' : words.duration(now_s - heard_s));
        setText(interval, heard_s === null || tracker.interval_s === null ? '' : `every ${words.duration(tracker.interval_s)}`);
      },
    };
  }

  function render() {
    const { state } = store;
    if (state === null) return;
    none.hidden = state.trackers.length > 0;
    follow(list, state.trackers, ({ name }) => name, make, known);
  }

  return { node, render };
}
