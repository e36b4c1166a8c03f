/**
 * Leaflet's small build as a module: a third of the weight of the one that is a module already.
 * The page loads it as a plain script before any module runs; the names are those that we use.
 */

export const {
  Control,
  DomEvent,
  DomUtil,
  GridLayer,
  Renderer,
  Util,
  canvas,
  circle,
  circleMarker,
  control,
  divIcon,
  geoJSON,
  latLng,
  latLngBounds,
  layerGroup,
  map,
  marker,
  point,
  polygon,
  polyline,
  svg,
  tileLayer,
} = /** @type {any} */ (globalThis).L;
