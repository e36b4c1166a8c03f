/** Shows the key of a link once, for a cookie. Behind the # no server, proxy or log has seen it. */

import { post } from 'leeward/post.js';

const field = /** @type {HTMLInputElement} */ (document.getElementById('key'));
const status = document.getElementById('status');

async function enter(key) {
  status.textContent = '';
  const problem = await post('/api/enter', { key });
  if (problem === null) location.reload();
  else status.textContent = problem;
}

function enterTyped() {
  const typed = field.value.trim();
  if (typed !== '') enter(typed.replace(/^.*key=/, ''));
}

document.getElementById('open').addEventListener('click', enterTyped);
field.addEventListener('keydown', ({ key }) => {
  if (key === 'Enter') enterTyped();
});

const given = new URLSearchParams(location.hash.slice(1)).get('key');
history.replaceState(null, '', location.pathname); // not in the history, nor over a shoulder
if (given) enter(given);
else field.focus();
