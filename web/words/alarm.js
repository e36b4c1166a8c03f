/** Alarms and events in the reader's units and zone. A kind without a sentence is shown by its facts. */

import { seconds } from 'leeward/clock.js';
import * as words from 'leeward/words.js';

/** @typedef {import('../state.js').Alarm} Alarm */

const NB = '\u00a0'; // a place is never parted
const EVENTS = {
  launch: 'Launched',
  float: 'Floats',
  sink: 'Sinks',
  burst: 'Burst',
  landing: 'At rest on the ground',
};
const WITHDRAWN = {
  launch: 'The launch told before was none: it is on the ground.',
  float: 'The float told before was none.',
  sink: 'The sinking told before was none.',
  burst: 'The burst told before was none.',
  landed: 'The landing told before was none: it is not at rest.',
};

/** `Burst at 29,310 m`. @param {import('../state.js').Event} event */
export function eventWords({ kind, altitude_m }, units) {
  return `${EVENTS[kind]} at ${units.altitude(altitude_m)}`;
}

/** One or two sentences. @param {Alarm} alarm */
export function alarmWords(alarm, units) {
  const write = SENTENCES[alarm.kind];
  return write === undefined ? byFacts(alarm, units) : write(/** @type {any} */ (alarm.facts), units, alarm);
}

/** The same, with the flight's name before it where the mission has several. @param {Alarm} alarm */
export function alarmOf(alarm, { flights }, units) {
  const told = alarmWords(alarm, units);
  return flights.length > 1 && alarm.flight !== '' ? `${alarm.flight}: ${told}` : told;
}

/** In a few words what it is, for the largest line. @param {Alarm} alarm */
export function alarmTitle(alarm, { flights }, units) {
  const write = TITLES[alarm.kind];
  const title = write === undefined ? words.sentenceCase(alarm.kind) : write(/** @type {any} */ (alarm.facts), units);
  return flights.length > 1 && alarm.flight !== '' ? `${alarm.flight}: ${title}` : title;
}

/** What stands under that line: the sentence, without what the line has said. @param {Alarm} alarm */
export function alarmBeside(alarm, state, units) {
  const write = BESIDE[alarm.kind];
  return write === undefined ? alarmOf(alarm, state, units) : write(/** @type {any} */ (alarm.facts), units);
}

const TITLES = {
  contact_lost: ({ latitude_deg, longitude_deg }) => `Contact lost: ${words.decimalDegrees(latitude_deg, longitude_deg).replace(' ', NB)}`,
  tracker_lost: ({ tracker }) => `${tracker} is silent`,
  source_failed: ({ source }) => `${source} has failed`,
  frozen: ({ repeats }) => (repeats === 'nothing' ? 'No tracker tells a position' : `All trackers repeat one ${repeats}`),
  two_transmit: ({ tracker, apart_m }, units) => `Two transmit as ${tracker}: ${units.distance(apart_m)} apart`,
  low: () => 'Low: listen, take a bearing',
  burst: (facts, units) => `Burst early: ${units.altitude(facts.altitude_m)}`,
  float: (facts, units) => `Floats at ${units.altitude(facts.altitude_m)}`,
  sink: () => 'Sinks under the balloon',
  fall_unplanned: ({ ratio }) => `Falls ${timesWords(ratio)} as planned`,
  fall_changed: ({ ratio }) => `Falls ${timesWords(ratio)} as before`,
  withdrawn: ({ withdrawn }) => `No ${withdrawn === 'landed' ? 'landing' : withdrawn} after all`,
};

const at = (time) => {
  const time_s = seconds(time);
  return `${words.clockTimeSeconds(time_s)} ${words.zone(time_s)}`;
};

function where({ altitude_m, above_launch_m, happened }, units) {
  const above = above_launch_m === undefined ? '' : ` (${units.altitude(above_launch_m)} above the launch site)`;
  return `${units.altitude(altitude_m)}${above} at ${at(happened)}`;
}

/** `38.65400, -97.59000 at 16,140 m`: of one of two places. */
function placeWords(facts, which, units) {
  const altitude_m = facts[`${which}_altitude_m`];
  const place = words.decimalDegrees(facts[`${which}_latitude_deg`], facts[`${which}_longitude_deg`]);
  return altitude_m === undefined ? place : `${place} at ${units.altitude(altitude_m)}`;
}

const BESIDE = {
  contact_lost: ({ altitude_m }, units) => `Last fix at ${units.altitude(altitude_m)}.`, // Contact says whether as expected
  tracker_lost: (facts) => `Last ${heardWords(facts)}`,
};

function heardWords({ last_heard, interval_s, heard_again }) {
  const expected = interval_s === undefined ? '' : `, expected every ${words.duration(interval_s)}`;
  const again = heard_again === undefined ? '' : ` Heard again at ${at(heard_again)}.`;
  return `heard at ${at(last_heard)}${expected}.${again}`;
}

