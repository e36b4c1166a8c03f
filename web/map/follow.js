/**
 * What the map keeps in view: payload, landing, own car, us and the landing, all; or what the reader chose,
 * left alone. Zooming keeps what is followed: a point stays in the middle part of the view, an area in it. An
 * area closes in by itself as it shrinks, until the reader has zoomed.
 */

import * as L from 'leaflet';
import { el, setAttribute, setText } from 'leeward/dom.js';
import { drawn } from 'leeward/map/around.js';

// pixels that the buttons and labels take from the view at usual text, and the most of its size that they may
const ROOM = { top: 72, left: 66, right: 140, bottom: 88 };
const MOST_ROOM = 0.36;
const MODES = { payload: 'Payload', landing: 'Landing', car: 'Our car', us: 'Us + landing', all: 'All' };
const POINTS = new Set(['payload', 'car']);
const CLOSEST = { landing: 15, us: 14, all: 13 };
const GROWN = 0.35; // of the view: an area that fills less is closed in upon
const GLIDE_S = 0.4;

export function createFollow(map) {
  let mode = 'all';
  let zoomed = false; // the reader's zoom stays until a button is pressed
  /** @type {Record<string, L.LatLng[]>} */
  let places = { payload: [], landing: [], car: [], us: [], all: [] };
  let ours = 0; // moves that the page makes itself
  const buttons = Object.entries(MODES).map(([name, text]) =>
    el('button', { type: 'button', text, 'data-follow': name, on: { click: () => choose(name) } }),
  );
  const now = el('button', { type: 'button', class: 'follow-now', 'aria-expanded': 'false', on: { click: () => open(!isOpen()) } });
  const group = el('div', { class: 'follow', role: 'group', 'aria-label': 'Map follows' }, ...buttons);
  const node = el('div', { class: 'follow-control' }, now, group);
  const control = L.Control.extend({ onAdd: () => node });
  L.DomEvent.disableClickPropagation(node);
  new control({ position: 'topright' }).addTo(map);

  map.on('dragstart', leave);
  map.on('zoomstart', () => {
    if (ours === 0) zoomed = true;
  });
  map.on('zoomend', () => {
    if (ours === 0 && mode !== 'free') keep();
  });
  map.on('click', () => open(false));

  const isOpen = () => node.classList.contains('open');

  function open(shown) {
    node.classList.toggle('open', shown);
    setAttribute(now, 'aria-expanded', String(shown));
  }

  function choose(name) {
    mode = name;
    zoomed = false;
    open(false);
    show();
    keep(true);
  }

  function leave() {
    mode = 'free';
    show();
  }

  function show() {
    for (const button of buttons) {
      // what is nowhere cannot be followed
      setAttribute(button, 'disabled', (places[button.dataset.follow ?? ''] ?? []).length === 0);
    }
    setText(now, mode === 'free' ? 'Follow' : MODES[mode]);
    for (const button of buttons) {
      setAttribute(button, 'aria-pressed', String(button.dataset.follow === mode));
    }
  }

  function move(action) {
    ours += 1;
    action();
    ours -= 1;
  }

  function keep(at_once = false) {
    const wanted = places[mode] ?? [];
    if (wanted.length === 0) return;
    if (POINTS.has(mode)) centre(wanted[0], at_once);
    else fit(L.latLngBounds(wanted), at_once);
  }

  /** Gliding only where it is a short way, and where the reader has nothing against movement. */
  function glide() {
    return { animate: !matchMedia('(prefers-reduced-motion: reduce)').matches, duration: GLIDE_S, easeLinearity: 0.5 };
  }

  function centre(place, at_once) {
    const inner = map.getBounds().pad(-0.3);
    if (at_once && map.getZoom() < 9) move(() => map.setView(place, 10, { animate: false }));
    else if (at_once || !inner.contains(place)) move(() => map.panTo(place, glide()));
  }

  /** Fits again only when something leaves the view or everything has become small in it. */
  function fit(wanted, at_once) {
    const inside = free(0.6).contains(wanted);
    if (zoomed && !at_once) {
      if (!inside && !map.getBounds().contains(wanted.getCenter())) move(() => map.panTo(wanted.getCenter(), glide()));
      return;
    }
    const small = span(wanted) < GROWN * span(map.getBounds());
    if (!at_once && inside && !(small && map.getZoom() < CLOSEST[mode] - 1)) return;
    move(() => map.fitBounds(wanted, { ...padding(), animate: false, maxZoom: CLOSEST[mode] }));
  }

  function padding(part = 1) {
    const { x, y } = map.getSize();
    const scale = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16; // the reader's text size
    const room = (px, size) => part * Math.min(px * scale, MOST_ROOM * size);
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
    choose,
    /** @param {import('../types.js').Shown} state */
    draw(state) {
      const { track, vehicles, launch, landing, flights } = state;
      const own = vehicles.find((vehicle) => vehicle.own) ?? vehicles[0];
      const areas = flights.flatMap((flight) => areaOf(flight.landing));
      const all = flights.flatMap((flight) => [...at(flight.track), ...at(flight.landing)]);
      const chosen = [...at(landing), ...areaOf(landing)];
      places = { payload: at(track), car: at(own), landing: chosen, us: [...at(own), ...chosen], all: [...all, ...at(own), ...areas] };
      if (places.all.length === 0) places.all = at(launch);
      show();
      keep();
    },
  };
}

/** @returns {L.LatLng[]} one place, or none */
function at(item) {
  if (!item || item.latitude_deg === null || item.longitude_deg === null) return [];
  return [L.latLng(item.latitude_deg, drawn(item.longitude_deg))];
}

const areaOf = (landing) =>
  (landing?.search_area.p90.coordinates[0] ?? []).map(([lon, lat]) => L.latLng(lat, drawn(lon)));
