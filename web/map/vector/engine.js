/** The one worker that draws all vector maps of the page; a browser without such workers draws by itself. */

const PING_MS = 5_000;
const CLAIMED_MS = 5_000; // by then a service worker has all that belongs to the page; our choice
const STUCK_MS = 15_000; // without an answer to anything

export function createEngine() {
  const waiting = new Map();
  /** @type {Map<string, import('./drawing.js').Source>} */
  const sources = new Map();
  /** @type {Record<string, string>} */
  let colours = {};
  /** @type {{send: (asked: any) => void, end: () => void} | null} */
  let line = null;
  let next = 1;
  let begun = null;
  let heard_ms = 0;
  const stuck = new Set(); // tiles over which a worker has hung
  let watch = 0;

  function connect() {
    heard_ms = performance.now();
    line = canDraw() ? withWorker(take) : onThePage(take);
    for (const source of sources.values()) line.send({ open: source });
    line.send({ colours, avoid: [...stuck] });
    return line;
  }

  function take(answer) {
    heard_ms = performance.now();
    if (answer.begun !== undefined) begun = answer.begun;
    if (answer.listed !== undefined) return keep(answer.listed);
    const done = waiting.get(answer.id);
    if (done === undefined) return answer.bitmap?.close();
    waiting.delete(answer.id);
    return done(answer);
  }

  /** A worker that no longer answers is ended; the tile over which it hung is left out from then on. */
  function look() {
    if (waiting.size === 0) {
      clearInterval(watch);
      watch = 0;
      return;
    }
    if (performance.now() - heard_ms < STUCK_MS) {
      line?.send({ ping: true });
      return;
    }
    if (begun !== null) stuck.add(begun);
    line?.end();
    const asked = [...waiting.values()];
    waiting.clear();
    connect();
    for (const done of asked) done({ bitmap: null, names: [], towns: null, road: null, bad: false, lost: true });
  }

  function ask(what, told, done) {
    const id = next;
    next += 1;
    if (waiting.size === 0) heard_ms = performance.now();
    waiting.set(id, done);
    (line ?? connect()).send({ [what]: { ...told, id } });
    if (watch === 0) watch = setInterval(look, PING_MS);
    return id;
  }

  // Tiles that came before there was a service worker: it is to keep them too. The worker that draws may go
  // on past it for a while after the page does not, so the page asks, and asks once more.
  navigator.serviceWorker?.addEventListener('controllerchange', () => {
    for (const wait_ms of [0, CLAIMED_MS]) setTimeout(() => line?.send({ list: true }), wait_ms);
  });

  return {
    /** @param {import('./drawing.js').Source} source */
    open(source) {
      sources.set(source.key, source);
      (line ?? connect()).send({ open: source });
    },
    /** @param {Record<string, string>} wanted */
    dress(wanted) {
      colours = wanted;
      (line ?? connect()).send({ colours });
    },
    /** @param {object} block @param {(answer: any) => void} done @returns {number} to drop it by */
    paint: (block, done) => ask('paint', block, done),
    /** The road at a place. @param {object} place @param {(answer: any) => void} done */
    identify: (place, done) => ask('identify', place, done),
    /** All towns of a tile. @param {object} tile @param {(answer: any) => void} done */
    towns: (tile, done) => ask('towns', tile, done),
    /** @param {number} id */
    drop(id) {
      if (waiting.delete(id)) line?.send({ drop: id });
    },
  };
}

function canDraw() {
  return typeof Worker === 'function' && typeof OffscreenCanvas === 'function';
}

function withWorker(take) {
  const worker = new Worker(new URL('./worker.js', import.meta.url), { type: 'module' });
  worker.addEventListener('message', ({ data }) => take(data));
  return { send: (asked) => worker.postMessage(asked), end: () => worker.terminate() };
}

function onThePage(take) {
  const drawing = import('./drawing.js').then(({ createDrawing }) => createDrawing(take));
  return { send: (asked) => void drawing.then((one) => one.take(asked)), end: () => {} };
}

/** Asks for tiles again, which the browser has in its own cache, so that the service worker gets them. */
function keep(addresses) {
  for (const address of addresses) fetch(address).catch(() => {});
}
