/** Draws one block of the map out of a prepared tile. */

import { SIDE } from './prepare.js';
import { RULES } from './style.js';

const WAVE_PX = 32; // a whole part of a block, so that neighbours fit
/** @type {{colour: string, ratio: number, pattern: CanvasPattern | null}} */
let waves = { colour: '', ratio: 0, pattern: null };

/**
 * @typedef {{zoom: number, left: number, top: number, side: number, width_px: number, ratio: number,
 *   clip: [number, number, number, number] | null}} Block
 *   `zoom`: the map's; `left`, `top`, `side`: in units of the tile; `width_px`: pixels of the canvas;
 *   `ratio`: its pixels to one of the page; `clip`: left, top, right, bottom in units beyond which the file
 *   knows nothing
 */

/**
 * @param {OffscreenCanvasRenderingContext2D | CanvasRenderingContext2D} pen
 * @param {import('./prepare.js').Prepared | null} tile null: one that the file does not have
 * @param {Block} block @param {Record<string, string>} colours @param {string} background
 */
export function paint(pen, tile, { zoom, left, top, side, width_px, ratio, clip }, colours, background) {
  const unit = width_px / side; // pixels to one unit of the tile
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, width_px + 2, width_px + 2);
  pen.setTransform(unit, 0, 0, unit, -left * unit, -top * unit);
  pen.save();
  if (clip !== null) {
    pen.beginPath();
    pen.rect(clip[0], clip[1], clip[2] - clip[0], clip[3] - clip[1]);
    pen.clip();
  }
  pen.fillStyle = colours[background];
  pen.fillRect(left - SIDE, top - SIDE, side + 2 * SIDE, side + 2 * SIDE);
  const water = wavesOf(pen, colours.wave, ratio, unit, left, top);
  if (background === 'water') {
    pen.fillStyle = water;
    pen.fillRect(left - SIDE, top - SIDE, side + 2 * SIDE, side + 2 * SIDE);
  }
  pen.lineJoin = 'round';
  for (const rule of RULES) {
    const path = tile?.paths.get(rule.group);
    if (path === undefined || zoom < (rule.from ?? 0) || zoom >= (rule.until ?? 99)) continue;
    if (rule.fill !== undefined) {
      pen.fillStyle = colours[rule.fill];
      pen.fill(path);
      if (rule.group === 'water') {
        pen.fillStyle = water;
        pen.fill(path);
      }
    }
    if (rule.stroke !== undefined && rule.width !== undefined) {
      const pixel = ratio / unit;
      pen.strokeStyle = colours[rule.stroke];
      pen.lineWidth = rule.width(zoom) * pixel;
      pen.lineCap = rule.cap ?? 'round';
      pen.setLineDash(rule.dash === undefined ? [] : rule.dash.map((part) => part * pixel));
      pen.stroke(path);
    }
  }
  pen.restore();
}

/** Small waves, so that water is told from land by more than its colour. */
function wavesOf(pen, colour, ratio, unit, left, top) {
  if (waves.colour !== colour || waves.ratio !== ratio) {
    const size = WAVE_PX * ratio;
    const sheet = blank(size);
    const drawing = /** @type {any} */ (sheet.getContext('2d'));
    drawing.scale(ratio, ratio);
    drawing.strokeStyle = colour;
    drawing.lineWidth = 1;
    for (const [x, y] of [[4, 9], [20, 25]]) {
      drawing.beginPath();
      drawing.moveTo(x, y);
      drawing.bezierCurveTo(x + 2, y - 3, x + 4, y - 3, x + 5, y);
      drawing.bezierCurveTo(x + 6, y + 3, x + 8, y + 3, x + 10, y);
      drawing.stroke();
    }
    waves = { colour, ratio, pattern: pen.createPattern(sheet, 'repeat') };
  }
  waves.pattern?.setTransform(new DOMMatrix([1 / unit, 0, 0, 1 / unit, left, top]));
  return waves.pattern ?? colour;
}

/** A canvas of the worker, or of the page where that is all a browser has. */
export function blank(size) {
  if (typeof OffscreenCanvas === 'function') return new OffscreenCanvas(size, size);
  const canvas = document.createElement('canvas');
  canvas.width = size;
  canvas.height = size;
  return canvas;
}
