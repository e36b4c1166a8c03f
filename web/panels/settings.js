/** This device: whose it is; and on a small page, which has no room for them in the bar, text size, units, palette. */

import { el, setAttribute, setText } from 'leeward/dom.js';
import { canKeep } from 'leeward/kept.js';
import { card } from 'leeward/panels/card.js';
import { nameField } from 'leeward/panels/person.js';
import { SCALES } from 'leeward/preferences.js';
import { SYSTEM_NAMES, systemNamed } from 'leeward/units.js';
import { keepsWords } from 'leeward/words/secure.js';

/** @param {import('../types.js').Context} context */
function createSettings({ preferences }) {
  const step = (by, text, label) =>
    el('button', { type: 'button', text, 'aria-label': label, on: { click: () => preferences.stepScale(by) } });
  const smaller = step(-1, 'A−', 'A−: smaller text');
  const larger = step(1, 'A+', 'A+: larger text');
  const size = el('output', { class: 'number' });
  const units = choices('Units', SYSTEM_NAMES, (name) => systemNamed(name).title, (name) => preferences.set('units', name));
  const palettes = choices('Palette', ['day', 'night'], (name) => (name === 'day' ? 'Day' : 'Night'), (name) => preferences.set('palette', name));
  const sizes = el('div', { class: 'setting', role: 'group', 'aria-label': 'Text size' }, el('span', { text: 'Text size' }), smaller, size, larger);
  const person = nameField(preferences);
  person.addEventListener('change', () => preferences.set('person', person.value.trim()));
  const whose = el('div', { class: 'setting crew-only' }, el('label', { text: 'Whose it is; told with the alarms that are acknowledged here ' }, person));
  const inBar = el('div', { class: 'in-bar' }, sizes, units.node, palettes.node);
  const keeps = el('p', { class: 'remark' });
  const panel = card('settings', 'This device', inBar, whose, keeps);

  return {
    node: panel.node,
    render() {
      const scale = preferences.get('scale');
      setText(size, `${scale}\u00a0%`);
      setAttribute(smaller, 'disabled', scale === SCALES[0]);
      setAttribute(larger, 'disabled', scale === SCALES.at(-1));
      units.show(preferences.get('units'));
      palettes.show(preferences.get('palette'));
      setText(keeps, keepsWords(canKeep() && navigator.serviceWorker.controller !== null));
      if (document.activeElement !== person) person.value = preferences.get('person') ?? '';
    },
  };
}

/** Buttons of which one is pressed. */
function choices(title, names, wordOf, choose) {
  const buttons = names.map((name) => el('button', { type: 'button', text: wordOf(name), on: { click: () => choose(name) } }));
  return {
    node: el('div', { class: 'setting', role: 'group', 'aria-label': title }, el('span', { text: title }), ...buttons),
    show(chosen) {
      buttons.forEach((button, n) => setAttribute(button, 'aria-pressed', String(names[n] === chosen)));
    },
  };
}

export const place = { order: 110, tab: 'more', create: createSettings };
