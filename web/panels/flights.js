/** The flights of the mission in one strip: which is shown, and how each of the others stands. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOld } from 'leeward/fresh.js';
import { flightSymbol } from 'leeward/outline.js';
import * as words from 'leeward/words.js';

const KEPT = 'leeward-flight';

/**
 * @param {Pick<import('../types.js').Context, 'store' | 'clock' | 'units'>} context
 * @param {{strips: HTMLElement, bar: HTMLElement} | null} [places] it moves from the strips into the bar in a low
 *   window that is wide enough: the map keeps the strip's height
 */
export function createFlights({ store, clock, units }, places = null) {
  const list = el('div', { class: 'flights-list' });
  const node = el('nav', { class: 'flights', 'aria-label': 'Flights', hidden: true }, list);
  const known = new Map();
  let remembered = sessionStorage.getItem(KEPT); // over a reload of this page

  function choose(name) {
    sessionStorage.setItem(KEPT, name);
    store.choose(name);
  }

  function make({ name }) {
    const number = store.state?.flights.findIndex((one) => one.name === name) ?? 0;
    const stands = el('span', { class: 'flight-stands' });
    const button = el('button', {
      type: 'button',
      class: 'flight-choice',
      'data-flight': name,
      on: { click: () => choose(name) },
    });
    button.append(flightSymbol(number, 18), el('b', { text: name }), stands);
    return {
      node: button,
      update(flight) {
        setAttribute(button, 'aria-pressed', String(store.state?.flight.name === name));
        const [text, old] = standing(flight);
        setText(stands, text);
        setAttribute(stands, 'data-stale', old || null);
      },
    };
  }

  /** `climbing, 12,340 m`; where the last fix is old, how old. */
  function standing(flight) {
    const { phase, track } = flight;
    if (track === null) return [words.PHASES[phase], false];
    const now_s = clock.now_s() ?? 0;
    const old = phase !== 'landed' && isOld({ ...store.state, ...flight }, track.time, now_s);
    const height = phase === 'landed' ? '' : `, ${units.altitude(track.altitude_m)}`;
    const age = old ? `, ${words.ago(seconds(track.time), now_s)}` : '';
    return [`${words.PHASES[phase]}${height}${age}`, old];
  }

  function place({ strips, bar }, several) {
    const { documentElement: page } = document;
    const inBar = several && page.hasAttribute('data-low') && !page.hasAttribute('data-mid');
    bar.toggleAttribute('data-flights', inBar);
    if (inBar === bar.contains(node)) return;
    if (inBar) bar.insertBefore(node, bar.querySelector('.driver'));
    else strips.append(node);
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null) return;
    const several = state.flights.length > 1;
    if (remembered !== null) {
      const name = remembered;
      remembered = null;
      if (state.flights.some((one) => one.name === name)) store.choose(name);
    }
    setShown(node, several);
    if (places !== null) place(places, several);
    if (several) follow(list, state.flights, ({ name }) => name, make, known);
  }

  return { node, render };
}
