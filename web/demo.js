/**
 * The page with no station behind it: plays the golden messages of tests/screen/golden one after another,
 * and again from the start. For looking at the page while changing it.
 */

import { start } from 'leeward/start.js';

const EACH_MS = 2500;

async function play(store, onLink) {
  const names = await (await fetch('/wire/order.json')).json();
  const messages = await Promise.all(
    names.map(async (name) => (await fetch(`/wire/${name}`)).json()),
  );
  let next = 0;
  const step = () => {
    store.apply(structuredClone(messages[next]));
    onLink('open');
    next = (next + 1) % messages.length;
  };
  step();
  setInterval(step, EACH_MS);
}

start(play, async () => 'This is the demo page: there is no station to ask.');
