/** For whoever only watches, when the station takes no more sockets: asks for the state every few seconds. */

const STATE_MS = 4_000;
const HISTORY_MS = 30_000;

/**
 * @param {ReturnType<typeof import('./store.js').createStore>} store
 * @param {() => void} onHeard
 */
export function createPolling(store, onHeard) {
  let timer = 0;
  let history = null;
  let history_ms = -Infinity;
  let number = 0;
  let path = null;
  let works = false;

  async function ask() {
    try {
      path ??= (await json('/api/me')).watch;
      if (performance.now() - history_ms > HISTORY_MS) {
        history = await json(`${path}/history`);
        history_ms = performance.now();
      }
      const state = await json(`${path}/state`);
      if (timer === 0) return; // the socket is back
      number += 1;
      works = true;
      store.apply({ kind: 'snapshot', session: 'polling', sequence: number, state, history });
      onHeard();
    } catch {
      works = false; // asked again; the line to the station says for how long nothing came
    }
  }

  return {
    start() {
      if (timer !== 0) return;
      timer = window.setInterval(ask, STATE_MS);
      ask();
    },
    stop() {
      clearInterval(timer);
      timer = 0;
      works = false;
    },
    /** Whether what is shown comes this way. */
    works: () => works,
  };
}

async function json(path) {
  const reply = await fetch(path);
  if (!reply.ok) throw new Error(String(reply.status));
  return reply.json();
}
