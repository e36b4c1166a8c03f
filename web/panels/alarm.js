/**
 * Alarms that ask for something take the place of the band's question until they are acknowledged or over.
 * What is over, and what is news (a launch, a burst where it was expected), is in the log alone. A watcher
 * cannot acknowledge, but put an alarm out of his own sight.
 */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { createPerson } from 'leeward/panels/person.js';
import { alarmBeside, alarmOf, alarmTitle } from 'leeward/words/alarm.js';
import * as words from 'leeward/words.js';

const RANK = { urgent: 0, warning: 1, info: 2 };
const SEVERITY = { urgent: 'Urgent', warning: 'Alarm', info: 'Note' };
const LONG = 24; // letters of a title that may need two lines
const REGRET_S = 20; // that long a crew member can take it back at the same place
const NEWS_S = 300;
const PUT_AWAY = 'leeward-alarms-put-away';

/** Whether it asks for something now. @param {import('../state.js').Alarm} alarm @param {number} now_s */
export function isOpen({ acknowledged, severity, until }, now_s) {
  return !acknowledged && severity !== 'info' && (until === null || (seconds(until) ?? 0) > now_s);
}

/** News is said while it is new, not to whoever opens the page hours later. */
const isNews = ({ severity, time }, now_s) => severity === 'info' && now_s - seconds(time) < NEWS_S;

/** @param {import('../types.js').Context} context */
export function createAlarm({ store, clock, units, post, sound, preferences }) {
  const kind = el('span', { class: 'alarm-kind' });
  const age = el('span', { class: 'alarm-age' });
  const title = el('div', { class: 'alarm-title' });
  const text = el('div', { class: 'alarm-text', tabindex: 0 }); // long ones scroll
  const refusal = el('span', { class: 'alarm-refusal' });
  const one = button('Acknowledge', 'strong crew-only', () => settle([shown]));
  const all = button('', 'crew-only', () => settle(open));
  const away = button('Put away', 'watch-only', putAway);
  const undo = button('Not seen after all', 'crew-only', takeBack);
  const actions = el('div', { class: 'alarm-actions' }, one, all, away, refusal);
  const node = el(
    'section',
    { class: 'alarm', 'aria-label': 'Alarm', hidden: true },
    el('div', { class: 'alarm-head' }, kind, age),
    title,
    text,
    actions,
  );
  const person = createPerson(preferences, () => {
    for (const id of settled?.ids ?? []) void post('/api/acknowledge', { id, by: preferences.get('person') });
    render();
  });
  const regret = el('div', { class: 'alarm-regret crew-only', hidden: true }, el('span', { text: 'Acknowledged.' }), undo);
  const after = el('div', { class: 'after-alarm crew-only' }, regret, person.node);
  const spoken = el('div', { class: 'unseen', 'aria-live': 'assertive', role: 'alert' });
  const told = new Set();
  const hidden = new Set(JSON.parse(sessionStorage.getItem(PUT_AWAY) ?? '[]'));
  /** @type {any[]} */
  let open = [];
  /** @type {any} */
  let shown = null;
  /** @type {{ids: string[], at_ms: number} | null} */
  let settled = null;

  async function settle(alarms) {
    const ids = alarms.map(({ id }) => id);
    const asked = shown;
    for (const id of ids) {
      const problem = await post('/api/acknowledge', { id, by: preferences.get('person') ?? '' });
      setText(refusal, shown === asked ? problem : '');
      if (problem !== null) return;
    }
    settled = { ids, at_ms: performance.now() };
    render();
  }

  async function takeBack() {
    const { ids } = settled ?? { ids: [] };
    settled = null;
    for (const id of ids) await post('/api/acknowledge', { id, recall: true });
    render();
  }

  function putAway() {
    for (const { id } of open) hidden.add(id);
    sessionStorage.setItem(PUT_AWAY, JSON.stringify([...hidden]));
    render();
  }

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const asking = state.alarms.filter((alarm) => isOpen(alarm, now_s));
    open = asking
      .filter(({ id }) => !hidden.has(id))
      .sort((a, b) => RANK[a.severity] - RANK[b.severity] || (a.time < b.time ? 1 : -1));
    const first = open[0] ?? null;
    if (first?.id !== shown?.id) setText(refusal, '');
    shown = first;
    setShown(node, shown !== null);
    document.body.classList.toggle('alarmed', shown !== null);
    const typing = person.node.contains(document.activeElement);
    if (settled !== null && !typing && performance.now() - settled.at_ms > REGRET_S * 1000) settled = null;
    setShown(regret, settled !== null && shown === null);
    person.ask(settled !== null);
    speak(state, state.alarms.filter(({ acknowledged }) => !acknowledged), asking);
    if (shown === null) return;
    setAttribute(node, 'data-severity', shown.severity);
    setText(kind, open.length > 1 ? `${SEVERITY[shown.severity]}, 1 of ${open.length}` : SEVERITY[shown.severity]);
    setShown(all, open.length > 1);
    setText(all, `All ${open.length}`);
    setAttribute(all, 'aria-label', `Acknowledge all ${open.length} alarms`);
    const titled = alarmTitle(shown, state, units);
    setText(title, titled);
    setAttribute(title, 'data-long', titled.length > LONG || null);
    setText(text, alarmBeside(shown, state, units));
    setText(age, words.ago(seconds(shown.time), now_s));
  }

  function speak(state, alarms, asking) {
    const fresh = alarms.filter((alarm) => !told.has(alarm.id) && (asking.includes(alarm) || isNews(alarm, clock.now_s())));
    for (const { id } of alarms) told.add(id);
    const say = (alarm) => alarmOf(alarm, state, units);
    const spokenOf = (alarm) => ({ severity: alarm.severity, text: say(alarm) });
    sound.raise(fresh.map(spokenOf));
    if (!asking.some(({ severity }) => severity === 'urgent')) sound.calm();
    if (fresh.length > 0) setText(spoken, fresh.map(say).join(' '));
  }

  return { node, after, spoken, render };
}

function button(text, kind, press) {
  return el('button', { type: 'button', class: kind, text, on: { click: press } });
}
