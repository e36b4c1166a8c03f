/** A place pressed long, by finger, mouse or the other button: told once, and the touch does nothing else. */

const LONG_MS = 550;
const STILL_PX = 8;

/** @param {(at: L.LatLng) => void} tell */
export function onLongPress(map, tell) {
  const node = map.getContainer();
  let timer = 0;
  let start = null;
  let at = null; // what lay there then: the map may follow something while the finger rests
  let told = false; // of this touch

  function stop() {
    clearTimeout(timer);
    start = null;
  }

  function here(place) {
    stop();
    if (told) return; // the browser's own long press comes as well
    told = true;
    tell(place);
  }

  node.addEventListener('pointerdown', (event) => {
    stop();
    told = false;
    if (!event.isPrimary || event.button !== 0 || event.target.closest('.leaflet-control, .place-card')) return;
    start = event;
    at = map.mouseEventToLatLng(event);
    timer = setTimeout(() => here(at), LONG_MS);
  });
  node.addEventListener('pointermove', (event) => {
    if (start !== null && Math.hypot(event.clientX - start.clientX, event.clientY - start.clientY) > STILL_PX) stop();
  });
  for (const name of ['pointerup', 'pointercancel', 'wheel']) node.addEventListener(name, stop, { passive: true });
  map.on('dragstart zoomstart', stop);
  node.addEventListener('contextmenu', (event) => {
    if (/** @type {Element} */ (event.target).closest('.leaflet-control, .place-card')) return;
    event.preventDefault();
    here(start === null ? map.mouseEventToLatLng(event) : at);
  });
  return {
    /** Whether the click that comes now ends a long press. */
    justTold: () => told,
  };
}
