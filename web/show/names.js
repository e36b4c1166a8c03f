/** Where there are several flights: each by name, with how it stands. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { flightSymbol } from 'leeward/outline.js';
import { standingWords } from 'leeward/words/story.js';

/** @param {import('../types.js').Context} context */
export function createNames({ store, clock, units }) {
  const node = el('ul', { class: 'show-names', 'aria-label': 'Flights', hidden: true });
  const known = new Map();

  function make({ name }) {
    const number = store.state?.flights.findIndex((one) => one.name === name) ?? 0;
    const stands = el('span');
    const row = el('li', { 'data-flight': name }, el('span', { class: 'show-symbol' }), el('b', { text: name }), stands);
    row.firstElementChild?.append(flightSymbol(number, 24));
    return {
      node: row,
      update(flight) {
        if (store.state === null) return;
        const { text, stale } = standingWords(flight, store.state, units, clock.now_s() ?? 0);
        setText(stands, text);
        setAttribute(row, 'data-stale', stale || null);
        setAttribute(row, 'data-chosen', store.state.flight.name === name || null);
      },
    };
  }

  function render() {
    const { state } = store;
    if (state === null) return;
    setShown(node, state.flights.length > 1);
    if (state.flights.length > 1) follow(node, state.flights, ({ name }) => name, make, known);
  }

  return { node, render };
}
