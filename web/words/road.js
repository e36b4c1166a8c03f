/** What is said of the way over the roads: turns, the end of the road, where to wait and why there. */

import { seconds } from 'leeward/clock.js';
import * as words from 'leeward/words.js';

/** @typedef {import('../state.js').RoadTurn} RoadTurn */
/** @typedef {import('../state.js').RoadEnd} RoadEnd */
/** @typedef {import('../state.js').Waiting} Waiting */

const STRAIGHT_DEG = 25;
const SLIGHT_DEG = 50;
const SHARP_DEG = 130;
const ROUND_DEG = 170;

/** `16 Landstrasse`, or what it is where it has no name. @param {{name: string, ref: string}} road */
export function roadName({ name, ref }, unnamed = 'a road without a name') {
  return [ref, name].filter((part) => part !== '').join(' ') || unnamed;
}

/** `right onto 16 Landstrasse`. @param {RoadTurn} turn */
export function turnWords(turn) {
  const name = roadName(turn, turn.track ? 'a track' : turn.ferry ? 'the ferry' : 'a road without a name');
  if (turn.ferry) return `take ${name}`;
  if (turn.turn_deg === null) return `start on ${name}`;
  if (turn.roundabout) return turn.name || turn.ref ? `roundabout, ${name}` : 'roundabout';
  const away = Math.abs(turn.turn_deg);
  const side = turn.turn_deg > 0 ? 'right' : 'left';
  if (away < STRAIGHT_DEG) return `on along ${name}`;
  if (away > ROUND_DEG) return `turn round onto ${name}`;
  const how = away < SLIGHT_DEG ? 'slightly ' : away > SHARP_DEG ? 'sharp ' : '';
  return `${how}${side} onto ${name}`;
}

/**
 * The turns that matter: a stretch too short to be read from a moving car goes into the one before.
 * @param {readonly RoadTurn[]} turns
 */
export function shownTurns(turns) {
  /** @type {RoadTurn[]} */
  const shown = [];
  for (const turn of turns) {
    const last = shown.at(-1);
    const unnamed = turn.name === '' && turn.ref === '' && !turn.track && !turn.ferry;
    const same = last !== undefined && last.name === turn.name && last.ref === turn.ref && !turn.ferry;
    if (last !== undefined && last.track === turn.track && (same || (unnamed && turn.length_m < 150))) {
      shown[shown.length - 1] = { ...last, length_m: last.length_m + turn.length_m };
    } else {
      shown.push(turn);
    }
  }
  return shown;
}

/** `300 m on foot (5 min), 40 m up`. @param {RoadEnd} end */
export function walkWords(end, units) {
  if (end.walk_m < 20) return 'at the road';
  const climb = end.climb_m === null || Math.abs(end.climb_m) < 5 ? '' : climbWords(end.climb_m, units);
  return `${units.distance(end.walk_m)} on foot (${words.duration(end.walk_s)})${climb}`;
}

const climbWords = (m, units) => `, ${units.altitude(Math.abs(m))} ${m > 0 ? 'up' : 'down'}`;

/** `12 % beyond water, 3 % beyond the end of the roads`; null when a car gets near all of it. */
export function beyondWords(end) {
  const parts = [
    [end.beyond_water, 'beyond water'],
    [end.beyond_motorway, 'beyond a motorway'],
    [end.beyond_roads, 'beyond the end of the roads'],
    [end.unknown, 'outside the extracts (not counted)'],
  ].filter(([share]) => share >= 0.005);
  return parts.length === 0 ? null : parts.map(([share, what]) => `${percent(share)} ${what}`).join(', ');
}

/** A chance is never said to be none or certain. */
export function percent(share) {
  if (share > 0.99 && share < 1) return `over\u00a099\u00a0%`;
  if (share > 0 && share < 0.01) return `under\u00a01\u00a0%`;
  return `${Math.round(share * 100)}\u00a0%`;
}

/** Where, how far, and what it is worth. @param {Waiting} wait */
export function waitWords(wait) {
  const there = wait.drive_s < 45 ? 'you are there' : `${words.duration(wait.drive_s)} from here`;
  const wins =
    wait.wins_s === null || wait.wins_s < 30
      ? ''
      : `, ${words.duration(wait.wins_s)} sooner than from the middle of the area`;
  return (
    `${roadName(wait)}, ${there}. From it the box’s road is reached ${words.duration(wait.mean_s)} after the ` +
    `landing${wins}; in the worst tenth ${words.duration(wait.worst_s)}.`
  );
}

/** Why there and not where it was said before; "" for the first place. @param {Waiting} wait */
export function movedWords(wait, units, now_s) {
  if (wait.moved === 'first') return '';
  const when = words.ago(seconds(wait.since), now_s);
  const gain = wait.gain_s === null ? '' : `, it wins ${words.duration(wait.gain_s)}`;
  const area = wait.area_moved_m === null ? '' : ` by ${units.distance(wait.area_moved_m)}`;
  const why = {
    area: `the area moved${area}${gain}`,
    sooner: gain === '' ? 'it is nearer' : gain.slice(2),
    unreachable: 'the place before is not reached any more',
  }[wait.moved];
  return `Moved ${when}: ${why}.`;
}
