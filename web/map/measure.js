/** Distance and bearing between two places that the reader touches, until told to stop. */

import * as L from 'leaflet';
import { el, setAttribute } from 'leeward/dom.js';
import { marker } from 'leeward/map/symbols.js';
import { wayFrom } from 'leeward/whereis.js';
import { bearing, compass } from 'leeward/words.js';

export function createMeasure(map, units) {
  const renderer = L.svg({ pane: 'track', padding: 0.3 });
  const line = L.polyline([], { renderer, className: 'measured', interactive: false });
  const ends = [0, 1].map(() => marker({ node: el('span', { class: 'measure-end' }), size: 12 }));
  const text = el('span', { class: 'mark-label measure-label', role: 'status' });
  const label = marker({ node: text, size: 0, front: 2000 });
  /** @type {L.LatLng[]} */
  let places = [];
  let on = false;
  const button = el('button', { type: 'button', class: 'measure', text: 'Measure', 'aria-pressed': 'false', on: { click: () => turn(!on) } });
  const control = L.Control.extend({ onAdd: () => button });
  L.DomEvent.disableClickPropagation(button);
  new control({ position: 'topright' }).addTo(map);

  function turn(wanted) {
    on = wanted;
    places = [];
    setAttribute(button, 'aria-pressed', String(on));
    map.getContainer().classList.toggle('asking', on);
    draw();
  }

  function draw() {
    ends.forEach((mark, n) => {
      if (places[n] === undefined) mark.remove();
      else mark.setLatLng(places[n]).addTo(map);
    });
    if (places.length < 2) {
      line.remove();
      label.remove();
      return;
    }
    const [a, b] = places;
    const { range_m, bearing_deg } = wayFrom(a.lat, a.lng, b.lat, b.lng);
    text.textContent = `${units.distance(range_m)} ${compass(bearing_deg)} ${bearing(bearing_deg)}`;
    line.setLatLngs([a, b]).addTo(map);
    label.setLatLng(L.latLng((a.lat + b.lat) / 2, (a.lng + b.lng) / 2)).addTo(map);
  }

  return {
    isOn: () => on,
    stop: () => turn(false),
    draw,
    /** @param {L.LatLng} at a third place begins anew */
    take(at) {
      places = places.length === 2 ? [at] : [...places, at];
      draw();
    },
  };
}
