/** The keys of the whole page. */

import { createKeys } from 'leeward/keys.js';

const STEP_S = 60;
const LEAP_S = 600;

/**
 * @param {import('./types.js').Context} context
 * @param {{playOrPause: () => void, step: (step_s: number) => void}} scrubber
 */
export function createPageKeys(context, scrubber) {
  const { store } = context;
  const steered = () => Boolean(store.state?.replay) && document.body.dataset.role !== 'watch';
  const inReplay = (words) => () => (steered() ? words : null);
  const full = () => document.body.classList.contains('map-full');

  return createKeys([
    {
      key: ' ',
      shown: 'Space',
      does: () => (!steered() ? null : store.state?.replay?.paused ? 'play the replay' : 'stop the replay'),
      run: scrubber.playOrPause,
    },
    { key: 'ArrowLeft', shift: false, shown: '←', does: inReplay('a minute back'), run: () => scrubber.step(-STEP_S) },
    { key: 'ArrowRight', shift: false, shown: '→', does: inReplay('a minute on'), run: () => scrubber.step(STEP_S) },
    { key: 'ArrowLeft', shift: true, shown: 'Shift ←', does: inReplay('ten minutes back'), run: () => scrubber.step(-LEAP_S) },
    { key: 'ArrowRight', shift: true, shown: 'Shift →', does: inReplay('ten minutes on'), run: () => scrubber.step(LEAP_S) },
    {
      key: 'm',
      shown: 'm',
      does: () => (full() ? 'the panels beside the map again' : 'the map alone'),
      run: () => document.body.classList.toggle('map-full'),
    },
    {
      key: 'l',
      shown: 'l',
      does: () => (store.state?.landing ? 'the landing on the map' : null),
      run: () => context.map.follow('landing'),
    },
  ]);
}