/** `2.1 times as fast`, `0.45 times as fast`. */
export const timesWords = (ratio) => `${ratio.toFixed(ratio > 1 ? 1 : 2)} times as fast`;

const REPEATS = {
  position: 'All trackers repeat one position',
  place: 'All trackers repeat one latitude and longitude while their altitude changes',
  altitude: 'All trackers repeat one altitude',
  nothing: 'Packets come, but no position that could be one',
};
const UNKNOWN = {
  position: 'Nobody knows where it is now.',
  place: 'Nobody knows where it is now: doubt the place on the map.',
  altitude: 'Nobody knows how high it is now: doubt the landing.',
  nothing: 'Nobody knows where it is now.',
};
const SENTENCES = {
  contact_lost: ({ latitude_deg, longitude_deg, altitude_m, as_expected }, units) =>
    `No tracker is heard any more${as_expected === 'yes' ? ', as expected so low' : ''}. Last fix ${words.decimalDegrees(latitude_deg, longitude_deg)} at ${units.altitude(altitude_m)}: see Search.`,
  launch: ({ happened }) => `Launched at ${at(happened)}.`,
  float: (facts, units) => `No longer climbing: floats at ${where(facts, units)}.`,
  sink: (facts, units) =>
    `Sinks since ${where(facts, units)}, more slowly than under a parachute: a leak, a balloon that ` +
    'still carries it, or a wrong altitude.',
  burst: (facts, units, { severity }) =>
    `Burst at ${where(facts, units)}${severity === 'info' ? '.' : ', far below the planned height: the landing is nearer, and sooner.'}`,
  landed: (facts, units) => `At rest on the ground, ${where(facts, units)}.`,
  withdrawn: ({ withdrawn, told }, _, { time }) =>
    `${WITHDRAWN[withdrawn] ?? 'What was told before was none.'} (Told at ${at(told)}, taken back at ${at(time)}.)`,
  source_failed: ({ source, since }) =>
    `The source ${source} has failed since ${at(since)}: look at its cable, its power and its program; Sources says why.`,
  tracker_lost: (facts) => `${facts.tracker} is silent: last ${heardWords(facts)}`,
  frozen: ({ repeats, last_good, altitude_m }, units, { until }) =>
    `${REPEATS[repeats]}: the last good fix is of ${at(last_good)}, at ${units.altitude(altitude_m)}.` +
    (until === null ? ` ${UNKNOWN[repeats]}` : ` Right again at ${at(until)}.`),
  two_transmit: (facts, units, { until }) =>
    `Positions of ${facts.tracker} come by turns from two places, ${units.distance(facts.apart_m)} apart: ` +
    `${placeWords(facts, 'one', units)}, and ${placeWords(facts, 'other', units)}. Two transmit under its callsign` +
    (until === null
      ? ': find out which of them flies, and switch the other off. Until then doubt where it is shown.'
      : `; no longer at ${at(until)}.`),
  low: ({ limit_m, height_above_ground_m }, units, { time }) =>
    `Below ${units.altitude(limit_m)} above ground: ${units.altitude(height_above_ground_m)} at ${at(time)}. ` +
    'Listen, and take a bearing.',
  fall_unplanned: ({ ratio }) =>
    `It falls ${timesWords(ratio)} as planned, from the burst on. The landing is worked out with that: ` +
    'look where it is now.',
  fall_changed: ({ ratio, since_altitude_m, since }, units) =>
    `The fall has changed: ${timesWords(ratio)} as before, below ${units.altitude(since_altitude_m)} at ` +
    `${at(since)}. The landing is worked out with that: look where it is now.`,
};

/** `Battery low: tracker Backup, voltage 3.1 V`. @param {Alarm} alarm */
function byFacts({ kind, facts }, units) {
  const told = Object.entries(facts).map(([name, value]) => factWords(name, value, units));
  return `${[words.sentenceCase(kind), told.join(', ')].filter(Boolean).join(': ')}.`;
}

function factWords(name, value, units) {
  const [, stem, unit] = name.match(/^(.*?)(?:_(m|s|ms|v|percent))?$/);
  const title = stem.replaceAll('_', ' ');
  if (typeof value === 'string') return `${title} ${/^\d{4}-\d\d-\d\dT/.test(value) ? at(value) : value}`;
  const write = {
    m: units.altitude,
    ms: units.climb,
    s: words.duration,
    v: (v) => units.sensor(v, 'V'),
    percent: (v) => units.sensor(v, '%'),
  }[unit];
  return `${title} ${write === undefined ? Number(value.toPrecision(3)) : write(value)}`;
}
