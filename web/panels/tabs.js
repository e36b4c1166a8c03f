/** On a phone the panels become tabs; on a wide page the tabs are not there. */

import { el, setAttribute } from 'leeward/dom.js';

const TABS = { map: 'Map', landing: 'Landing', trackers: 'Trackers', flight: 'Flight', more: 'More' };

export function createTabs() {
  const buttons = Object.entries(TABS).map(([name, text]) =>
    el('button', { type: 'button', text, 'data-tab': name, on: { click: () => open(name) } }),
  );
  const node = el('nav', { class: 'tabs', 'aria-label': 'Parts of the page' }, ...buttons);

  function open(name) {
    document.body.dataset.tab = name;
    for (const button of buttons) {
      setAttribute(button, 'aria-current', button.dataset.tab === name ? 'page' : null);
    }
  }

  open('map');
  return { node };
}
