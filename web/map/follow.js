/** What the map keeps in view: payload, own car, all; or what the reader chose, left alone. */

import * as L from 'leaflet';
import { el, setAttribute } from 'leeward/dom.js';
import { drawn } from 'leeward/map/around.js';

// pixels that the buttons and labels take from the view, and the most of its size that they may
const ROOM = { top: 72, left: 66, right: 140, bottom: 88 };
const MOST_ROOM = 0.36;
const MODES = { payload: 'Payload', car: 'Our car', all: 'All' };

export function createFollow(map) {
  let mode = 'all';
  /** @type {{payload: L.LatLng | null, car: L.LatLng | null, all: L.LatLng[]}} */
  let points = { payload: null, car: null, all: [] };
  let ours = 0; // moves that the page makes itself
  const buttons = Object.entries(MODES).map(([name, text]) =>
    el('button', { type: 'button', text, 'data-follow': name, on: { click: () => choose(name) } }),
  );
  const node = el('div', { class: 'follow', role: 'group', 'aria-label': 'Map follows' }, ...buttons);
  const control = L.Control.extend({ onAdd: () => node });
  L.DomEvent.disableClickPropagation(node);
  new control({ position: 'topright' }).addTo(map);

  map.on('dragstart', leave);
  map.on('zoomstart', () => {
    if (ours === 0) leave();
  });

  function choose(name) {
    mode = name;
    show();
    keep(true);
  }

  function leave() {
    mode = 'free';
    show();
  }

  function show() {
    for (const button of buttons) {
      setAttribute(button, 'aria-pressed', String(button.dataset.follow === mode));
    }
  }

  function move(action) {
    ours += 1;
    action();
    ours -= 1;
  }

  function keep(now = false) {
    if (mode === 'all') fit(now);
    else if (mode !== 'free' && points[mode] !== null) centre(points[mode], now);
  }

  function centre(place, now) {
    const inner = map.getBounds().pad(-0.3);
    if (now && map.getZoom() < 9) move(() => map.setView(place, 10, { animate: false }));
    else if (now || !inner.contains(place)) move(() => map.panTo(place, { animate: false }));
  }

  /** Fits again only when something leaves the view or everything has become small in it. */
  function fit(now) {
    if (points.all.length === 0) return;
    const wanted = L.latLngBounds(points.all);
    const view = map.getBounds();
    const inside = free(0.6).contains(wanted);
    const small = span(wanted) < 0.35 * span(view);
    if (!now && inside && !(small && map.getZoom() < 12)) return;
    move(() => map.fitBounds(wanted, {
        ...padding(),
        animate: false,
        maxZoom: 13,
      }));
  }

  function padding(part = 1) {
    const { x, y } = map.getSize();
    const room = (px, size) => part * Math.min(px, MOST_ROOM * size);
    return {
      paddingTopLeft: [room(ROOM.left, x), room(ROOM.top, y)],
      paddingBottomRight: [room(ROOM.right, x), room(ROOM.bottom, y)],
    };
  }

  /** The part of the view that nothing lies on. */
  function free(part) {
    const { paddingTopLeft, paddingBottomRight } = padding(part);
    const size = map.getSize();
    return L.latLngBounds(
      map.containerPointToLatLng(paddingTopLeft),
      map.containerPointToLatLng(size.subtract(paddingBottomRight)),
    );
  }

  function span(bounds) {
    const a = map.project(bounds.getNorthWest(), 8);
    const b = map.project(bounds.getSouthEast(), 8);
    const size = map.getSize();
    return Math.max((b.x - a.x) / size.x, (b.y - a.y) / size.y);
  }

  show();
  map.on('resize', () => keep());
  return {
    /** @param {import('../types.js').Shown} state */
    draw(state) {
      const at = (item) =>
        item && item.latitude_deg !== null && item.longitude_deg !== null
          ? L.latLng(item.latitude_deg, drawn(item.longitude_deg))
          : null;
      const { track, vehicles, launch, flights } = state;
      const own = vehicles.find((vehicle) => vehicle.own) ?? vehicles[0];
      const areas = flights.flatMap(({ landing }) => landing?.search_area.p90.coordinates[0] ?? []);
      const places = flights.flatMap((flight) => [at(flight.track), at(flight.landing)]);
      places.push(at(own), ...areas.map(([lon, lat]) => L.latLng(lat, drawn(lon))));
      points = { payload: at(track), car: at(own), all: places.filter((place) => place !== null) };
      if (points.all.length === 0 && launch.latitude_deg !== null && launch.longitude_deg !== null) {
        points.all = [L.latLng(launch.latitude_deg, drawn(launch.longitude_deg))];
      }
      keep();
    },
  };
}
