/**
 * The flown track: one line for each stretch within a band of altitude, over a casing that holds
 * it off the ground. New points lengthen the last stretch; a late packet redraws from where it lies.
 */

import * as L from 'leaflet';
import { altitudeColour, BAND_M } from 'leeward/map/cividis.js';

export function createTrack(map, preferences) {
  const renderer = L.canvas({ pane: 'track', padding: 0.3 });
  const casing = L.polyline([], { renderer, interactive: false, weight: 7, opacity: 0.4 });
  casing.addTo(map);
  /** @type {{from: number, band: number, line: L.Polyline}[]} */
  let stretches = [];

  function colours() {
    const ink = getComputedStyle(document.documentElement).getPropertyValue('--track-casing');
    casing.setStyle({ color: ink.trim() });
    for (const { band, line } of stretches) line.setStyle({ color: colourOf(band) });
  }

  const colourOf = (band) => altitudeColour((band + 0.5) * BAND_M, preferences.get('palette'));

  /** @param {any[]} rows the whole track @param {number} from the first row that changed */
  function draw(rows, from) {
    while (stretches.length > 0 && stretches.at(-1).from >= from) stretches.pop().line.remove();
    const last = stretches.at(-1);
    if (last) last.line.getLatLngs().length = from - last.from;
    for (let n = from; n < rows.length; n += 1) {
      const [, lat, lon, altitude_m] = rows[n];
      const at = L.latLng(lat, lon);
      const band = Math.floor((altitude_m ?? 0) / BAND_M);
      const end = stretches.at(-1);
      if (end) end.line.getLatLngs().push(at); // joins it to the next
      if (!end || end.band !== band) {
        const line = L.polyline([at], {
          renderer,
          interactive: false,
          weight: 4.5,
          color: colourOf(band),
          lineCap: 'butt',
        });
        stretches.push({ from: n, band, line: line.addTo(map) });
      }
    }
    for (const { from: start, line } of stretches) {
      // given again, so that the line's bounds are reckoned anew
      if (start + line.getLatLngs().length >= from) line.setLatLngs(line.getLatLngs());
    }
    casing.setLatLngs(rows.map(([, lat, lon]) => [lat, lon]));
  }

  colours();
  return { draw, colours };
}
