/** Where the flight would come down if it were launched at an hour that the reader picked: an outline. */

import * as L from 'leaflet';
import { el } from 'leeward/dom.js';
import { drawn as near } from 'leeward/map/around.js';
import { drawn as onThisSide } from 'leeward/map/around.js';
import { ring } from 'leeward/map/ring.js';
import { marker } from 'leeward/map/symbols.js';

export function createHour(map) {
  const group = L.layerGroup().addTo(map);
  let drawn = '';

  return {
    /** @param {import('../state.js').OutlookHour | null} hour @param {string} [name] what stands beside it */
    show(hour, name = '') {
      const key = hour === null ? '' : `${hour.made} ${hour.launch_time}`;
      if (key === drawn) return;
      drawn = key;
      group.clearLayers();
      if (hour === null) return;
      const at = L.latLng(hour.latitude_deg, onThisSide(hour.longitude_deg));
      const area = L.polyline(ring(at.lat, at.lng, hour.radius_90_m), { pane: 'landing', interactive: false, className: 'hour-area' }).addTo(group);
      const label = el('span', { class: 'mark-label hour-label', text: name });
      if (!map.getBounds().contains(area.getBounds())) map.fitBounds(area.getBounds(), { animate: false });
      marker({ shape: 'landing', size: 20, label, front: -700 }).setLatLng(at).addTo(group);
    },
  };
}
