/** What this reader may do, by the link that was opened. The page hides what the station would refuse. */

import { post } from 'leeward/post.js';

/** @returns {Promise<void>} */
export async function showRole() {
  await takeKey();
  const reply = await fetch('/api/me').catch(() => null);
  if (reply === null || !reply.ok) return;
  const { role, links } = await reply.json();
  document.body.dataset.role = role;
  if (links) document.body.dataset.links = '';
}

/** The key of a link, once, for a cookie: behind the # no server, proxy or log has seen it. */
export async function takeKey() {
  const key = new URLSearchParams(location.hash.slice(1)).get('key');
  if (!key) return null;
  history.replaceState(null, '', location.pathname); // not in the history, nor over a shoulder
  return post('/api/enter', { key });
}
