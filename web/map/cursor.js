/** What lies under the pointer: its place, and the height of the ground where the station knows it. */

import * as L from 'leaflet';
import { el, setShown, setText } from 'leeward/dom.js';
import { decimalDegrees } from 'leeward/words.js';

const ASK_AFTER_MS = 120;

export function createCursor(map, units, setup) {
  const place = el('span');
  const ground = el('span');
  const node = el('div', { class: 'cursor-place', hidden: true }, place, ground);
  const control = L.Control.extend({ onAdd: () => node });
  new control({ position: 'bottomleft' }).addTo(map);
  let timer = 0;
  let asked = 0;

  function look({ latlng }) {
    const { lat, lng } = latlng.wrap();
    setShown(node, true);
    setText(place, decimalDegrees(lat, lng));
    clearTimeout(timer);
    if (setup.terrain) timer = setTimeout(() => ask(lat, lng), ASK_AFTER_MS);
  }

  async function ask(lat, lng) {
    asked += 1;
    const mine = asked;
    let altitude_m = null;
    try {
      const reply = await fetch(`/api/terrain?lat=${lat.toFixed(5)}&lon=${lng.toFixed(5)}`);
      if (reply.ok) ({ altitude_m } = await reply.json());
    } catch {
      altitude_m = null;
    }
    if (mine !== asked) return;
    setText(ground, altitude_m === null ? ', ground not known' : `, ground ${units.altitude(altitude_m)}`);
  }

  map.on('mousemove click', look);
  map.on('mouseout', () => {
    clearTimeout(timer);
    setShown(node, false);
  });
}
