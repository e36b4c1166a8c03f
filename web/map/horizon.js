/** How far the payload is in sight of a car's antenna: over a smooth earth of 4/3 radius. */

import * as L from 'leaflet';
import { el, setText } from 'leeward/dom.js';
import { drawn } from 'leeward/map/around.js';
import { ring } from 'leeward/map/ring.js';
import { marker } from 'leeward/map/symbols.js';

const EFFECTIVE_EARTH_RADIUS_M = (6_371_000 * 4) / 3; // k = 4/3 as in ITU-R P.310
const ANTENNA_M = 2; // above the road; as server/flight/chase/horizon.py

/** Greatest distance in metres of a grazing path from that height above ground. */
export function horizon_m(height_m) {
  const roots = Math.sqrt(Math.max(height_m, 0)) + Math.sqrt(ANTENNA_M);
  return Math.sqrt(2 * EFFECTIVE_EARTH_RADIUS_M) * roots;
}

export function createHorizon(map, units, chooser) {
  const renderer = L.svg({ pane: 'landing', padding: 0.3 });
  const circle = L.polyline([], { renderer, className: 'horizon', interactive: false });
  const text = el('span', { class: 'horizon-label' });
  const label = marker({ node: text, size: 0, front: -900 });
  let wanted = true;
  let at = null;
  chooser.add('horizon', 'Radio horizon of the payload', true, (shown) => {
    wanted = shown;
    show();
  });

  function show() {
    const shown = wanted && at !== null;
    for (const layer of [circle, label]) {
      if (shown) layer.addTo(map);
      else layer.remove();
    }
  }

  return {
    /** @param {import('../types.js').Shown} state */
    draw({ track, phase }) {
      const above = track?.height_above_ground_m ?? track?.altitude_m ?? null;
      at = track === null || above === null || phase === 'ground' || phase === 'landed' ? null : track;
      if (at !== null) {
        const radius_m = horizon_m(above);
        const east = drawn(at.longitude_deg);
        circle.setLatLngs(ring(at.latitude_deg, east, radius_m));
        label.setLatLng([at.latitude_deg + (radius_m / 6_371_000) * (180 / Math.PI), east]);
        setText(text, `radio horizon ${units.distance(radius_m)}`);
      }
      show();
    },
  };
}
