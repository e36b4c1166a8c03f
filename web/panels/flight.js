/** The flight's figures. */

import { el, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOld } from 'leeward/fresh.js';
import { card, row } from 'leeward/panels/card.js';
import { liftWords } from 'leeward/words/landing.js';
import * as words from 'leeward/words.js';

/** @param {import('../types.js').Context} context */
function createFlight({ store, clock, units, post }) {
  const names = {
    phase: 'Phase',
    height: 'Height above sea level',
    above: 'Above ground',
    climb: 'Climb rate',
    speed: 'Ground speed',
    doubt: 'Position sure to',
    until: 'Launch planned',
    moved: 'Landing since the outlook',
    since: 'Since launch',
    burst: 'Burst expected',
    lands: 'Landing expected',
    fall: 'Fall speed at sea level',
    lift: 'Balloon and gas',
  };
  const rows = Object.fromEntries(Object.entries(names).map(([key, name]) => [key, row(name)]));
  const figures = el('dl', { class: 'rows' }, ...Object.values(rows).map(({ node }) => node));
  const said = createSaid(post);
  const panel = card('flight', 'Flight', figures, said.node);

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const { track, landing, phase, phase_probability: sure, flight } = state;
    const old = phase !== 'landed' && track !== null && isOld(state, track.time, now_s);
    const age = track === null ? 'no fix yet' : words.ago(seconds(track.time), now_s);
    panel.aside(old ? `old: ${age}` : age, old);
    const chance = sure[phase] === undefined || phase === 'unknown' || state.said ? '' : ` (${Math.round(sure[phase] * 100)}\u00a0%)`;
    rows.phase.show(`${words.PHASES[phase]}${chance}`);
    const show = (name, value, write) =>
      rows[name].show(value === null || value === undefined ? null : write(value), old);
    show('height', track?.altitude_m, units.altitude);
    show('above', track?.height_above_ground_m, units.altitude);
    show('climb', track?.climb_ms, units.climb);
    const course = track?.course_deg ?? null;
    show('speed', track?.ground_speed_ms, (ms) =>
      course === null ? units.speed(ms) : `${units.speed(ms)} toward ${words.bearing(course)}`,
    );
    show('doubt', track?.sigma_h_m, (m) => `${units.distance(m)} (one sigma)`);
    said.show(state);
    const launch_s = seconds(flight.launch.time);
    const before = (phase === 'unknown' || phase === 'ground') && launch_s !== null;
    rows.until.show(before ? `${momentWords(launch_s, now_s)}, ${words.clockTime(launch_s)} ${words.zone(launch_s)}` : null);
    rows.moved.show(before ? flight.moved && movedWords(flight.moved, now_s) : null);
    rows.since.show(before || launch_s === null || now_s < launch_s ? null : words.duration(now_s - launch_s));
    rows.burst.show(phase === 'ascent' ? burstWords(landing, now_s) : null, old);
    rows.lands.show(phase === 'landed' || landing === null ? null : momentWords(seconds(landing.time), now_s), old);
    rows.fall.show(fallWords(landing));
    rows.lift.show(phase === 'unknown' || phase === 'ground' ? flight.lift && liftWords(flight.lift, units) : null);
  }

  /** @param {import('../state.js').Moved} moved */
  function movedWords({ since, distance_m, bearing_deg, radius_90_m }, now_s) {
    const was = `${words.ago(seconds(since), now_s)}, sure to ${units.distance(radius_90_m)} then`;
    return `moved ${units.distance(distance_m)} toward ${words.bearing(bearing_deg)} (made ${was})`;
  }

  /** The top of the predicted way. */
  function burstWords(landing, now_s) {
    if (landing === null || landing.path.length === 0) return null;
    const top = landing.path.reduce((best, point) => (point[3] > best[3] ? point : best));
    return `${momentWords(seconds(top[0]), now_s)}, ${units.altitude(top[3])}`;
  }

  function momentWords(at_s, now_s) {
    return at_s > now_s ? `in ${words.duration(at_s - now_s)}` : words.ago(at_s, now_s);
  }

  function fallWords(landing) {
    const ms = landing?.fall_speed_sea_level_ms ?? null;
    return ms === null ? null : units.climb(ms);
  }

  return { node: panel.node, render };
}

/** What the crew knows better than the fixes: buttons to say it, and who said what. */
function createSaid(post) {
  const note = el('p', { class: 'sentence' });
  let flight = '';
  const say = (text, statement) => {
    const button = el('button', { type: 'button', class: 'quiet', text });
    button.addEventListener('click', () => post('/api/phase', { said: statement, flight }));
    return button;
  };
  const buttons = {
    launched: say('It has launched', 'launched'),
    'not launched': say('It has not launched', 'not launched'),
    landed: say('It has landed', 'landed'),
    withdrawn: say('Take that back', 'withdrawn'),
  };
  const node = el('div', { class: 'said crew-only' }, note, ...Object.values(buttons));
  const wanted = {
    unknown: ['launched', 'not launched'], ground: ['launched'], landed: ['not launched'],
    ascent: ['not launched', 'landed'], float: ['not launched', 'landed'], descent: ['landed'],
  };

  /** @param {import('../types.js').Shown} state */
  function show({ phase, said, mode, flight: { name } }) {
    flight = name;
    const told = said ?? null;
    const by = told?.station ? `${told.station}` : 'The crew';
    setText(note, told === null ? '' : `${by} said: ${told.said}. The fixes decide if they deny it.`);
    for (const [name, button] of Object.entries(buttons)) {
      const offered = name === 'withdrawn' ? told !== null : wanted[phase].includes(name) && told?.said !== name;
      button.hidden = !offered || mode === 'replay';
    }
  }
  return { node, show };
}

export const place = { order: 80, tab: 'flight', create: createFlight };
