/** Asks for the debrief of the recording until it is made, and opens it. */

import { byId, el, setText } from 'leeward/dom.js';
import { kept } from 'leeward/keeping.js';
import { duration } from 'leeward/words.js';

const EVERY_MS = 1_000;
const status = byId('status');

async function ask() {
  const reader = new URLSearchParams({ zone: Intl.DateTimeFormat().resolvedOptions().timeZone ?? '', units: kept('units', '') });
  const reply = await fetch(`/api/debrief?${reader}`, { method: 'POST' }).catch(() => null);
  if (reply === null || !reply.ok) {
    const { detail } = reply === null ? { detail: null } : await reply.json().catch(() => ({}));
    setText(status, detail ?? 'The replay does not answer.');
    return;
  }
  const told = await reply.json();
  if (told.state === 'failed') setText(status, told.why);
  else if (told.state === 'made') open(told.pages);
  else {
    setText(status, `It is being made, for ${duration(told.for_s)} so far. It opens here when it is done.`);
    setTimeout(ask, EVERY_MS);
  }
}

/** @param {string[]} pages */
function open(pages) {
  const address = (name) => `/debrief/${encodeURIComponent(name)}`;
  if (pages.length === 1) {
    location.replace(address(pages[0]));
    return;
  }
  setText(status, 'One page for each flight.');
  byId('pages').replaceChildren(...pages.map((name) => el('li', {}, el('a', { href: address(name), text: name }))));
}

ask();
