/** What has happened so far, the newest first: events and alarms, and whether alarms sound. */

import { el, follow, setAttribute, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOpen } from 'leeward/panels/alarm.js';
import { card } from 'leeward/panels/card.js';
import { SOUNDS } from 'leeward/preferences.js';
import { alarmOf, eventWords } from 'leeward/words/alarm.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
function createLog({ store, clock, units, post, sound, preferences }) {
  const list = el('ol', { class: 'log' });
  const none = el('p', { class: 'sentence' });
  const sounds = createSounds(preferences, sound);
  const panel = card('log', 'What happened', sounds.node, list, none);
  const known = new Map();

  function make(item) {
    const time = el('span', { class: 'log-time' });
    const text = el('span', { class: 'log-text' });
    const done = el('span', { class: 'log-done' });
    const node = el('li', { 'data-kind': item.severity ?? 'event' }, time, text, done);
    let button = null;
    return {
      node,
      update(entry) {
        if (store.state === null) return;
        const at_s = seconds(entry.time);
        setText(time, `${words.clockTimeSeconds(at_s)} ${words.zone(at_s)}`);
        setText(text, entry.severity ? alarmOf(entry, store.state, units) : eventWords(entry, units));
        if (!entry.severity) return;
        setText(done, endWords(entry, clock.now_s()));
        const asks = isOpen(entry, clock.now_s() ?? 0);
        if (asks && button === null) {
          button = el('button', { type: 'button', class: 'quiet crew-only', text: 'Acknowledge' });
          button.addEventListener('click', () => post('/api/acknowledge', { id: entry.id, by: preferences.get('person') ?? '' }));
          node.append(button);
        } else if (!asks && button !== null) {
          button.remove();
          button = null;
        }
      },
    };
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null) return;
    sounds.render();
    const entries = [...state.events, ...state.alarms].sort((a, b) => (a.time < b.time ? 1 : -1));
    setText(none, entries.length === 0 ? 'Nothing yet.' : '');
    follow(list, entries, (entry) => entry.id ?? `${entry.kind} ${entry.time}`, make, known);
  }

  return { node: panel.node, render };
}

/** Who has seen it, and when it was over. */
function endWords({ acknowledged, acknowledged_by, acknowledged_person, severity, until }, now_s) {
  const until_s = seconds(until);
  const over = until_s !== null && until_s <= now_s && severity !== 'info' ? `over since ${words.clockTime(until_s)} ${words.zone(until_s)}` : '';
  const by = acknowledged_person ? ` by ${acknowledged_person}` : '';
  const seen = acknowledged ? `acknowledged${by}${acknowledged_by ? ` on ${acknowledged_by}` : ''}` : '';
  return [seen, over].filter(Boolean).join(', ');
}

/** Off, tones, voice; and a button to hear it. */
function createSounds(preferences, sound) {
  const buttons = SOUNDS.map((name) =>
    el('button', {
      type: 'button',
      'data-sound': name,
      text: words.sentenceCase(name),
      on: { click: () => preferences.set('sound', name) },
    }),
  );
  const test = el('button', { type: 'button', class: 'quiet', text: 'Test' });
  test.addEventListener('click', () => sound.test());
  test.setAttribute('aria-label', 'Test the alarm sound');
  const group = el('div', { class: 'views', role: 'group', 'aria-label': 'Alarm sound' }, ...buttons);
  const node = el('div', { class: 'sounds' }, el('span', { text: 'Alarm sound' }), group, test);
  return {
    node,
    render() {
      for (const button of buttons) {
        setAttribute(button, 'aria-pressed', String(button.dataset.sound === preferences.get('sound')));
      }
      setAttribute(test, 'disabled', preferences.get('sound') === 'off');
    },
  };
}

export const place = { order: 120, tab: 'more', create: createLog };
