/** What a searcher notes: a bearing, ground that was looked over, the box found, who goes there. */

import { el, setAttribute, setShown, setText } from 'leeward/dom.js';
import { createNotes, declination_deg, smaller } from 'leeward/notes.js';
import * as words from 'leeward/words.js';

const SURENESS = { sharp: 'Sharp', broad: 'Broad', ahead: 'Strong, ahead' };
const GROUNDS = { open: 'Open field', crops: 'Crops', wood: 'Wood' };
const WIDTHS_M = { open: 60, crops: 15, wood: 15 }; // of sight, to both sides together; common practice

/**
 * @param {{now_s: () => number | null, flight: () => string, by: () => string,
 *   place: () => {latitude_deg: number, longitude_deg: number} | null, ask?: (answer: (at: any) => void) => void,
 *   heading_deg?: () => number | null}} around
 */
export function createSearching(around) {
  const told = el('p', { class: 'sentence note-told', role: 'status' });
  const queue = el('p', { class: 'sentence note-queue', role: 'status' });
  const notes = createNotes((waiting, problem) => {
    setText(queue, waiting > 0 ? `${words.plural(waiting, 'note')} not sent yet. ${problem}` : problem);
  });
  const degrees = /** @type {HTMLInputElement} */ (
    el('input', { type: 'number', min: '0', max: '360', step: '1', inputmode: 'numeric', 'aria-label': 'Bearing in degrees' })
  );
  const north = /** @type {HTMLSelectElement} */ (
    el('select', { 'aria-label': 'Which north' }, el('option', { value: 'magnetic', text: 'by compass' }), el('option', { value: 'true', text: 'true north' }))
  );
  const ground = /** @type {HTMLSelectElement} */ (
    el('select', { 'aria-label': 'What ground' }, ...Object.entries(GROUNDS).map(([value, text]) => el('option', { value, text })))
  );
  const sure = Object.entries(SURENESS).map(([key, text]) => button(text, () => bear(key)));
  const bearing = fold('Bearing', el('div', { class: 'note-row' }, degrees, north), el('div', { class: 'note-row' }, ...sure));
  const track = button('Begin here', toggleTrack);
  const searched = fold('Searched', el('div', { class: 'note-row' }, ground, track), el('p', { class: 'sentence', text: 'Walk or drive it with this page open, then end it.' }));
  const remark = /** @type {HTMLInputElement} */ (el('input', { type: 'text', maxlength: '300', 'aria-label': 'Note', placeholder: 'in a field, by the fence' }));
  const camera = /** @type {HTMLInputElement} */ (el('input', { type: 'file', accept: 'image/*', capture: 'environment', 'aria-label': 'Photo', on: { change: takePhoto } }));
  const foundHere = fold('Found', remark, el('label', { class: 'note-photo', text: 'Photo ' }, camera), el('div', { class: 'note-row' }, button('It lies here', found), ...(around.ask ? [button('Touch the map', () => around.ask?.(foundAt))] : [])));
  const reason = /** @type {HTMLInputElement} */ (el('input', { type: 'text', maxlength: '300', 'aria-label': 'Reason', placeholder: 'why not: river, locked gate' }));
  const going = fold('Going there', reason, el('div', { class: 'note-row' }, button('We take it', () => note({ kind: 'claim' }, 'Told to all.')), button('Cannot reach it', cannot)));
  const node = el('div', { class: 'searching crew-only' }, bearing, searched, foundHere, going, told, queue);
  /** @type {[number, number][] | null} */
  let path = null;
  /** @type {string | null} */
  let picture = null;

  function note(said, answer) {
    const now_s = around.now_s();
    if (now_s === null) return setText(told, 'Waiting for the station’s time.');
    notes.add(said, around.by(), now_s, around.flight());
    setText(told, answer);
  }

  async function bear(sureness) {
    const place = around.place();
    if (place === null) return setText(told, 'A bearing needs a place: no position of this car or phone is known.');
    const given = degrees.value === '' ? around.heading_deg?.() ?? null : Number(degrees.value);
    if (given === null || !(given >= 0 && given <= 360)) return setText(told, 'Give the bearing in degrees, 0 to 360.');
    let true_deg = given;
    let how = 'of true north';
    if (north.value === 'magnetic') {
      const found = await declination_deg(place.latitude_deg, place.longitude_deg);
      if (found === null) return setText(told, 'The station does not answer with the declination: give true north, or wait.');
      true_deg = given + found.declination_deg;
      how = `of true north (declination ${found.declination_deg.toFixed(1)}\u00b0, ${found.model})`;
    }
    true_deg = ((true_deg % 360) + 360) % 360;
    note({ kind: 'bearing', ...only(place), bearing_deg: Math.round(true_deg * 10) / 10, sureness }, `Noted: ${words.bearing(true_deg)} ${how}.`);
  }

  function toggleTrack() {
    if (path === null) {
      path = [];
      step();
      setText(track, 'End here');
      setAttribute(track, 'aria-pressed', 'true');
      setText(told, 'Looking. Each place where you go is kept until you end it.');
      return;
    }
    step();
    const line = path.slice(-1000);
    path = null;
    setText(track, 'Begin here');
    setAttribute(track, 'aria-pressed', 'false');
    if (line.length === 0) return setText(told, 'No position was known: nothing is marked.');
    note({ kind: 'searched', path: line, width_m: WIDTHS_M[ground.value], ground: ground.value }, 'Marked as searched.');
  }

  function step() {
    const place = around.place();
    if (path === null || place === null) return;
    const [lat, lon] = path.at(-1) ?? [NaN, NaN];
    if (Math.abs(place.latitude_deg - lat) + Math.abs(place.longitude_deg - lon) < 5e-5) return;
    path.push([place.latitude_deg, place.longitude_deg]);
  }

  function found() {
    const place = around.place();
    if (place === null) return setText(told, 'No position of this car or phone is known: touch the map, or give it leave.');
    foundAt(place);
  }

  function cannot() {
    const why = reason.value.trim();
    if (why === '') return setText(told, 'Say why it cannot be reached: the others go by it.');
    note({ kind: 'unreachable', note: why }, 'Told to all.');
    reason.value = '';
  }

  async function takePhoto() {
    const file = camera.files?.[0];
    picture = null;
    if (!file) return;
    try {
      picture = await smaller(file);
      setText(told, 'The photo goes with the next “found”.');
    } catch {
      setText(told, 'This file is no picture that the browser can read.');
    }
  }

  function foundAt(place) {
    const at = 'lat' in place ? { latitude_deg: place.lat, longitude_deg: place.lng } : only(place);
    note({ kind: 'found', ...at, note: remark.value, ...(picture === null ? {} : { picture }) }, 'Found: told to all. Well done.');
    picture = null;
    camera.value = '';
  }

  return {
    node,
    /** Takes a note back. @param {string} id */
    callOff: (id) => note({ kind: 'call off', of: id }, 'Taken back.'),
    render: step,
    /** @param {boolean} shown */
    show: (shown) => setShown(node, shown),
  };
}

const only = ({ latitude_deg, longitude_deg }) => ({ latitude_deg, longitude_deg });

function button(text, click) {
  const node = el('button', { type: 'button', class: 'quiet', text });
  node.addEventListener('click', click);
  return node;
}

function fold(title, ...body) {
  return el('details', { class: 'note-fold' }, el('summary', { text: title }), ...body);
}
