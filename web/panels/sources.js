/** Where packets come from, whether each source is open, and why not. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { card } from 'leeward/panels/card.js';
import { problemKey, problemWords } from 'leeward/words/problem.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
function createSources({ store, clock }) {
  const list = el('ul', { class: 'sources' });
  const none = el('p', { class: 'sentence', text: 'No source in the plan.' });
  const totals = el('p', { class: 'remark' });
  const problems = el('ul', { class: 'problems', 'aria-label': 'Problems of the plan' });
  const show = el('p', { class: 'remark' }, el('a', { href: '/show', text: 'For a projector' }));
  const handOn = el('p', { class: 'remark hand-on crew-only' }, el('a', { href: '/links', text: 'Links to hand on' }));
  const panel = card('sources', 'Sources', list, none, totals, show, handOn, problems);
  const known = new Map();
  const knownProblems = new Map();

  function make() {
    const name = el('b');
    const kind = el('small');
    const state = el('span', { class: 'state' });
    const reason = el('p', { class: 'sentence' });
    const head = el('div', { class: 'source-head' }, el('span', {}, name, kind), state);
    const node = el('li', {}, head, reason);
    return {
      node,
      update(source) {
        setAttribute(node, 'data-state', source.state);
        setText(name, source.name);
        setText(kind, source.kind);
        setText(state, source.state);
        const since_s = seconds(source.since);
        const now_s = clock.now_s();
        const known = since_s !== null && now_s !== null;
        const since = known ? `${source.state} for ${words.duration(now_s - since_s)}. ` : '';
        const heard = `${words.plural(source.receptions, 'reception')}.`;
        setText(reason, source.reason ? `${source.reason.replace(/\.?$/, '.')} ${heard}` : words.sentenceCase(`${since}${heard}`));
      },
    };
  }

  function render() {
    const { state } = store;
    if (state === null || clock.now_s() === null) return;
    const sources = [...state.sources, ...state.links];
    setShown(none, sources.length === 0 && state.mode === 'live');
    follow(list, sources, ({ name }) => name, make, known);
    const { total, undecodable, rejected, copies } = state.receptions;
    setText(
      totals,
      `${words.plural(total, 'reception')} kept: ${words.plural(copies, 'copy', 'copies')}, ` +
        `${undecodable} not readable, ${rejected} left out of the track.`,
    );
    const line = () => {
      const node = el('li');
      return { node, update: (problem) => setText(node, problemWords(problem)) };
    };
    follow(problems, state.problems, problemKey, line, knownProblems);
    const open = sources.filter((source) => source.state === 'open').length;
    panel.aside(sources.length === 0 ? '' : `${open} of ${sources.length} open`);
  }

  return { node: panel.node, render };
}

export const place = { order: 130, tab: 'more', create: createSources };
