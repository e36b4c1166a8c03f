/** Three figures that are read from the last row. */

import { el, follow, setAttribute, setText } from 'leeward/dom.js';
import { figuresOf } from 'leeward/words/story.js';

/** @param {import('../types.js').Context} context */
export function createFigures({ store, clock, units, whereIs }) {
  const node = el('section', { class: 'show-figures', 'aria-label': 'The flight' });
  const known = new Map();

  function make({ name }) {
    const label = el('div', { class: 'show-label' });
    const value = el('div', { class: 'show-figure' });
    const more = el('div', { class: 'show-more' });
    const cell = el('div', { class: 'show-cell', 'data-figure': name }, label, value, more);
    return {
      node: cell,
      update(told) {
        setText(label, told.label);
        setText(value, told.value);
        setText(more, told.more);
        setAttribute(cell, 'data-stale', told.stale || null);
        setAttribute(cell, 'data-long', told.value.length > 10 || null);
      },
    };
  }

  function render() {
    const now_s = clock.now_s();
    if (store.state === null || now_s === null) return;
    const told = figuresOf(store.state, store.track(), units, now_s, whereIs);
    follow(node, told, ({ name }) => name, make, known);
  }

  return { node, render };
}
