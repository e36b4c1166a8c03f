/** Whose maps are shown: as text, for an attribution comes out of a file. */

import * as L from 'leaflet';
import { el, setText } from 'leeward/dom.js';

export function createCredits(map) {
  const node = el('div', { class: 'leaflet-control-attribution credits' });
  const control = L.Control.extend({ onAdd: () => node });
  new control({ position: 'bottomright' }).addTo(map);
  /** @type {Map<string, string>} */
  const shown = new Map();

  return {
    /** @param {string} key @param {string | null} text null: no longer shown */
    set(key, text) {
      if (text) shown.set(key, text);
      else shown.delete(key);
      setText(node, [...new Set(shown.values())].join(' · '));
    },
  };
}
