/** Said once when the page is opened, before anything else. */

import { el } from 'leeward/dom.js';

const CAUTIONS = [
  'Watch the road, the weather and the ground, not the figures. A search area is not a promise.',
  'Keep away from power lines, railways and water. Ask before you enter private land.',
  'Follow the airspace and radio rules of the place where you are. No cellular phone transmits in the air.',
];

export function showNotice() {
  if (seen()) return;
  const close = el('button', { type: 'button', class: 'strong', text: 'I am not driving' });
  const dialog = /** @type {HTMLDialogElement} */ (el(
    'dialog',
    { class: 'notice', 'aria-labelledby': 'notice-title' },
    el('h2', { id: 'notice-title', text: 'The driver does not operate this screen.' }),
    el('ul', {}, ...CAUTIONS.map((text) => el('li', { text }))),
    close,
  ));
  close.addEventListener('click', () => dialog.close());
  dialog.addEventListener('close', () => {
    remember();
    dialog.remove();
  });
  document.body.append(dialog);
  dialog.showModal();
}

function seen() {
  try {
    return sessionStorage.getItem('leeward.notice') === 'seen';
  } catch {
    return false;
  }
}

function remember() {
  try {
    sessionStorage.setItem('leeward.notice', 'seen');
  } catch {
    // said again at the next opening
  }
}
