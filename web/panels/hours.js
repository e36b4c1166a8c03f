/** Before the launch: the hours of the last outlook, each with its verdict; the picked one is on the map. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { card } from 'leeward/panels/card.js';
import * as words from 'leeward/words.js';

const GRADES = { fit: 'green', doubtful: 'amber', unfit: 'red', unknown: 'amber' };
const MARKS = { fit: '✓', doubtful: '!', unfit: '✕', unknown: '?' };
const VERDICTS = { fit: 'fit', doubtful: 'doubtful', unfit: 'unfit', unknown: 'nothing known' };

/** @param {import('../types.js').Context} context */
function createHours(context) {
  const { store, clock, units } = context;
  const list = el('ul', { class: 'hours' });
  const note = el('p', { class: 'sentence' });
  const caution = el('p', {
    class: 'sentence',
    text: 'Fit and unfit are by the limits of the plan. The licensed operator decides.',
  });
  const panel = card('hours', 'Launch hours', list, note, caution);
  panel.node.hidden = true;
  /** @type {Map<string, any>} */
  const known = new Map();
  /** @type {string | null} */
  let picked = null;

  /** @param {import('../state.js').OutlookHour} hour */
  function make({ launch_time }) {
    const mark = el('span', { class: 'pad-mark', 'aria-hidden': 'true' });
    const text = el('span');
    const button = el('button', { type: 'button', class: 'hour' }, mark, text);
    button.addEventListener('click', () => {
      picked = picked === launch_time ? null : launch_time;
      render();
    });
    return {
      node: el('li', {}, button),
      /** @param {import('../state.js').OutlookHour} hour */
      update(hour) {
        setAttribute(button, 'data-grade', GRADES[hour.verdict] ?? 'amber');
        setAttribute(button, 'aria-pressed', String(picked === hour.launch_time));
        setAttribute(button, 'aria-label', `${at(hour.launch_time)}, ${VERDICTS[hour.verdict]}`);
        setText(mark, MARKS[hour.verdict] ?? '?');
        setText(text, at(hour.launch_time));
      },
    };
  }

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const hours = state.flight.outlook;
    setShown(panel.node, hours.length > 0);
    const hour = hours.find(({ launch_time }) => launch_time === picked) ?? null;
    context.map?.showHour(hour, hour && `launched ${at(hour.launch_time)}`);
    if (hours.length === 0) return;
    follow(list, hours, ({ launch_time }) => launch_time, make, known);
    panel.aside(`outlook ${words.ago(seconds(hours[0].made), now_s)}`);
    setText(note, hour === null ? 'Pick an hour to see on the map where it would come down.' : landsWords(hour));
  }

  /** @param {import('../state.js').OutlookHour} hour */
  function landsWords({ launch_time, lands, radius_90_m, verdict }) {
    const when = lands === null ? '' : ` at about ${at(lands)}`;
    return `Launched ${at(launch_time)} (${VERDICTS[verdict]}) it would land${when}, 90\u00a0% within ${units.distance(radius_90_m)} of the mark.`;
  }

  return { node: panel.node, render };
}

/** @param {string} time */
function at(time) {
  const time_s = seconds(time);
  const day = new Date(time_s * 1000).toLocaleDateString('en', { weekday: 'short' });
  return `${day} ${words.clockTime(time_s)} ${words.zone(time_s)}`;
}

export const place = { order: 20, tab: 'landing', create: createHours };
