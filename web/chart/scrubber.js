/** In a replay the chart is the scrubber: touch or drag to a moment; play, pause, speed. */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import * as words from 'leeward/words.js';

const SPEEDS = [1, 10, 30, 100, 300]; // and the one that it was begun with
const STEP_S = 60;
const SEEK_EVERY_MS = 150;
const ARRIVES_MS = 600; // after which the clock shows where a seek has led
const ARRIVES_STILL_MS = 3_000; // while it stands still, nothing is lost by waiting longer

/** @param {import('../types.js').Context} context @param {any} chart */
export function createScrubber({ store, clock, post }, chart) {
  const play = el('button', { type: 'button', class: 'strong play', on: { click: playOrPause } });
  const speeds = SPEEDS.map((speed) =>
    el('button', {
      type: 'button',
      text: `${speed}×`,
      'data-speed': speed,
      'aria-label': `${speed} times as fast`,
      on: { click: () => send('speed', speed) },
    }),
  );
  const other = el('button', { type: 'button', class: 'speed-other', hidden: true });
  const moment = el('span', { class: 'moment' });
  const problem = el('span', { class: 'problem', role: 'status' });
  const node = el(
    'div',
    { class: 'transport', hidden: true },
    play,
    el('div', { class: 'speeds', role: 'group', 'aria-label': 'Speed' }, ...speeds, other),
    problem,
  );
  chart.tell(moment); // beside the values under the cursor: the row of buttons has no room
  let asked_ms = -Infinity;
  let wanted_s = null;
  let wanted_ms = -Infinity;
  let timer = 0;
  let dressed = null;

  /** @param {string} action @param {number | null} value */
  async function send(action, value = null) {
    setText(problem, await post('/api/replay', { action, value }));
  }

  function playOrPause() {
    send(store.state?.replay?.paused ? 'play' : 'pause');
  }

  function seek(time_s) {
    const replay = store.state?.replay;
    if (!replay) return;
    const { start, end } = replay;
    wanted_ms = performance.now();
    wanted_s = Math.min(Math.max(time_s, seconds(start)), seconds(end));
    clearTimeout(timer);
    const wait_ms = asked_ms + SEEK_EVERY_MS - performance.now();
    timer = setTimeout(() => {
      asked_ms = performance.now();
      send('seek', wanted_s);
    }, Math.max(wait_ms, 0));
  }

  /** Gives the plot's own surface the behaviour of a slider. */
  function dress(surface) {
    if (dressed === surface) return;
    dressed = surface;
    surface.tabIndex = 0;
    surface.setAttribute('role', 'slider');
    surface.setAttribute('aria-label', 'Moment of the replay');
    surface.style.touchAction = 'none';
    const seekTo = ({ clientX }) => {
      const { left } = surface.getBoundingClientRect();
      seek(chart.plot().posToVal(clientX - left, 'x'));
    };
    surface.addEventListener('pointerdown', (event) => {
      if (!store.state?.replay) return;
      surface.setPointerCapture(event.pointerId);
      seekTo(event);
    });
    surface.addEventListener('pointermove', (event) => {
      if (surface.hasPointerCapture(event.pointerId)) seekTo(event);
    });
    surface.addEventListener('keydown', (event) => {
      const step_s = { ArrowLeft: -STEP_S, ArrowRight: STEP_S, PageDown: -600, PageUp: 600 }[event.key];
      if (!store.state?.replay) return;
      if (step_s !== undefined) seek(clock.now_s() + step_s);
      else if (event.key === 'Home') seek(seconds(store.state.replay.start));
      else if (event.key === 'End') seek(seconds(store.state.replay.end));
      else if (event.key === ' ') playOrPause();
      else return;
      event.preventDefault();
    });
  }

  /** A speed that none of the buttons has; it stays while another is tried. */
  function showOther(speed) {
    if (!SPEEDS.includes(speed) && other.dataset.speed !== String(speed)) {
      setAttribute(other, 'data-speed', speed);
      setText(other, `${speed}×`);
      setAttribute(other, 'aria-label', `${speed} times as fast`);
      other.onclick = () => send('speed', speed);
      setShown(other, true);
    }
    setAttribute(other, 'aria-pressed', String(Number(other.dataset.speed) === speed));
  }

  function render() {
    const { state } = store;
    const replay = state?.replay ?? null;
    setShown(node, replay !== null);
    const now_s = clock.now_s();
    if (replay === null || now_s === null) return;
    const plot = chart.plot();
    if (plot !== null) dress(plot.over);
    setText(play, replay.paused ? 'Play' : 'Pause');
    for (const button of speeds) {
      setAttribute(button, 'aria-pressed', String(Number(button.dataset.speed) === replay.speed));
    }
    showOther(replay.speed);
    const zone = words.zone(now_s);
    setText(moment, `Known at ${words.clockTimeSeconds(now_s)} ${zone}`);
    if (dressed === null) return;
    setAttribute(dressed, 'aria-valuemin', Math.round(seconds(replay.start)));
    setAttribute(dressed, 'aria-valuemax', Math.round(seconds(replay.end)));
    setAttribute(dressed, 'aria-valuenow', Math.round(now_s));
    setAttribute(dressed, 'aria-valuetext', `${words.clockTimeSeconds(now_s)} ${zone}`);
  }

  return {
    node,
    render,
    playOrPause,
    /** From where it was last sent, while that is under way. @param {number} step_s */
    step(step_s) {
      const under_way = wanted_s !== null && performance.now() - wanted_ms < (store.state?.replay?.paused ? ARRIVES_STILL_MS : ARRIVES_MS);
      seek((under_way ? wanted_s : (clock.now_s() ?? 0)) + step_s);
    },
    seek,
  };
}
