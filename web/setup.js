/** What this station has beside the flight: maps, layers, heights of the ground. Asked once. */

/**
 * @typedef {{key: string, name: string, attribution: string, min_zoom: number, max_zoom: number,
 *   bounds: [number, number, number, number], imagery: boolean, schema: string | null}} TileSheet
 * @typedef {{key: string, attribution: string, min_zoom: number, max_zoom: number}} World
 * @typedef {{terrain: boolean, tiles: TileSheet[], world: World | null,
 *   layers: {key: string, name: string, attribution: string}[],
 *   online: {template: string, attribution: string, max_zoom: number} | null}} Setup
 */

/** @type {Promise<Setup> | null} */
let asked = null;

/** @returns {Promise<Setup>} */
export function readSetup() {
  asked ??= ask();
  return asked;
}

async function ask() {
  try {
    const reply = await fetch('/api/setup');
    if (reply.ok) return await reply.json();
  } catch {
    // the line is lost: the page does without
  }
  return { terrain: false, tiles: [], world: null, layers: [], online: null };
}
