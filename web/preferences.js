/** What a reader chose on this device: palette, units, text size, sound, and who they are. */

import { kept, keep } from 'leeward/keeping.js';
import { SYSTEM_NAMES } from 'leeward/units.js';

/**
 * `palette` null: as the page's own HTML has it. `units` null: as the plan has them.
 * `person` null: not asked yet; "": rather not said.
 * @type {{palette: string | null, units: string | null, scale: number, sound: string, person: string | null}}
 */
const DEFAULTS = { palette: null, units: null, scale: 100, sound: 'off', person: null };
export const MOST_LETTERS = 40; // of a person's name
// How much room there is for the text, in pixels at usual size: larger text is a smaller page, as a browser's own zoom
const LOW_PX = 700; // high: below, map and chart have no room over each other
const WIDE_PX = 1312; // below, the band has a second row
const NARROW_PX = 860; // below, panels are tabs
const MID_PX = 1280; // below, the bar says less
const BROAD_PX = 1700; // from here on, the side is broader
const LYING_PX = 540; // high, and wider than high: below, the answers stand beside the map
const SMALL_PX = 340; // wide: below, words wrap, and the page scrolls
export const SOUNDS = ['off', 'tones', 'voice'];
export const SCALES = [80, 90, 100, 110, 120, 130, 140, 150, 160]; // per cent

export function createPreferences() {
  const chosen = { ...DEFAULTS };
  const listeners = new Set();
  for (const name of Object.keys(DEFAULTS)) chosen[name] = kept(name, DEFAULTS[name]);
  chosen.palette ??= document.documentElement.dataset.palette ?? 'day';
  if (!SCALES.includes(chosen.scale)) chosen.scale = 100;
  let unitsChosen = chosen.units !== null && SYSTEM_NAMES.includes(chosen.units);
  if (!unitsChosen) chosen.units = 'metric';
  if (!SOUNDS.includes(chosen.sound)) chosen.sound = 'off';
  if (chosen.person !== null) chosen.person = String(chosen.person).slice(0, MOST_LETTERS);
  if (chosen.palette !== 'night') chosen.palette = 'day';
  dress();
  addEventListener('resize', dress);

  function dress() {
    document.documentElement.dataset.palette = chosen.palette ?? 'day';
    document.documentElement.style.setProperty('--scale', String(chosen.scale / 100));
    const [wide, high] = [innerWidth, innerHeight].map((px) => (px * 100) / chosen.scale);
    const lying = high < LYING_PX && wide > high;
    const is = (name, holds) => document.documentElement.toggleAttribute(`data-${name}`, holds);
    is('low', Math.min(high, innerHeight) < (wide < WIDE_PX ? LOW_PX + 200 : LOW_PX));
    is('lying', lying);
    is('narrow', lying || wide < NARROW_PX);
    is('mid', wide < MID_PX);
    is('broad', wide >= BROAD_PX);
    is('small', wide < SMALL_PX || (lying && wide < 2 * SMALL_PX));
  }

  function set(name, value) {
    chosen[name] = value;
    unitsChosen ||= name === 'units';
    keep(name, value);
    tell(name);
  }

  function tell(name) {
    dress();
    for (const listener of listeners) listener(name);
  }

  return {
    /** @param {'palette' | 'units' | 'scale' | 'sound' | 'person'} name */
    get: (name) => chosen[name],
    set,
    /** The plan's units, until the reader has chosen others. @param {string} [planned] */
    plannedUnits(planned) {
      const units = planned === 'aviation' ? 'nautical' : 'metric';
      if (unitsChosen || chosen.units === units) return;
      chosen.units = units;
      tell('units');
    },
    /** @param {1 | -1} step */
    stepScale(step) {
      const next = SCALES[SCALES.indexOf(chosen.scale) + step];
      if (next !== undefined) set('scale', next);
    },
    /** @param {(name: string) => void} listener */
    onChange(listener) {
      listeners.add(listener);
    },
  };
}
