/** The story so far, the newest first; what no longer fits is left out whole. */

import { el, follow, setText } from 'leeward/dom.js';
import { storyOf } from 'leeward/words/story.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
export function createStory({ store, clock, units, whereIs }) {
  const list = el('ol', { class: 'show-list' });
  const node = el('section', { class: 'show-story', 'aria-label': 'The story so far' }, list);
  const known = new Map();
  let fitted = '';

  function make() {
    const time = el('span', { class: 'show-when' });
    const text = el('span');
    return {
      node: el('li', {}, time, text),
      update(told) {
        setText(time, `${words.clockTime(told.time_s)} ${words.zone(told.time_s)}`);
        setText(text, told.text);
      },
    };
  }

  function render() {
    const now_s = clock.now_s();
    if (store.state === null || now_s === null) return;
    const told = storyOf(store.state, store.history.tracks, units, now_s, whereIs);
    told.reverse();
    follow(list, told, ({ key }) => key, make, known);
    const shape = `${node.clientWidth} ${node.clientHeight} ${told.map(({ key, text }) => key + text.length).join()}`;
    if (shape !== fitted) fit(told);
    fitted = shape;
  }

  /** Leaves out heights before events and the oldest first, never the newest, until the rest fits. */
  function fit(told) {
    const rows = [...list.children].map((row, n) => ({ row: /** @type {HTMLElement} */ (row), minor: told[n].minor, n }));
    for (const { row } of rows) row.hidden = false;
    const order = rows.slice(1).sort((a, b) => Number(b.minor) - Number(a.minor) || b.n - a.n);
    for (const { row } of order) {
      if (list.offsetHeight <= node.clientHeight) return;
      row.hidden = true;
    }
  }

  return { node, render };
}
