/** What of the plan or the journal does not work, said across the page until a reader has seen it. */

import { el, setShown, setText } from 'leeward/dom.js';
import { problemKey, problemWords } from 'leeward/words/problem.js';
import { plural } from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
export function createProblems({ store }) {
  const seen = new Set();
  const text = el('span', { class: 'problem-text' });
  const button = el('button', { type: 'button', class: 'quiet', text: 'Seen', on: { click: hide } });
  const node = el('div', { class: 'problem-strip', role: 'status', hidden: true }, text, button);

  function hide() {
    for (const problem of store.state?.problems ?? []) seen.add(problemKey(problem));
    render();
  }

  function render() {
    const fresh = (store.state?.problems ?? []).filter((problem) => !seen.has(problemKey(problem)));
    setShown(node, fresh.length > 0);
    if (fresh.length === 0) return;
    const more = fresh.length > 1 ? ` (and ${plural(fresh.length - 1, 'more problem')}, under Sources)` : '';
    setText(text, `${problemWords(fresh[0])}${more}`);
  }

  return { node, render };
}
