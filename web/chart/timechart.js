/** One quantity against time: known solid, predicted dashed, events as ticks, now as a line. */

import { el, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { clockTime, clockTimeSeconds, zone } from 'leeward/words.js';
import { altitudeView } from 'leeward/chart/views.js';

const AHEAD_S = 600;
const AXIS_FONT = '13px system-ui, sans-serif';

/** @param {import('../types.js').Context} context */
export function createTimeChart(context) {
  const { store, clock, preferences } = context;
  const node = el('div', { class: 'chart' });
  const readout = el('span', { class: 'readout', 'aria-live': 'off' });
  const told = el('div', { class: 'chart-told' }, readout);
  node.append(told);
  let endsInTheAir = () => false;
  let colours = readColours();
  let plot = null;
  let drawn_ms = -Infinity;
  let view = altitudeView(context);

  const stroke = (name) => () => colours[name];
  const axis = {
    stroke: stroke('quiet'),
    font: AXIS_FONT,
    ticks: { show: false },
    grid: { stroke: stroke('grid'), width: 1 },
  };

  function build() {
    plot?.destroy();
    const options = {
      ...size(),
      padding: [10, 14, 0, 0],
      legend: { show: false },
      cursor: { y: false, drag: { setScale: false, x: false, y: false }, points: { show: false } },
      scales: { x: { time: true, range: () => span() }, y: { range: (_, low, high) => view.range(low, high) } },
      axes: [
        { ...axis, size: 28, space: 80, values: (_, times) => times.map(clockTime) },
        { ...axis, size: 84, space: 34, values: (_, heights) => heights.map(view.label) },
      ],
      series: [
        {},
        ...view.series.map(({ stroke: name, dash }) => ({
          stroke: stroke(name),
          width: dash ? 2 : 2.5,
          dash,
          points: { show: false },
          spanGaps: false,
        })),
      ],
      hooks: { draw: [marks], setCursor: [read] },
    };
    plot = new globalThis.uPlot(options, view.data(), node);
  }

  function size() {
    return { width: Math.max(node.clientWidth, 200), height: Math.max(node.clientHeight, 80) };
  }

  /** The whole of a replay, or the flight and its coming landing. */
  function span() {
    const { state } = store;
    const now_s = clock.now_s() ?? 0;
    if (state?.replay) {
      const end_s = seconds(state.replay.end);
      const lands_s = endsInTheAir() ? seconds(state.landing?.time_late ?? state.landing?.time ?? null) : null;
      return [seconds(state.replay.start), Math.max(end_s, lands_s === null ? 0 : lands_s + AHEAD_S / 10)];
    }
    const launch_s = seconds(state?.launch.time);
    const start_s = Math.min(store.track()[0]?.[0] ?? now_s, launch_s ?? Infinity, now_s - AHEAD_S);
    const land_s = seconds(state?.landing?.time) ?? now_s;
    return [Math.max(start_s, now_s - 86_400), Math.max(land_s, now_s) + AHEAD_S];
  }

  /** The values under the cursor: what was flown, else what is predicted. */
  function read({ cursor, data }) {
    const { idx } = cursor;
    const time_s = idx === null || idx === undefined || cursor.left < 0 ? undefined : data[0][idx];
    if (time_s === undefined) {
      setText(readout, '');
      return;
    }
    const values = view.series.map(({ dash }, n) => ({ value: data[n + 1][idx], dash }));
    const shown = values.filter(({ value }) => value !== null && value !== undefined);
    const said = shown.slice(0, view.key === 'altitude' ? 1 : 2).map(({ value, dash }) => {
      const what = dash === undefined ? '' : view.key === 'altitude' ? ' predicted' : ' standard';
      return `${view.label(view.round(value))}${what}`;
    });
    setText(readout, `${clockTimeSeconds(time_s)} ${zone(time_s)}: ${said.join(', ') || 'nothing'}`);
  }

  function marks({ ctx: pen, bbox, valToPos }) {
    const scale = devicePixelRatio;
    const bottom = bbox.top + bbox.height;
    const x = (time_s) => Math.round(plot.valToPos(time_s, 'x', true));
    pen.save();
    pen.font = `${13 * scale}px system-ui, sans-serif`;
    pen.textAlign = 'left';
    pen.textBaseline = 'top';
    let right = -Infinity;
    for (const { kind, time } of store.state?.events ?? []) {
      const at = x(seconds(time));
      line(pen, at, bbox.top, bottom, colours.quiet, [2 * scale, 3 * scale]);
      pen.fillStyle = colours.quiet;
      const { width } = pen.measureText(kind);
      const fits = at + 5 * scale + width < bbox.left + bbox.width;
      const left = fits ? at + 5 * scale : at - 5 * scale - width;
      if (left < right) continue; // its name would lie on the one before
      pen.fillText(kind, left, bbox.top + 2 * scale);
      right = left + width;
    }
    const now_s = clock.now_s();
    if (now_s !== null) line(pen, x(now_s), bbox.top, bottom, colours.ink, []);
    pen.restore();
  }

  function readColours() {
    const style = getComputedStyle(document.documentElement);
    const names = ['ink', 'quiet', 'payload', 'landing', 'grid'];
    return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  }

  new ResizeObserver(() => {
    if (node.clientWidth > 0) plot?.setSize(size());
  }).observe(node);
  preferences.onChange(() => {
    colours = readColours();
    if (plot !== null) build();
  });

  return {
    node,
    /** A line over the chart. @param {HTMLElement} line */
    tell: (line) => told.prepend(line),
    /** @param {() => boolean} told whether the recording ends before the landing: then the prediction is shown beyond */
    mayEndInTheAir(told) {
      endsInTheAir = told;
    },
    /** The plot, for the scrubber; null before the first state. */
    plot: () => plot,
    /** @param {import('./views.js').View} chosen */
    show(chosen) {
      view = chosen;
      if (plot !== null) build();
    },
    render() {
      if (store.state === null || node.clientWidth === 0) return;
      if (plot === null) build();
      else if (performance.now() - drawn_ms > 400) plot.setData(view.data());
      else return;
      drawn_ms = performance.now();
    },
  };
}

function line(pen, x, top, bottom, colour, dash) {
  pen.strokeStyle = colour;
  pen.lineWidth = devicePixelRatio;
  pen.setLineDash(dash);
  pen.beginPath();
  pen.moveTo(x, top);
  pen.lineTo(x, bottom);
  pen.stroke();
}
