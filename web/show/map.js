/** The map of a projector: no buttons; what flies and where it lands, kept in view by itself. */

import * as L from 'leaflet';
import { drawAbout } from 'leeward/map/around.js';
import { createCredits } from 'leeward/map/credits.js';
import { createFlightLayers } from 'leeward/map/flights.js';
import { createFollow } from 'leeward/map/follow.js';
import { createGround } from 'leeward/map/ground.js';
import { createLabels } from 'leeward/map/labels.js';
import { createMoving } from 'leeward/map/moving.js';
import { Names } from 'leeward/map/names.js';
import { createScale } from 'leeward/map/scalebar.js';
import { readSetup } from 'leeward/setup.js';

const PANES = { ground: 150, crew: 300, names: 320, landing: 410, casing: 415, track: 420 };
const DEEPEST_WORLD = 10;
const FIRST_VIEW = L.latLng(38.2, -98.2);

/** @param {HTMLElement} node @param {import('../types.js').Context} context */
export function createShowMap(node, { store, units, preferences, clock }) {
  const still = {
    zoomControl: false, attributionControl: false, zoomSnap: 0.25, minZoom: 3, maxZoom: 15, fadeAnimation: false,
    dragging: false, scrollWheelZoom: false, doubleClickZoom: false, boxZoom: false, keyboard: false, touchZoom: false,
  };
  const map = L.map(node, still).setView(FIRST_VIEW, 7);
  node.tabIndex = -1;
  for (const [name, level] of Object.entries(PANES)) {
    const { style } = map.createPane(name);
    style.zIndex = String(level);
    style.pointerEvents = 'none';
  }
  const credits = createCredits(map);
  const names = new Names(() => []).addTo(map);
  const flights = createFlightLayers(map, store, preferences);
  const moving = createMoving(map, units);
  const scale = createScale(map, units, preferences);
  const follow = createFollow(map); // its buttons are not shown: it keeps everything in view
  const labels = createLabels(map, names);

  /** What the reader chooses elsewhere: here each map of the crew is shown, and none from the internet. */
  const chooser = {
    add(_key, _name, on, show) {
      show(on);
      return { note() {} };
    },
  };

  const ground = createGround(map, { names, labels, credits, chooser });
  readSetup().then((setup) => {
    if (setup.tiles.length === 0) map.setMaxZoom(DEEPEST_WORLD); // closer there is nothing to see
  });
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(node);
  map.on('zoomend', () => {
    flights.drawLandings();
    flights.age(clock.now_s());
  });
  preferences.onChange(() => {
    ground.repaint();
    flights.colours();
    scale.draw();
  });

  return {
    nearest: ground.nearest,
    /** @param {Set<string>} changed */
    draw(changed) {
      const { state, history } = store;
      if (state === null) return;
      drawAbout(state.launch.longitude_deg ?? state.track?.longitude_deg);
      if (changed.has('history')) flights.drawTracks();
      if (changed.has('landing') || changed.has('flights')) flights.drawLandings();
      flights.age(clock.now_s());
      const shown = { ...state, vehicles: [], senders: [], flights: state.flights.map((one) => ({ ...one, trackers: [] })) };
      moving.draw(shown, history, clock.now_s());
      // when all has landed, the whole way from the launch
      const over = state.flights.every(({ phase }) => phase === 'landed');
      const launches = over ? state.flights.map(({ launch }) => ({ track: launch, landing: null })) : [];
      follow.draw(/** @type {any} */ ({ ...shown, flights: [...shown.flights, ...launches] }));
      labels.place();
    },
  };
}
