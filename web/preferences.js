/** What a reader chose on this device: palette, units, text size, sound. */

import { kept, keep } from 'leeward/keeping.js';
import { SYSTEM_NAMES } from 'leeward/units.js';

/**
 * `palette` null: as the page's own HTML has it. `units` null: as the plan has them.
 * @type {{palette: string | null, units: string | null, scale: number, sound: string}}
 */
const DEFAULTS = { palette: null, units: null, scale: 100, sound: 'off' };
const LOW_PX = 700; // below, at usual text, map and chart have no room over each other
const WIDE_PX = 1200; // below, the band has a second row
export const SOUNDS = ['off', 'tones', 'voice'];
const SCALES = [80, 90, 100, 110, 120, 130, 140, 150, 160]; // per cent

export function createPreferences() {
  const chosen = { ...DEFAULTS };
  const listeners = new Set();
  for (const name of Object.keys(DEFAULTS)) chosen[name] = kept(name, DEFAULTS[name]);
  chosen.palette ??= document.documentElement.dataset.palette ?? 'day';
  if (!SCALES.includes(chosen.scale)) chosen.scale = 100;
  let unitsChosen = chosen.units !== null && SYSTEM_NAMES.includes(chosen.units);
  if (!unitsChosen) chosen.units = 'metric';
  if (!SOUNDS.includes(chosen.sound)) chosen.sound = 'off';
  if (chosen.palette !== 'night') chosen.palette = 'day';
  dress();
  addEventListener('resize', dress);

  function dress() {
    document.documentElement.dataset.palette = chosen.palette ?? 'day';
    document.documentElement.style.setProperty('--scale', String(chosen.scale / 100));
    const [wide, high] = [innerWidth, innerHeight].map((px) => (px * 100) / chosen.scale);
    document.documentElement.toggleAttribute('data-low', high < (wide < WIDE_PX ? LOW_PX + 200 : LOW_PX));
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
    /** @param {'palette' | 'units' | 'scale' | 'sound'} name */
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
