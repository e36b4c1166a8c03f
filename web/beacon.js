/**
 * A phone on the ground tells the station where it is. Started by a person; what cannot be sent is
 * saved on the phone and sent later; it falls silent when it moves like something that flies.
 */

import { byId } from 'leeward/dom.js';
import { INSECURE } from 'leeward/words/secure.js';
import { decimalDegrees, duration } from 'leeward/words.js';

const EVERY_MS = 20_000;
const MOST_SAVED = 2_000; // a day at most; the oldest go first
const MOST_SENT = 200; // at a time
const TIMEOUT_MS = 15_000;
// a car neither climbs nor drives so; common practice, no source
const FLYING_CLIMB_MS = 3;
const FLYING_SPEED_MS = 60;
const FLYING_ABOVE_START_M = 1000;

const token = location.pathname.split('/').at(-1);
const key = `leeward.beacon.${token}`;

let saved = recall();
let watch = null;
let latest = null;
let before = null;
let startAltitude_m = null;
let taken = 0;
let sending = false;
let flying = false;

byId('start').addEventListener('click', () => (watch === null ? begin() : end('Not sending.')));
setInterval(step, EVERY_MS);
setInterval(show, 1000);
show();

function begin() {
  if (!isSecureContext || !navigator.geolocation) {
    say(INSECURE);
    return;
  }
  flying = false;
  before = null;
  startAltitude_m = null;
  watch = navigator.geolocation.watchPosition(
    (position) => {
      const first = latest === null;
      latest = position;
      if (first) step();
    },
    ({ code }) => {
      if (code === 1) end('The browser was not allowed to know the position. Allow it and press Start.');
      else say('No position yet. Is the sky in view?');
    },
    { enableHighAccuracy: true, maximumAge: 5_000 },
  );
  byId('start').textContent = 'Stop';
  say('Looking for a position.');
}

function end(words) {
  if (watch !== null) navigator.geolocation.clearWatch(watch);
  watch = null;
  latest = null;
  byId('start').textContent = 'Start on the ground';
  say(words);
}

function step() {
  if (watch === null || latest === null) return;
  if (isFlying(latest, before)) {
    flying = true;
    end('Silent: this phone moves like something in the air. Press Start again on the ground.');
    return;
  }
  if (before === null || latest.timestamp !== before.timestamp) {
    saved.push(plain(latest));
    saved = saved.slice(-MOST_SAVED);
    before = latest;
    keep();
  }
  send();
}

/** By the speed that the receiver gives, the height gained since the start, or the climb. */
function isFlying(now, then) {
  if ((now.coords.speed ?? 0) > FLYING_SPEED_MS) return true;
  const { altitude } = now.coords;
  if (altitude === null) return false;
  startAltitude_m ??= altitude;
  if (altitude - startAltitude_m > FLYING_ABOVE_START_M) return true;
  if (then === null || then.coords.altitude === null) return false;
  const seconds = (now.timestamp - then.timestamp) / 1000;
  const climb = altitude - then.coords.altitude;
  const doubt = (now.coords.altitudeAccuracy ?? 50) + (then.coords.altitudeAccuracy ?? 50);
  return seconds > 5 && climb > doubt && climb / seconds > FLYING_CLIMB_MS;
}

/** The names of the W3C Geolocation specification; altitude above the WGS 84 ellipsoid. */
function plain({ coords, timestamp }) {
  const names = ['latitude', 'longitude', 'altitude', 'accuracy', 'altitudeAccuracy', 'heading', 'speed'];
  return {
    coords: Object.fromEntries(names.map((name) => [name, coords[name] ?? null])),
    timestamp,
  };
}

async function send() {
  if (sending || flying || saved.length === 0) return;
  sending = true;
  const batch = saved.slice(0, MOST_SENT);
  try {
    const reply = await fetch(`/api/beacon/${token}`, {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify(batch),
      signal: AbortSignal.timeout(TIMEOUT_MS),
    });
    if (reply.ok) {
      taken += batch.length;
      saved = saved.slice(batch.length);
      keep();
      say(`Sending every ${EVERY_MS / 1000} s.`);
    } else {
      const { detail } = await reply.json().catch(() => ({}));
      say(detail ?? `The station refused (${reply.status}). Positions are saved.`);
    }
  } catch {
    say('The station cannot be reached. Positions are saved and sent later.');
  } finally {
    sending = false;
    show();
  }
}

function show() {
  byId('figures').hidden = before === null && saved.length === 0;
  byId('saved').textContent = String(saved.length);
  byId('sent').textContent = String(taken);
  if (before === null) return;
  const { latitude, longitude, accuracy } = before.coords;
  const age = duration((Date.now() - before.timestamp) / 1000);
  byId('position').textContent = `${decimalDegrees(latitude, longitude)}, ${age} ago`;
  byId('accuracy').textContent = `${Math.round(accuracy)} m`;
}

function say(words) {
  byId('status').textContent = words;
}

function recall() {
  try {
    const rows = JSON.parse(localStorage.getItem(key) ?? '[]');
    return Array.isArray(rows) ? rows : [];
  } catch {
    return [];
  }
}

function keep() {
  try {
    localStorage.setItem(key, JSON.stringify(saved));
  } catch {
    // full, or not allowed: what is saved lives as long as the page
  }
}
