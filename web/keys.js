/**
 * Keys for the page, with the list of those that do something now. Never while somebody types, and never instead
 * of what a key does to the thing that has the focus.
 */

import { el, setShown, setText } from 'leeward/dom.js';
import { canKeep, forget } from 'leeward/kept.js';
import { keepsWords } from 'leeward/words/secure.js';

/**
 * @typedef {{key: string, shift?: boolean, shown: string, does: () => string | null, run: () => void}} Key
 *   `shown`: as the list names it; `does`: what it does now in words, or null
 */

const TYPED = 'input, textarea, select, [contenteditable]';
const PRESSED = 'button, a, summary, [role="button"], [role="slider"], [role="tab"]'; // by the space bar
const MOVED = '.leaflet-container, [role="slider"], [role="tablist"], audio, video'; // by arrows

/** @param {Key[]} keys */
export function createKeys(keys) {
  const list = el('dl', { class: 'keys-list' });
  const rows = keys.map(({ shown }) => {
    const told = el('dd');
    const row = el('div', {}, el('dt', {}, el('kbd', { text: shown })), told);
    list.append(row);
    return { row, told };
  });
  const device = el('p', { class: 'remark' });
  const erase = el('button', { type: 'button', class: 'quiet', text: 'Forget it on this device' });
  erase.addEventListener('click', async () => {
    await forget();
    setText(erase, 'Forgotten');
  });
  const close = el('button', { type: 'button', class: 'strong', text: 'Close' });
  const dialog = /** @type {HTMLDialogElement} */ (
    el('dialog', { class: 'notice keys', 'aria-labelledby': 'keys-title' }, el('h2', { id: 'keys-title', text: 'Keys' }), list, device, erase, close)
  );
  close.addEventListener('click', () => dialog.close());
  dialog.addEventListener('close', () => dialog.remove());

  function show() {
    keys.forEach(({ does }, n) => {
      const words = does();
      setText(rows[n].told, words);
      setShown(rows[n].row, words !== null);
    });
    const keeps = canKeep() && navigator.serviceWorker.controller !== null;
    setText(device, keepsWords(keeps));
    setText(erase, 'Forget it on this device');
    setShown(erase, keeps);
    document.body.append(dialog);
    dialog.showModal();
  }

  const all = [...keys, { key: '?', shown: '?', does: () => 'this list', run: () => (dialog.open ? dialog.close() : show()) }];

  addEventListener('keydown', (event) => {
    if (event.defaultPrevented || event.isComposing || event.ctrlKey || event.altKey || event.metaKey) return;
    const at = event.target instanceof Element ? event.target : document.body;
    if (at.closest(TYPED)) return;
    if (event.key === ' ' && at.closest(PRESSED)) {
      if (at.matches(':focus-visible')) return; // reached by keyboard: the bar presses it
      /** @type {HTMLElement} */ (at).blur(); // it was clicked, and has had its turn
    }
    if (event.key.startsWith('Arrow') && at.closest(MOVED)) return;
    const modal = document.querySelector('dialog[open]');
    if (modal !== null && (modal !== dialog || event.key !== '?')) return;
    const found = all.find(({ key, shift }) => key === event.key && (shift === undefined || shift === event.shiftKey));
    if (found === undefined || found.does() === null) return;
    event.preventDefault();
    found.run();
  });

  const button = el('button', { type: 'button', class: 'keys-button', text: '?', 'aria-label': 'Keys: a list' });
  button.addEventListener('click', ({ detail }) => {
    show();
    // by a pointer: the next space is the page's, not another press of this button
    if (detail > 0) dialog.addEventListener('close', () => button.blur(), { once: true });
  });
  return { button };
}
