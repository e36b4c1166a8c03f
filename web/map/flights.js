/** Each flight's track and landing; the one that the panels show stands out from the others. */

import { createLanding, landingRenderer } from 'leeward/map/landing.js';
import { createTrack, trackCanvases } from 'leeward/map/track.js';

export function createFlightLayers(map, store, preferences) {
  const canvases = trackCanvases();
  const renderer = landingRenderer();
  /** @type {Map<string, {track: ReturnType<typeof createTrack>, landing: ReturnType<typeof createLanding>}>} */
  const layers = new Map();

  function layersOf(name, number) {
    let found = layers.get(name);
    if (found === undefined) {
      const track = createTrack(map, preferences, canvases);
      found = { track, landing: createLanding(map, renderer, number) };
      layers.set(name, found);
    }
    return found;
  }

  return {
    drawTracks() {
      const { state, history, tracksFrom } = store;
      state.flights.forEach(({ name }, number) => {
        const { track } = layersOf(name, number);
        track.choose(name === state.flight.name);
        const from = tracksFrom.get(name);
        if (from !== undefined) track.draw(history.tracks[name] ?? [], from);
      });
      tracksFrom.clear();
    },
    drawLandings() {
      const { state } = store;
      if (state === null) return;
      const several = state.flights.length > 1;
      state.flights.forEach(({ name, landing, search }, number) => {
        const searched = search.result !== null || search.found !== null;
        layersOf(name, number).landing.draw(landing, several ? name : '', name === state.flight.name, searched);
      });
    },
    /** The words that grow old while nothing is heard. */
    age(now_s) {
      const { state } = store;
      if (state === null) return;
      for (const flight of state.flights) layers.get(flight.name)?.landing.age(flight, state, state.flights.length > 1 ? flight.name : '', now_s);
    },
    colours() {
      for (const { track } of layers.values()) track.colours();
    },
  };
}
