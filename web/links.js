/** The links to hand on, each as a code and as text, for the address that the other device reaches. */

import { byId, el, setShown } from 'leeward/dom.js';
import { copyButton } from 'leeward/panels/card.js';

const list = byId('links');
const status = byId('status');
const choice = /** @type {HTMLSelectElement} */ (byId('base'));

async function show(base) {
  const reply = await fetch(`/api/links?base=${encodeURIComponent(base)}`).catch(() => null);
  if (reply === null || !reply.ok) {
    const { detail } = reply === null ? { detail: null } : await reply.json().catch(() => ({}));
    status.textContent = detail ?? 'The station does not answer.';
    return;
  }
  const told = await reply.json();
  status.textContent = '';
  choice.replaceChildren(...told.bases.map((text) => el('option', { text, value: text })));
  choice.value = told.base;
  setShown(byId('address'), told.bases.length > 1);
  list.replaceChildren(...told.links.map(entry));
}

function entry({ name, what, url, code }) {
  const image = el('img', { src: code, width: 200, height: 200, alt: `QR code of the link: ${name}` });
  const text = el('code', { class: 'link-text', text: url });
  const copy = copyButton('Copy', () => url);
  copy.setAttribute('aria-label', `Copy the link: ${name}`);
  return el('li', {}, el('h2', { text: name }), el('p', { text: what }), image, el('p', {}, text, copy));
}

choice.addEventListener('change', () => show(choice.value));
show('');
