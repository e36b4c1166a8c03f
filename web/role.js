/** What this reader may do. The page hides what the station would refuse. */

/** @returns {Promise<void>} */
export async function showRole() {
  const reply = await fetch('/api/me').catch(() => null);
  if (reply === null || !reply.ok) return;
  const { role, links } = await reply.json();
  document.body.dataset.role = role;
  if (links) document.body.dataset.links = '';
}
