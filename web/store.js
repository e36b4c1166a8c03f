/** What the page knows: the last state and the history, built from the server's messages. */

/**
 * @typedef {import('./types.js').Shown} Shown
 * @typedef {import('./types.js').History} History
 */

/** @returns {History} */
const EMPTY = () => ({ tracks: {}, fixes: {}, vehicles: {}, sensors: {} });
const NO_WAY = {
  distance_m: null,
  bearing_deg: null,
  road_distance_m: null,
  drive_s: null,
  arrives: null,
  arrives_before_landing_s: null,
  no_road: false,
  road: null,
};

export function createStore() {
  const listeners = new Set();
  /** @type {any} the state as it was sent */
  let mission = null;
  /** @type {string | null} name of the flight that the panels show; null: the first */
  let chosen = null;
  const store = {
    /** @type {Shown | null} */
    state: null,
    /** @type {History} */
    history: EMPTY(),
    /** @type {string | null} */
    session: null,
    /** @type {number | null} */
    sequence: null,
    /** When this device kept what is shown, while it is not from a station: by the station's clock and by ours.
     * @type {{at_s: number, at_ms: number} | null} */
    kept: null,
    /** The lowest index of each flight's track that changed since the map last drew it.
     * @type {Map<string, number>} */
    tracksFrom: new Map(),

    /** The state as it was sent. */
    mission: () => mission,

    /** The track of the chosen flight. @returns {any[][]} */
    track() {
      return (store.state && store.history.tracks[store.state.flight.name]) ?? [];
    },

    /** Shows another flight from now on. @param {string} name */
    choose(name) {
      if (store.state === null || store.state.flight.name === name) return;
      chosen = name;
      const state = shown();
      store.state = state;
      tell(new Set([...Object.keys(state), 'history']));
    },

    /**
     * @param {any} message
     * @returns {boolean} false when an update is missing: ask again from `sequence`
     */
    apply(message) {
      if (message.kind === 'snapshot') {
        ({ session: store.session, sequence: store.sequence } = message);
        store.kept = message.kept ?? null;
        mission = message.state;
        const state = shown();
        store.state = state;
        store.history = message.history;
        for (const name of Object.keys(store.history.tracks)) store.tracksFrom.set(name, 0);
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
        senders: merged(mission.senders, shared.senders),
        flights: parts.map((part, n) => ({ ...mission.flights[n], ...part })),
      };
      const state = shown();
      store.state = state;
      const part = parts[mission.flights.indexOf(state.flight)] ?? {};
      const changed = new Set([...Object.keys(shared), ...Object.keys(part)]);
      if (flights !== undefined) changed.add('flights');
      if (splice(message.history)) changed.add('history');
      tell(changed);
      return true;
    },

    /** @param {(changed: Set<string>) => void} listener names of sections, and `history` */
    onChange(listener) {
      listeners.add(listener);
    },
  };

  /**
   * What the panels read: the mission, with the chosen flight's sections beside it and as `flight`; each
   * vehicle with its way to that flight's landing.
   */
  function shown() {
    const flight = mission.flights.find(({ name }) => name === chosen) ?? mission.flights[0];
    const ways = new Map(flight.ways.map((way) => [way.vehicle, way]));
    const vehicles = mission.vehicles.map((one) => ({ ...NO_WAY, ...ways.get(one.name), ...one }));
    return { ...mission, ...flight, vehicles, flight };
  }

  /** Those who changed among those who are known, by name. */
  function merged(senders, change) {
    if (change === undefined) return senders;
    const by_name = new Map(senders.map((one) => [one.name, one]));
    for (const name of change.gone) by_name.delete(name);
    for (const one of change.changed) by_name.set(one.name, one);
    return [...by_name.values()].sort((a, b) => (a.name < b.name ? -1 : 1));
  }

  function tell(changed) {
    for (const listener of listeners) listener(changed);
  }

  function splice(change) {
    const { history } = store;
    for (const [name, { from }] of Object.entries(change.tracks ?? {})) {
      store.tracksFrom.set(name, Math.min(store.tracksFrom.get(name) ?? from, from));
    }
    for (const section of ['tracks', 'fixes', 'vehicles', 'sensors']) {
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
