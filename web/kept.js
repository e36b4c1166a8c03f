/**
 * The last state, kept on this device for a reload without the station; whose it is, and who may see it, is
 * told in `service-worker.js`. Only over https or on 127.0.0.1: browsers keep nothing for other pages.
 */

const KEPT = 'leeward-kept';
const SEEN = 'leeward-seen';
const OWNER = '/kept/owner';
const STATE = '/kept/state';
const EVERY_MS = 10_000;
const LONGEST_MS = 7 * 86_400_000;
const MOST_ROWS = 3_000; // of one series; a longer one is thinned

/** Whether this browser keeps pages here. */
export const canKeep = () => globalThis.isSecureContext && 'caches' in globalThis && 'serviceWorker' in navigator;

/** @typedef {{owner: string, role: string}} Owner */
/** @typedef {{owner: string, at_ms: number, state: any, history: any}} Last `at_ms` by this device's clock */

/** Nothing of the flight stays on this device. */
export async function forget() {
  if (!canKeep()) return;
  await Promise.all([caches.delete(SEEN), caches.delete(KEPT)]);
}

/** The one who was let in: what others kept goes. @param {Owner} now */
export async function settle(now) {
  if (!canKeep()) return;
  const before = await read(OWNER);
  if (before !== null && before.owner !== now.owner) await forget();
  await write(OWNER, now);
}

/**
 * Keeps the state now and then from here on, while the owner is the same.
 * @param {ReturnType<typeof import('./store.js').createStore>} store @param {string} owner
 */
export function keepState(store, owner) {
  if (!canKeep()) return;
  let kept_ms = -Infinity;
  let busy = false;

  async function keep() {
    const { state, kept } = store;
    if (busy || state === null || kept !== null) return;
    busy = true;
    kept_ms = performance.now();
    try {
      if ((await read(OWNER))?.owner !== owner) return; // somebody else was let in meanwhile
      await write(STATE, { owner, at_ms: Date.now(), state: store.mission(), history: thinned(store.history) });
    } catch {
      // a full disk keeps nothing
    } finally {
      busy = false;
    }
  }

  store.onChange(() => {
    if (performance.now() - kept_ms > EVERY_MS) void keep();
  });
  document.addEventListener('visibilitychange', () => {
    if (document.visibilityState === 'hidden') void keep();
  });
}

/**
 * What this reader may see of the last state: null where there is none, or none of theirs.
 * @param {string | null} key of the link that was opened, if it had one @returns {Promise<(Last & Owner) | null>}
 */
export async function lastState(key) {
  if (!canKeep()) return null;
  const [owner, last] = [await read(OWNER), await read(STATE)];
  if (owner === null || last === null || owner.owner !== last.owner) return null;
  if (key !== null && (await ownerOf(key)) !== owner.owner) return null;
  if (Date.now() - last.at_ms > LONGEST_MS) {
    await forget();
    return null;
  }
  return { ...last, role: owner.role };
}

/** As the station makes it (`server/screen/keys.py`). */
async function ownerOf(key) {
  const bytes = (text) => new TextEncoder().encode(text);
  const hash = { name: 'HMAC', hash: 'SHA-256' };
  const secret = await crypto.subtle.importKey('raw', bytes(key), hash, false, ['sign']);
  const signed = await crypto.subtle.sign('HMAC', secret, bytes('leeward: what a device keeps'));
  return [...new Uint8Array(signed)].map((byte) => byte.toString(16).padStart(2, '0')).join('');
}

async function read(path) {
  const found = await caches.match(path, { cacheName: KEPT });
  return found === undefined ? null : found.json();
}

async function write(path, value) {
  const cache = await caches.open(KEPT);
  await cache.put(path, new Response(JSON.stringify(value), { headers: { 'Content-Type': 'application/json' } }));
}

function thinned({ tracks, fixes, vehicles, sensors }) {
  const few = (rows) => {
    const every = Math.ceil(rows.length / MOST_ROWS);
    return every <= 1 ? rows : rows.filter((_, n) => n % every === 0 || n === rows.length - 1);
  };
  const each = (series) => Object.fromEntries(Object.entries(series).map(([name, rows]) => [name, few(rows)]));
  const measured = Object.entries(sensors).map(([name, { unit, points }]) => [name, { unit, points: few(points) }]);
  return { tracks: each(tracks), fixes: each(fixes), vehicles: each(vehicles), sensors: Object.fromEntries(measured) };
}
