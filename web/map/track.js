/**
 * The flown track: one line for each stretch within a band of altitude, over a casing that holds
 * it off the ground. New points lengthen the last stretch; a late packet redraws from where it lies.
 */

import * as L from 'leaflet';
import { drawn } from 'leeward/map/around.js';
import { altitudeColour, BAND_M } from 'leeward/map/cividis.js';

/** The canvases that all tracks share. */
export function trackCanvases() {
  return { casings: L.canvas({ pane: 'casing', padding: 0.3 }), lines: L.canvas({ pane: 'track', padding: 0.3 }) };
}

/** @typedef {{weight: number, casing: number, dashArray: string | undefined}} Shape @type {Shape} */
const CHOSEN = { weight: 4.5, casing: 7, dashArray: undefined };
/** @type {Shape} */
const OTHER = { weight: 3, casing: 5, dashArray: '9 4' }; // of a flight that the panels do not show

export function createTrack(map, preferences, { casings, lines }) {
  /** @type {Shape} */
  let shape = CHOSEN;
  /** @type {{from: number, band: number, casing: L.Polyline, line: any}[]} */
  let stretches = [];

  const colourOf = (band) => altitudeColour((band + 0.5) * BAND_M, preferences.get('palette'));
  const casingColour = () =>
    getComputedStyle(document.documentElement).getPropertyValue('--track-casing').trim();

  function begin(from, band, at) {
    /** @type {L.PolylineOptions} */
    const look = { interactive: false, lineCap: 'butt' };
    const under = { ...look, renderer: casings, weight: shape.casing, color: casingColour() };
    const { weight, dashArray } = shape;
    const over = { ...look, renderer: lines, weight, dashArray, color: colourOf(band) };
    const [casing, line] = [under, over].map((options) => L.polyline([at], options).addTo(map));
    stretches.push({ from, band, casing, line });
  }

  /** @param {any[]} rows the whole track @param {number} from the first row that changed */
  function draw(rows, from) {
    const stay = stretches.filter((stretch) => stretch.from < from); // they begin one after another
    for (const { casing, line } of stretches.slice(stay.length)) {
      casing.remove();
      line.remove();
    }
    stretches = stay;
    const first = Math.max(stretches.length - 1, 0); // the others stay as they are
    const last = stretches.at(-1);
    if (last) last.line.getLatLngs().length = from - last.from;
    for (let n = from; n < rows.length; n += 1) {
      const [, lat, lon, altitude_m] = rows[n];
      const at = L.latLng(lat, drawn(lon));
      const band = Math.floor((altitude_m ?? 0) / BAND_M);
      stretches.at(-1)?.line.getLatLngs().push(at); // joins it to the next
      if (stretches.at(-1)?.band !== band) begin(n, band, at);
    }
    for (const { casing, line } of stretches.slice(first)) {
      const places = line.getLatLngs();
      line.setLatLngs(places); // given again, so that the line's bounds are reckoned anew
      casing.setLatLngs(places);
    }
  }

  function colours() {
    const under = casingColour();
    for (const { band, casing, line } of stretches) {
      casing.setStyle({ color: under });
      line.setStyle({ color: colourOf(band) });
    }
  }

  /** @param {boolean} chosen whether the panels show this flight */
  function choose(chosen) {
    if ((shape === CHOSEN) === chosen) return;
    shape = chosen ? CHOSEN : OTHER;
    const { weight, dashArray } = shape;
    for (const { casing, line } of stretches) {
      casing.setStyle({ weight: shape.casing });
      line.setStyle({ weight, dashArray });
    }
  }

  return { draw, colours, choose };
}
