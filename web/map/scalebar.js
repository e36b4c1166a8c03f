/** A scale bar in the crew's units, and the key to the track's colours. */

import * as L from 'leaflet';
import { el, setText } from 'leeward/dom.js';
import { altitudeColour } from 'leeward/map/cividis.js';
import { figure } from 'leeward/units.js';

const LONGEST_PX = 120;
const MOST_SHARE = 0.28; // of the map's width
const KEY_M = [0, 5_000, 10_000, 15_000, 20_000, 25_000, 30_000];

export function createScale(map, units, preferences) {
  const bar = el('span', { class: 'scale-bar' });
  const length = el('span', { class: 'scale-length' });
  const colours = el('span', { class: 'key-colours' }, ...KEY_M.map(() => el('i')));
  const low = el('span', { text: '0' });
  const high = el('span');
  const node = el(
    'div',
    { class: 'scale' },
    el('div', { class: 'key', title: 'Colour of the track by altitude' }, low, colours, high),
    el('div', { class: 'scale-row' }, bar, length),
  );
  const control = L.Control.extend({ onAdd: () => node });
  new control({ position: 'bottomleft' }).addTo(map);

  function draw() {
    const middle = map.getSize().divideBy(2);
    const longest_px = Math.min(LONGEST_PX, MOST_SHARE * map.getSize().x);
    if (longest_px < 1) return; // a map that is not shown
    const left = map.containerPointToLatLng([middle.x - longest_px / 2, middle.y]);
    const right = map.containerPointToLatLng([middle.x + longest_px / 2, middle.y]);
    const longest_m = left.distanceTo(right);
    const { unit, size_m, small, smallSize_m, smallBelow_m } = units.system().scale;
    const [name, unit_m] = longest_m < smallBelow_m ? [small, smallSize_m] : [unit, size_m];
    const round = roundBelow(longest_m / unit_m);
    bar.style.width = `${Math.round((longest_px * round * unit_m) / longest_m)}px`;
    setText(length, `${round >= 1 ? figure(round) : round}\u00a0${name}`);
    const top = Math.round(units.system().altitudeValue(KEY_M.at(-1)) / 1000) * 1000;
    setText(high, `${figure(top)}\u00a0${units.system().altitudeUnit}`);
    [...colours.children].forEach((/** @type {any} */ part, n) => {
      part.style.background = altitudeColour(KEY_M[n], preferences.get('palette'));
    });
  }

  map.on('moveend zoomend resize', draw);
  return { draw };
}

/** 1, 2 or 5 times a power of ten, at most `value`. */
function roundBelow(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return power * ([5, 2].find((step) => step * power <= value) ?? 1);
}
