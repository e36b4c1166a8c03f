/** Ready to launch? What is as it should be on the pad, what is not, and what to do. Ends with the launch. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { readSetup } from 'leeward/setup.js';
import { card } from 'leeward/panels/card.js';
import { groundKnown } from 'leeward/panels/ground_known.js';
import * as words from 'leeward/words.js';
import { windWords } from 'leeward/words/landing.js';

const OFF_PAD_M = 60; // a receiver at rest wanders by 25 m within minutes
const FEW_FIXES = 3;
const FEW_SATELLITES = 5; // four give a position in space, without a spare
const MARKS = { green: '✓', amber: '!', red: '✕' };
const STREETS_ZOOM = 11; // a map with less shows no tracks and lanes
const WINDS_OLD_S = 12 * 3600;

/** @typedef {{key: string, grade: 'green' | 'amber' | 'red', name: string, text: string}} Check */

/** @param {import('../types.js').Context} context */
function createPad(context) {
  const { store, clock, preferences } = context;
  const list = el('ul', { class: 'pad' });
  const sound = el('button', { type: 'button', class: 'quiet', text: 'Alarm sound on' });
  sound.addEventListener('click', () => preferences.set('sound', 'tones'));
  const line = el('p', { class: 'pad-line', role: 'status' });
  const panel = card('pad', 'On the pad', line, list, sound);
  panel.node.hidden = true;
  const known = new Map();
  /** @type {import('../setup.js').Setup | null} */
  let setup = null;
  const knownShare = groundKnown(() => render());
  readSetup().then((found) => {
    setup = found;
    render();
  });

  /** @param {Check} check */
  function make({ name }) {
    const mark = el('span', { class: 'pad-mark', 'aria-hidden': 'true' });
    const text = el('span');
    const node = el('li', {}, mark, el('span', {}, el('b', { text: name }), ' ', text));
    return {
      node,
      /** @param {Check} check */
      update(check) {
        setAttribute(node, 'data-grade', check.grade);
        setText(mark, MARKS[check.grade]);
        setText(text, check.text);
      },
    };
  }

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const waits = (state.phase === 'unknown' || state.phase === 'ground') && state.events.length === 0;
    setShown(panel.node, waits);
    if (!waits) return;
    /** @type {Check[]} */
    const checks = [
      ...trackers(context, state),
      ...sources(state),
      winds(state, context.units, now_s),
      ...maps(setup, state, knownShare),
      ...cars(state),
      ...clocks(state),
      disk(state),
      audible(preferences),
    ];
    const open = checks.filter(({ grade }) => grade !== 'green');
    const red = open.some(({ grade }) => grade === 'red');
    const grade = red ? 'red' : open.length > 0 ? 'amber' : 'green';
    context.ready = { grade, open: open.map(({ name }) => name) };
    setAttribute(line, 'data-grade', grade);
    setText(
      line,
      open.length === 0
        ? 'Ready, as far as this screen can tell. The licensed operator decides.'
        : `${red ? 'Not ready' : 'Nearly ready'}: ${open.map(({ name }) => name).join(', ')}.`,
    );
    setShown(sound, preferences.get('sound') === 'off');
    const launch_s = seconds(state.flight.launch.time);
    panel.aside(launch_s !== null && launch_s > now_s ? `launch in ${words.duration(launch_s - now_s)}` : '');
    follow(list, checks, ({ key }) => key, make, known);
  }

  return { node: panel.node, render };
}

/** @returns {Check[]} */
function trackers({ units }, state) {
  const far = new Map();
  const swapped = new Set(state.problems.filter(({ kind }) => kind === 'swapped').map(({ name }) => name));
  for (const { kind, name, distance_m } of state.problems) if (kind === 'far_from_launch') far.set(name, distance_m);
  return state.trackers.map((tracker) => {
    const { name, label, role, fixes, heard, missed } = tracker;
    /** @param {Check['grade']} grade @param {string} text @returns {Check} */
    const told = (grade, text) => ({ key: `tracker ${name}`, grade, name: label, text });
    if (role === 'phone') return told('green', 'stays silent until it has landed, as it must.');
    if (heard === 0) return told('red', 'not heard. Is it switched on? Does its callsign fit the plan, and is a source open?');
    if (far.has(name)) {
      const km = Math.round(far.get(name) / 1000).toLocaleString('en-US');
      return told('red', `${km} km from the planned launch. Is the callsign right, and the plan today’s?`);
    }
    if (swapped.has(name)) return told('red', 'latitude and longitude swapped, in its set-up or in the plan. It is not used.');
    if (fixes === 0) return told('amber', 'heard, without a position. Give its receiver a view of the sky and some minutes.');
    if (tracker.state === 'silent' || tracker.state === 'late') return told('red', `${tracker.state}. Look at its power and antenna.`);
    if (tracker.state === 'stuck') return told('red', 'sends the same position to the last digit. Start its receiver again.');
    const off_m = heightOff(tracker, state.launch);
    if (off_m !== null && Math.abs(off_m) > OFF_PAD_M) {
      const way = off_m > 0 ? 'above' : 'below';
      return told('amber', `${units.altitude(Math.abs(off_m))} ${way} the pad by its receiver. Let it settle, or look at the plan’s altitude.`);
    }
    if (fixes < FEW_FIXES) return told('amber', `${words.plural(fixes, 'fix', 'fixes')} so far. Wait for some more.`);
    const volts = tracker.voltage_v === null ? '' : `, ${units.sensor(tracker.voltage_v, 'V')}`;
    const used = tracker.satellites;
    if (used !== null && used < FEW_SATELLITES) return told('amber', `its receiver uses ${words.plural(used, 'satellite')}. Give it a view of the sky.`);
    const sky = used === null ? '' : `, ${words.plural(used, 'satellite')}`;
    const charge = tracker.battery_percent === null ? '' : `, battery ${Math.round(tracker.battery_percent)}\u00a0%`;
    return told('green', `${heard} of ${heard + missed} packets heard, ${words.plural(fixes, 'fix', 'fixes')}${sky}${volts}${charge}.`);
  });
}

