/** Who this device belongs to: asked once, after the first alarm that is acknowledged on it; nobody must say. */

import { el, setShown } from 'leeward/dom.js';
import { MOST_LETTERS } from 'leeward/preferences.js';

/** @param {ReturnType<typeof import('../preferences.js').createPreferences>} preferences @param {() => void} told a name was given */
export function createPerson(preferences, told) {
  const name = nameField(preferences);
  const node = el(
    'form',
    { class: 'person', hidden: true, on: { submit: (/** @type {Event} */ event) => answer(event, name.value.trim()) } },
    el('label', {}, el('span', { text: 'Your name, for the log ' }), name),
    el('button', { type: 'submit', class: 'strong', text: 'Keep' }),
    el('button', { type: 'button', class: 'quiet', text: 'Rather not', on: { click: (event) => answer(event, '') } }),
  );

  function answer(event, text) {
    event.preventDefault();
    preferences.set('person', text);
    if (text !== '') told();
  }

  return {
    node,
    /** @param {boolean} now something was acknowledged a moment ago */
    ask: (now) => setShown(node, now && preferences.get('person') === null),
  };
}

/** A field with the name that is kept on this device. */
export function nameField(preferences) {
  const field = /** @type {HTMLInputElement} */ (el('input', { type: 'text', maxlength: MOST_LETTERS, autocomplete: 'nickname' }));
  field.value = preferences.get('person') ?? '';
  return field;
}
