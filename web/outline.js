/** One outline a flight, in the order of the plan: its payload is filled, its landing the outline alone. */

import { svg } from 'leeward/dom.js';

const OUTLINES = [
  'M12 1 22 12 12 23 2 12Z',
  'M12 1 23 9.5 19 22 5 22 1 9.5Z',
  'M1 4H23L12 23Z',
  'M7 1H17L23 12 17 23H7L1 12Z',
];

/** Of a flight by its number from 0; more flights than outlines begin them again. */
export const outline = (number) => svg('path', { d: OUTLINES[number % OUTLINES.length] });

/** The mark of a flight's payload. */
export function flightSymbol(number, size = 20) {
  const attributes = { viewBox: '0 0 24 24', width: size, height: size, 'aria-hidden': 'true' };
  return svg('svg', { ...attributes, class: 'symbol symbol-payload' }, outline(number));
}
