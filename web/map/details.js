/** The card that says what was touched, with its place to copy, to hand to a map program, or to drive to. */

import * as L from 'leaflet';
import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { geoAddress } from 'leeward/grid.js';
import { drawn } from 'leeward/map/around.js';
import { marker } from 'leeward/map/symbols.js';
import { copyButton } from 'leeward/panels/card.js';
import { tell } from 'leeward/words/place.js';
import { decimalDegrees } from 'leeward/words.js';

const GROUND = new Set(['place', 'named', 'road']);

export function createDetails(map, { store, units, clock }) {
  const title = el('h3', { class: 'place-title' });
  const lines = el('ul', { class: 'place-lines' });
  const height = el('p', { class: 'place-height', hidden: true });
  const close = el('button', { type: 'button', class: 'quiet place-close', 'aria-label': 'Close', text: '×', on: { click: () => show(null) } });
  const program = el('a', { class: 'button quiet', text: 'Map program' });
  const drive = el('button', { type: 'button', class: 'quiet', text: 'Drive there', hidden: true });
  const copy = copyButton('Copy', () => (place === null ? '' : decimalDegrees(...place)));
  const node = el(
    'section',
    { class: 'place-card', role: 'status', 'aria-label': 'What was touched', hidden: true },
    el('header', {}, title, close), lines, height, el('div', { class: 'actions' }, copy, program, drive),
  );
  map.getContainer().append(node);
  for (const name of ['click', 'dblclick', 'pointerdown', 'mousedown', 'wheel']) {
    node.addEventListener(name, (event) => event.stopPropagation());
  }
  const pin = marker({ node: el('span', { class: 'measure-end' }), size: 12, front: 1500 });
  /** @type {import('./picked.js').Picked | null} */
  let shown = null;
  /** @type {[number, number] | null} */
  let place = null;
  /** @type {((place: {latitude_deg: number, longitude_deg: number, name: string}) => void) | null} */
  let driver = null;
  let knowsGround = false;
  drive.addEventListener('click', () => {
    if (place === null || driver === null) return;
    driver({ latitude_deg: place[0], longitude_deg: place[1], name: title.textContent ?? '' });
    show(null);
  });

  function show(picked) {
    shown = picked;
    setShown(height, false);
    draw();
    pin.remove();
    if (picked !== null && place !== null) {
      const at = L.latLng(place[0], drawn(place[1]));
      const { y } = map.latLngToContainerPoint(at);
      node.dataset.side = y > map.getSize().y / 2 ? 'top' : 'bottom'; // never over what was touched
      if (picked.kind === 'place') pin.setLatLng(at).addTo(map);
    }
    if (picked?.kind === 'place' && knowsGround && place !== null) void ground(...place);
  }

  function draw() {
    const told = shown === null || store.state === null ? null : tell(shown, store.state, units, clock.now_s());
    setShown(node, told !== null);
    if (told === null) return;
    place = told.at;
    setText(title, told.title);
    if (lines.textContent !== told.lines.join('')) lines.replaceChildren(...told.lines.map((text) => el('li', { text })));
    setAttribute(node, 'data-stale', told.stale || null);
    if (place !== null) setAttribute(program, 'href', geoAddress(...place));
    // without who leads a car here, the phone's own map program does
    setText(program, driver === null && GROUND.has(shown?.kind ?? '') ? 'Drive there' : 'Map program');
    setShown(drive, driver !== null);
  }

  async function ground(lat, lon) {
    const reply = await fetch(`/api/terrain?lat=${lat.toFixed(5)}&lon=${lon.toFixed(5)}`).catch(() => null);
    const altitude_m = reply?.ok ? (await reply.json()).altitude_m : null;
    if (shown?.kind !== 'place' || altitude_m === null) return;
    setText(height, `ground ${units.altitude(altitude_m)} above sea level`);
    setShown(height, true);
  }

  return {
    show,
    draw,
    /** Who leads a car to a place; without one the button is not there.
     * @param {((place: {latitude_deg: number, longitude_deg: number, name: string}) => void) | null} lead */
    leadTo(lead) {
      driver = lead;
    },
    /** @param {boolean} known whether the station has heights of the ground */
    withGround(known) {
      knowsGround = known;
    },
  };
}
