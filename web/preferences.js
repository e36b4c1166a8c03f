/** What a reader chose on this device: palette, units, text size. */

const DEFAULTS = { palette: null, units: 'metric', scale: 100 };
const SCALES = [80, 90, 100, 110, 120, 140, 160]; // per cent

export function createPreferences() {
  const chosen = { ...DEFAULTS };
  const listeners = new Set();
  for (const name of Object.keys(DEFAULTS)) chosen[name] = recall(name) ?? DEFAULTS[name];
  chosen.palette ??= document.documentElement.dataset.palette ?? 'day';
  if (!SCALES.includes(chosen.scale)) chosen.scale = 100;
  if (chosen.units !== 'us') chosen.units = 'metric';
  if (chosen.palette !== 'night') chosen.palette = 'day';
  dress();

  function dress() {
    document.documentElement.dataset.palette = chosen.palette;
    document.documentElement.style.setProperty('--scale', String(chosen.scale / 100));
  }

  function set(name, value) {
    chosen[name] = value;
    try {
      localStorage.setItem(`leeward.${name}`, JSON.stringify(value));
    } catch {
      // kept for this page only
    }
    dress();
    for (const listener of listeners) listener(name);
  }

  return {
    /** @param {'palette' | 'units' | 'scale'} name */
    get: (name) => chosen[name],
    set,
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

function recall(name) {
  try {
    return JSON.parse(localStorage.getItem(`leeward.${name}`) ?? 'null');
  } catch {
    return null;
  }
}
