/**
 * Notes of a search on their way to the station: kept on this device until the station has them. Each has
 * an id of its own, so that one that is sent twice counts once.
 */

import { keep, kept } from 'leeward/keeping.js';

const AGAIN_MS = 15_000;
const MOST = 200;
const PHOTO_SIDE = 1_600; // pixels, at most
const LATER = (status) => status === 429 || status >= 500;

/** @param {(waiting: number, problem: string) => void} onChange */
export function createNotes(onChange) {
  /** @type {any[]} */
  let waiting = kept('notes', []);
  let problem = '';
  let sending = false;

  async function send() {
    if (sending || waiting.length === 0) return;
    sending = true;
    let refused = '';
    try {
      while (waiting.length > 0) {
        const [note] = waiting;
        if (note.picture) {
          const put = await fetch('/api/photo', { method: 'POST', body: bytesOf(note.picture) });
          if (LATER(put.status)) {
            problem = `The photo waits (${put.status}).`;
            break;
          }
          const { photo, detail } = await put.json().catch(() => ({}));
          if (put.ok) note.photo = photo;
          else refused = `The photo is not kept: ${detail ?? put.status}`;
          delete note.picture;
          keep('notes', waiting);
        }
        const reply = await fetch('/api/note', {
          method: 'POST',
          headers: { 'Content-Type': 'application/json' },
          body: JSON.stringify(note),
        });
        const later = LATER(reply.status);
        if (!reply.ok) {
          const { detail } = await reply.json().catch(() => ({}));
          problem = detail ?? `The station refused (${reply.status}).`;
        }
        if (later || reply.status === 401 || reply.status === 403) break;
        if (reply.ok) problem = refused;
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

/** Of a data address; the page's policy lets nothing be fetched from one. */
const bytesOf = (address) => Uint8Array.from(atob(address.slice(address.indexOf(',') + 1)), (letter) => letter.charCodeAt(0));

/** A photo made small enough to be kept here until it is sent: a JPEG as a data address. @param {Blob} file */
export async function smaller(file) {
  const image = await createImageBitmap(file);
  const scale = Math.min(1, PHOTO_SIDE / Math.max(image.width, image.height));
  const canvas = document.createElement('canvas');
  canvas.width = Math.round(image.width * scale);
  canvas.height = Math.round(image.height * scale);
  /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d')).drawImage(image, 0, 0, canvas.width, canvas.height);
  image.close();
  return canvas.toDataURL('image/jpeg', 0.8);
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
