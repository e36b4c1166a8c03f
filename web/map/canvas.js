/** A layer of Leaflet with one canvas over the view and some more, drawn when the map comes to rest. */

import * as L from 'leaflet';

const MOST_RATIO = 2; // pixels of the screen to one of the page

// Leaflet's own base for a layer with one canvas; its inner methods have no published types
const Base = /** @type {any} */ (L.Renderer);

/** Those that extend it have `_paint()`, which draws with `this._pen` in the map's layer points. */
export const CanvasLayer = Base.extend({
  _initContainer() {
    this._container = document.createElement('canvas');
    this._container.className = this.options.pane;
    this._pen = this._container.getContext('2d');
  },

  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    Base.prototype._update.call(this);
    const { min } = this._bounds;
    const size = this._bounds.getSize();
    const scale = Math.min(devicePixelRatio, MOST_RATIO);
    L.DomUtil.setPosition(this._container, min);
    const { left, top } = this._container.getBoundingClientRect();
    const shift = L.point(Math.round(left) - left, Math.round(top) - top);
    L.DomUtil.setPosition(this._container, min.add(shift)); // on whole pixels, or its letters blur
    this._container.width = scale * size.x;
    this._container.height = scale * size.y;
    this._container.style.width = `${size.x}px`;
    this._container.style.height = `${size.y}px`;
    this._pen.setTransform(scale, 0, 0, scale, -scale * min.x, -scale * min.y);
    this._paint();
  },
});
