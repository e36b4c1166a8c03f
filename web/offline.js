/**
 * The page when its station does not answer: its files and the last state are kept, and shown as old. A reader
 * whose key no longer opens anything sees nothing of the flight any more.
 */

import { seconds } from 'leeward/clock.js';
import { canKeep, forget, keepState, lastState } from 'leeward/kept.js';
import { keyOfLink, showRole } from 'leeward/role.js';

const ASK_EVERY_MS = 5_000;

/**
 * A line to the station that shows the last state where none answers.
 * @param {(store: any, onLink: (link: 'open' | 'lost') => void) => void} connect
 */
export function keeping(connect) {
  /** @param {ReturnType<typeof import('./store.js').createStore>} store @param {(link: 'open' | 'lost') => void} onLink */
  return (store, onLink) => {
    const key = keyOfLink();
    let asking = false;
    let asked_ms = -Infinity;
    let known = false; // who this reader is
    let open = false;

    connect(store, (link) => {
      open = link === 'open';
      if (!known || link === 'lost') void ask();
      if (link === 'lost') void showLast(store, key);
      onLink(link);
    });
    void ask();

    async function ask() {
      if (asking || performance.now() - asked_ms < ASK_EVERY_MS) return;
      asking = true;
      asked_ms = performance.now();
      const { me, refused } = await showRole();
      asking = false;
      if (refused) {
        await forget();
        location.reload(); // which asks for a key
      } else if (me !== null && !known) {
        known = true;
        keepState(store, me.owner);
        keepFiles();
      } else if (me === null && !open) {
        await showLast(store, key); // at once, where nobody listens
        if (store.kept !== null) onLink('lost');
      }
    }
  };
}

/** @param {ReturnType<typeof import('./store.js').createStore>} store @param {string | null} key of the link */
async function showLast(store, key) {
  if (store.state !== null) return;
  const last = await lastState(key).catch(() => null);
  if (last === null || store.state !== null) return; // the station has spoken meanwhile
  const { at_ms, history } = last;
  const at_s = seconds(last.state.now);
  const state = { ...last.state, replay: last.state.replay && { ...last.state.replay, paused: true } };
  // time has gone on since; a device whose clock was put back cannot tell by how much
  if (state.replay === null) state.now = new Date(at_s * 1000 + Math.max(Date.now() - at_ms, 0)).toISOString();
  document.body.dataset.role ??= last.role;
  store.apply({ kind: 'snapshot', session: 'kept', sequence: 0, state, history, kept: { at_s, at_ms } });
}

function keepFiles() {
  if (!canKeep()) return;
  const { serviceWorker } = navigator;
  // what came before the first one was there: asked again, so that it has it
  if (serviceWorker.controller === null) serviceWorker.addEventListener('controllerchange', keepMaps, { once: true });
  serviceWorker.register('/service-worker.js').catch(() => {
    // a certificate that nobody vouches for, or a private window: the page goes on without
  });
}

async function keepMaps() {
  try {
    const { layers } = await (await fetch('/api/setup')).json();
    for (const { key } of layers) await fetch(`/layers/${key}`);
  } catch {
    // another time
  }
}