function heightOff({ last_altitude_m }, launch) {
  return last_altitude_m === null || launch.altitude_m === null ? null : last_altitude_m - launch.altitude_m;
}

/** @returns {Check[]} */
function sources({ sources: its, mode }) {
  if (mode === 'replay') return [];
  if (its.length === 0) return [{ key: 'sources', grade: 'red', name: 'Sources', text: 'the plan names none: nothing can be heard.' }];
  const wrong = its.filter(({ state }) => state === 'failed' || state === 'connecting');
  if (wrong.length === 0) return [{ key: 'sources', grade: 'green', name: 'Sources', text: 'open, or off by the plan.' }];
  return wrong.map(({ name, reason, state }) => ({
    key: `source ${name}`, grade: 'red', name, text: `${state}: ${reason ?? 'no answer yet'}.`,
  }));
}

/** @returns {Check} */
function winds({ landing, problems }, units, now_s) {
  const told = (grade, text) => ({ key: 'winds', grade, name: 'Winds', text });
  const unused = problems.find(({ kind }) => kind === 'forecast_unused' || kind === 'winds_unused');
  if (unused !== undefined) return told('amber', `a file cannot be used: ${unused.detail ?? 'see Sources'}.`);
  const others = landing?.winds.filter(({ name }) => name !== '') ?? [];
  const ages_s = others.map(({ time }) => now_s - (seconds(time) ?? now_s));
  if (landing === null) return told('amber', 'none but a season’s. Name a forecast or a sounding in the plan.');
  if (ages_s.length > 0 && Math.min(...ages_s) > WINDS_OLD_S) return told('amber', `measured ${words.duration(Math.min(...ages_s))} ago.`);
  const from = windWords(landing, units, now_s);
  return told('green', from === null ? 'the landing is predicted before the launch.' : `${from}.`);
}

/** @returns {Check[]} */
function maps(setup, { landing }, knownShare) {
  if (setup === null) return [];
  const told = (grade, text) => [{ key: 'map', grade, name: 'Map', text }];
  const share = setup.terrain && landing !== null ? knownShare(landing) : null;
  const ground = groundWords(setup.terrain, share);
  const fine = setup.tiles.filter(({ max_zoom }) => max_zoom >= STREETS_ZOOM);
  if (fine.length === 0) {
    const online = setup.online === null ? '' : ' The one from the internet ends with the internet.';
    return told('amber', `no streets are stored here: name a map file under [basemap].${online}${ground}`);
  }
  if (landing === null) return told(ground === '' ? 'green' : 'amber', `stored here.${ground}`);
  const corners = landing.search_area.p90.coordinates.flat();
  const covered = corners.every(([lon, lat]) =>
    fine.some(({ bounds: [west, south, east, north] }) => west <= lon && lon <= east && south <= lat && lat <= north),
  );
  if (!covered) return told('red', `the stored maps do not cover the 90\u00a0% area of the landing.${ground}`);
  return told(ground === '' ? 'green' : 'amber', `the 90\u00a0% area of the landing is on the stored maps.${ground}`);
}

/** @param {boolean} named @param {number | null} share of the 90 % area that has heights */
function groundWords(named, share) {
  if (!named) return ' Heights of the ground are missing: name tiles under [terrain].';
  if (share === null || share === 1) return '';
  return ` Heights of the ground are missing for ${Math.round(100 * (1 - share))}\u00a0% of it: run leeward pack, or name tiles.`;
}

/** @returns {Check} */
function disk({ problems }) {
  const told = (grade, text) => ({ key: 'disk', grade, name: 'Disk', text });
  const scarce = problems.find(({ kind }) => kind === 'disk_fills');
  if (problems.some(({ kind }) => kind === 'journal_refuses')) return told('red', 'cannot be written. Make room.');
  if (scarce !== undefined) return told('amber', `only ${scarce.count} MB are free. Make room.`);
  return told('green', 'has room for the journal.');
}

/** @returns {Check[]} */
function cars({ vehicles, unplaced }) {
  const own = vehicles.some((vehicle) => vehicle.own)
    ? []
    : [told_of('Our car', 'has no position: drive times and bearings are from the launch site.')];
  return [
    ...vehicles.map(({ name }) => ({ ...told_of(name, 'on the map.'), grade: /** @type {const} */ ('green') })),
    ...own,
    ...unplaced.filter((car) => !car.own).map(({ name }) => told_of(name, 'has no position yet.')),
  ];
}

/** @returns {Check} */
const told_of = (name, text) => ({ key: `car ${name}`, grade: 'amber', name, text });

/** @returns {Check[]} */
function clocks({ problems }) {
  const wrong = problems.some(({ kind }) => kind === 'own_clock' || kind === 'own_clock_behind' || kind === 'clock_set_back');
  return wrong ? [{ key: 'clock', grade: 'amber', name: 'Clock', text: 'of this computer is wrong. Times are put right by the trackers’.' }] : [];
}

/** @returns {Check} */
function audible(preferences) {
  return preferences.get('sound') === 'off'
    ? { key: 'sound', grade: 'amber', name: 'Alarms', text: 'make no sound on this device.' }
    : { key: 'sound', grade: 'green', name: 'Alarms', text: 'can be heard on this device. Test it in the log below.' };
}

export const place = { order: 10, tab: 'landing', create: createPad };
