/** What the page knows: the last state and the history, built from the server's messages. */

/**
 * @typedef {import('./types.js').Shown} Shown
 * @typedef {import('./types.js').History} History
 */

const EMPTY = () => ({ track: [], fixes: {}, vehicles: {}, sensors: {} });

export function createStore() {
  const listeners = new Set();
  /** @type {any} the state as it was sent */
  let mission = null;
  const store = {
    /** @type {Shown | null} */
    state: null,
    /** @type {History} */
    history: EMPTY(),
    /** @type {string | null} */
    session: null,
    /** @type {number | null} */
    sequence: null,
    /** The lowest index of the track that changed since the map last drew it. */
    trackFrom: 0,
    /** Which of the mission's flights the panels show. */
    chosen: 0,

    /**
     * @param {any} message
     * @returns {boolean} false when an update is missing: ask again from `sequence`
     */
    apply(message) {
      if (message.kind === 'snapshot') {
        ({ session: store.session, sequence: store.sequence } = message);
        mission = message.state;
        const state = shown();
        store.state = state;
        store.history = message.history;
        store.trackFrom = 0;
        tell(new Set([...Object.keys(state), 'history']));
        return true;
      }
      if (message.session !== store.session || store.sequence === null) return false;
      if (message.kind === 'beat') {
        if (message.sequence !== store.sequence) return message.sequence < store.sequence;
        mission = { ...mission, now: message.now };
        store.state = shown();
        tell(new Set(['now']));
        return true;
      }
      if (message.sequence <= store.sequence) return true; // heard already
      if (message.sequence !== store.sequence + 1) return false;
      store.sequence = message.sequence;
      const { flights, ...shared } = message.state;
      const parts = flights ?? mission.flights.map(() => ({}));
      mission = {
        ...mission,
        ...shared,
        flights: parts.map((part, n) => ({ ...mission.flights[n], ...part })),
      };
      store.state = shown();
      const changed = new Set([...Object.keys(shared), ...Object.keys(parts[store.chosen] ?? {})]);
      if (splice(message.history)) changed.add('history');
      tell(changed);
      return true;
    },

    /** @param {(changed: Set<string>) => void} listener names of sections, and `history` */
    onChange(listener) {
      listeners.add(listener);
    },
  };

  /** What the panels read: the mission, with the chosen flight's sections beside it and as `flight`. */
  function shown() {
    const flight = mission.flights[store.chosen] ?? mission.flights[0];
    return { ...mission, ...flight, flight };
  }

  function tell(changed) {
    for (const listener of listeners) listener(changed);
  }

  function splice(change) {
    const { history } = store;
    if (change.track) {
      put(history.track, change.track);
      store.trackFrom = Math.min(store.trackFrom, change.track.from);
    }
    for (const section of ['fixes', 'vehicles', 'sensors']) {
      for (const [name, part] of Object.entries(change[section] ?? {})) {
        const known = history[section];
        if (section === 'sensors') {
          known[name] ??= { unit: part.unit, points: [] };
          known[name].unit = part.unit;
          put(known[name].points, part);
          if (known[name].points.length === 0) delete known[name];
        } else {
          known[name] ??= [];
          put(known[name], part);
          if (known[name].length === 0) delete known[name];
        }
      }
    }
    return Object.keys(change).length > 0;
  }

  return store;
}

function put(rows, { from, points }) {
  rows.length = Math.min(rows.length, from);
  for (const point of points) rows.push(point);
}
