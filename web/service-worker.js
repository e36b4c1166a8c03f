/**
 * Keeps the page for a reload without the station: its files, the tiles of maps that were seen, the list of
 * maps. The last state is kept by the page itself (`kept.js`).
 *
 * Files. Each address has its release in it, so that old and new files cannot meet in one page. The files of a
 * release are kept whole or not at all; the release before it stays for pages that are still open.
 *
 * Who may. The pages and their files say nothing of a flight: the station gives the files to everybody. What it
 * gives to whoever has a key lies in two other stores, of which one says whose they are: a text that the station
 * makes from the reader's key (`/api/me`). They are emptied
 *   - when the station refuses a page or a question for want of a key (the key was withdrawn),
 *   - when a key is entered, before anything is shown with it,
 *   - when the station names another owner (the other role, or new keys),
 *   - when the last state is a week old.
 * A page shows the last state only when its owner is the one who was last let in here, and where it was opened
 * with a key, when it is that key's. Without the station nobody can tell a device that a key was withdrawn: until
 * it hears the station again it shows what it has already shown, to whoever holds it.
 */

const worker = /** @type {any} */ (globalThis);
/** @type {{release: string, files: string[], pages: string[]}} */
const { release, files, pages } = worker.LEEWARD;

const FILES = 'leeward-files-';
const SEEN = 'leeward-seen'; // tiles and maps
const KEPT = 'leeward-kept'; // whose all is, and the last state
const PATIENCE_MS = 5_000; // for a page; then the kept one is shown, which asks the station by itself
const MOST_TILES = 1_500;
const MOST_TILE_BYTES = 500_000;
const GATEWAY = new Set([502, 503, 504]); // a proxy whose station is gone

let puts = 0;

worker.addEventListener('install', (event) => event.waitUntil(take()));
worker.addEventListener('activate', (event) => event.waitUntil(begin()));

/** The whole release, or an error, after which the browser tries another time. */
async function take() {
  const cache = await caches.open(FILES + release);
  await cache.addAll(files);
  for (const path of pages) {
    const reply = await fetch(path, { cache: 'no-cache' });
    if (!reply.ok || reply.headers.get('Leeward-Release') !== release) {
      throw new Error(`${path} is not of this release`);
    }
    await cache.put(path, reply);
  }
  await worker.skipWaiting();
}

async function begin() {
  const old = (await caches.keys()).filter((name) => name.startsWith(FILES) && name !== FILES + release);
  for (const name of old.slice(0, -1)) await caches.delete(name);
  await worker.clients.claim();
}

worker.addEventListener('fetch', (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (origin !== location.origin || request.method !== 'GET') return;
  if (request.mode === 'navigate') {
    if (pages.includes(pathname)) event.respondWith(page(request, pathname));
  } else if (/^\/(web|lib\/\w+)\/~/.test(pathname)) event.respondWith(file(request));
  else if (pathname.startsWith('/tiles/')) event.respondWith(tile(request));
  else if (pathname === '/api/setup' || pathname.startsWith('/layers/')) event.respondWith(newest(request));
});

/** From the station, which decides who may see it; the kept one where no station answers. */
async function page(request, path) {
  const asked = fetch(request).then(async (reply) => {
    if (reply.status === 401 || reply.status === 403) await forget();
    return reply;
  });
  const kept = await (await caches.open(FILES + release)).match(path);
  const late = new Promise((done) => setTimeout(done, PATIENCE_MS, null));
  const reply = await Promise.race(kept ? [asked, late] : [asked]).catch(() => null);
  if (reply !== null && !GATEWAY.has(reply.status)) return reply;
  return kept ?? reply ?? Response.error();
}

async function file(request) {
  for (const name of (await caches.keys()).reverse()) {
    if (!name.startsWith(FILES)) continue;
    const kept = await (await caches.open(name)).match(request, { ignoreVary: true });
    if (kept !== undefined) return kept;
  }
  return fetch(request);
}

/** A tile's address changes when the map's file does. */
async function tile(request) {
  const cache = await caches.open(SEEN);
  const kept = await cache.match(request, { ignoreVary: true });
  if (kept !== undefined) return kept;
  const reply = await fetch(request);
  if (reply.status === 401) await forget();
  if (reply.ok && Number(reply.headers.get('Content-Length') ?? 0) <= MOST_TILE_BYTES) await put(request, reply.clone());
  return reply;
}

async function newest(request) {
  try {
    const reply = await fetch(request);
    if (reply.status === 401) await forget();
    if (reply.ok) await put(request, reply.clone());
    if (!GATEWAY.has(reply.status)) return reply;
  } catch {
    // the line is lost
  }
  return (await (await caches.open(SEEN)).match(request, { ignoreVary: true })) ?? Response.error();
}

/** Nothing of this is worth an error: a full disk keeps no more. */
async function put(request, reply) {
  try {
    const cache = await caches.open(SEEN);
    await cache.put(request, reply);
    puts += 1;
    if (puts % 50 !== 1) return;
    const tiles = (await cache.keys()).filter(({ url }) => url.includes('/tiles/'));
    for (const old of tiles.slice(0, Math.max(tiles.length - MOST_TILES, 0))) await cache.delete(old);
  } catch {
    // the page goes on without
  }
}

async function forget() {
  await Promise.all([caches.delete(SEEN), caches.delete(KEPT)]);
}
