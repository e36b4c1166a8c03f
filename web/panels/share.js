/** Other ways to say a place: grid, locator, and a code that a phone's map program opens. */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { locator, mgrs, utmText } from 'leeward/grid.js';
import { degreesMinutes } from 'leeward/words.js';
import { copyButton } from 'leeward/panels/card.js';

const WAYS = { Minutes: degreesMinutes, MGRS: mgrs, UTM: utmText, Locator: locator };

export function createShare() {
  const rows = Object.entries(WAYS).map(([name, write]) => {
    const text = el('span', { class: 'share-text' });
    const copy = copyButton('Copy', () => text.textContent);
    copy.setAttribute('aria-label', `Copy ${name}`);
    const node = el('div', { class: 'row' }, el('dt', { text: name }), el('dd', {}, text, copy));
    return { node, text, write };
  });
  const code = el('img', { class: 'share-code', width: 176, height: 176, alt: '' });
  const hint = el('p', { class: 'remark', text: 'A phone’s camera opens the place in its map program.' });
  const node = /** @type {HTMLDetailsElement} */ (
    el(
      'details',
      { class: 'share' },
      el('summary', { text: 'Grid, locator, QR code' }),
      el('dl', { class: 'rows' }, ...rows.map((row) => row.node)),
      code,
      hint,
    )
  );
  let place = null;
  node.addEventListener('toggle', write);

  function write() {
    if (!node.open || place === null) return;
    const [lat, lon] = place;
    for (const { node: row, text, write: say } of rows) {
      const words = say(lat, lon);
      setShown(row, words !== null);
      setText(text, words);
    }
    const [north, east] = [lat.toFixed(5), lon.toFixed(5)];
    setAttribute(code, 'src', `/api/qr.svg?lat=${north}&lon=${east}`);
    setAttribute(code, 'alt', `QR code of ${north}, ${east}`);
  }

  return {
    node,
    show(lat, lon) {
      place = [lat, lon];
      write();
    },
  };
}
