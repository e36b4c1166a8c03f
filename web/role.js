/** What this reader may do, by the link that was opened. The page hides what the station would refuse. */

import { forget, settle } from 'leeward/kept.js';
import { post, UNHEARD } from 'leeward/post.js';

/** @typedef {{role: string, links: boolean, watch: string, owner: string}} Me */

/** Who this reader is; null: the station refuses without a key, or does not answer. @returns {Promise<{me: Me | null, refused: boolean}>} */
export async function showRole() {
  await takeKey();
  const reply = await fetch('/api/me').catch(() => null);
  if (reply === null || !reply.ok) return { me: null, refused: reply?.status === 401 };
  /** @type {Me} */
  const me = await reply.json();
  document.body.dataset.role = me.role;
  if (me.links) document.body.dataset.links = '';
  await settle(me);
  return { me, refused: false };
}

/** The key of the link, while it stands behind the #. */
export const keyOfLink = () => new URLSearchParams(location.hash.slice(1)).get('key');

/** The key of a link, once, for a cookie: behind the # no server, proxy or log has seen it. */
export async function takeKey() {
  const key = keyOfLink();
  if (!key) return null;
  const problem = await enter(key);
  // not in the history, nor over a shoulder; while no station answers it waits there
  if (problem !== UNHEARD) history.replaceState(null, '', location.pathname);
  return problem;
}

/** Null when it was taken; what this device kept for somebody else is gone then. @param {string} key */
export async function enter(key) {
  const problem = await post('/api/enter', { key });
  if (problem === null) await forget();
  return problem;
}
