/** What the panels are made of: a card with a title, rows of name and figure, small buttons. */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';

/** @param {string} name @param {string} title @param {...Node} body */
export function card(name, title, ...body) {
  const aside = el('span', { class: 'card-aside' });
  const head = el('header', { class: 'card-head' }, el('h2', { text: title }), aside);
  const node = el('section', { class: 'card', 'data-panel': name, 'aria-label': title }, head, ...body);
  return {
    node,
    /** The words at the right of the title. */
    aside(text, stale = false) {
      setText(aside, text);
      setAttribute(aside, 'data-stale', stale || null);
    },
  };
}

/** A name and its figure; hidden while there is none. */
export function row(name) {
  const figure = el('dd');
  const node = el('div', { class: 'row' }, el('dt', { text: name }), figure);
  return {
    node,
    show(text, stale = false) {
      setShown(node, text !== null);
      setText(figure, text ?? '');
      setAttribute(figure, 'data-stale', stale || null);
    },
  };
}

/** @param {string} text what the button says @param {() => string} copy what it copies */
export function copyButton(text, copy) {
  const button = el('button', { type: 'button', class: 'quiet', text });
  button.addEventListener('click', async () => {
    setText(button, (await copied(copy())) ? 'Copied' : 'Select it by hand');
    setTimeout(() => setText(button, text), 1500);
  });
  return button;
}

async function copied(text) {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    return false; // plain http to another machine: the browser allows no clipboard there
  }
}
