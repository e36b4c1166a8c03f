/** The bar at the top: which flight, live or not, the time, and the screen's own settings. */

import { el, setAttribute, setShown, setText, svg } from 'leeward/dom.js';
import { SYSTEM_NAMES, systemNamed } from 'leeward/units.js';
import * as words from 'leeward/words.js';

const MODES = { live: 'Live', replay: 'Replay', rehearsal: 'Rehearsal' };

/** @param {import('../types.js').Context} context */
export function createBar({ store, clock, preferences }) {
  const flight = el('h1', { class: 'flight-name' });
  const mode = el('span', { class: 'mode' });
  const strip = el('p', { class: 'mode-strip', role: 'status', hidden: true, text: 'A rehearsal: a made flight. Nothing is in the air, do not drive after it.' });
  const time = el('span', { class: 'bar-time' });
  const utc = el('span', { class: 'bar-utc' });
  const units = button('units', 'Units', () =>
    preferences.set('units', next(preferences.get('units'))),
  );
  const palette = button('palette', 'Palette', () =>
    preferences.set('palette', preferences.get('palette') === 'day' ? 'night' : 'day'),
  );
  const smaller = button('smaller', 'A−: smaller text', () => preferences.stepScale(-1));
  const larger = button('larger', 'A+: larger text', () => preferences.stepScale(1));
  setText(smaller, 'A−');
  setText(larger, 'A+');
  const node = el(
    'header',
    { class: 'bar' },
    mark(),
    flight,
    mode,
    el('span', { class: 'driver', text: 'The driver does not operate this screen.' }),
    el('span', { class: 'bar-clock' }, time, utc),
    el('span', { class: 'bar-buttons' }, units, palette, smaller, larger),
  );

  function render() {
    const isDay = preferences.get('palette') === 'day';
    setText(palette, isDay ? 'Night' : 'Day');
    setAttribute(palette, 'aria-label', isDay ? 'Change to the night palette' : 'Change to the day palette');
    const chosen = preferences.get('units');
    setText(units, systemNamed(chosen).name);
    setAttribute(units, 'aria-label', `Units: ${systemNamed(chosen).title}. Change to: ${systemNamed(next(chosen)).title}`);
    const { state } = store;
    const now_s = clock.now_s();
    setShown(mode, state !== null);
    if (state === null || now_s === null) {
      setText(flight, 'Leeward');
      return;
    }
    setText(flight, state.flight.name);
    // a state that is kept, or that no station renews, is not live
    const lost = document.body.classList.contains('lost');
    setText(mode, lost && state.mode === 'live' ? 'Not live' : MODES[state.mode]);
    document.body.dataset.mode = state.mode;
    setShown(strip, state.mode === 'rehearsal');
    setText(time, `${words.clockTimeSeconds(now_s)} ${words.zone(now_s)}`);
    setText(utc, words.isUtc(now_s) ? '' : words.utcTimeSeconds(now_s));
    document.title = `${state.mode === 'live' ? '' : `${MODES[state.mode]}: `}${state.flight.name} · Leeward`;
  }

  return { node, strip, render };
}

const next = (units) => SYSTEM_NAMES[(SYSTEM_NAMES.indexOf(units) + 1) % SYSTEM_NAMES.length];

function button(name, label, press) {
  return el('button', {
    type: 'button',
    'data-setting': name,
    'aria-label': label,
    on: { click: press },
  });
}

function mark() {
  return svg(
    'svg',
    { viewBox: '0 0 32 32', width: 26, height: 26, class: 'brand', role: 'img', 'aria-label': 'Leeward' },
    svg('path', { d: 'M16 3 24 13 16 23 8 13Z', class: 'brand-payload' }),
    svg('path', { d: 'M4 28q6-4 12 0t12 0', class: 'brand-ground' }),
  );
}
