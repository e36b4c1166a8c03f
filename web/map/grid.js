/** The grid with its degrees, on one canvas, drawn when the map comes to rest. */

import { CanvasLayer } from 'leeward/map/canvas.js';

const STEPS_DEG = [30, 10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01];
const LABEL_PX = 62; // width of the degrees
const GRID_PX = 110; // least distance of two grid lines

export const Grid = CanvasLayer.extend({
  options: { padding: 0.25, pane: 'grid' },

  /** What the degrees take, in layer points. @type {import('./taken.js').Box[]} */
  boxes: [],

  repaint() {
    if (this._map) this._update();
  },

  _paint() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const view = this._map.getBounds().pad(this.options.padding);
    this._grid(view, colour('--map-grid'), colour('--map-quiet'), colour('--map-ground'));
  },

  _grid(view, line, ink, ground) {
    const map = this._map;
    const perDegree = map.project([0, 1]).x - map.project([0, 0]).x;
    const step = STEPS_DEG.filter((each) => each * perDegree >= GRID_PX).at(-1) ?? STEPS_DEG[0];
    const edge = map.containerPointToLayerPoint([map.getSize().x, 0]);
    const digits = step < 0.1 ? 2 : step < 1 ? 1 : 0;
    const pen = this._pen;
    pen.font = '12px system-ui, sans-serif';
    const { min, max } = this._bounds;
    this.boxes = [];
    for (let n = Math.ceil(view.getWest() / step); n * step <= view.getEast(); n += 1) {
      const x = Math.round(map.latLngToLayerPoint([0, n * step]).x) + 0.5;
      rule(pen, line, x, min.y, x, max.y);
      pen.textAlign = 'left';
      written(pen, degrees(turned(n * step), digits, 'E', 'W'), x + 4, edge.y + 16, ink, ground);
      this.boxes.push({ left: x, top: edge.y, right: x + LABEL_PX, bottom: edge.y + 22 });
    }
    for (let n = Math.ceil(view.getSouth() / step); n * step <= view.getNorth(); n += 1) {
      if (Math.abs(n * step) > 85) continue;
      const y = Math.round(map.latLngToLayerPoint([n * step, 0]).y) + 0.5;
      rule(pen, line, min.x, y, max.x, y);
      if (y < edge.y + 70 || y > edge.y + map.getSize().y - 50) continue; // buttons, credits
      pen.textAlign = 'right';
      written(pen, degrees(n * step, digits, 'N', 'S'), edge.x - 6, y - 4, ink, ground);
      this.boxes.push({ left: edge.x - LABEL_PX, top: y - 18, right: edge.x, bottom: y });
    }
  },
});

function rule(pen, colour, x1, y1, x2, y2) {
  pen.lineWidth = 1;
  pen.strokeStyle = colour;
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}

function written(pen, text, x, y, ink, ground) {
  pen.lineWidth = 3;
  pen.strokeStyle = ground;
  const [left, base] = [Math.round(x), Math.round(y)];
  pen.strokeText(text, left, base);
  pen.fillStyle = ink;
  pen.fillText(text, left, base);
}

/** A longitude beyond 180° as it is written. */
const turned = (longitude) => ((((longitude + 180) % 360) + 360) % 360) - 180;

function degrees(value, digits, positive, negative) {
  const amount = Math.abs(value).toFixed(digits);
  return Number(amount) === 0 ? '0°' : `${amount}° ${value < 0 ? negative : positive}`;
}
