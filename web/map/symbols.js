/** The shapes of the map: shape first, colour second. */

import { el, svg } from 'leeward/dom.js';
import { outline } from 'leeward/outline.js';
import { drawn } from 'leeward/map/around.js';
import * as L from 'leaflet';

const DRAWN = {
  main: () => [svg('circle', { cx: 12, cy: 12, r: 8 })],
  backup: () => [svg('rect', { x: 4, y: 4, width: 16, height: 16 })],
  phone: () => [svg('path', { d: 'M12 3 22 20H2Z' })],
  landing: () => [
    svg('circle', { cx: 12, cy: 12, r: 9, class: 'ring' }),
    svg('circle', { cx: 12, cy: 12, r: 2.6, class: 'dot' }),
  ],
  launch: () => [svg('path', { d: 'M12 4V20M5 20H19', class: 'stroke' })],
  station: () => [svg('path', { d: 'M12 6V18M6 12H18', class: 'stroke' })],
  event: () => [svg('path', { d: 'M5 5 19 19M19 5 5 19', class: 'stroke' })],
};

/** @param {keyof typeof DRAWN} shape */
export function symbol(shape, size = 20) {
  const attributes = { viewBox: '0 0 24 24', width: size, height: size, 'aria-hidden': 'true' };
  return svg('svg', { ...attributes, class: `symbol symbol-${shape}` }, ...DRAWN[shape]());
}

/** Where a flight comes down: the first has the round mark, each other its own outline. */
export function landingSymbol(number, size = 34) {
  if (number === 0) return symbol('landing', size);
  const attributes = { viewBox: '-2 -2 28 28', width: size, height: size, 'aria-hidden': 'true' };
  const ring = outline(number);
  ring.setAttribute('class', 'ring');
  const dot = svg('circle', { cx: 12, cy: 12, r: 2.6, class: 'dot' });
  return svg('svg', { ...attributes, class: 'symbol symbol-landing' }, ring, dot);
}

/** A vehicle's numbered tag. */
export function tag(number, own) {
  return el('span', { class: own ? 'tag tag-own' : 'tag', text: String(number) });
}

/**
 * A marker whose node is ours: a symbol and, where given, a label beside it.
 * @param {{shape?: keyof typeof DRAWN, node?: Node, size?: number, label?: HTMLElement | null,
 *   pane?: string, front?: number}} options
 */
export function marker({ shape = 'event', node, size = 24, label, pane, front = 0 }) {
  const body = el('div', { class: 'mark' }, node ?? symbol(shape, size), label ?? null);
  body.style.setProperty('--half', `${size / 2}px`);
  const icon = L.divIcon({ html: body, className: 'mark-icon', iconSize: [0, 0] });
  const options = { icon, interactive: false, keyboard: false, zIndexOffset: front };
  const made = L.marker([0, 0], pane ? { ...options, pane } : options);
  return Object.assign(made, { label: label ?? (size === 0 ? node : null), half: size / 2 }); // for labels.js
}

const GLIDE_MS = 300;

/** Its next step is a short movement, not a jump, unless the reader wants none. */
function glide(icon) {
  if (!icon || matchMedia('(prefers-reduced-motion: reduce)').matches) return;
  icon.style.transition = `transform ${GLIDE_MS}ms ease-out`;
  clearTimeout(icon.gliding);
  icon.gliding = setTimeout(() => {
    icon.style.transition = '';
  }, GLIDE_MS);
}

/** Puts a marker on the map at a place, moves it, or takes it off when there is none. */
export function place(map, mark, latitude_deg, longitude_deg) {
  if (latitude_deg === null || latitude_deg === undefined || longitude_deg === null) {
    mark.remove();
    return;
  }
  const there = L.latLng(latitude_deg, drawn(longitude_deg));
  if (!mark.getLatLng().equals(there, 1e-9)) {
    if (mark.glides && map.hasLayer(mark)) glide(mark.getElement());
    mark.setLatLng(there);
  }
  if (!map.hasLayer(mark)) mark.addTo(map);
}
