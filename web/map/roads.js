/** The ways over roads: a line for each car, where the walk begins, where to wait, how far a car gets. */

import * as L from 'leaflet';
import { el, setText, svg } from 'leeward/dom.js';
import { drawn } from 'leeward/map/around.js';
import { marker, place } from 'leeward/map/symbols.js';

/** @typedef {import('../types.js').Vehicle} Vehicle */

export function createRoads(map, chooser, credits) {
  const renderer = L.svg({ pane: 'landing', padding: 0.3 });
  const group = L.layerGroup().addTo(map);
  const reached = L.layerGroup().addTo(map);
  const shape = { renderer, interactive: false, fill: false };
  /** @type {Map<string, {casing: L.Polyline, line: L.Polyline, of: unknown}>} */
  const ways = new Map();
  const walk = L.polyline([], { ...shape, className: 'road-walk' }).addTo(group);
  const waitText = el('span', { class: 'mark-label wait-label' });
  const wait = marker({ node: waitSymbol(), size: 22, label: waitText, front: 700 });
  const end = marker({ node: el('span', { class: 'road-end' }), size: 10, front: 650 });
  let wanted = true;
  let credited = false;
  /** @type {string | null} */
  let chosen = null;
  chooser.add('ways', 'Ways over roads', true, (shown) => {
    wanted = shown;
    if (shown) group.addTo(map);
    else for (const layer of [group, wait, end]) layer.remove();
  });

  function wayOf(name) {
    let way = ways.get(name);
    if (way === undefined) {
      const casing = L.polyline([], { ...shape, className: 'road-casing' }).addTo(group);
      const line = L.polyline([], { ...shape, className: 'road-way' }).addTo(group);
      way = { casing, line, of: null };
      ways.set(name, way);
    }
    return way;
  }

  function drawWay({ name, road }, foremost) {
    const way = wayOf(name);
    for (const part of [way.casing, way.line]) part.getElement()?.classList.toggle('other-car', !foremost);
    if (way.of === road?.line) return;
    way.of = road?.line ?? null;
    const line = (road?.line ?? []).map(([lon, lat]) => L.latLng(lat, drawn(lon)));
    way.casing.setLatLngs(line);
    way.line.setLatLngs(line);
  }

  function drawEnds(road, landing) {
    const last = road?.line.at(-1);
    if (!wanted || road === undefined || road === null || last === undefined || landing === null) {
      walk.setLatLngs([]);
      for (const mark of [wait, end]) mark.remove();
      return;
    }
    const [lon, lat] = last;
    place(map, end, lat, lon);
    walk.setLatLngs([L.latLng(lat, drawn(lon)), L.latLng(landing.latitude_deg, drawn(landing.longitude_deg))]);
    const best = road.wait_together ?? road.wait;
    setText(waitText, 'wait here');
    place(map, wait, best?.latitude_deg ?? null, best?.longitude_deg ?? null);
  }

  return {
    /** The car whose end and waiting place are marked. @param {string} name */
    choose(name) {
      chosen = name;
    },
    /** @param {import('../types.js').Shown} state */
    draw({ vehicles, landing }) {
      const known = new Set(vehicles.map(({ name }) => name));
      for (const [name, { casing, line }] of ways) {
        if (known.has(name)) continue;
        for (const part of [casing, line]) part.remove();
        ways.delete(name);
      }
      const foremost = vehicles.find(({ name }) => name === chosen) ?? vehicles.find(({ own }) => own) ?? vehicles[0];
      for (const vehicle of vehicles) drawWay(vehicle, vehicle === foremost);
      drawEnds(foremost?.road, landing);
      const any = vehicles.some(({ road }) => road !== null);
      if (any !== credited) credits.set('roads', any ? '© OpenStreetMap contributors' : null);
      credited = any;
    },
    /** @param {{minutes: {minutes: number, lines: [number, number][][]}[]} | null} found */
    reach(found) {
      reached.clearLayers();
      for (const { minutes, lines } of found?.minutes ?? []) {
        const longest = [...lines].sort((a, b) => b.length - a.length)[0];
        for (const line of lines) {
          const points = line.map(([lon, lat]) => L.latLng(lat, drawn(lon)));
          L.polyline(points, { ...shape, className: 'road-reach' }).addTo(reached);
        }
        if (longest === undefined) continue;
        const [lon, lat] = longest.reduce((top, at) => (at[1] > top[1] ? at : top));
        const text = el('span', { class: 'horizon-label', text: `${minutes} min` });
        marker({ node: text, size: 0, front: -850 }).setLatLng([lat, drawn(lon)]).addTo(reached);
      }
    },
  };
}

/** A post with a flag: nothing else on the map has this outline. */
function waitSymbol() {
  const attributes = { viewBox: '0 0 24 24', width: 22, height: 22, 'aria-hidden': 'true', class: 'symbol symbol-wait' };
  return svg('svg', attributes, svg('path', { d: 'M6 22V3H19L15 8L19 13H6' }));
}
