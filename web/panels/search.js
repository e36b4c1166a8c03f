/** Where to look when the radio is silent: the last fix, the area, where to listen and to walk, notes. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { geoAddress } from 'leeward/grid.js';
import { card, copyButton, row } from 'leeward/panels/card.js';
import { createSearching } from 'leeward/panels/searching.js';
import { areaWords, contactWords, expectedWords, firstWords, listenWords, percent, walkWords } from 'leeward/words/search.js';
import * as words from 'leeward/words.js';

const CAUTION = 'Stay out of water, off railways and fenced ground; keep away from lines. Ask before private land. Nobody searches alone in the dark. Local rules and experienced hands decide.';

/** @param {import('../types.js').Context} context */
function createSearch(context) {
  const { store, clock, units } = context;
  const contact = el('p', { class: 'search-contact' });
  const place = el('span', { class: 'coordinates search-place' });
  const open = el('a', { class: 'button quiet', text: 'Map program', rel: 'noopener' });
  const onFoot = el('a', { class: 'button quiet', text: 'On foot', href: '/walk' });
  const actions = el('div', { class: 'actions' }, copyButton('Copy degrees', () => place.textContent ?? ''), open, onFoot);
  const title = el('span', { class: 'search-title' });
  const rows = {
    expected: row('Should be now'),
    best: row('Likeliest place'),
    area: row('Area'),
    first: row('First'),
    listen: row('Drive to'),
    walk: row('Walk over'),
    dark: row('Dark there'),
    claims: row('Who goes'),
  };
  const figures = el('dl', { class: 'rows' }, ...Object.values(rows).map(({ node }) => node));
  const list = el('ul', { class: 'notes' });
  const photo = /** @type {HTMLImageElement} */ (el('img', { class: 'search-photo', alt: 'The photo that was taken there', hidden: true }));
  const elsewhere = el('p', { class: 'sentence', text: 'A photo was taken; it is kept at another station.', hidden: true });
  photo.addEventListener('error', () => (setShown(photo, false), setShown(elsewhere, true)));
  const own = () => store.state?.vehicles.find(({ own: mine }) => mine) ?? null;
  const searching = createSearching({
    now_s: () => clock.now_s(),
    flight: () => store.state?.flight.name ?? '',
    by: () => own()?.name || store.state?.station || 'Crew',
    place: () => {
      const car = own();
      return car === null || car.latitude_deg === null ? null : car;
    },
    ask: (answer) => context.map?.ask(answer),
  });
  const caution = el('p', { class: 'sentence', text: CAUTION });
  const panel = card('search', 'Search', contact, title, place, actions, photo, elsewhere, figures, list, searching.node, caution);
  panel.node.hidden = true;
  const known = new Map();

  /** @param {{id: string, text: string}} item */
  function make({ id }) {
    const text = el('span');
    const back = el('button', { type: 'button', class: 'quiet crew-only', text: 'Take back' });
    back.addEventListener('click', () => searching.callOff(id));
    return {
      node: el('li', {}, text, ' ', back),
      /** @param {{id: string, text: string}} item */
      update: (item) => setText(text, item.text),
    };
  }

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    const { search, track, phase } = state.flight;
    const lost = search.contact === 'lost' || search.contact === 'lost as expected';
    const noted = search.bearings.length + search.searched.length + search.claims.length > 0;
    const shown = phase !== 'landed' && (lost || noted) || search.found !== null;
    setShown(panel.node, shown);
    context.map?.showSearch(shown ? search : null);
    if (!shown) return;
    setAttribute(panel.node, 'data-contact', search.contact);
    setText(contact, contactWords(search, now_s));
    const at = search.found ?? track;
    setText(title, search.found !== null ? 'Where it was found' : track === null ? '' : `Last fix, ${words.ago(seconds(track.time), now_s)}, ${units.altitude(track.altitude_m)}`);
    setShown(actions, at !== null);
    setText(place, at === null ? '' : words.decimalDegrees(at.latitude_deg, at.longitude_deg));
    if (at !== null) setAttribute(open, 'href', geoAddress(at.latitude_deg, at.longitude_deg, null));
    showPhoto(search.found?.photo ?? null);
    const { result, expected_now: expected } = search;
    const looking = search.found === null ? result : null;
    panel.aside(looking === null ? '' : `worked out ${words.ago(seconds(looking.as_of), now_s)}`);
    rows.expected.show(expected === null ? null : `${degrees(expected)}. ${expectedWords(expected, units)}`);
    rows.best.show(looking && words.decimalDegrees(looking.best_latitude_deg, looking.best_longitude_deg));
    rows.area.show(looking && areaWords(looking, units));
    rows.first.show(looking && firstWords(looking.walk_first));
    rows.listen.show(looking?.listen ? `${degrees(looking.listen)}: ${listenWords(looking.listen, units)}` : null);
    rows.walk.show(looking && `${degrees(looking.walk)}: ${walkWords(looking.walk, units)}`);
    const dark_s = looking?.dark ? seconds(looking.dark) : null;
    rows.dark.show(dark_s === null ? null : `sunset ${words.clockTime(dark_s)} ${words.zone(dark_s)}, ${dark_s > now_s ? `in ${words.duration(dark_s - now_s)}` : words.ago(dark_s, now_s)}`);
    rows.claims.show(search.claims.length === 0 ? null : search.claims.map(({ by, can, note }) => `${by} ${can ? 'goes there' : 'cannot reach it'}${note ? `: ${note}` : ''}`).join('; '));
    follow(list, lines(search), ({ id }) => id, make, known);
    searching.render();
  }

  /** @param {string | null} name */
  function showPhoto(name) {
    if (name === (photo.dataset.name ?? null)) return;
    setShown(elsewhere, false);
    setShown(photo, name !== null);
    if (name === null) delete photo.dataset.name;
    else photo.src = `/api/photo/${(photo.dataset.name = name)}`;
  }

  /** @param {import('../state.js').Search} search */
  function lines({ bearings, searched, found }) {
    const told = bearings.map(({ id, by, time, bearing_deg, reflected }) => ({
      id,
      text: `${clockWords(time)} ${by}: bearing ${words.bearing(bearing_deg)}${reflected !== null && reflected > 0.5 ? `, a reflection with ${percent(reflected)}` : ''}`,
    }));
    const looked = searched.map(({ id, by, time, ground }) => ({ id, text: `${clockWords(time)} ${by}: searched (${ground})` }));
    const end = found === null ? [] : [{ id: found.id, text: `${clockWords(found.time)} ${found.by}: found` }];
    return [...told, ...looked, ...end];
  }

  return { node: panel.node, render };
}

const degrees = ({ latitude_deg, longitude_deg }) => words.decimalDegrees(latitude_deg, longitude_deg);

function clockWords(time) {
  return words.clockTime(seconds(time));
}

export const place = { order: 30, tab: 'landing', create: createSearch };
