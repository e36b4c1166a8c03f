/** Says when the station is lost, and since when; the last state stays and goes on ageing. */

import { el, setShown, setText } from 'leeward/dom.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
export function createLink({ store, clock }) {
  const text = el('span');
  const node = el('div', { class: 'lost-strip', role: 'status', hidden: true }, text);
  let lostSince_ms = null;

  function render() {
    setShown(node, lostSince_ms !== null);
    document.body.classList.toggle('lost', lostSince_ms !== null);
    if (lostSince_ms === null) return;
    const lost_s = (performance.now() - lostSince_ms) / 1000;
    const age = words.duration(lost_s);
    setText(
      text,
      store.state === null
        ? `No station yet, for ${age}. Is it running? Trying again.`
        : store.kept !== null
          ? keptWords(store.kept, store.state.replay !== null)
        : store.state.replay === null
          ? `Station lost for ${age}. What you see was known then and is ageing. Trying again.`
          : `Station lost for ${age}. The replay stands still. Trying again.`,
    );
  }

  /** When this device kept what is shown: by the station's clock, and how long ago by this device's. */
  function keptWords({ at_s, at_ms }, replayed) {
    const when = `${words.clockTime(at_s)} ${words.zone(at_s)}`;
    if (replayed) return `No station. You see the replay as this device kept it, at ${when}. Trying again.`;
    const age_s = (Date.now() - at_ms) / 1000;
    const ago = age_s < 0 ? 'how long ago is not known, for this device’s clock was put back' : words.ago(0, age_s);
    return `No station. You see what this device knew at ${when}, ${ago}. It is ageing. Trying again.`;
  }

  return {
    node,
    render,
    /** @param {'open' | 'lost'} link */
    set(link) {
      if (link === 'open') lostSince_ms = null;
      else if (lostSince_ms === null) {
        lostSince_ms = performance.now() - 4000; // the silence after which it is called lost
        if (store.state?.replay) clock.hold();
      }
      render();
    },
  };
}
