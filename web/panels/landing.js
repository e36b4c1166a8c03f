/** The landing card: where to drive, how sure that is, from what evidence, and the cautions. */

import { el, follow, setAttribute, setShown, setText } from 'leeward/dom.js';
import { seconds } from 'leeward/clock.js';
import { isOld } from 'leeward/fresh.js';
import { geoAddress } from 'leeward/grid.js';
import { card, copyButton, row } from 'leeward/panels/card.js';
import { createShare } from 'leeward/panels/share.js';
import { nearWords } from 'leeward/whereis.js';
import { landingWords, windWords } from 'leeward/words/landing.js';
import * as words from 'leeward/words.js';

// in the bar of a wide page, here on a narrow one
const DRIVER = 'The driver does not operate this screen.';
const CAUTIONS = [
  'Stay clear of power lines, water, railways and roads. Do not climb for it.',
  'Ask before you step on private land.',
  'Airspace and radio rules, and the licensed operator, decide. Local rules come first.',
  'No cellular phone transmits in the air.',
  'A prediction is not a promise: look up, and mind the road.',
];

/** @param {import('../types.js').Context} context */
function createLandingCard({ store, clock, units, whereIs }) {
  const text = el('p', { class: 'sentence' });
  const near = el('p', { class: 'near' });
  const decimal = el('span', { class: 'coordinates' });
  const minutes = el('span', { class: 'coordinates coordinates-minutes' });
  const open = el('a', { class: 'button quiet', text: 'Map program', rel: 'noopener' });
  const onFoot = el('a', { class: 'button quiet', text: 'On foot', href: '/walk' });
  const actions = el(
    'div',
    { class: 'actions' },
    copyButton('Copy degrees', () => decimal.textContent),
    open,
    onFoot,
  );
  const places = el('div', { class: 'places' }, decimal, minutes);
  const time = row('Time');
  const utc = row('The same in UTC');
  const sure = row('How sure');
  const ground = row('Ground there');
  const contact = row('Contact');
  const winds = row('Winds');
  const avoid = row('To be avoided');
  const figures = el('dl', { class: 'rows' }, ...[time, utc, sure, ground, contact, winds, avoid].map(({ node }) => node));
  const cautions = createCautions();
  const share = createShare();
  const parts = [near, places, actions, share.node, text, figures, cautions.node];
  const panel = card('landing', 'Landing', ...parts);

  function render() {
    const { state } = store;
    const now_s = clock.now_s();
    if (state === null || now_s === null) return;
    cautions.show(CAUTIONS);
    const { landing } = state;
    for (const node of [places, near, figures, actions, share.node]) setShown(node, landing !== null);
    if (landing === null) {
      setText(text, 'No prediction yet. It comes with the first minutes of the ascent.');
      panel.aside('');
      setAttribute(panel.node, 'data-stale', null);
      return;
    }
    const landed = landing.basis === 'landed fix';
    const old = !landed && isOld(state, landing.as_of, now_s);
    const age = words.ago(seconds(landing.as_of), now_s);
    panel.aside(`${landing.basis}, ${old ? 'old: ' : ''}${age}`, old);
    setAttribute(panel.node, 'data-stale', old || null);
    setText(text, landingWords(landing, units, now_s));
    const { latitude_deg: lat, longitude_deg: lon } = landing;
    setText(decimal, words.decimalDegrees(lat, lon, landing.radius_90_m ?? 0));
    setText(minutes, words.degreesMinutes(lat, lon, landing.radius_90_m ?? 0));
    setText(near, nearWords(whereIs(landing), units));
    setAttribute(open, 'href', geoAddress(lat, lon, landing.radius_90_m));
    share.show(lat, lon);
    avoid.show(avoidWords(landing.avoid));
    time.show(timeWords(landing, landed));
    const at_s = seconds(landing.time);
    utc.show(words.isUtc(at_s) ? null : words.utcTime(at_s));
    sure.show(
      landing.radius_90_m === null ? null : `90\u00a0% within ${units.distance(landing.radius_90_m)}`,
    );
    ground.show(landing.altitude_m === null ? null : units.altitude(landing.altitude_m));
    contact.show(contactWords(landing));
    winds.show(windWords(landing, units, now_s));
  }

  function timeWords(landing, landed) {
    const at_s = seconds(landing.time);
    const exact = `${words.clockTime(at_s)} ${words.zone(at_s)}`;
    if (landed || landing.time_early === null || landing.time_late === null) return exact;
    const [early_s, late_s] = [seconds(landing.time_early), seconds(landing.time_late)];
    return `${exact}, ${words.clockTime(early_s)} to ${words.clockTime(late_s)}`;
  }

  /**
   * Of the first receiver in full; of the others where it ends.
   * @param {import('../types.js').Landing} landing
   */
  function contactWords({ contacts }) {
    if (contacts.length === 0) return null;
    const [first, ...others] = contacts.map(({ receiver, lost }) => ({ receiver: receiver || 'the launch site', text: lostWords(lost) }));
    const rest = others.map(({ receiver, text }) => `; ${receiver}: ${text}`).join('');
    return `${first.text}, by ${first.receiver}${rest}`;
  }

  function lostWords(lost) {
    if (lost === null) return 'holds to the ground';
    const at_s = seconds(lost.time);
    const above = lost.height_above_ground_m;
    const height = above !== null ? above : lost.altitude_m;
    const level = above !== null ? 'above ground' : 'above sea level';
    const where = height === null ? '' : ` at ${units.altitude(height)} ${level}`;
    return `lost ${words.clockTime(at_s)} ${words.zone(at_s)}${where}`;
  }

  return { node: panel.node, render };
}

/** `Long Reservoir 12 %`, the likeliest first; the chance that it comes down there. */
function avoidWords(areas) {
  const likely = (areas ?? []).filter(({ chance }) => chance >= 0.005);
  const words = likely
    .sort((a, b) => b.chance - a.chance)
    .map(({ name, chance }) => `${name} ${Math.round(chance * 100)}\u00a0%`);
  return words.length === 0 ? null : words.join(', ');
}

/** The first is always in view, the others one touch away. */
function createCautions() {
  const first = el('span');
  const more = el('small');
  const list = el('ul');
  const driver = el('p', { class: 'driver-caution', text: DRIVER });
  const node = el(
    'div',
    { class: 'cautions' },
    driver,
    el('details', {}, el('summary', {}, first, more), list),
  );
  const known = new Map();
  const line = (text) => ({ node: el('li', { text }), update() {} });
  return {
    node,
    /** @param {string[]} cautions */
    show(cautions) {
      const [head, ...rest] = cautions;
      setShown(node.lastElementChild, head !== undefined);
      setText(first, head);
      setText(more, rest.length > 0 ? `and ${words.plural(rest.length, 'more caution')}` : '');
      follow(list, rest, (text) => text, line, known);
    },
  };
}

export const place = { order: 40, tab: 'landing', create: createLandingCard };
