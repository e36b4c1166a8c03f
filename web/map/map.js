/** The map: its panes from below to above, and when each layer is drawn. */

import * as L from 'leaflet';
import { drawAbout, drawn } from 'leeward/map/around.js';
import { createAvoid } from 'leeward/map/avoid.js';
import { createChooser } from 'leeward/map/chooser.js';
import { createCredits } from 'leeward/map/credits.js';
import { createCursor } from 'leeward/map/cursor.js';
import { createDetails } from 'leeward/map/details.js';
import { createFixes } from 'leeward/map/fixes.js';
import { createFollow } from 'leeward/map/follow.js';
import { Grid } from 'leeward/map/grid.js';
import { createGround } from 'leeward/map/ground.js';
import { createHorizon } from 'leeward/map/horizon.js';
import { createHour } from 'leeward/map/hour.js';
import { createFlightLayers } from 'leeward/map/flights.js';
import { createMoving } from 'leeward/map/moving.js';
import { createRoads } from 'leeward/map/roads.js';
import { createLabels } from 'leeward/map/labels.js';
import { createMeasure } from 'leeward/map/measure.js';
import { Names } from 'leeward/map/names.js';
import { picked } from 'leeward/map/picked.js';
import { onLongPress } from 'leeward/map/press.js';
import { createSearchLayer } from 'leeward/map/search.js';
import { createScale } from 'leeward/map/scalebar.js';
import { readSetup } from 'leeward/setup.js';

const PANES = { ground: 150, grid: 160, crew: 300, names: 320, avoid: 405, landing: 410, casing: 415, track: 420, fixes: 430 };
const FIRST_VIEW = L.latLng(38.2, -98.2); // the plains that the carried basemap shows

export function createMap(node, { store, units, preferences, clock }) {
  const map = L.map(node, {
    zoomControl: false,
    attributionControl: false,
    zoomSnap: 0.5,
    minZoom: 3,
    maxZoom: 17,
    fadeAnimation: false,
    inertia: false, // it stays where it is put
  });
  map.setView(FIRST_VIEW, 7);
  for (const [name, level] of Object.entries(PANES)) {
    const { style } = map.createPane(name);
    style.zIndex = String(level);
    style.pointerEvents = name === 'fixes' ? 'auto' : 'none';
  }
  L.control.zoom({ position: 'topleft' }).addTo(map);
  const credits = createCredits(map);

  const grid = new Grid().addTo(map);
  const names = new Names(() => grid.boxes).addTo(map);
  const flights = createFlightLayers(map, store, preferences);
  const fixes = createFixes(map, store, units);
  const moving = createMoving(map, units);
  const scale = createScale(map, units, preferences);
  const follow = createFollow(map);
  const chooser = createChooser(map);
  const horizon = createHorizon(map, units, chooser);
  const avoid = createAvoid(map, chooser);
  const roads = createRoads(map, chooser, credits);
  const hour = createHour(map);
  const search = createSearchLayer(map);
  const measure = createMeasure(map, units);
  const details = createDetails(map, { store, units, clock });
  const labels = createLabels(map, names);
  const ground = createGround(map, { names, labels, credits, chooser });
  let asking = null;

  readSetup().then((setup) => {
    createCursor(map, units, setup);
    details.withGround(setup.terrain);
  });
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(node);
  map.on('zoomend', () => {
    flights.drawLandings();
    flights.age(clock.now_s());
  });
  map.on('dragend', () => {
    const { lat, lng } = map.getCenter();
    if (drawn(lng) !== lng) map.setView([lat, drawn(lng)], map.getZoom(), { animate: false });
  });
  const press = onLongPress(map, (at) => details.show({ kind: 'place', at }));
  map.on('click', ({ latlng }) => {
    if (press.justTold()) return;
    if (asking !== null) asking(latlng.wrap());
    else if (measure.isOn()) measure.take(latlng);
    else void look(latlng);
    stopAsking();
  });
  addEventListener('keydown', ({ key }) => {
    if (key !== 'Escape') return;
    stopAsking();
    if (measure.isOn()) measure.stop();
    details.show(null);
  });
  preferences.onChange(() => {
    grid.repaint();
    ground.repaint();
    flights.colours();
    fixes.repaint();
    scale.draw();
    measure.draw();
  });

  /** What was touched, in words. */
  async function look(at) {
    const sheets = () => [...ground.vectors].filter((layer) => map.hasLayer(layer));
    details.show(await picked(map, ground.engine, sheets, at));
  }

  function stopAsking() {
    asking = null;
    node.classList.toggle('asking', measure.isOn());
  }

  return {
    fixes,
    showHour: hour.show,
    showSearch: search.show,
    showReach: roads.reach,
    /** The way of this car stands out. @param {string} name */
    showWayOf(name) {
      roads.choose(name);
      if (store.state !== null) roads.draw(store.state);
    },
    nearest: ground.nearest,
    /** What is kept in view from now on. @param {'payload' | 'landing' | 'car' | 'us' | 'all'} what */
    follow: (what) => follow.choose(what),
    /** Who leads a car to a place that the reader pressed. @param {(place: any) => void} lead */
    leadTo: (lead) => details.leadTo(lead),
    /** The next place that the reader touches goes to `answer`. */
    ask(answer) {
      asking = answer;
      node.classList.add('asking');
    },
    /** @param {Set<string>} changed */
    draw(changed) {
      const { state, history } = store;
      drawAbout(state.launch.longitude_deg ?? state.track?.longitude_deg);
      if (changed.has('history')) {
        flights.drawTracks();
        fixes.draw();
      }
      if (changed.has('landing') || changed.has('flights')) flights.drawLandings();
      flights.age(clock.now_s());
      avoid.draw(state.avoid);
      horizon.draw(state);
      roads.draw(state);
      moving.draw(state, history, clock.now_s());
      follow.draw(state);
      details.draw();
      labels.place();
    },
  };
}
