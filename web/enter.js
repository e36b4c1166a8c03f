/** Asks for a key, or takes it from the link. */

import { byId } from 'leeward/dom.js';
import { enter, takeKey } from 'leeward/role.js';

const field = /** @type {HTMLInputElement} */ (byId('key'));
const status = byId('status');

function answered(problem) {
  if (problem === null) location.reload();
  else status.textContent = problem;
}

async function enterTyped() {
  const key = field.value.trim().replace(/^.*key=/, '');
  status.textContent = '';
  if (key !== '') answered(await enter(key));
}

async function enterLinked() {
  if (location.hash.includes('key=')) answered(await takeKey());
}

byId('open').addEventListener('click', enterTyped);
field.addEventListener('keydown', ({ key }) => {
  if (key === 'Enter') enterTyped();
});
addEventListener('hashchange', enterLinked);
enterLinked();
field.focus();
