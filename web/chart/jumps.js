/** In a replay: to launch, burst, landing and each alarm; the debrief; a link that opens at this moment. */

import { el, setShown } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { copyButton } from 'leeward/panels/card.js';
import { alarmWords, eventWords } from 'leeward/words/alarm.js';
import * as words from 'leeward/words.js';

const LATER_S = 0.5; // so that what is jumped to has happened
const LONGEST = 70; // letters of an alarm in the list
const AT = 'at';

/** @typedef {{flights: {name: string, events: import('../state.js').Event[], ends_in_the_air: boolean}[],
 *   alarms: {alarm: import('../state.js').Alarm, seen: string}[]}} Moments `seen`: when a replay shows it first */

/**
 * @param {import('../types.js').Context} context
 * @param {{seek: (time_s: number) => void}} scrubber
 */
export function createJumps({ store, clock, units }, scrubber) {
  const select = /** @type {HTMLSelectElement} */ (el('select', { class: 'jumps', 'aria-label': 'Jump to' }));
  const first = el('option', { value: '', text: 'Jump to …' });
  const copy = copyButton('Copy a link to this moment', () => linkTo(clock.now_s() ?? 0));
  const debrief = el('a', { class: 'button quiet crew-only', href: '/debrief', target: '_blank', rel: 'noopener', text: 'Open the debrief' });
  const more = /** @type {HTMLDetailsElement} */ (
    el('details', { class: 'more' }, el('summary', { class: 'button', text: 'More', 'aria-label': 'More of this replay' }), el('div', { class: 'more-list' }, copy, debrief))
  );
  const node = el('div', { class: 'jump-tools crew-only', hidden: true }, select, more);
  /** @type {Moments | null} */
  let moments = null;
  let asked = false;
  let told = '';
  let opened_at_s = seconds(new URLSearchParams(location.hash.slice(1)).get(AT));

  select.addEventListener('change', () => {
    if (select.value !== '') scrubber.seek(Number(select.value));
    select.value = '';
  });
  addEventListener('click', ({ target }) => {
    if (!more.contains(/** @type {Node} */ (target))) more.open = false;
  });
  more.addEventListener('keydown', ({ key }) => {
    if (key === 'Escape') more.open = false;
  });

  async function ask() {
    asked = true;
    const reply = await fetch('/api/moments').catch(() => null);
    if (reply === null || !reply.ok) {
      if (reply === null || reply.status !== 404) setTimeout(() => (asked = false), 5_000);
      return;
    }
    moments = await reply.json();
  }

  /** Of the flight that is shown, and where there are several their names. */
  function places() {
    if (moments === null || store.state === null) return [];
    const { name } = store.state.flight;
    const several = moments.flights.length > 1;
    const events = moments.flights
      .filter((one) => one.name === name)
      .flatMap((one) => one.events.map((event) => ({ at_s: seconds(event.time) + LATER_S, text: eventWords(event, units) })));
    const alarms = moments.alarms
      .filter(({ alarm }) => !several || alarm.flight === name)
      .map(({ alarm, seen }) => ({ at_s: seconds(seen) + LATER_S, text: `Alarm: ${alarmWords(alarm, units)}` }));
    const short = (text) => (text.length > LONGEST ? `${text.slice(0, LONGEST - 1)}…` : text);
    return [...events, ...alarms]
      .sort((a, b) => a.at_s - b.at_s)
      .map(({ at_s, text }) => ({ value: String(at_s), text: short(`${words.clockTime(at_s)} ${text}`) }));
  }

  function render() {
    const { state } = store;
    setShown(node, Boolean(state?.replay));
    if (!state?.replay || store.kept !== null) return;
    if (!asked) void ask();
    if (opened_at_s !== null) {
      if (Number.isFinite(opened_at_s)) scrubber.seek(opened_at_s);
      opened_at_s = null;
      history.replaceState(null, '', location.pathname); // a reload stays where it is
    }
    const found = places();
    const now = JSON.stringify(found);
    if (now === told || document.activeElement === select) return;
    told = now;
    select.replaceChildren(first, ...found.map(({ value, text }) => el('option', { value, text })));
    select.value = '';
  }

  return {
    node,
    render,
    /** Whether the flight that is shown was not heard to its landing. */
    endsInTheAir: () => Boolean(moments?.flights.find(({ name }) => name === store.state?.flight.name)?.ends_in_the_air),
  };
}

function linkTo(time_s) {
  return `${location.origin}/#${AT}=${new Date(Math.round(time_s) * 1000).toISOString().replace('.000', '')}`;
}
