/** The button and the list with which a reader says what lies on the map; kept on this device. */

import * as L from 'leaflet';
import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { kept, keep } from 'leeward/keeping.js';

export function createChooser(map) {
  const chosen = kept('layers', {});
  const list = el('ul', { class: 'chooser-list', id: 'layers', hidden: true });
  const button = el('button', {
    type: 'button',
    text: 'Layers',
    'aria-expanded': 'false',
    'aria-controls': 'layers',
    on: { click: () => open(list.hidden) },
  });
  const node = el('div', { class: 'chooser' }, button, list);
  const control = L.Control.extend({ onAdd: () => node });
  L.DomEvent.disableClickPropagation(node);
  L.DomEvent.disableScrollPropagation(node);
  new control({ position: 'topright' }).addTo(map);
  map.on('click', () => open(false));
  node.addEventListener('keydown', ({ key }) => {
    if (key === 'Escape') open(false);
  });

  function open(shown) {
    setShown(list, shown);
    setAttribute(button, 'aria-expanded', String(shown));
  }

  return {
    /**
     * @param {string} key under which the choice is kept @param {string} name
     * @param {boolean} on before anybody has chosen @param {(on: boolean) => void} show
     */
    add(key, name, on, show) {
      const box = /** @type {HTMLInputElement} */ (el('input', { type: 'checkbox' }));
      box.checked = typeof chosen[key] === 'boolean' ? chosen[key] : on;
      box.addEventListener('change', () => {
        chosen[key] = box.checked;
        keep('layers', chosen);
        show(box.checked);
      });
      const remark = el('small', { class: 'chooser-note', hidden: true });
      list.append(el('li', {}, el('label', {}, box, el('span', { text: name }), remark)));
      show(box.checked);
      return {
        /** What is to be known of it. @param {string} text */
        note(text) {
          setText(remark, text);
          setShown(remark, text !== '');
        },
      };
    },
  };
}
