/** How wide a text is drawn: measured on a canvas, so that the page is not laid out for the question. */

import { setText } from 'leeward/dom.js';

const MEASURED_PX = 100;
/** @type {CanvasRenderingContext2D | null} */
let pen = null;

/**
 * Writes a figure and says in `--ems` how many times its letters' size it is wide: the style divides the
 * place by it, so that a longer figure is drawn smaller and never ends in dots.
 * @param {HTMLElement} node @param {string} text
 */
export function setFigure(node, text) {
  if (node.textContent === text) return;
  setText(node, text);
  node.style.setProperty('--ems', ems(text).toFixed(2));
}

function ems(text) {
  if (pen === null) {
    pen = document.createElement('canvas').getContext('2d');
    if (pen !== null) pen.font = `700 ${MEASURED_PX}px ${getComputedStyle(document.body).fontFamily}`;
  }
  const drawn = text.replace(/\d/g, '0'); // the page's figures are all as wide as a nought
  return Math.max(pen === null ? text.length : pen.measureText(drawn).width / MEASURED_PX, 1);
}
