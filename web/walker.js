/** Where this phone is and which way it points: by its compass, or by the way it moves. */

import { INSECURE } from 'leeward/words/secure.js';

const WALKING_MS = 0.7; // slower, a course is noise; common practice, no source
const HEADING_OLD_MS = 5_000;

/** @param {() => void} onChange */
export function createWalker(onChange) {
  let compass = null;
  let course = null;
  const walker = {
    /** @type {{latitude_deg: number, longitude_deg: number, accuracy_m: number, at_ms: number} | null} */
    place: null,
    problem: '',
    age_s: () => (walker.place === null ? Infinity : (performance.now() - walker.place.at_ms) / 1000),
    headingFrom: () => (fresh(compass) ? 'compass' : fresh(course) ? 'course' : null),
    /** Degrees from north in which the top of the phone points, or null. */
    heading_deg: () => (fresh(compass) ? compass.deg : fresh(course) ? course.deg : null),
    /** Asks the reader's leave where the browser wants it: call it from a touch. */
    async start() {
      if (!isSecureContext || !navigator.geolocation) {
        walker.problem = INSECURE;
        onChange();
        return;
      }
      walker.problem = 'Looking for a position.';
      onChange();
      navigator.geolocation.watchPosition(found, lost, { enableHighAccuracy: true, maximumAge: 2_000 });
      await listen();
      await stayAwake();
    },
  };

  const fresh = (one) => one !== null && performance.now() - one.at_ms < HEADING_OLD_MS;

  function found({ coords }) {
    const at_ms = performance.now();
    const { latitude, longitude, accuracy, heading, speed } = coords;
    walker.place = { latitude_deg: latitude, longitude_deg: longitude, accuracy_m: accuracy, at_ms };
    walker.problem = '';
    if (heading !== null && !Number.isNaN(heading) && (speed ?? 0) > WALKING_MS) course = { deg: heading, at_ms };
    onChange();
  }

  function lost({ code }) {
    walker.problem =
      code === 1
        ? 'The browser was not allowed to know the position.'
        : 'No position yet. Is the sky in view?';
    onChange();
  }

  async function listen() {
    const type = /** @type {any} */ (globalThis.DeviceOrientationEvent);
    if (type === undefined) return;
    try {
      if (type.requestPermission && (await type.requestPermission()) !== 'granted') return;
    } catch {
      return; // no compass then; the course of walking is enough
    }
    addEventListener('deviceorientationabsolute', turned);
    addEventListener('deviceorientation', turned);
  }

  /** @param {any} event */
  function turned(event) {
    // alpha counts against the clock from north when it is absolute (W3C Device Orientation)
    const deg =
      event.webkitCompassHeading ?? (event.absolute && event.alpha !== null ? 360 - event.alpha : null);
    if (deg === null) return;
    const screenTurn_deg = screen.orientation?.angle ?? 0;
    compass = { deg: (deg + screenTurn_deg) % 360, at_ms: performance.now() };
    onChange();
  }

  return walker;
}

async function stayAwake() {
  try {
    await /** @type {any} */ (navigator).wakeLock?.request('screen');
  } catch {
    // the phone may go dark; the page goes on when it is touched
  }
}
