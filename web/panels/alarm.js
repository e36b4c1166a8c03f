/** An alarm takes the band's place until somebody acknowledges it; each is also spoken out. */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { alarmOf } from 'leeward/words/alarm.js';
import * as words from 'leeward/words.js';

const RANK = { urgent: 0, warning: 1, info: 2 };
const SEVERITY = { urgent: 'Urgent', warning: 'Alarm', info: 'Note' };

/** @param {import('../types.js').Context} context */
export function createAlarm({ store, clock, units, post, sound }) {
  const kind = el('span', { class: 'alarm-kind' });
  const text = el('span', { class: 'alarm-text' });
  const age = el('span', { class: 'alarm-age' });
  const refusal = el('span', { class: 'alarm-refusal' });
  const button = el('button', {
    type: 'button',
    class: 'strong crew-only',
    on: { click: acknowledge },
  });
  button.append(el('span', { text: 'Acknowledge' }));
  const message = el('div', { class: 'alarm-words' }, kind, text, age, refusal);
  const node = el('section', { class: 'alarm', 'aria-label': 'Alarm', hidden: true }, message, button);
  const spoken = el('div', { class: 'unseen', 'aria-live': 'assertive', role: 'alert' });
  const told = new Set();
  let shown = null;

  async function acknowledge() {
    const asked = shown;
    const problem = await post('/api/acknowledge', { id: asked.id });
    setText(refusal, shown === asked ? problem : '');
  }

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const open = state.alarms
      .filter(({ acknowledged, severity }) => !acknowledged && severity !== 'info')
      .sort((a, b) => RANK[a.severity] - RANK[b.severity] || (a.time < b.time ? 1 : -1));
    const first = open[0] ?? null;
    if (first?.id !== shown?.id) setText(refusal, '');
    shown = first;
    setShown(node, shown !== null);
    document.body.classList.toggle('alarmed', shown !== null);
    speak(state, state.alarms.filter(({ acknowledged }) => !acknowledged));
    if (shown === null) return;
    setAttribute(node, 'data-severity', shown.severity);
    const more = open.length > 1 ? `, 1 of ${open.length}` : '';
    setText(kind, `${SEVERITY[shown.severity]}${more}`);
    setText(text, alarmOf(shown, state, units));
    const time_s = seconds(shown.time);
    setText(age, `${words.clockTime(time_s)} ${words.zone(time_s)}, ${words.ago(time_s, now_s)}`);
  }

  function speak(state, alarms) {
    const fresh = alarms.filter(({ id }) => !told.has(id));
    for (const { id } of fresh) told.add(id);
    const say = (alarm) => alarmOf(alarm, state, units);
    const spokenOf = (alarm) => ({ severity: alarm.severity, text: say(alarm) });
    sound.raise(fresh.map(spokenOf));
    if (!alarms.some(({ severity }) => severity === 'urgent')) sound.calm();
    if (fresh.length > 0) setText(spoken, fresh.map(say).join(' '));
  }

  return { node, spoken, render };
}
