/**
 * Notes of a search on their way to the station: kept on this device until the station has them. Each has
 * an id of its own, so that one that is sent twice counts once.
 */

import { keep, kept } from 'leeward/keeping.js';

const AGAIN_MS = 15_000;
const MOST = 200;

/** @param {(waiting: number, problem: string) => void} onChange */
export function createNotes(onChange) {
  /** @type {any[]} */
  let waiting = kept('notes', []);
  let problem = '';
  let sending = false;

  async function send() {
    if (sending || waiting.length === 0) return;
    sending = true;
    try {
      while (waiting.length > 0) {
        const [note] = waiting;
        const reply = await fetch('/api/note', {
          method: 'POST',
          headers: { 'Content-Type': 'application/json' },
          body: JSON.stringify(note),
        });
        const later = reply.status === 503 || reply.status === 429 || reply.status >= 500;
        if (!reply.ok) {
          const { detail } = await reply.json().catch(() => ({}));
          problem = detail ?? `The station refused (${reply.status}).`;
        }
        if (later || reply.status === 401 || reply.status === 403) break;
        if (reply.ok) problem = '';
        waiting = waiting.filter(({ id }) => id !== note.id);
        keep('notes', waiting);
      }
    } catch {
      problem = 'The station does not answer: it is kept here and sent when it does.';
    } finally {
      sending = false;
      onChange(waiting.length, problem);
    }
  }

  setInterval(send, AGAIN_MS);
  addEventListener('online', send);
  send();

  return {
    /** @param {{kind: string}} told without id, author and time */
    add(told, by, now_s, flight) {
      const note = { id: newId(), by, time_ms: Math.round(now_s * 1000), flight, ...told };
      waiting = [...waiting, note].slice(-MOST);
      keep('notes', waiting);
      onChange(waiting.length, problem);
      send();
      return note.id;
    },
    waiting: () => waiting.length,
  };
}

/** Also where the page came over plain http, where browsers make no UUIDs. */
function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, '0')).join('');
}

/** True north from a compass at a place; null where the station does not answer. */
export async function declination_deg(latitude_deg, longitude_deg) {
  try {
    const asked = `latitude_deg=${latitude_deg}&longitude_deg=${longitude_deg}`;
    const reply = await fetch(`/api/declination?${asked}`);
    return reply.ok ? await reply.json() : null;
  } catch {
    return null;
  }
}
