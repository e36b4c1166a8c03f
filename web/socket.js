import { createPolling } from 'leeward/polling.js';

/**
 * The line to the station. It says within five seconds that the line is lost, tries again for
 * ever, and asks for what was missed.
 */

const SILENCE_MS = 4000; // the station speaks every second
const FIRST_PAUSE_MS = 500;
const LONGEST_PAUSE_MS = 5000;
const REFUSED = 3; // sockets in a row that brought nothing: the state is polled, and they are tried seldom
const SELDOM_MS = 30_000;

/**
 * @param {ReturnType<typeof import('./store.js').createStore>} store
 * @param {(link: 'open' | 'lost') => void} onLink
 */
export function connect(store, onLink) {
  const polling = createPolling(store, () => {
    heard_ms = performance.now();
    onLink('open');
  });
  let refused = 0;
  let socket = null;
  let heard_ms = performance.now();
  let pause_ms = FIRST_PAUSE_MS;
  let begun_ms = 0;
  let retry = 0;

  function open() {
    clearTimeout(retry);
    const scheme = location.protocol === 'https:' ? 'wss' : 'ws';
    const mine = new WebSocket(`${scheme}://${location.host}/ws`);
    socket = mine;
    begun_ms = performance.now();
    mine.addEventListener('open', () => {
      mine.send(
        JSON.stringify({ kind: 'resume', session: store.session, sequence: store.sequence }),
      );
    });
    mine.addEventListener('message', ({ data }) => {
      if (mine !== socket) return;
      refused = 0;
      polling.stop();
      heard_ms = performance.now();
      if (heard_ms - begun_ms > SILENCE_MS) pause_ms = FIRST_PAUSE_MS;
      if (store.apply(JSON.parse(data))) onLink('open');
      else again(); // something is missing: resume from the last that is whole
    });
    mine.addEventListener('close', () => {
      if (mine === socket) again();
    });
  }

  function again(wait_ms = pause_ms) {
    const old = socket;
    socket = null;
    old?.close();
    clearTimeout(retry);
    refused += 1;
    if (refused >= REFUSED) polling.start();
    retry = setTimeout(open, polling.works() ? SELDOM_MS : wait_ms);
    pause_ms = Math.min(pause_ms * 1.6, LONGEST_PAUSE_MS);
  }

  setInterval(() => {
    if (performance.now() - heard_ms < (polling.works() ? 3 * SILENCE_MS : SILENCE_MS)) return;
    onLink('lost');
    // a socket that never opens or never speaks is given up, not waited for
    if (socket !== null && performance.now() - begun_ms > SILENCE_MS) again(0);
  }, 500);
  addEventListener('online', () => again(0));
  open();
}
